"""Damage the checker itself and see whether its tests notice: a small mutation tester.

    python -m tests.checks.mutation --seconds 600 --seed 0
    python -m tests.checks.mutation --modules proofs --each 20 --json results.json      (goes on where it was broken off)

touches no source: each mutant lives in a forked process, where the import of one module of ``nestcut/checks`` gives
it instead, and the tests that reach its line (``tests/checks/reach.py``) are run. A mutant changes one thing: a comparison, a sign, a number, ``and``/``or``, ``min``/``max``, a ``not``, a ``continue``,
a call that writes down a fault. Survivors are printed with file, line and change.
Source: mutation testing (DeMillo, Lipton & Sayward, 1978); the list of operators is our own.
"""

from __future__ import annotations

import argparse
import ast
import importlib.abc
import json
import os
import random
import resource
import sys
import tempfile
import time
from dataclasses import asdict, dataclass, replace
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from tests.checks.reach import CHECKER, Reach, digest, from_json, measured, run_tests

PROOFS = {
    "verify", "short_proof", "disproof", "turning", "turns", "safe_side", "stacking", "offsets", "convex_cover", "relative", "cores",
    "patience", "sets", "symmetry", "whole_papers",
}  # fmt: skip
"""Modules that ``check_proof`` is made of; the others hold the rules."""
COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}
REVERSED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.Gt,
    ast.LtE: ast.GtE,
    ast.Gt: ast.Lt,
    ast.GtE: ast.LtE,
}
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}


def mutants(tree: ast.Module) -> list[tuple[int, str]]:
    """(number, what) of each possible mutant; :func:`mutate` makes the one of a number."""
    found: list[tuple[int, str]] = []
    _walk(tree, found, None)
    return found


def mutate(source: str, number: int) -> str:
    """The module with its mutant of this number."""
    tree = ast.parse(source)
    _walk(tree, [], number)
    return ast.unparse(ast.fix_missing_locations(tree))


def _walk(tree: ast.Module, found: list[tuple[int, str]], wanted: int | None) -> None:
    count = 0

    def offer(node: ast.AST, what: str) -> bool:
        nonlocal count
        found.append((count, f"line {getattr(node, 'lineno', 0)}: {what}"))
        count += 1
        return wanted is not None and count - 1 == wanted

    for node in list(ast.walk(tree)):
        if isinstance(node, ast.Compare):
            for index, op in enumerate(node.ops):
                for table in (COMPARISONS, REVERSED):
                    other = table.get(type(op))
                    if other and offer(node, f"{type(op).__name__} → {other.__name__}"):
                        node.ops[index] = other()
        elif isinstance(node, ast.BinOp):
            other_op = OPERATORS.get(type(node.op))
            if other_op and offer(node, f"{type(node.op).__name__} → {other_op.__name__}"):
                node.op = other_op()
        elif isinstance(node, ast.BoolOp):
            swapped = ast.Or if isinstance(node.op, ast.And) else ast.And
            if offer(node, f"{type(node.op).__name__} → {swapped.__name__}"):
                node.op = swapped()
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
            if offer(node, f"{type(node.op).__name__} dropped"):
                node.op = ast.UAdd() if isinstance(node.op, ast.USub) else node.op
                if isinstance(node.op, ast.Not):
                    node.operand = ast.UnaryOp(ast.Not(), node.operand)
        elif (
            isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("min", "max")
        ):
            swapped_name = "max" if node.func.id == "min" else "min"
            if offer(node, f"{node.func.id} → {swapped_name}"):
                node.func.id = swapped_name
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
            if offer(node, f"{node.value} → {node.value + 1}"):
                node.value = node.value + 1
        elif isinstance(node, ast.Continue):
            pass  # a statement: done with the bodies below
        for name in ("body", "orelse"):
            body = getattr(node, name, None)
            if not isinstance(body, list):
                continue
            for index, statement in enumerate(body):
                drop = isinstance(statement, ast.Continue | ast.Break) or (
                    isinstance(statement, ast.Expr)
                    and isinstance(statement.value, ast.Call)
                    and isinstance(statement.value.func, ast.Attribute | ast.Name)
                )
                if drop and offer(statement, f"dropped: {ast.unparse(statement)[:60]}"):
                    body[index] = ast.Pass()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument(
        "--modules", default="", help="names, with commas, or rules, or proofs; all when empty"
    )
    parser.add_argument("--each", type=int, default=0, help="at most so many mutants of a module; 0: all")
    parser.add_argument(
        "--json", type=Path, default=None, help="file of results: what stands there is not run again"
    )
    options = parser.parse_args()
    todo = chosen_mutants(options.modules, options.each, random.Random(options.seed))
    print(f"{len(todo)} mutants, {options.seconds:.0f} s", flush=True)
    start = time.monotonic()
    _imports()
    kept: dict[str, Any] = {"digest": "", "reach": {}, "results": {}}
    if options.json and options.json.exists():
        kept = json.loads(options.json.read_text("utf-8"))
    results: dict[str, bool] = kept["results"]
    if kept["digest"] != digest():
        reach = measured()
        kept |= {"digest": digest(), "reach": asdict(reach)}
        # What lived may be killed by now; what was killed, was.
        results = kept["results"] = {key: True for key, killed in results.items() if killed}
    reach = from_json(kept["reach"])
    print(f"{len(reach.seconds)} tests, {sum(reach.seconds.values()):.0f} s when watched", flush=True)
    quick: dict[str, list[str]] = {}  # tests that killed others of the module: asked first
    for mutant in todo:
        if time.monotonic() - start > options.seconds:
            break
        if mutant.key in results:
            continue
        killer = noticed_by(mutant, reach, quick.setdefault(mutant.path.stem, []))
        results[mutant.key] = killer is not None
        if options.json:
            options.json.write_text(json.dumps(kept, indent=0, ensure_ascii=False), encoding="utf-8")
        if killer is None:
            print(f"survived: {mutant.path.name}, {mutant.what}", flush=True)
    tell(todo, results)


@dataclass(frozen=True)
class Mutant:
    """One change of one module; ``first`` to ``last`` are the lines of the statement that it is in."""

    path: Path
    number: int
    what: str
    first: int
    last: int
    text: str

    @property
    def key(self) -> str:
        """The same for the same change of the same text, whatever stands above it."""
        return f"{self.path.stem}: {self.what.partition(': ')[2]} in: {self.text}"


def chosen_mutants(modules: str, each: int, rng: random.Random) -> list[Mutant]:
    """The mutants of some modules in a random order, the modules in turn, so that a run broken off is spread over all."""
    wanted = set(filter(None, modules.split(",")))
    kinds: list[list[Mutant]] = []
    for path in sorted(CHECKER.rglob("*.py")):
        kind = "proofs" if path.stem in PROOFS else "rules"
        if path.stem in ("__init__", "report") or (wanted and not {path.stem, kind} & wanted):
            continue
        source = path.read_text("utf-8")
        lines = source.splitlines()
        mine: list[Mutant] = []
        keys: set[str] = set()
        spans = _statements(ast.parse(source))
        for number, what in mutants(ast.parse(source)):
            line = int(what.split(":")[0].removeprefix("line "))
            first, last = spans.get(line, (line, line))
            text = lines[line - 1].strip()
            one = Mutant(path, number, what, first, last, text)
            while one.key in keys:  # the same change twice in one line, or in two equal lines
                text += "'"
                one = replace(one, text=text)
            keys.add(one.key)
            mine.append(one)
        rng.shuffle(mine)
        kinds.append(mine[:each] if each else mine)
    rounds = max(map(len, kinds), default=0)
    return [mine[place] for place in range(rounds) for mine in kinds if place < len(mine)]


def _statements(tree: ast.Module) -> dict[int, tuple[int, int]]:
    """Line → first and last line of the innermost statement it is in; of one with a body, its head only."""
    spans: dict[int, tuple[int, int]] = {}
    for node in ast.walk(tree):  # from the outside in, so that the innermost stays
        if isinstance(node, ast.stmt):
            body = getattr(node, "body", None)
            end = node.end_lineno or node.lineno
            last = max(node.lineno, body[0].lineno - 1) if isinstance(body, list) and body else end
            for line in range(node.lineno, last + 1):
                spans[line] = (node.lineno, last)
    return spans


def tell(todo: list[Mutant], results: dict[str, bool]) -> None:
    """Killed and tried, module by module."""
    tried = [mutant for mutant in todo if mutant.key in results]
    for stem in sorted({mutant.path.stem for mutant in tried}):
        mine = [results[mutant.key] for mutant in tried if mutant.path.stem == stem]
        print(f"{stem:<14}{sum(mine):>4} of {len(mine):>3}")
    for mutant in tried:
        if not results[mutant.key]:
            print(f"lives: {mutant.path.name}, {mutant.what} | {mutant.text}")
    killed = sum(results[mutant.key] for mutant in tried)
    print(f"{killed} of {len(tried)} killed ({100 * killed / max(1, len(tried)):.0f} %)")


def noticed_by(mutant: Mutant, reach: Reach, quick: list[str]) -> str | None:
    """The test that fails, or hangs, with the mutant in the place of its module; None where none does.

    Tests that have killed before come first, then the quickest. The checker keeps no caches, so what a test reaches
    does not depend on those before it.
    """
    tests = reach.tests(mutant.path.stem, mutant.first, mutant.last)
    first = [test for test in quick if test in tests]
    killer = _run(mutant, first + [test for test in tests if test not in first], reach) if tests else None
    if killer:
        quick[:] = [killer, *(test for test in quick if test != killer)][:8]
    return killer


def _run(mutant: Mutant, tests: list[str], reach: Reach) -> str | None:
    """Run tests in a forked process; returns the name of the one that failed or never came back."""
    limit = round(10 + 5 * sum(reach.seconds[test] for test in tests))  # a hang is noticed, too
    source = mutate(mutant.path.read_text("utf-8"), mutant.number)
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder) / "now"
        child = os.fork()
        if child == 0:
            code = 1
            try:
                resource.setrlimit(resource.RLIMIT_CPU, (limit, limit))
                null = os.open(os.devnull, os.O_WRONLY)
                os.dup2(null, 1)
                os.dup2(null, 2)
                sys.meta_path.insert(
                    0,
                    _Mutant(
                        ".".join(mutant.path.relative_to(CHECKER.parents[1]).with_suffix("").parts), source
                    ),
                )
                code = run_tests(tests, _Now(told))
            finally:
                os._exit(code)
        _, status = os.waitpid(child, 0)
        if status == 0:
            return None
        return told.read_text("utf-8") if told.exists() else "import"


class _Now:
    """Writes down which test runs."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_logstart(self, nodeid: str) -> None:
        """One test begins."""
        self.path.write_text(nodeid, encoding="utf-8")


class _Mutant(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module from a source of our own."""

    def __init__(self, name: str, source: str) -> None:
        self.name, self.source = name, source

    def find_spec(self, fullname: str, path: object, target: object = None) -> ModuleSpec | None:
        """The module, if it is the one."""
        return ModuleSpec(fullname, self) if fullname == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        """Run the mutant's source."""
        exec(compile(self.source, f"<mutant of {self.name}>", "exec"), module.__dict__)


def _imports() -> None:
    """What every mutant needs, once; nothing of the checker, or the mutant would come too late."""
    import hypothesis  # noqa: F401
    import shapely.ops  # noqa: F401

    import nestcut.plans  # noqa: F401

    assert not any(name.startswith("nestcut.checks") for name in sys.modules)


if __name__ == "__main__":
    main()
