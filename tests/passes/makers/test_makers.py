"""Every maker of the table of steps, over one table of small batches: what it hands back is sound, and no cut gets lost."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from nestcut.batch.model import Batch, CardLine, Hand, Paper
from nestcut.checks import check_plan
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.common.trims import Trimming
from nestcut.passes.common.types import Footprint
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.drafts.ranking import Draft
from nestcut.passes.makers.chips.papering import Chips
from nestcut.passes.makers.door import Ask, Maker
from nestcut.passes.makers.steps import GOALS
from nestcut.passes.plate.solve import Books
from nestcut.passes.short.shortage import without_missing
from nestcut.plans.model import Bound
from tests.shared.batches import batch_of, disc_die, label_die, sheets

MAKERS = {type(step.maker).__name__: step.maker for goal in GOALS for step in goal.steps}
BY_WORK = Budget(work_limit=5)
UNPROVED = ("bound", "short", "complete")
"""Rules of a whole plan: a draft alone has no proof and does not say what is short."""


def some(kits: int, hand: Hand | None = None) -> Batch:
    """Discs and labels, two papers of which one has a direction, a line that may be cut in either."""
    return batch_of(
        [
            disc_die("disc", 30.0),
            label_die("label", 40.0, 16.0, turns=(0.0, 90.0)),
            disc_die("dot", 12.0, copies=2),
        ],
        [*sheets("red", (60, 90), (60, 90), (45, 70)), *sheets("blue", (80, 60), (50, 95))],
        [
            CardLine(("disc",), ("red",), 1),
            CardLine(("label",), ("blue",), 1),
            CardLine(("dot",), ("red", "blue"), 2),
        ],
        kits=kits,
        papers=(Paper("red"), Paper("blue", direction="up")),
        hand=hand,
    )


BATCHES = {
    "plenty of paper": some(2),
    "too little paper": some(7),
    "straight cuts only": some(2, Hand(trims="straight")),
    "no trims": some(2, Hand(trims="none")),
    "no trims, too little paper": some(7, Hand(trims="none")),
}


def asked(batch: Batch) -> Ask:
    """What a maker is asked in the middle of a plan: chips were tried already, on the lay-ups of this step."""
    ask = Ask(batch, batch.demand, Trimming.of(batch), Books())
    footprint: Footprint = "chips" if ask.trims.straight_only else "hulls"
    plate = ask.lay_out(batch, batch.demand, footprint, BY_WORK)
    ask = replace(ask, lay_ups=plate, bound=plate)
    (draft,) = Chips().drafts(ask, BY_WORK)
    return replace(ask, best=draft, made=((Chips(), draft),))


@pytest.fixture(scope="module")
def asks() -> dict[str, Ask]:
    """One ask for each batch; chips leave something out of some of them."""
    found = {name: asked(batch) for name, batch in BATCHES.items()}
    assert any(ask.missing for ask in found.values())
    assert any(not ask.missing for ask in found.values())
    return found


def cuts_of(draft: Draft) -> Counter[tuple[str, str]]:
    """(die, paper) → cuts that a draft makes."""
    runs = draft.papered.runs
    return Counter(
        (runs[one.run].sites[slot].die.name, use.paper)
        for one in draft.papered.passes
        for use in one.uses
        for slot in use.slots
    )


@pytest.mark.parametrize("maker", MAKERS.values(), ids=MAKERS)
def test_drafts_are_sound_and_lose_no_cut(maker: Maker, asks: dict[str, Ask]) -> None:
    """What is made and what is missing add up to what the shares say, and the checker finds no fault in what is made."""
    made = 0
    for name, ask in asks.items():
        if not maker.suits(ask):
            continue
        for draft in maker.drafts(replace(ask, memory={}), BY_WORK):
            made += 1
            assert cuts_of(draft) + draft.papered.missing == cuts_wanted(ask.batch, draft.shares), name
            shares = without_missing(ask.batch, draft.shares, draft.papered.missing)
            plan = assemble(
                ask.batch, ask.batch.demand, shares, draft.papered, Bound(0, "not looked for"), proof={}
            )
            assert not [f.message for f in check_plan(plan).faults if f.rule not in UNPROVED], name
    assert made, "a maker that makes nothing of any of these batches is not tested here"


@pytest.mark.parametrize("maker", MAKERS.values(), ids=MAKERS)
def test_a_maker_says_no_to_wishes_that_it_can_not_serve(maker: Maker, asks: dict[str, Ask]) -> None:
    """Where no trims are allowed, no draft trims a scrap."""
    for name in ("no trims", "no trims, too little paper"):
        if maker.suits(asks[name]):
            for draft in maker.drafts(replace(asks[name], memory={}), BY_WORK):
                assert draft.trims == 0
