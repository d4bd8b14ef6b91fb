"""Cuts that it takes to trim a scrap."""

from __future__ import annotations

import pytest
from shapely.affinity import rotate
from shapely.geometry import Point, Polygon, box

from nestcut.checks.measures.trim_cuts import trim_cuts
from nestcut.hands import work_of_trim

SHEET = box(0, 0, 100, 140)
TURNED = [0.0, 30.0, 90.0, 137.3]

CASES = {
    "the left half": ([box(0, 0, 50, 140)], 1, 0),
    "five strips, nothing left": ([box(0, 28 * k, 100, 28 * k + 28) for k in range(5)], 4, 3),
    "four strips and an offcut": ([box(0, 28 * k, 100, 28 * k + 28) for k in range(4)], 4, 3),
    "a grid of 2 × 5, nothing left": (
        [box(50 * i, 28 * k, 50 * i + 50, 28 * k + 28) for i in range(2) for k in range(5)],
        9,
        # one cut at 50, eight at 28
        7,
    ),
    "a part in the middle": ([box(20, 30, 65, 110)], 4, 0),
    "the whole sheet": ([SHEET], 0, 0),
}


@pytest.mark.parametrize("deg", TURNED)
@pytest.mark.parametrize("case", list(CASES))
def test_straight_cuts(case: str, deg: float) -> None:
    """Counted by hand; turning the sheet changes nothing, and the checker counts the same."""
    parts, cuts, again = CASES[case]
    sheet, turned = rotate(SHEET, deg, (0, 0)), [rotate(part, deg, (0, 0)) for part in parts]
    work = work_of_trim(sheet, turned)
    assert (work.cuts, work.again, work.scissors_mm) == (cuts, again, 0.0)
    assert trim_cuts(sheet, turned) == (cuts - again, again, 0.0)


def test_round_parts_are_cut_with_scissors() -> None:
    """Its sides are short: no trimmer follows them."""
    disc = Point(50, 60).buffer(20, quad_segs=16)
    work = work_of_trim(SHEET, [disc])
    assert (work.cuts, work.again) == (0, 0)
    assert work.scissors_mm == pytest.approx(disc.length)
    assert trim_cuts(SHEET, [disc])[2] == pytest.approx(disc.length)


def test_a_notch_is_cut_with_scissors() -> None:
    """Straight cuts free the box around it; the corner that is missing runs into the part."""
    notched = Polygon([(0, 0), (50, 0), (50, 20), (30, 20), (30, 40), (0, 40)])
    work = work_of_trim(SHEET, [notched])
    assert (work.cuts, work.again) == (2, 0)
    assert work.scissors_mm == pytest.approx(40.0, abs=0.1)
    assert trim_cuts(SHEET, [notched])[2] == pytest.approx(work.scissors_mm, abs=1e-6)


def test_a_pinwheel_has_no_straight_cut() -> None:
    """Four parts around a hole: every line along a side runs into another part, once their box is cut out."""
    parts = [box(10, 10, 60, 30), box(60, 10, 80, 60), box(30, 60, 80, 80), box(10, 30, 30, 80)]
    work = work_of_trim(SHEET, parts)
    # the outer sides are cut one by one, each at its own slab: 10, 70 from there, 10, 70 once more
    assert (work.cuts, work.again) == (4, 2)
    assert work.scissors_mm > 0
    assert trim_cuts(SHEET, parts)[:2] == (2, 2)
    assert trim_cuts(SHEET, parts)[2] == pytest.approx(work.scissors_mm, abs=1e-6)
