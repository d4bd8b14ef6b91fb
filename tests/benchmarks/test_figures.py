"""The benchmarks of handling, of kits by the thousand and of ways by hand: what they count."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from shapely.geometry import box

from nestcut.batch.model import Scrap
from tests.benchmarks import handling, kits
from tests.benchmarks.by_hand import rows_by_hand, slits_of
from tests.shared.squares import batch_of, square_die


def row(seed: int, way: str, passes: int, trims: int, *, complete: bool = True) -> dict[str, Any]:
    laid = 2 * passes
    return {
        "seed": seed, "supply": 3.0, "way": way, "complete": complete, "passes": passes, "bound": passes, "trims": trims,
        "papers": laid, "handling": trims + laid, "changes": 1, "pieces": 100, "minutes": passes + trims / 2,
    }  # fmt: skip


def test_ratios_are_of_classes_that_both_ways_complete() -> None:
    """Class by class, not of the sums; a class that one way leaves incomplete says nothing."""
    rows = [
        row(1, "passes", 100, 50), row(1, "extra 10 %", 110, 10),
        row(2, "passes", 10, 10), row(2, "extra 10 %", 10, 8),
        row(3, "passes", 70, 70), row(3, "extra 10 %", 50, 0, complete=False),
    ]  # fmt: skip
    found = handling.ratios(rows, "extra 10 %", 3.0)
    assert [one["passes"] for one in found] == [1.1, 1.0]
    assert [one["trims"] for one in found] == [0.2, 0.8]
    assert [one["handling"] for one in found] == [230 / 250, 28 / 30]
    text = handling.table(rows)
    assert "extra 10 %       2    1.05" in text


def test_more_kits_have_more_of_the_same_scraps() -> None:
    """Ten times the kits, ten times each scrap; one of each at least."""
    batch = replace(
        batch_of([(square_die("a", 10), "p", 3)], [("p", 60.0, 90.0), ("p", 30.0, 40.0)]), kits=10
    )
    more = kits.grown(batch, 100)
    assert (more.kits, len(more.scraps), len({scrap.id for scrap in more.scraps})) == (100, 20, 20)
    assert sorted({scrap.outline.bounds[2:] for scrap in more.scraps}) == [(30.0, 40.0), (60.0, 90.0)]
    assert len(kits.grown(batch, 1).scraps) == 2


def test_seconds_of_a_step_end_where_the_next_is_told() -> None:
    told = [
        (0.0, "reading the demand"),
        (1.0, "lay-ups: 3 sets"),
        (3.0, "lanes and strips"),
        (4.5, "asking what if"),
    ]
    assert kits.steps_of(told, 5.0) == {"search": 3.0, "papers": 1.5, "rest": 0.5}


def test_sheets_wider_than_the_plate_are_slit() -> None:
    """A plate 100 mm wide: a sheet of 210 × 297 mm is slit into three, one of 90 × 300 mm not at all, and it comes first."""
    batch = batch_of([(square_die("a", 10), "p", 3)], [("p", 210.0, 297.0)] * 3 + [("p", 90.0, 300.0)])
    assert slits_of(batch, {"p": 27_000.0}) == 0
    assert slits_of(batch, {"p": 27_001.0}) == 3
    assert slits_of(batch, {"p": 90_000.0}) == 6
    assert slits_of(batch, {"p": 0.0}) == 0


def test_rows_by_hand() -> None:
    """Two dies side by side in one paper, then one of them alone; paper by the boxes of their rims."""
    dies = [(square_die("a", 20), "p", 5), (square_die("b", 10), "p", 2)]
    batch = batch_of(dies, [])
    batch = replace(batch, scraps=(Scrap("p-1", "p", box(0, 0, 90, 200)),))
    found = rows_by_hand(batch, {"p": {"a": 5, "b": 2}})  # type: ignore[dict-item]
    assert (found.passes, found.cranks, found.dies_set_up, found.trims) == (5, 5, 2, 0)
    assert found.paper_mm2 == 5 * 23 * 23 + 2 * 13 * 13
    assert found.minutes(batch) == pytest.approx((5 * 15 + 5 * 6 + 2 * 15) / 60)  # cranks, pulls, dies set up
