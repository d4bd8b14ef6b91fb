"""Corners that the hand-drawn plans do not reach: many cuts in one scrap, first of all, words, straight cuts."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from shapely.affinity import rotate, translate
from shapely.geometry import Polygon, box

from nestcut.batch.model import Paper, Pose
from nestcut.checks import check_file, check_plan
from nestcut.checks.rules.trimming import straight_cuts_make
from nestcut.errors import PlanError
from nestcut.plans import write_plan
from nestcut.plans.model import Cut, Layup
from tests.checks.damage import change_line, change_scrap, shift_paper
from tests.shared.checked_plans import (
    PLANS,
    finished,
    kits,
    many,
    short,
    squares,
)


def test_many_cuts_in_one_scrap() -> None:
    """Forty cuts on a grid with webs of just 3 mm: valid; one shifted by 1 mm: two neighbours are named."""
    plan = many()
    assert check_plan(plan).ok, str(check_plan(plan))
    shifted = finished(shift_paper(plan, 13, 0, dx=1))  # the scrap goes right, its cut left: to pass 13's
    report = check_plan(shifted)
    assert report.rules == {"web"}
    (fault,) = report.faults
    assert (fault.pass_number, fault.scrap, fault.die) == (14, "sheet", "dot")
    assert fault.measured_mm == pytest.approx(2.0)
    assert "of pass 13" in fault.message or "of pass 15" in fault.message


@pytest.mark.parametrize("index", range(1, 41))
def test_every_cut_of_many_is_looked_at(index: int) -> None:
    """Whichever cut is moved onto a neighbour, it is named together with the neighbour."""
    plan = many()
    other = index + 1 if index < 40 else index - 1
    pose = plan.passes[other].papers[0].pose
    passes = list(plan.passes)
    passes[index] = replace(passes[index], papers=(replace(passes[index].papers[0], pose=pose),))
    report = check_plan(finished(replace(plan, passes=tuple(passes))))
    assert report.rules == {"web"}
    worst = min(report.faults, key=lambda fault: fault.measured_mm or 0.0)
    assert worst.measured_mm == pytest.approx(-5.0)  # the middle of a 10 mm square
    assert worst.pass_number == max(index, other) + 1
    assert f"of pass {min(index, other) + 1} " in worst.message


def test_the_first_cut_of_the_first_pass_is_looked_at() -> None:
    """The very first rim over two papers is found, as is the very first cut over another paper."""
    plan = kits()
    plan = replace(
        plan, passes=(replace(plan.passes[2], number=1),), demand=plan.demand[1:2], cards=(), packing=()
    )
    plan = finished(replace(plan, passes=(replace(plan.passes[0], cuts=(Cut(0, "grey-1"),)),)))
    plan = change_line(plan, 0, by=plan.demand[0].by[:1], met=1, count=1)
    assert check_plan(plan).ok, str(check_plan(plan))
    # Only the small die is down: its rim ends at 26.5, its cut at 25; grey-1 ends at 27.4.
    rim_only = Polygon([(0, 0), (14, 0), (14, 24), (0, 24), (0, 12), (-1, 12), (-1, 5), (0, 5)])
    assert check_plan(finished(change_scrap(plan, "grey-2", outline=rim_only))).rules == {"metal-on-overlap"}
    cut_too = Polygon([(0, 0), (14, 0), (14, 24), (0, 24), (0, 12), (-3, 12), (-3, 5), (0, 5)])
    assert check_plan(finished(change_scrap(plan, "grey-2", outline=cut_too))).rules == {
        "metal-on-overlap",
        "other-paper",
    }


def test_words_fit_the_sign() -> None:
    """Near is said of what is near, overlap of what overlaps, with the length that was measured."""
    near = finished(shift_paper(squares(), 1, 0, dy=1))
    assert "is 1.5 mm from the tile cut of pass" in str(check_plan(near))
    onto = finished(shift_paper(squares(), 1, 0, dy=10))
    assert "cuts 7.5 mm into the tile cut of pass" in str(check_plan(onto))
    gap = squares()
    slots = list(gap.layups[0].slots)
    close = replace(gap, layups=(Layup("A", (slots[0], replace(slots[1], pose=Pose(32.0, 18.5)))),))
    assert "are 0.5 mm apart" in str(check_plan(finished(close)))
    deep = replace(gap, layups=(Layup("A", (slots[0], replace(slots[1], pose=Pose(31.0, 18.5)))),))
    assert "overlap by 0.5 mm" in str(check_plan(finished(deep)))


@pytest.mark.parametrize(
    "broken",
    [
        lambda plan: replace(plan, cards=(replace(plan.cards[0], count=-1), plan.cards[1])),
        lambda plan: replace(plan, cards=(replace(plan.cards[0], count=1.5), plan.cards[1])),
        lambda plan: replace(plan, kits=-1),
        lambda plan: replace(plan, packing=(replace(plan.packing[0], first=0), *plan.packing[1:])),
        lambda plan: replace(plan, packing=(replace(plan.packing[0], last=0), *plan.packing[1:])),
        lambda plan: replace(plan, packing=(replace(plan.packing[0], copy=0), *plan.packing[1:])),
        lambda plan: replace(plan, totals=replace(plan.totals, minutes=float("nan"))),
        lambda plan: replace(plan, totals=replace(plan.totals, minutes=-1.0)),
        lambda plan: replace(plan, totals=replace(plan.totals, cranks=-1)),
        lambda plan: replace(plan, bound=replace(plan.bound, passes=True)),
        lambda plan: replace(plan, bound=replace(plan.bound, passes=-1)),
        lambda plan: replace(plan, hand=replace(plan.hand, papers="loose")),
        lambda plan: replace(plan, hand=replace(plan.hand, trims="torn")),
        lambda plan: replace(plan, machine=replace(plan.machine, dies="beside")),
        lambda plan: replace(plan, machine=replace(plan.machine, overhang_mm=float("inf"))),
        lambda plan: replace(plan, papers=(replace(plan.papers[0], direction="left"), plan.papers[1])),
        lambda plan: replace(plan, passes=(replace(plan.passes[0], number="1"), *plan.passes[1:])),
        lambda plan: replace(
            plan, passes=(replace(plan.passes[0], cuts=(Cut(True, "pink-1a"),)), *plan.passes[1:])
        ),
        lambda plan: replace(plan, dies=(replace(plan.dies[0], trips=0), plan.dies[1])),
        lambda plan: replace(plan, dies=(replace(plan.dies[0], turns=()), plan.dies[1])),
    ],
)
def test_numbers_of_every_kind_are_looked_at(broken) -> None:  # type: ignore[no-untyped-def]
    """Counts that are negative, broken or no numbers, and words that are not among the known ones."""
    assert check_plan(broken(kits())).rules == {"number"}


@pytest.mark.parametrize("name", ["", None, 7])
def test_names_are_words(name: object) -> None:
    """A paper, die, scrap or lay-up without a name is named as such."""
    plan = squares()
    nameless = replace(plan, layups=(*plan.layups, Layup(name, ())))  # type: ignore[arg-type]
    assert "name" in check_plan(nameless).rules
    nameless = replace(plan, papers=(*plan.papers, Paper(name)))  # type: ignore[arg-type]
    assert "name" in check_plan(nameless).rules


@pytest.mark.parametrize(
    "field", [{"area_mm2": -1.0}, {"area_mm2": float("nan")}, {"pieces": -1}, {"sheets": {"A4": -1}}]
)
def test_shortages_are_numbers(field: dict[str, object]) -> None:
    """What is short is counted in whole pieces, sheets, and mm² of nought or more."""
    plan = short()
    lack = replace(plan.short[0], **field)  # type: ignore[arg-type]
    assert check_plan(replace(plan, short=(lack,))).rules == {"number"}


# ---------------------------------------------------------------- straight cuts

PINWHEEL = [box(0, 0, 2, 1), box(2, 0, 3, 2), box(1, 2, 3, 3), box(0, 1, 1, 3), box(1, 1, 2, 2)]


def test_a_pinwheel_cannot_be_made_by_straight_cuts() -> None:
    """Five rectangles around a middle: the classic pattern that no straight cut starts. (Common knowledge of
    the cutting-stock literature, from memory.)"""
    assert not straight_cuts_make(box(0, 0, 3, 3), PINWHEEL)
    # Without one of the arms there is a way in.
    assert straight_cuts_make(box(0, 0, 3, 3), PINWHEEL[1:])


@pytest.mark.parametrize("turn", [0.0, 30.0, 90.0, 200.0])
@pytest.mark.parametrize("away", [0.0, 500.0, -300.0])
def test_strips_and_grids_can_be_made_by_straight_cuts(turn: float, away: float) -> None:
    """Whole grids, grids with offcuts between, slanting cuts: all doable, wherever and however they lie."""

    def put(shape: Polygon) -> Polygon:
        return translate(rotate(shape, turn, origin=(0, 0)), away, away / 2)

    sheet = box(0, 0, 60, 40)
    grid = [box(x, y, x + 20, y + 10) for x in (0, 20, 40) for y in (0, 10, 20, 30)]
    spaced = [box(x + 1, y + 2, x + 17, y + 9) for x in (0, 20, 40) for y in (0, 10, 20, 30)]
    slanting = [Polygon([(5, 5), (30, 10), (25, 30)]), Polygon([(40, 0), (60, 0), (60, 40)])]
    for parts in (grid, spaced, slanting, [sheet], [box(10, 10, 20, 20)], []):
        assert straight_cuts_make(put(sheet), [put(part) for part in parts])


def test_inward_corners_and_curves_cannot_be_made_by_straight_cuts() -> None:
    """A part with a corner cut into it needs scissors, unless the scrap has that corner already."""
    corner = box(0, 0, 20, 20).difference(box(10, 10, 20, 20))
    assert not straight_cuts_make(box(0, 0, 60, 40), [corner])
    assert straight_cuts_make(corner, [corner])
    assert straight_cuts_make(corner, [box(0, 0, 10, 20), box(10, 0, 20, 10)])
    assert not straight_cuts_make(box(0, 0, 60, 40), [box(5, 5, 30, 30).difference(box(10, 10, 20, 20))])


def test_hundreds_of_strips_are_looked_through() -> None:
    """Many parts take many cuts one after the other, and no recursion."""
    edges = [x / 2 for x in range(601)]
    strips = [box(a, 0, b, 40) for a, b in pairwise(edges)]
    assert straight_cuts_make(box(0, 0, 300, 40), strips)


# ---------------------------------------------------------------- files


@pytest.mark.parametrize("name", PLANS)
def test_a_plan_on_paper_is_the_same_plan(name: str, tmp_path) -> None:  # type: ignore[no-untyped-def]
    """A valid plan that was written is found valid from the file alone; a truncated file is refused."""
    path = tmp_path / "plan.json"
    write_plan(PLANS[name](), path)
    assert check_file(path).ok
    text = path.read_text("utf-8")
    path.write_text(text[: len(text) // 2], "utf-8")
    with pytest.raises(PlanError):
        check_file(path)
    path.write_text(text.replace('"version": 1', '"version": 99'), "utf-8")
    with pytest.raises(PlanError):
        check_file(path)
