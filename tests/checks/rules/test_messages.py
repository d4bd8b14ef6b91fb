"""What a fault says: measured and allowed, edges and turns, counts and broken shapes, and how much was looked at."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely.geometry import Polygon, box

from nestcut.checks import check_plan
from tests.checks.damage import change_die, change_scrap, shift_slot
from tests.shared.checked_plans import (
    PLANS,
    finished,
    kits,
    many,
)


def test_what_was_measured_is_counted() -> None:
    """The report counts all that there is to measure, worked out by hand: nothing was left out on the way."""
    turned, sheets = check_plan(PLANS["turned"]()).checked, check_plan(PLANS["kits"]()).checked
    # Four dies make six pairs. Three papers make three pairs, and each of four cuts meets two others.
    assert (turned["cuts"], turned["rim pairs"]) == (4, 6)
    assert (turned["paper pairs"], turned["cuts against other papers"]) == (3, 8)
    assert (turned["cut pairs in one scrap"], turned["remnants"], turned["shapes"]) == (1, 3, 12)
    # Three passes with two papers each. Each pink part is cut twice.
    assert (sheets["passes"], sheets["papers laid"], sheets["paper pairs"]) == (3, 6, 3)
    assert (sheets["cut pairs in one scrap"], sheets["trims"], sheets["packings"]) == (2, 2, 3)
    # Forty cuts in one scrap and one in another, at most 24 of which go through a table.
    assert check_plan(many()).checked["cut pairs in one scrap"] == 40 * 39 // 2


def test_words_of_edges_and_turns() -> None:
    """A cut half a millimetre within the edge comes near it, one beyond reaches over; turns are told below 360°."""
    plan = kits()
    near = finished(change_scrap(plan, "grey-2", outline=box(0, 0, 12.5, 24)))  # the cut ends at 12
    assert "comes within 0.5 mm of the edge of scrap grey-2" in str(check_plan(near))
    over = finished(change_scrap(plan, "grey-2", outline=box(0, 0, 11.5, 24)))
    assert "reaches 0.5 mm over the edge of scrap grey-2" in str(check_plan(over))
    odd = shift_slot(PLANS["turned"](), 0, 0, turn=720.0)
    report = check_plan(change_die(odd, "lozenge", turns=(30.0,)))
    assert report.rules == {"turn"}
    assert "is turned by 0° on scrap kraft-1; allowed: 30°" in str(report)
    across = shift_slot(PLANS["turned"](), 0, 0, turn=810.0)  # a square: it covers the same places
    report = check_plan(across)
    assert report.rules == {"direction"}
    assert "is turned by 90° on scrap kraft-1, whose paper kraft" in str(report)


@pytest.mark.parametrize("count", [-1, True, 1.0, "1"])
def test_counts_given_to_a_line_are_whole_numbers(count: object) -> None:
    """Each of them; a fault of that rule, whatever else it makes wrong."""
    plan = kits()
    share = replace(plan.demand[0].by[0], count=count)  # type: ignore[arg-type]
    broken = replace(plan, demand=(replace(plan.demand[0], by=(share,)), *plan.demand[1:]))
    assert check_plan(broken).rules == {"number"}
    assert "a count in demand line 1 is" in str(check_plan(broken))


def test_what_is_allowed_is_told() -> None:
    """Out of the window and out of a scrap: nothing is allowed, and the fault says so."""
    out = next(
        f for f in check_plan(shift_slot(PLANS["squares"](), 0, 0, dx=-1.0)).faults if f.rule == "window"
    )
    assert (out.measured_mm, out.allowed_mm) == (pytest.approx(1.0), 0.0)
    plan = kits()
    parts = plan.trims[0].into
    beyond = replace(
        plan.trims[0], into=((parts[0][0], parts[0][1].buffer(0.5, join_style="mitre")), *parts[1:])
    )
    told = [f for f in check_plan(replace(plan, trims=(beyond, *plan.trims[1:]))).faults if f.rule == "trim"]
    assert told
    assert all(fault.allowed_mm == 0.0 for fault in told)


def test_words_of_counts_and_shapes() -> None:
    """What is given and what it is stand in the message; a broken shape is told with its place."""
    plan = kits()
    minutes = replace(plan, totals=replace(plan.totals, minutes=plan.totals.minutes + 1))
    given, real = f"{plan.totals.minutes + 1:.6g}", f"{plan.totals.minutes:.6g}"
    assert f"{given} minutes are given, it is {real}" in str(check_plan(minutes))
    bow = Polygon([(0, 0), (20, 30), (20, 0), (0, 20)])
    assert "scrap grey-2 is broken: Self-intersection[" in str(
        check_plan(change_scrap(plan, "grey-2", outline=bow))
    )
