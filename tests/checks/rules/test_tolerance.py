"""Every distance rule holds within 1e-6 mm: a hair less than that is let pass, a hair more is refused."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from shapely.affinity import translate
from shapely.geometry import Polygon, box

from nestcut.batch.model import Pose
from nestcut.checks import check_plan
from nestcut.plans.model import Plan, Trim
from tests.checks.damage import change_die, change_scrap, shift_paper, shift_slot
from tests.shared.checked_plans import finished, kits, openings, squares, turned


def window_left(by: float) -> Plan:
    plan = squares()
    return replace(plan, machine=replace(plan.machine, clear_mm=2.0 + by))


def window_right(by: float) -> Plan:
    plan = squares()  # red must not stick out, and green is in the way: only the first pass's red is kept
    line = replace(plan.demand[0], count=1, spares=0, met=1, by=(replace(plan.demand[0].by[0], count=1),))
    plan = replace(plan, passes=(replace(plan.passes[1], number=1),), demand=(line,))
    return finished(replace(plan, machine=replace(plan.machine, plate_mm=(41.0 - by, 120.0))))


def window_end(by: float) -> Plan:
    plan = openings()  # the pair's rim ends at 106.5
    return replace(plan, machine=replace(plan.machine, plate_mm=(100.0, 108.5 - by)))


def rim_gap(by: float) -> Plan:
    plan = squares()
    return replace(plan, hand=replace(plan.hand, gap_mm=1.0 + by))


def rims_that_may_touch(by: float) -> Plan:
    plan = turned()  # two discs 1 mm apart: push them together, tip to tip
    plan = replace(plan, hand=replace(plan.hand, gap_mm=0.0))
    # The tip of a 48-gon is blunt: a push by p makes a depth of p · cos(π/48).
    return finished(shift_slot(plan, 0, 2, dy=-1.0 - by / math.cos(math.pi / 48)))


def rim_around_the_cut(by: float) -> Plan:
    plan = squares()
    return change_die(plan, "bar", rim=box(-5 + by, -15, 5, 15))


def edge(by: float) -> Plan:
    plan = squares()
    return replace(plan, hand=replace(plan.hand, edge_mm=2.0 + by))


def edge_of_nothing(by: float) -> Plan:
    plan = squares()
    plan = replace(plan, hand=replace(plan.hand, edge_mm=0.0))
    return finished(change_scrap(plan, "red-1", outline=box(0, 0, 22.5 - by, 76)))


def edge_at_45_degrees(by: float) -> Plan:
    plan = turned()
    return replace(plan, hand=replace(plan.hand, edge_mm=2.0 + by))


def web_between_passes(by: float) -> Plan:
    plan = squares()
    return replace(plan, hand=replace(plan.hand, web_mm=2.5 + by))


def web_of_nothing(by: float) -> Plan:
    plan = squares()
    plan = change_die(plan, "tile", cut=box(-10, -10.25 - by, 10, 12.75))  # down to the next cut
    plan = change_die(plan, "tile", rim=plan.die("tile").rim.union(box(-10, -10.25, 10, 12.75)))
    plan = change_scrap(plan, "red-1", outline=box(0, 0, 24.5, 80))
    return finished(replace(plan, hand=replace(plan.hand, web_mm=0.0)))


def web_in_an_opening(by: float) -> Plan:
    plan = openings()
    plan = replace(plan, hand=replace(plan.hand, web_mm=4.0 + by), passes=plan.passes[:2])
    line = plan.demand[1]
    shares = (replace(line.by[0], count=1), line.by[1])
    return finished(replace(plan, demand=(plan.demand[0], replace(line, count=3, met=3, by=shares))))


def sideways(by: float) -> Plan:
    plan = squares()
    return finished(change_scrap(plan, "green-1", outline=_with_hole(74 + by)))


def _with_hole(width: float) -> Polygon:
    return box(0, 0, width, 80).difference(box(3, 60, 8, 65))


def overhang_first_end(by: float) -> Plan:
    plan = squares()
    return replace(plan, machine=replace(plan.machine, overhang_mm=50.0 - by))


def overhang_last_end(by: float) -> Plan:
    plan = squares()
    return finished(change_scrap(plan, "green-1", outline=box(0, 0, 16, 169 + by)))


def whole_millimetres(by: float) -> Plan:
    return finished(shift_paper(squares(), 2, 1, dx=by))


def whole_millimetres_the_other_way(by: float) -> Plan:
    return finished(shift_paper(squares(), 2, 1, dx=20, dy=-by))


def almost_a_quarter_turn(by: float) -> Plan:
    plan = openings()  # degrees here; the scrap is small, so that its corners move far less
    return finished(shift_paper(plan, 3, 0, turn=by))


def metal_over_an_overlap(by: float) -> Plan:
    plan = kits()  # grey-1 starts at 13, the tall die's rim at 27.5; grey-2 starts at 27
    return finished(change_scrap(plan, "grey-1", outline=box(0, 0, 14.5 + by, 14)))


def papers_side_by_side_under_a_rim(by: float) -> Plan:
    plan = kits()
    plan = replace(plan, hand=replace(plan.hand, edge_mm=0.5))
    plan = change_scrap(plan, "grey-1", outline=box(0, 0, 13 + by, 14))
    # Grey-2 reaches to the left, under the small die's rim, just to the side of grey-1 at 26.
    return finished(change_scrap(plan, "grey-2", outline=box(0, 0, 14, 24).union(box(-1, 10, 0, 20))))


def part_in_its_scrap(by: float) -> Plan:
    return finished(change_scrap(kits(), "pink-1", outline=box(0, 0, 40, 90 - by)))


def parts_apart(by: float) -> Plan:
    plan = kits()
    plan = replace(plan, hand=replace(plan.hand, trims="scissors"))
    first = Trim("pink-1", (("pink-1a", box(0, 0, 14 + by, 90)), ("pink-1b", box(14, 0, 40, 90))))
    return finished(replace(plan, trims=(first, plan.trims[1])))


CASES: dict[Callable[[float], Plan], str] = {
    window_left: "window",
    window_right: "window",
    window_end: "window",
    rim_gap: "rim-gap",
    rims_that_may_touch: "rim-gap",
    rim_around_the_cut: "rim",
    edge: "edge",
    edge_of_nothing: "edge",
    edge_at_45_degrees: "edge",
    web_between_passes: "web",
    web_of_nothing: "web",
    web_in_an_opening: "web",
    sideways: "sideways",
    overhang_first_end: "overhang",
    overhang_last_end: "overhang",
    whole_millimetres: "square",
    almost_a_quarter_turn: "square",
    whole_millimetres_the_other_way: "square",
    metal_over_an_overlap: "metal-on-overlap",
    papers_side_by_side_under_a_rim: "metal-on-overlap",
    part_in_its_scrap: "trim",
    parts_apart: "trim",
}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_less_than_the_tolerance_is_let_pass(case: Callable[[float], Plan]) -> None:
    """0.9e-6 mm over a limit, on it, and as much within it: no fault."""
    for by in (0.9e-6, 0.0, -0.9e-6):
        report = check_plan(case(by))
        assert report.ok, f"{by}: {report}"


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_more_than_the_tolerance_is_refused(case: Callable[[float], Plan]) -> None:
    """1.2e-6 mm and 1e-5 mm over a limit: refused, and the rule named."""
    for by in (1.2e-6, 1e-5, 1e-3):
        assert check_plan(case(by)).rules == {CASES[case]}, by


def test_half_a_degree_is_let_pass_and_more_refused() -> None:
    """Turn rules hold within 0.5°, from both sides, and across 360°."""
    plan = turned()
    for off, allowed in ((0.5, True), (-0.5, True), (0.499, True), (0.501, False), (-0.501, False)):
        report = check_plan(change_die(plan, "lozenge", turns=(off % 360.0,)))
        assert report.ok == allowed, off
        if not allowed:
            assert report.rules == {"turn"}


@pytest.mark.parametrize("whole_turns", [-720.0, 360.0, 3600.0])
def test_whole_turns_do_not_matter(whole_turns: float) -> None:
    """A pose of 405° is one of 45°."""
    plan = shift_slot(turned(), 0, 0, turn=whole_turns)
    assert check_plan(plan).ok
    assert check_plan(finished(shift_paper(openings(), 1, 0, turn=whole_turns))).ok


def test_a_flipped_paper_is_measured_mirrored() -> None:
    """A scrap without symmetry, flipped: good where its mirror image covers the cut, refused the other way."""
    plan = turned()
    wedge = plan.die("wedge").cut
    grown = wedge.buffer(2.0, join_style="mitre", mitre_limit=10)
    slot = plan.layups[0].slots[3].pose
    mirrored = Polygon([(-x, y) for x, y in grown.exterior.coords])
    good = change_scrap(plan, "mirror-1", outline=mirrored)
    pose = Pose(slot.x_mm, slot.y_mm, slot.deg)
    papers = (*plan.passes[0].papers[:2], replace(plan.passes[0].papers[2], pose=pose))
    good = finished(replace(good, passes=(replace(plan.passes[0], papers=papers),)))
    assert check_plan(good).ok, str(check_plan(good))
    bad = finished(change_scrap(good, "mirror-1", outline=grown))
    assert "edge" in check_plan(bad).rules


def test_far_from_the_origin_is_no_excuse() -> None:
    """Scraps drawn a metre away from their own origin are measured just as well."""
    plan = squares()
    away = 1000.0
    plan = change_scrap(plan, "red-1", outline=translate(plan.scraps[0].outline, away, -away))
    for index in range(3):
        plan = shift_paper(plan, index, 0, dx=-away, dy=away)
    assert check_plan(finished(plan)).ok
    tight = replace(plan, hand=replace(plan.hand, edge_mm=2.0 + 2e-6))
    assert check_plan(finished(tight)).rules == {"edge"}


def test_depth_is_found_without_a_corner_inside() -> None:
    """Crossing bars, closed openings and needles: no corner lies inside, yet the overlap is measured."""
    from nestcut.checks.measures.measure import overlap_depth, sticking_out

    assert overlap_depth(box(0, 4, 10, 5), box(4, 0, 5, 10)) == pytest.approx(0.5)
    frame = box(0, 0, 10, 10).difference(box(4, 4, 6, 6))
    assert sticking_out(box(0, 0, 10, 10), frame) == pytest.approx(1.0, rel=1e-3)
    needle = Polygon([(0, 5), (20, 5 - 1e-4), (20, 5 + 1e-4)])
    assert overlap_depth(box(4, 0, 6, 10), needle) > 0.5
    assert math.isclose(sticking_out(needle, box(0, 0, 15, 10)), 5.0)
