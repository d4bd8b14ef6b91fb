"""Missing cuts won back between the chips of a scrap."""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import replace

import pytest
from shapely.geometry import box

from nestcut.batch.model import Batch, CardLine, Hand, Scrap
from nestcut.checks import check_plan
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.drafts.ranking import Draft
from nestcut.passes.makers.chips.papering import with_papers
from nestcut.passes.makers.nests.repack import with_repacked
from nestcut.passes.plate.solve import plan_plate
from nestcut.passes.short.shortage import cut_back
from nestcut.plans.model import Bound, Plan
from tests.shared.batches import batch_of, disc_die, label_die, sheets

SQUARE_OF_FIVE = 2 + 2 * math.sqrt(2)
"""Side of the least square that holds five discs of radius 1, one in the middle (Graham 1968)."""


def by_work(work: int = 200) -> Budget:
    return Budget(work_limit=work)


def chips_of(batch: Batch) -> Draft:
    """Chips as many as lie in the scraps, nothing squeezed."""
    plate = plan_plate(batch, batch.demand, footprint="hulls", seconds=600, work_limit=40)
    got = with_papers(batch, plate.runs, plate.shares, by_work(), sparing=True)
    assert got is not None
    return Draft(plate, plate, plate.shares, got)


def planned(batch: Batch, draft: Draft) -> Plan:
    """The plan of a draft, what is missing taken out of the shares."""
    gone = {key: cuts * batch.die(key[0]).pieces for key, cuts in draft.papered.missing.items() if cuts > 0}
    shares = cut_back(batch, batch.demand, draft.shares, gone)
    return assemble(batch, batch.demand, shares, draft.papered, Bound(0, "not looked for"), proof={})


def sound(plan: Plan) -> bool:
    return not [f for f in check_plan(plan).faults if f.rule not in ("bound", "short", "complete")]


def cuts_of(plan: Plan) -> Counter[tuple[str, str]]:
    """(die, paper) → cuts of all passes."""
    papers = plan.pieces_of_paper()
    return Counter(
        (plan.layup(one.layup).slots[cut.slot].die, papers[cut.scrap][0])
        for one in plan.passes
        for cut in one.cuts
    )


def five_discs(slack: float, web: float = 1.0, edge: float = 3.0, radius: float = 12.0) -> Batch:
    """A square scrap with room for five discs a web apart, times ``slack``; as chips, four lie in it."""
    # The polygons of the dies contain their discs: their corners reach a little further.
    reach = radius / math.cos(math.pi / 24) + web / 2
    side = slack * SQUARE_OF_FIVE * reach - web + 2 * edge
    assert 4 * (radius + edge) < side < SQUARE_OF_FIVE * (radius + edge)
    return batch_of(
        [disc_die("a", 2 * radius)],
        [Scrap("red-1", "red", box(0, 0, side, side))],
        [CardLine(("a",), ("red",), 5)],
        plate=(150.0, 220.0),
        hand=Hand(web_mm=web, edge_mm=edge),
    )


def test_the_fifth_disc_is_won_back_where_a_web_leaves_it_room() -> None:
    batch = five_discs(1.01)
    draft = chips_of(batch)
    assert draft.missing > 0
    got = with_repacked(batch, draft, by_work())
    assert got.missing == 0
    plan = planned(batch, got)
    assert sound(plan)
    assert cuts_of(plan) == {("a", "red"): 5}
    assert with_repacked(batch, draft, by_work()).papered.passes == got.papered.passes


def test_no_fifth_disc_where_the_published_square_is_larger() -> None:
    batch = five_discs(0.98)
    got = with_repacked(batch, chips_of(batch), by_work())
    assert got.missing == 1
    assert sound(planned(batch, got))


def test_nothing_changes_where_nothing_is_missing_or_no_time_is_left() -> None:
    batch = five_discs(1.01)
    draft = chips_of(batch)
    late = Budget(stop=lambda: True)
    assert with_repacked(batch, draft, late).papered is draft.papered
    enough = replace(batch, scraps=(*batch.scraps, Scrap("red-2", "red", box(0, 0, 60, 60))))
    whole = chips_of(enough)
    assert not whole.missing
    assert with_repacked(enough, whole, by_work()).papered is whole.papered


@pytest.mark.parametrize("seed", range(3))
def test_every_cut_is_made_once_and_every_pass_is_sound(seed: int) -> None:
    """Random scraps, some too wide for the plate: the checker measures, the count says what is missing."""
    chance = random.Random(seed)
    dies = [disc_die("a", 20.0), label_die("b", 26.0, 11.0), disc_die("c", 13.0)]
    sizes = [(chance.uniform(50, 140), chance.uniform(60, 150)) for _ in range(4)]
    lines = [CardLine((die,), ("red",), count) for die, count in (("a", 40), ("b", 36), ("c", 60))]
    batch = batch_of(dies, sheets("red", *sizes), lines)
    draft = chips_of(batch)
    assert draft.missing
    got = with_repacked(batch, draft, by_work())
    assert got.missing < draft.missing
    plan = planned(batch, got)
    assert sound(plan)
    wanted = cuts_wanted(batch, got.shares)
    wanted.subtract(got.papered.missing)
    assert cuts_of(plan) == wanted
