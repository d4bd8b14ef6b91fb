"""A program that uses every public name, for type checkers: ``mypy --strict`` reads it, nothing runs it.

``assert_type`` is an error where a name has lost its type (become Any), which a plain assignment would let pass.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, assert_type

import nestcut


def plan_and_check(file: Path) -> bool:
    """From a batch file to a folder that was checked."""
    batch = nestcut.read(file)
    assert_type(batch, nestcut.Batch)
    assert_type(batch.kits, int)
    plan = nestcut.plan(batch, seconds=1.0, seed=1, workers=2, stop=lambda: False, advise=True)
    assert_type(plan, nestcut.Plan)
    assert_type(plan.totals.passes, int)
    report = nestcut.check(plan)
    assert_type(report, nestcut.Report)
    proof = nestcut.check_proof(plan, seconds=None)
    assert_type(proof, nestcut.Report)
    assert_type(proof.rules, frozenset[str])
    written = nestcut.write(plan, file.parent / "out")
    assert_type(written, list[Path])
    return report.ok and proof.ok


def numbers(batch: nestcut.Batch) -> list[int]:
    """Passes for ten and for twenty kits."""
    estimates = nestcut.estimate(batch, [10, 20], seconds=1.0)
    for one in estimates:
        assert_type(one.minutes, float)
    return [one.passes for one in estimates]


def copy(file: str) -> dict[str, Any]:
    """A plan read and written again; the schema of its file."""
    plan = nestcut.read_plan(file)
    assert_type(plan, nestcut.Plan)
    nestcut.write_plan(plan, "copy.json")
    schema = nestcut.plan_schema()
    assert_type(schema, dict[str, Any])
    return schema


def put_back(plan: nestcut.Plan) -> str:
    """What an evening left goes into the box; otherwise what is wrong and how to mend it."""
    try:
        with nestcut.Box() as box:
            assert_type(box, nestcut.Box)
            box.add("red", (148, 105), count=3)
            box.after(plan)
            return str(box.path)
    except nestcut.NestcutError as error:
        assert_type(error.what, str)
        assert_type(error.mend, str)
        return f"{error.what}: {error.mend}"
