"""Damage the checker itself and see whether its tests notice: a small mutation tester.

    python -m tests.check.mutation --seconds 600 --seed 0

touches no file: each mutant lives in a forked process, where the import of one module of ``nestcut/check`` gives
it instead, and the tests of the room are run. A mutant changes one thing: a comparison, a sign, a number, ``and``/``or``, ``min``/``max``, a ``not``, a ``continue``,
a call that writes down a fault. Survivors are printed with file, line and change.
Source: mutation testing (DeMillo, Lipton & Sayward, 1978); the list of operators is our own.
"""

from __future__ import annotations

import argparse
import ast
import importlib.abc
import os
import random
import resource
import sys
import time
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]
CPU_SECONDS = 60
"""For the tests with one mutant; they take a few without."""
PROOFS = {"proof", "disproof", "turning", "turns", "safe_side", "stacking", "offsets", "convex_cover"}
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


def tests_for(module: str) -> list[str]:
    """The tests that should notice: those of proofs, or those of plans."""
    if module in PROOFS:
        return ["tests/check/test_survivors.py", "tests/check/test_proof.py"]
    names = ["damage", "tolerance", "corners", "survivors", "damaged_files"]
    if module == "measure":
        names.append("exact_geometry")  # thousands of random pairs say nothing about the other modules
    return [f"tests/check/test_{name}.py" for name in names]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument(
        "--modules", default="", help="names, with commas, or rules, or proofs; all when empty"
    )
    options = parser.parse_args()
    rng = random.Random(options.seed)
    wanted = set(filter(None, options.modules.split(",")))
    files = [
        path
        for path in sorted((ROOT / "nestcut/check").glob("*.py"))
        if path.stem not in ("__init__", "report")
        and (not wanted or path.stem in wanted or ("proofs" if path.stem in PROOFS else "rules") in wanted)
    ]
    todo = [
        (path, number, what) for path in files for number, what in mutants(ast.parse(path.read_text("utf-8")))
    ]
    print(f"{len(todo)} mutants in {len(files)} modules; a random order, {options.seconds:.0f} s")
    rng.shuffle(todo)
    killed = tried = 0
    start = time.monotonic()
    _imports()
    for path, number, what in todo:
        if time.monotonic() - start > options.seconds:
            break
        dead = is_noticed(path, number)
        tried += 1
        killed += dead
        if tried % 20 == 0:
            print(f"{killed} of {tried} killed so far", flush=True)
        if not dead:
            print(f"survived: {path.name}, {what}", flush=True)
    print(f"{killed} of {tried} killed ({100 * killed / max(1, tried):.0f} %)")


def is_noticed(path: Path, number: int) -> bool:
    """Whether the tests fail, or hang, with one mutant in the place of its module."""
    source = mutate(path.read_text("utf-8"), number)
    child = os.fork()
    if child == 0:
        code = 1
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS, CPU_SECONDS))  # a hang is noticed, too
            null = os.open(os.devnull, os.O_WRONLY)
            os.dup2(null, 1)
            os.dup2(null, 2)
            sys.meta_path.insert(0, _Mutant(f"nestcut.check.{path.stem}", source))
            options = ["-x", "-q", "-p", "no:cacheprovider", "--rootdir", str(ROOT)]
            code = int(pytest.main([*options, *(str(ROOT / test) for test in tests_for(path.stem))]))
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    return status != 0


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

    import nestcut.plan  # noqa: F401

    assert not any(name.startswith("nestcut.check") for name in sys.modules)


if __name__ == "__main__":
    main()
