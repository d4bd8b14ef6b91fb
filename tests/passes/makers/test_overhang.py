"""Papers stick out at the two ends by the overhang at most, and never at the sides, whatever edge, clear and gap are."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import pytest
import shapely
from shapely.affinity import translate
from shapely.geometry import box

from nestcut.batch.model import Batch, CardLine, Die, Hand, Machine
from nestcut.checks import check_plan
from nestcut.passes import plan_batch
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.makers.strips import lanes
from nestcut.passes.makers.strips.lane_moves import settled
from nestcut.passes.makers.strips.strips import realise_strips
from nestcut.passes.parts.chips import sites_of
from nestcut.plans.model import Share, Slot
from tests.shared.batches import batch_of, disc_die, label_die, sheets


def uneven(die: Die, chance: random.Random) -> Die:
    """The die with more metal on some of its sides."""
    left, top, right, low = die.rim.bounds
    x0, y0, x1, y1 = (chance.choice([0.0, 2.0, 9.0]) for _ in range(4))
    middle = ((x0 - x1) / 2, (y0 - y1) / 2)
    rim = box(left - x0, top - y0, right + x1, low + y1)
    return replace(die, rim=translate(rim, *middle), cut=translate(die.cut, *middle))


def awkward(seed: int) -> Batch:
    """Wide edges, little clear, hardly an overhang; metal that is wider on one side."""
    chance = random.Random(seed)
    dies = [
        label_die("slat", 24.0, 12.0, turns=(0.0,), copies=2),
        disc_die("disc", 16.0),
        disc_die("large", 33.0),
    ]
    dies = [uneven(die, chance) if chance.random() < 0.4 else die for die in dies]
    lines = [
        CardLine((die.name,), (paper,), chance.randint(1, 9)) for die in dies for paper in ("red", "blue")
    ]
    scraps = sheets("red", (148.0, 105.0), (105.0, 74.0)) + sheets("blue", (108.0, 102.0), (108.0, 102.0))
    batch = batch_of(dies, scraps, lines, plate=chance.choice([(110.0, 160.0), (110.7, 160.4)]))
    return replace(
        batch,
        machine=replace(
            batch.machine,
            clear_mm=chance.choice([0.0, 0.0, 2.0, 10.0]),
            overhang_mm=chance.choice([0.0, 0.5, 1.0, 5.0, 20.0]),
        ),
        hand=Hand(
            web_mm=chance.choice([0.0, 2.5]),
            edge_mm=chance.choice([0.0, 2.0, 3.0, 6.0, 15.0]),
            gap_mm=chance.choice([0.0, 1.0, 8.0]),
        ),
    )


@pytest.mark.thorough
def test_strips_lie_within_the_overhang_and_dies_in_the_window(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every strip of every pass of random lay-ups in lanes, measured from the rules themselves."""
    # Few moves of dies between lanes: the places are what is measured, not how good they are.
    monkeypatch.setattr(lanes, "settled", partial(settled, tries=60))
    with_room = 0
    for seed in range(25):
        batch = awkward(seed)
        shares = [(Share(line.dies[0], line.papers[0], line.count),) for line in batch.demand]
        wanted = cuts_wanted(batch, shares)
        layups = lanes.lane_layups(batch, wanted, at_least=1, most_layups=2, work=0.05)
        if layups is None:
            continue  # no room for lanes: other ways are taken
        with_room += 1
        for layup in layups:
            assert_lies_well(batch, [slot.slot for slot in layup.slots])
        x0, y0, x1, y1 = 0.0, -batch.machine.overhang_mm, *batch.machine.plate_mm
        y1 += batch.machine.overhang_mm
        for draft in realise_strips(batch, layups).passes:
            for use in draft.uses:
                left, top, right, low = use.pose.apply(use.outline).bounds
                assert min(left - x0, top - y0, x1 - right, y1 - low) >= -1e-6
    assert with_room >= 10


def assert_lies_well(batch: Batch, slots: Sequence[Slot]) -> None:
    """All rims in the window, a gap apart."""
    width, length = batch.machine.plate_mm
    clear, gap = batch.machine.clear_mm, batch.hand.gap_mm
    rims = [site.rim for site in sites_of(batch, slots)]
    for number, rim in enumerate(rims):
        left, top, right, low = rim.bounds
        assert min(left - clear, top - clear, width - clear - right, length - clear - low) >= -1e-6
        assert all(shapely.distance(rim, other) >= gap - 1e-6 for other in rims[:number])


@pytest.mark.parametrize(("overhang", "edge"), [(0.0, 3.0), (1.0, 4.0)])
def test_a_wide_edge_and_hardly_an_overhang_is_planned(overhang: float, edge: float) -> None:
    """Both ended in a plan that the checker refused: strips stuck out further than allowed."""
    dies = [label_die("slat", 24.0, 12.0, turns=(0.0,)), disc_die("disc", 16.0)]
    scraps = sheets("blue", *[(108.0, 102.0)] * 4)
    batch = batch_of(dies, scraps, [CardLine(("slat",), ("blue",), 2)], kits=2, plate=(110.0, 160.0))
    batch = replace(
        batch, machine=Machine((110.0, 160.0), clear_mm=0.0, overhang_mm=overhang), hand=Hand(edge_mm=edge)
    )
    plan = plan_batch(batch, seconds=3)
    assert check_plan(plan).ok
    assert not [note for note in plan.notes if "broke a rule" in note]
