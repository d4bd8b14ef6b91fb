"""Where paper is short: parts squeezed in, hopeless demand cut down, wishes, and what-if told as sentences."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import shapely
from shapely.geometry import Polygon, box

from nestcut.batch.model import CardLine, Hand, HandSeconds, Machine, Paper, Pose, Scrap, Spares, Wishes
from nestcut.checks import check_plan
from nestcut.passes import plan_batch
from nestcut.passes.advice.whatif import WhatIf, advice
from nestcut.passes.common.schedule import RunTask
from nestcut.passes.drafts.order import closed_up
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft, RunDraft
from nestcut.passes.makers.scarce.scarce import within_reach
from nestcut.passes.parts.papers import PaperStock, Want, lay_parts
from nestcut.passes.parts.regions import SlotGroup
from nestcut.passes.parts.slabs import moved
from nestcut.passes.parts.squeeze import squeeze_in
from nestcut.passes.plate.layups import choose_layups
from nestcut.passes.plate.master import PlateTask
from nestcut.passes.plate.wishes import by_wish
from tests.shared.batches import batch_of, disc_die, sheets


def disc(radius: float, steps: int = 48) -> Polygon:
    """A polygon that contains the disc."""
    reach = radius / math.cos(math.pi / steps)
    turn = 2 * math.pi / steps
    return Polygon([(reach * math.cos(k * turn), reach * math.sin(k * turn)) for k in range(steps)])


def wanted(count: int, shape: Polygon) -> Want:
    return Want(0, 0, "red", SlotGroup((0,), shape), (0.0, 90.0, 180.0, 270.0), count)


def test_a_fifth_disc_is_squeezed_in_between_four() -> None:
    """Five unit circles fit a square of side 2 + 2√2 only with one in the middle (Graham 1965); rows hold four.

    The square here is 0.8 % larger, as the discs are polygons around circles.
    """
    side = 10.0 * (2 + 2 * math.sqrt(2)) * 1.008
    scraps = [Scrap("red-1", "red", box(0, 0, side, side))]
    nodes = lay_parts(PaperStock(scraps), [wanted(5, disc(10.0))], lambda *_: (0.0,))
    assert nodes[0].missing == 1
    assert squeeze_in(scraps, nodes, over=lambda: False, efforts=(40, 400, 2000)) == 1
    shapes = [moved(nodes[0].want.group.outline, part.pose) for part in nodes[0].laid]
    assert len(shapes) == 5
    assert nodes[0].missing == 0
    assert all(scraps[0].outline.buffer(1e-6).covers(shape) for shape in shapes)
    assert all(shapely.intersection(a, b).area < 1e-6 for k, a in enumerate(shapes) for b in shapes[:k])


def test_nothing_is_squeezed_in_where_area_forbids_it() -> None:
    """A tenth square of 10 mm finds no room in 30 × 30 mm, and the nine others stay."""
    scraps = [Scrap("red-1", "red", box(0, 0, 30.01, 30.01))]
    nodes = lay_parts(PaperStock(scraps), [wanted(10, box(0, 0, 9.99, 9.99))], lambda *_: (0.0,))
    assert squeeze_in(scraps, nodes, over=lambda: False, efforts=(40,)) == 0
    assert nodes[0].missing == 1
    assert len(nodes[0].laid) == 9


def test_gaps_of_missing_paper_are_closed_up() -> None:
    """Two slots, three cuts in three passes: two passes do, unless a part serves both or strips take turns."""
    from collections import Counter

    def use(slot: int) -> PartUse:
        return PartUse("red-1", box(slot, 0, slot + 1, 1), Pose(0, 0), (slot,), "red")

    def passes(first: PartUse, *rest: int, chips: int = 2) -> list[list[int]]:
        run = RunDraft(RunTask((), 3, ()), [], [box(0, 0, 1, 1)] * chips, [])
        drafts = [PassDraft(0, [first]), *(PassDraft(0, [use(slot)]) for slot in rest)]
        closed = closed_up(PaperedPasses([run], drafts, Counter()))
        return [sorted(u.slots[0] for u in draft.uses) for draft in closed.passes]

    assert passes(use(0), 1, 0) == [[0, 1], [0]]
    assert passes(both(use(0)), 1) == [[0], [1]]
    assert passes(use(0), 1, 0, chips=0) == [[0], [1], [0]]


def both(use: PartUse) -> PartUse:
    """A part that serves two slots: it may lie where a third die's paper would."""
    return PartUse(use.scrap, use.outline, use.pose, (0, 1), use.paper)


def test_strips_that_take_turns_stay_apart_when_pieces_are_given_up() -> None:
    """Found by hypothesis: no white paper, red in strips; closing up passes laid two strips of one lane together."""
    batch = batch_of(
        [disc_die("a", 12), disc_die("b", 12, copies=2), disc_die("c", 21)],
        sheets("red", (20, 20), (131, 144), (20, 20), (20, 20)),
        [
            CardLine(("a",), ("red", "white"), 4),
            CardLine(("b",), ("red",), 3),
            CardLine(("c",), ("red",), 1),
        ],
        kits=2,
        spares=Spares(percent=10),
        papers=[Paper("red"), Paper("white")],
        hand=Hand(edge_mm=1.0),
    )
    assert check_plan(plan_batch(batch, seconds=600, work_limit=60)).ok


def test_a_hopeless_demand_is_cut_to_what_is_within_reach() -> None:
    """5,000 discs of 20 mm and one A6 scrap: asked for a few more than fit, never fewer than rows of chips hold."""
    batch = batch_of(
        [disc_die("a", 20)], sheets("red", (105, 148)), [CardLine(("a",), ("red",), 5)], kits=1000
    )
    (line,) = within_reach(batch)
    rows = (105 // 24) * (148 // 24)
    assert rows <= line.count <= 2 * rows
    plan = plan_batch(batch, seconds=600, work_limit=40)
    assert check_plan(plan).ok
    assert not plan.complete
    assert plan.demand[0].met >= rows - rows % 5
    assert plan.demand[0].met + sum(s.pieces for s in plan.short) == 5000


def test_demand_within_reach_is_left_alone() -> None:
    """Plenty of paper: nothing is cut."""
    batch = batch_of([disc_die("a", 20)], sheets("red", (105, 148)), [CardLine(("a",), ("red",), 5)])
    assert list(within_reach(batch)) == list(batch.demand)


@pytest.mark.parametrize(
    ("order", "layups", "passes"),
    [(("passes",), 2, 12), (("changes",), 1, 20), (("minutes",), 1, 20)],
)
def test_the_first_wish_decides_between_passes_and_layups(order, layups, passes) -> None:
    """Sets {2 a} and {2 b} cut 12 a and 12 b in 12 passes with two lay-ups; {a, b} takes 12 in one as well, so
    ask for 20 a and 4 b: two lay-ups need 10 + 2 = 12 passes, {a, b} alone 20.

    Setting up a die takes an hour here, so minutes prefer one lay-up, too.
    """
    lines = ((20, ((0, 0),)), (4, ((1, 0),)))
    task = PlateTask(("a", "b"), (1, 1), ("red",), lines)
    sets = ((2, 0), (0, 2), (1, 1))
    choice = choose_layups(task, sets, 12, seconds=10)
    assert choice is not None
    machine, seconds = Machine((100.0, 100.0)), HandSeconds(set_up=3600.0)
    wishes = replace(Wishes(), order=order)
    found = by_wish(task, sets, choice, wishes, seconds, machine, trips=(1, 1), seconds=10)
    assert (len(found.sets), found.passes) == (layups, passes)


def test_answers_are_told_as_sentences() -> None:
    """What saves and what costs, in words."""
    assert advice(WhatIf("a second campion die", 31, 31.0, 0.0, 0, "die")) == (
        "a second campion die saves 31 passes, about half an hour"
    )
    assert advice(WhatIf("one kit more", -1, -1.0, -31080.0, 0, "kits")) == (
        "one kit more costs 1 pass, about 1 minute, 311 cm² of paper more"
    )
    assert advice(WhatIf("no spares", 0, 0.0, 124740.0, 0, "spares")) == (
        "no spares save 2.0 A4 sheets' worth of paper"
    )


def test_advice_and_other_plans_travel_with_the_plan() -> None:
    """A second disc die saves six of twelve passes; in the plan's extras fewer is below 0. The chosen row is the plan."""
    batch = batch_of([disc_die("a", 20)], sheets("red", (148, 210)), [CardLine(("a",), ("red",), 12)])
    plan = plan_batch(batch, seconds=600, work_limit=40, advise=True)
    (idea,) = [one for one in plan.extras["what_if"] if one["kind"] == "die"]
    assert (idea["passes"], idea["what"]) == (-6, "a second a die")
    (row,) = [one for one in plan.extras["trade_off"] if one["chosen"]]
    assert (row["passes"], row["trims"]) == (plan.totals.passes, plan.totals.trims)
