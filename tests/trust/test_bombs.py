"""Files made to take for ever: each is told in seconds, in little memory, by a message."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from nestcut.batch import read_batch, read_scraps_csv
from nestcut.checks import check_file
from nestcut.errors import BatchError, PlanError
from nestcut.plans import plan_to_json
from tests.shared.batch_files import SMALL
from tests.shared.checked_plans import squares

SECONDS = 20
"""CPU time; on a quiet machine each takes less than five."""

BATCHES: dict[str, tuple[Callable[[], str], str]] = {
    "key of a million parts": (lambda: "a" + ".a" * 900_000 + " = 1", "dots on end"),
    "a hundred thousand wrong keys": (
        lambda: "\n".join(f"key{k} = 1" for k in range(100_000)),
        "things to mend",
    ),
    "ninety thousand scraps": (
        lambda: SMALL + '[[scraps]]\npaper = "red"\nsize = [6, 8]\n' * 90_000,
        "too many",
    ),
    "a list on one line": (lambda: "x = [" + "1, " * 900_000 + "]", "several lines"),
}


@pytest.mark.parametrize("what", BATCHES)
def test_batches(what: str, tmp_path: Path) -> None:
    """Batch files of megabytes."""
    make, word = BATCHES[what]
    path = tmp_path / "batch.toml"
    path.write_text(make(), encoding="utf-8")
    begin = time.process_time()
    with pytest.raises(BatchError, match=word) as caught:
        read_batch(path)
    assert time.process_time() - begin < SECONDS
    assert len(str(caught.value)) < 2000


def test_a_table_of_wrong_rows(tmp_path: Path) -> None:
    """99,000 rows with the same slip."""
    path = tmp_path / "scraps.csv"
    path.write_text("paper,width,length\n" + "red,ten,10\n" * 99_000, encoding="utf-8")
    begin = time.process_time()
    with pytest.raises(BatchError, match="things to mend"):
        read_scraps_csv(path)
    assert time.process_time() - begin < SECONDS


def _dies(plan: dict[str, Any]) -> None:
    plan["layups"][0]["slots"] *= 3000


def _papers(plan: dict[str, Any]) -> None:
    first = plan["passes"][0]["papers"][0]
    plan["scraps"] += [plan["scraps"][0] | {"id": f"n{k}"} for k in range(2000)]
    plan["passes"][0]["papers"] += [first | {"scrap": f"n{k}"} for k in range(2000)]


def _cuts(plan: dict[str, Any]) -> None:
    plan["passes"] = [plan["passes"][0] | {"number": k} for k in range(1, 8001)]


def _kinds(plan: dict[str, Any]) -> None:
    plan["cards"] = [{"name": "x", "count": 10**9, "lines": []}]
    plan["kits"] = 10**9
    plan["packing"] = [{"first": 1, "last": 10**9, "card": "x", "copy": 1, "pieces": []}]


@pytest.mark.parametrize("change", [_dies, _papers, _cuts, _kinds])
def test_plans(change: Callable[[dict[str, Any]], None], tmp_path: Path) -> None:
    """Plans with thousands of things in one place."""
    plan = plan_to_json(squares())
    change(plan)
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(plan), encoding="utf-8")
    begin = time.process_time()
    assert not check_file(path).ok
    assert time.process_time() - begin < SECONDS


@pytest.mark.parametrize("thing", ["[],", "{},", "0,"])
def test_plans_of_nothing_but_small_things(
    thing: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Megabytes of empty lists would fill gigabytes of memory: the file is refused before it is parsed."""
    monkeypatch.setattr("nestcut.plans.files.MOST_THINGS", 450_000)  # a hundredth of the limit, to be quick
    path = tmp_path / "plan.json"
    path.write_text('{"notes": [' + thing * 500_000 + "0]}", encoding="utf-8")
    with pytest.raises(PlanError, match="too many values") as caught:
        check_file(path)
    assert caught.value.mend
    assert caught.value.where.file == str(path)
