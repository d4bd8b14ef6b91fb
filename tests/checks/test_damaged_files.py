"""Damage to the file itself: cut short, another version, numbers that are none. Each is refused, with the reason."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from nestcut.checks import check_file, check_plan
from nestcut.errors import PlanError
from nestcut.plans import plan_to_json
from tests.shared.checked_plans import PLANS, kits, squares


def written(tmp_path: Path, value: Any) -> Path:
    """A value as plan.json."""
    path = tmp_path / "plan.json"
    path.write_text(value if isinstance(value, str) else json.dumps(value), encoding="utf-8")
    return path


def test_a_file_cut_short_anywhere_is_refused(tmp_path: Path) -> None:
    """Every 40th place to stop, and the last 20: never read as a plan."""
    text = json.dumps(plan_to_json(kits()))
    for end in sorted({*range(0, len(text), 40), *range(len(text) - 20, len(text))}):
        with pytest.raises(PlanError) as caught:
            check_file(written(tmp_path, text[:end]))
        assert "too early" in caught.value.what or "not JSON" in caught.value.what


FILES: dict[str, tuple[Any, str]] = {
    "unknown version": (lambda d: d | {"version": 2}, "version"),
    "version as a word": (lambda d: d | {"version": "1"}, "version"),
    "other format": (lambda d: d | {"format": "something"}, "format"),
    "not a number": (lambda d: json.dumps(d).replace('"clear": 2', '"clear": NaN'), "NaN"),
    "endless": (lambda d: json.dumps(d).replace('"clear": 2', '"clear": 1e999'), "clear"),
    "key missing": (lambda d: {k: v for k, v in d.items() if k != "passes"}, "passes"),
    "key twice": (lambda d: json.dumps(d)[:-1] + ', "passes": []}', "twice"),
    "list for an object": (lambda d: [d], "object"),
    "nested without end": (lambda d: "[" * 100_000, "nested"),
    "number as a word": (lambda d: d | {"bound": {"passes": "1", "reason": ""}}, "bound.passes"),
}


@pytest.mark.parametrize("what", FILES)
def test_files_that_are_no_plans_are_refused(what: str, tmp_path: Path) -> None:
    """The message names the file and the key, and says how to mend it."""
    change, word = FILES[what]
    path = written(tmp_path, change(plan_to_json(squares())))
    with pytest.raises(PlanError) as caught:
        check_file(path)
    assert word in str(caught.value)
    assert caught.value.mend
    assert caught.value.where.file == str(path)


def test_what_was_checked_is_counted() -> None:
    """The counts say what was really measured: worked out by hand for the squares and the kits."""
    # Squares: 3 passes with 2 papers each and the cuts (2, 1, 1) … see tests/shared/checked_plans.py.
    plan = squares()
    cuts = sum(len(a_pass.cuts) for a_pass in plan.passes)
    checked = check_plan(plan).checked
    assert checked["passes"] == 3
    assert checked["cuts"] == checked["cuts against edges"] == cuts
    assert checked["papers laid"] == sum(len(a_pass.papers) for a_pass in plan.passes)
    assert checked["lay-ups"] == len(plan.layups) == 1
    assert checked["rim pairs"] == 1
    assert checked["paper pairs"] == sum(len(p.papers) * (len(p.papers) - 1) // 2 for p in plan.passes)
    assert checked["cuts against other papers"] == sum(len(p.cuts) * (len(p.papers) - 1) for p in plan.passes)
    by_scrap: dict[str, int] = {}
    for a_pass in plan.passes:
        for cut in a_pass.cuts:
            by_scrap[cut.scrap] = by_scrap.get(cut.scrap, 0) + 1
    assert checked["cut pairs in one scrap"] == sum(n * (n - 1) // 2 for n in by_scrap.values())
    assert checked["lines of demand"] == len(plan.demand)
    assert checked["totals"] == 6
    assert checked["remnants"] == len(plan.remnants)
    checked = check_plan(kits()).checked
    assert checked["trims"] == 2
    assert checked["packings"] == 3
    for make in PLANS.values():
        assert min(check_plan(make()).checked.values()) >= 0
