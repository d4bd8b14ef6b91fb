"""Odd shapes: parts, scraps and remnants that cross themselves, fall apart, or overlap by a hair."""

from __future__ import annotations

from dataclasses import replace

import pytest
import shapely
from shapely.geometry import Polygon, box

from nestcut.batch.model import Hand, Paper, Pose
from nestcut.checks import check_plan
from nestcut.checks.measures.measure import _inner_radius
from nestcut.plans.model import Cut as CutOf
from nestcut.plans.model import Layup, Pass, Remnant, Slot, Trim
from tests.checks.damage import change_scrap
from tests.shared.checked_plans import (
    MACHINE,
    PLANS,
    finished,
    kits,
    line,
    lying,
    make_plan,
    rectangle_die,
)


@pytest.mark.parametrize(
    "outline",
    [
        Polygon([(14, 0), (28, 60), (28, 0), (14, 60)]),
        Polygon([(14, 0), (28, 0), (14, 0)]),
        box(14, 0, 20, 60).union(box(22, 0, 28, 60)),
    ],
)
def test_parts_of_a_trimmed_scrap_have_a_shape(outline: Polygon) -> None:
    """A part that crosses itself, has no area, or lies in two pieces is refused before anything is measured."""
    plan = kits()
    broken = replace(plan, trims=(plan.trims[0], Trim("pink-1b", (("pink-1c", outline),))))
    assert check_plan(broken).rules == {"shape"}


@pytest.mark.parametrize("thick", [0.5e-6, 0.9e-6, 1e-5, 1e-3])
def test_an_overlap_counts_by_its_depth_not_its_thickness(thick: float) -> None:
    """A hair of paper that reaches under a rim over another paper is found, however thin it is."""
    plan = kits()  # grey-2's left side is at 27, the tall die's rim from 27.5 on; grey-1 starts at 13
    hair = [(0, 0), (14, 0), (14, 6), (16, 6), (16, 6 + thick), (14, 6 + thick), (14, 14), (0, 14)]
    report = check_plan(finished(change_scrap(plan, "grey-1", outline=Polygon(hair))))
    assert "metal-on-overlap" in report.rules
    fault = next(fault for fault in report.faults if fault.rule == "metal-on-overlap")
    assert fault.measured_mm == pytest.approx(1.5)  # from 27.5 to 29


@pytest.mark.parametrize(("strip", "refused"), [(0.0, False), (0.9, False), (1.1, True), (50.0, True)])
def test_what_is_left_of_a_scrap_that_has_no_remnant(strip: float, refused: bool) -> None:
    """A band of 2e-6 mm along the scrap's outline may be missing, as in any remnant; a wider one may not.

    The die cuts the whole scrap, 20 × 10 mm, but for a strip along one side; ``strip`` is its area, the band's being 1.
    """
    band_mm2 = 2e-6 * 60.0
    scrap = box(0, 0, 20, 10 + strip * band_mm2 / 20)
    layup = Layup("A", (Slot("tile", Pose(20.0, 20.0)),))
    plan = make_plan(
        dies=[rectangle_die("tile", 20, 10)],
        scraps={"red-1": ("red", scrap)},
        papers=[Paper("red")],
        layups=[layup],
        passes=[Pass(1, "A", (lying("red-1", 10, 15),), (CutOf(0, "red-1"),))],
        demand=[line("card", ["tile"], ["red"], 1, [("tile", "red", 1)])],
        machine=MACHINE,
        hand=Hand(web_mm=0.0, edge_mm=0.0, gap_mm=1.0),
    )
    assert check_plan(replace(plan, remnants=())).rules == ({"remnant"} if refused else set())
    # Honestly told, the strip is a remnant like any other.
    told = (Remnant("red-1", box(0, 10, 20, scrap.bounds[3])),) if strip else ()
    assert check_plan(replace(plan, remnants=told)).ok


def test_what_cannot_be_measured_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the library gives up in the middle of it, the plan is refused under ``shape``."""

    def gives_up(*_: object) -> None:
        raise shapely.errors.GEOSException("TopologyException: side location conflict")

    monkeypatch.setattr("nestcut.checks.checker.check_cuts", gives_up)
    report = check_plan(kits())
    assert report.rules == {"shape"}
    assert "can't be measured (TopologyException" in str(report)


def test_the_largest_disc_is_found_closely() -> None:
    """How deep two shapes overlap is measured to a ten-thousandth of a millimetre."""
    corner = Polygon(
        [(0, 0), (10, 0), (10, 3), (3, 3), (3, 10), (0, 10)]
    )  # from (r, r) to (3, 3): √2 (3 − r) = r
    shapes = ((box(0, 0, 7, 30), 3.5), (Polygon([(0, 0), (3, 0), (0, 4)]), 1.0), (corner, 3 / (1 + 0.5**0.5)))
    for shape, radius in shapes:
        assert _inner_radius(shape) == pytest.approx(radius, abs=2e-4)
    assert _inner_radius(box(0, 0, 1.5e-6, 9)) == 0.0


def test_a_remnant_in_two_pieces_is_measured_like_any_other() -> None:
    """A scrap told to have fallen apart, which it has not, is refused; nothing is thrown."""
    plan = PLANS["squares"]()
    whole = plan.remnants[0]
    left, top, right, bottom = whole.outline.bounds
    apart = whole.outline.difference(box(left, (top + bottom) / 2, right, (top + bottom) / 2 + 1))
    assert apart.geom_type == "MultiPolygon"
    told = (replace(whole, outline=apart), *plan.remnants[1:])
    assert check_plan(replace(plan, remnants=told)).rules == {"remnant"}
