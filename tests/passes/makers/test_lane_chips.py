"""Chips in lanes: scraps that hold no strip still give single cuts, in the same passes."""

from __future__ import annotations

import math

from shapely.geometry import Polygon

from nestcut.batch.model import CardLine, Scrap
from nestcut.checks import check_plan
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.makers.strips.lane_chips import chip_in_lane
from nestcut.passes.makers.strips.lanes import lane_layups
from nestcut.passes.makers.strips.strips import realise_strips
from nestcut.passes.plate.solve import plan_plate
from nestcut.plans.model import Bound
from tests.shared.batches import batch_of, disc_die, sheets


def round_scrap(name: str, across_mm: float) -> Scrap:
    steps = 48
    ring = [
        (
            across_mm / 2 * (1 + math.cos(2 * math.pi * k / steps)),
            across_mm / 2 * (1 + math.sin(2 * math.pi * k / steps)),
        )
        for k in range(steps)
    ]
    return Scrap(name, "red", Polygon(ring))


def test_round_scraps_take_round_chips_and_the_other_papers_keep_their_strips() -> None:
    """No square strip lies in a round scrap; a chip does. Nothing else changes, and the checker agrees."""
    batch = batch_of(
        [disc_die("a", 40), disc_die("b", 16)],
        [*(round_scrap(f"r{k}", 54) for k in range(6)), *sheets("white", (105, 148))],
        [CardLine(("a",), ("red",), 6), CardLine(("b",), ("white",), 6)],
    )
    plate = plan_plate(batch, batch.demand, footprint="hulls", seconds=600, work_limit=10)
    layups = lane_layups(batch, cuts_wanted(batch, plate.shares), at_least=plate.bound)
    assert layups is not None
    strips = realise_strips(batch, layups, tries=4)
    assert strips.missing == {("a", "red"): 6}
    got = realise_strips(batch, layups, tries=4, chips=True)
    assert not got.missing
    assert len(got.passes) == 6
    white = {use.outline.wkb for one in got.passes for use in one.uses if use.paper == "white"}
    assert len(white) <= 2
    plan = assemble(
        batch, batch.demand, plate.shares, got, Bound(plate.bound, plate.reason), proof=plate.proof
    )
    assert check_plan(plan).ok, [fault.message for fault in check_plan(plan).faults[:3]]


def test_a_chip_keeps_to_the_place_of_a_single_cut() -> None:
    """Whole millimetres to the left and above, inside the strip with one cut, and the edge around the cut."""
    batch = batch_of(
        [disc_die("a", 31.3), disc_die("b", 17.7)],
        sheets("red", (105, 148)),
        [CardLine(("a",), ("red",), 5), CardLine(("b",), ("red",), 5)],
    )
    layups = lane_layups(batch, {("a", "red"): 5, ("b", "red"): 5}, at_least=5)
    assert layups is not None
    for slot in layups[0].slots:
        chip = chip_in_lane(batch, slot)
        x0, y0, x1, y1 = chip.bounds
        single = min(slot.forms(batch, False), key=lambda form: form.cuts)
        assert x0 == slot.left_mm
        assert y0 == round(y0)
        assert x1 - x0 <= single.width_mm + 1e-9
        assert y1 - y0 <= single.length_mm + 1e-9
        cut = slot.slot.pose.apply(batch.die(slot.slot.die).cut)
        assert chip.covers(cut)
        assert chip.exterior.distance(cut) >= batch.hand.edge_mm - 1e-6
