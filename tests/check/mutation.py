"""Damage the checker itself and see whether its tests notice: a small mutation tester.

    python -m tests.check.mutation --seconds 600 --seed 0

works on a copy of the tree in a temporary folder. Each mutant changes one thing in one module of
``nestcut/check``: a comparison, a sign, a number, ``and``/``or``, ``min``/``max``, a ``not``, a ``continue``,
a call that writes down a fault. Survivors are printed with file, line and change.
Source: mutation testing (DeMillo, Lipton & Sayward, 1978); the list of operators is our own.
"""

from __future__ import annotations

import argparse
import ast
import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
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
    proofs = {"proof", "disproof", "turning", "turns", "safe_side", "stacking", "offsets", "convex_cover"}
    if module in proofs:
        return ["tests/check/test_proof.py"]
    return [f"tests/check/test_{name}.py" for name in ("damage", "tolerance", "corners")]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--modules", default="", help="names, with commas; all when empty")
    options = parser.parse_args()
    rng = random.Random(options.seed)
    wanted = set(filter(None, options.modules.split(",")))
    files = [
        path
        for path in sorted((ROOT / "nestcut/check").glob("*.py"))
        if path.stem not in ("__init__", "report") and (not wanted or path.stem in wanted)
    ]
    todo = [
        (path, number, what) for path in files for number, what in mutants(ast.parse(path.read_text("utf-8")))
    ]
    print(f"{len(todo)} mutants in {len(files)} modules; a random order, {options.seconds:.0f} s")
    rng.shuffle(todo)
    killed = tried = 0
    start = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        shutil.copytree(ROOT / "nestcut", copy / "nestcut", ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copytree(
            ROOT / "tests/check", copy / "tests/check", ignore=shutil.ignore_patterns("__pycache__")
        )
        (copy / "tests/__init__.py").touch()
        for path, number, what in todo:
            if time.monotonic() - start > options.seconds:
                break
            target = copy / "nestcut/check" / path.name
            original = path.read_text("utf-8")
            target.write_text(mutate(original, number), "utf-8")
            command = [sys.executable, "-B", "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider"]
            try:
                run = subprocess.run(
                    command + tests_for(path.stem), cwd=copy, capture_output=True, timeout=180, check=False
                )
                dead = run.returncode != 0
            except subprocess.TimeoutExpired:
                dead = True  # it hangs: noticed
            target.write_text(original, "utf-8")
            tried += 1
            killed += dead
            if not dead:
                print(f"survived: {path.name}, {what}", flush=True)
    print(f"{killed} of {tried} killed ({100 * killed / max(1, tried):.0f} %)")


if __name__ == "__main__":
    main()
