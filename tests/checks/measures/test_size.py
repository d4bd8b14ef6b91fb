"""What is beyond measuring is told by its size: as much as the limit is measured, one more is refused."""

from __future__ import annotations

from dataclasses import replace

import pytest
import shapely
from shapely.geometry import box

from nestcut.checks import check_plan
from nestcut.plans.model import Trim
from tests.checks.damage import change_die
from tests.shared.checked_plans import (
    PLANS,
    finished,
    kits,
)


def test_a_scrap_of_thousands_of_parts_is_beyond_measuring(monkeypatch: pytest.MonkeyPatch) -> None:
    """More than 2,000 parts of one scrap are refused by their number; 2,000 are measured (here: the limit brought down)."""
    monkeypatch.setattr("nestcut.checks.measures.size.MOST_PARTS", 20)
    plan = replace(kits(), hand=replace(kits().hand, trims="scissors"))
    for parts, refused in ((20, False), (21, True)):
        many = tuple((f"p{k}", box(0, 0.01 * k, 40, 0.01 * (k + 1))) for k in range(parts))
        scraps = (*plan.scraps, replace(plan.scraps[0], id="pink-9"))
        report = check_plan(finished(replace(plan, scraps=scraps, trims=(*plan.trims, Trim("pink-9", many)))))
        assert report.rules == ({"size"} if refused else set())


def test_the_scrap_with_most_corners_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three cuts of five points in one scrap, one in another: fifteen are allowed, or refused."""
    for most, refused in ((15, False), (14, True)):
        monkeypatch.setattr("nestcut.checks.measures.size.MOST_CORNERS_OF_A_SCRAP", most)
        assert ("size" in check_plan(PLANS["squares"]()).rules) == refused


def test_a_die_of_very_many_pieces_is_beyond_measuring(monkeypatch: pytest.MonkeyPatch) -> None:
    """The pair cuts two pieces at once: two are allowed, or refused."""
    for most, refused in ((2, False), (1, True)):
        monkeypatch.setattr("nestcut.checks.measures.size.MOST_PIECES", most)
        assert ("size" in check_plan(PLANS["openings"]()).rules) == refused


@pytest.mark.parametrize(
    ("limit", "most"),
    [
        # squares(): four cuts of five points and five papers of five, but green-1 has a hole, and lies twice.
        ("MOST_CORNERS", 4 * 5 + 3 * 5 + 2 * 10),
        ("MOST_CORNERS_OF_A_SHAPE", 10),
        # Two, one and two papers; two, one and one cuts: 1 + 4, 0 + 1, 1 + 2.
        ("MOST_PAIRS", 9),
    ],
)
def test_sizes_are_counted(limit: str, most: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """As many corners and pairs as there are may be allowed; one fewer, and the plan is beyond measuring."""
    for allowed, rules in ((most, set()), (most - 1, {"size"})):
        monkeypatch.setattr(f"nestcut.checks.measures.size.{limit}", allowed)
        assert check_plan(PLANS["squares"]()).rules == rules


def test_corners_of_a_die_are_counted_with_its_rim(monkeypatch: pytest.MonkeyPatch) -> None:
    """A die's cut and rim may have twice the corners of one shape between them: one below is refused."""
    plan = PLANS["squares"]()
    ring = plan.dies[1].cut.segmentize(1.0)
    corners = shapely.get_num_coordinates(ring) + shapely.get_num_coordinates(plan.dies[1].rim)
    fine = finished(change_die(plan, "bar", cut=ring))
    for allowed, rules in (((corners + 1) // 2, set()), ((corners - 1) // 2, {"size"})):
        monkeypatch.setattr("nestcut.checks.measures.size.MOST_CORNERS_OF_A_SHAPE", allowed)
        assert check_plan(fine).rules == rules
