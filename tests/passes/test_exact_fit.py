"""A die that fills the plate's window to the last bit, and paper that is just as large."""

from __future__ import annotations

import pytest
from shapely.geometry import box

from nestcut.batch.model import Batch, Card, CardLine, Die, Hand, Machine, Paper, Pose, Scrap
from nestcut.checks import check_plan
from nestcut.passes import plan_batch
from nestcut.passes.parts.chips import chips_of, sites_of
from nestcut.plans.model import Slot


def exact(edge_mm: float) -> Batch:
    """Nothing is kept clear and there is no rim; cut and edge are as large as plate and scrap, three times."""
    cut = box(edge_mm - 50.0, edge_mm - 75.0, 50.0 - edge_mm, 75.0 - edge_mm)
    return Batch(
        title="exact",
        machine=Machine((100.0, 150.0), clear_mm=0.0, overhang_mm=0.0),
        hand=Hand(web_mm=0.0, edge_mm=edge_mm, gap_mm=0.0),
        papers=(Paper("red"),),
        scraps=tuple(Scrap(f"red-{k}", "red", box(0, 0, 100, 150)) for k in (1, 2, 3)),
        dies=(Die("d", cut, cut),),
        cards=(Card("c", 1, (CardLine(("d",), ("red",), 1),)),),
        kits=3,
    )


@pytest.mark.parametrize("edge_mm", [0.0, 2.0])
@pytest.mark.parametrize("off", [0.0, 2e-8])
def test_paper_that_is_as_large_as_the_plate_lies_on_it(edge_mm: float, off: float) -> None:
    """The chip's safety hair stuck out of the plate, and the die was said not to fit."""
    batch = exact(edge_mm)
    chips = chips_of(batch, sites_of(batch, [Slot("d", Pose(50.0, 75.0 - off, 0.0))]))
    assert chips is not None
    assert chips[0].bounds == pytest.approx((0, 0, 100, 150), abs=1e-4)
    assert box(0, 0, 100, 150).covers(chips[0])


def test_paper_that_is_larger_than_the_plate_does_not() -> None:
    """A tenth of a millimetre more edge is too much."""
    batch = exact(2.0)
    wider = Batch(
        batch.title, batch.machine, Hand(0.0, 2.1, 0.0), batch.papers, batch.scraps, batch.dies, batch.cards
    )
    assert chips_of(wider, sites_of(wider, [Slot("d", Pose(50.0, 75.0, 0.0))])) is None


def test_a_die_of_exactly_the_window_is_planned() -> None:
    """Three passes for three pieces, as many as there must be."""
    plan = plan_batch(exact(0.0), seconds=6)
    assert plan.complete
    assert plan.totals.passes == plan.bound.passes == 3
    assert check_plan(plan).ok
