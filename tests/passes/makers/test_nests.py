"""Nests: scraps filled densely, and the lay-ups and passes that cut them."""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import replace

import pytest
from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, CardLine, Hand, Pose, Scrap
from nestcut.batch.turns import turns_on
from nestcut.checks import check_plan
from nestcut.passes import plan_batch
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.passes.makers.nests.nest_layups import in_nests
from nestcut.passes.makers.nests.nests import FillWish, alike, nests_of
from nestcut.passes.makers.nests.riding import with_riders
from nestcut.plans import plan_to_json
from nestcut.plans.model import Bound, Share
from tests.shared.batches import batch_of, disc_die, label_die, sheets

SQUARE_OF_FIVE = 2 + 2 * math.sqrt(2)
"""Side of the least square that holds five discs of radius 1, one in the middle (Graham 1968)."""


def rows_of(batch, outline: Polygon, asks: list[FillWish]) -> list[tuple[int, Pose]]:
    """A filling in rows of equal squares, a die after the other: simple, and exact by construction."""
    hand = batch.hand
    pitch = max(max(ask.die.cut.bounds[2] - ask.die.cut.bounds[0] for ask in asks), 1.0) + hand.web_mm
    x0, y0, x1, y1 = outline.bounds
    nx = int((x1 - x0 - 2 * hand.edge_mm + hand.web_mm) / pitch + 1e-9)
    ny = int((y1 - y0 - 2 * hand.edge_mm + hand.web_mm) / pitch + 1e-9)
    half = (pitch - hand.web_mm) / 2
    found = []
    left = [ask.most for ask in asks]
    for i in range(nx):
        for j in range(ny):
            # the die that has most left: kinds alternate
            k = max(range(len(asks)), key=lambda k: left[k])
            if left[k] > 0:
                left[k] -= 1
                at = (x0 + hand.edge_mm + half + i * pitch, y0 + hand.edge_mm + half + j * pitch)
                found.append((k, Pose(*at, 0.0)))
    return found


@pytest.mark.parametrize("seed", range(4))
def test_every_cut_of_a_nest_is_made_once_and_every_pass_is_sound(seed: int) -> None:
    """Random scraps and dies: the checker measures every pass, the count says that nothing was left out."""
    chance = random.Random(seed)
    dies = [disc_die("a", 20.0), disc_die("b", 14.0, copies=2), label_die("c", 18.0, 9.0)]
    sizes = [(chance.choice([48.0, 70.0, 99.0]), chance.choice([60.0, 110.0, 148.0])) for _ in range(5)]
    scraps = [*sheets("red", *sizes), *sheets("blue", *sizes[:3], sizes[0])]
    wanted = {"a": 18, "b": 30, "c": 12}
    lines = [CardLine((die,), (paper,), n) for die, n in wanted.items() for paper in ("red", "blue")]
    batch = batch_of(dies, scraps, lines)
    nests = []
    for paper in ("red", "blue"):
        value = dict.fromkeys(wanted, 1)
        nests += nests_of(batch, alike(batch, paper), wanted, value, lambda o, a: rows_of(batch, o, list(a)))
    made = sum((nest.made() for nest in nests), Counter())
    assert made
    assert all(count <= wanted[die] for (die, _), count in made.items())
    got = in_nests(batch, nests)
    assert not got.missing
    shares = [
        tuple(Share(d, p, min(made[d, p], line.count)) for d in line.dies for p in line.papers if made[d, p])
        for line in batch.demand
    ]
    plan = assemble(batch, batch.demand, shares, got, Bound(0, "not looked for"), proof={})
    assert not [
        fault for fault in check_plan(plan).faults if fault.rule not in ("bound", "short", "complete")
    ]
    cut: Counter[tuple[str, str]] = Counter()
    for one in plan.passes:
        for c in one.cuts:
            cut[plan.layup(one.layup).slots[c.slot].die, plan.pieces_of_paper()[c.scrap][0]] += 1
    assert cut == made
    # No more passes than one scrap at a time would take.
    alone = sum(max(Counter(c.die for c in nest.cuts).values()) * len(nest.pieces) for nest in nests)
    assert len(got.passes) <= alone


def test_equal_scraps_share_their_lay_ups() -> None:
    """Six equal scraps with two discs each: two lay-ups of six passes, not twelve."""
    batch = batch_of(
        [disc_die("a", 30.0)], sheets("red", *[(40.0, 70.0)] * 6), [CardLine(("a",), ("red",), 12)]
    )
    nests = nests_of(batch, alike(batch, "red"), {"a": 12}, {"a": 1}, lambda o, a: rows_of(batch, o, list(a)))
    got = in_nests(batch, nests)
    assert [len(nest.pieces) for nest in nests] == [6]
    assert (len(got.runs), len(got.passes)) == (2, 12)


def test_a_cut_that_no_place_on_the_plate_allows_is_missing() -> None:
    """A scrap as wide as the plate: the rim of a cut at its side would leave the window."""
    batch = batch_of([disc_die("a", 30.0)], sheets("red", (100.0, 40.0)), [CardLine(("a",), ("red",), 1)])
    (own,) = alike(batch, "red")

    def at(x: float) -> Counter[tuple[str, str]]:
        nests = nests_of(batch, [own], {"a": 1}, {"a": 1}, lambda _o, _a: [(0, Pose(x, 20.0, 0.0))])
        return in_nests(batch, nests).missing

    assert at(50.0) == Counter()
    # Turned by a quarter the scrap hangs out at the end, and even its corner can be reached.
    narrow = batch_of([disc_die("a", 30.0)], sheets("red", (100.0, 100.0)), [CardLine(("a",), ("red",), 1)])
    (own,) = alike(narrow, "red")
    nests = nests_of(narrow, [own], {"a": 1}, {"a": 1}, lambda _o, _a: [(0, Pose(17.2, 50.0, 0.0))])
    assert in_nests(narrow, nests).missing == {}
    nests = nests_of(narrow, [own], {"a": 1}, {"a": 1}, lambda _o, _a: [(0, Pose(17.2, 17.2, 0.0))])
    assert in_nests(narrow, nests).missing == {("a", "red"): 1}


def test_turns_in_the_frame_of_the_scrap() -> None:
    free, listed = label_die("a", 9, 5), label_die("b", 9, 5, turns=(0.0, 90.0, 180.2))
    batch = batch_of([free, listed], [], [CardLine(("a",), ("red",), 1)])
    plain = batch.papers[0]
    striped, up = replace(plain, direction="stripe"), replace(plain, direction="up")
    assert turns_on(free, plain) == "any"
    assert turns_on(free, striped) == (0.0, 180.0)
    assert turns_on(free, up) == (0.0,)
    assert turns_on(listed, striped) == (0.0, 180.2)
    assert turns_on(listed, up) == (0.0,)


def class_of_five(*, riders: int = 0) -> Batch:
    """Five discs with webs of 1 mm fit the square of red; chips with edges of 3 mm do not (they would take 111 mm).

    With riders: so many small discs in blue, for which there are scraps enough.
    """
    web, edge, radius = 1.0, 3.0, 20.0
    reach = radius / math.cos(math.pi / 24) + web / 2
    side = math.ceil(SQUARE_OF_FIVE * reach + 2 * (edge - web / 2)) + 2.0
    assert side < SQUARE_OF_FIVE * (radius + edge)
    lines = [CardLine(("a",), ("red",), 5)] + [CardLine(("b",), ("blue",), riders)] * bool(riders)
    return batch_of(
        [disc_die("a", 2 * radius)] + [disc_die("b", 18.0)] * bool(riders),
        [Scrap("red-1", "red", box(0, 0, side, side)), *sheets("blue", *([(30.0, 30.0)] * riders))],
        lines,
        plate=(150.0, 220.0),
        hand=Hand(web_mm=web, edge_mm=edge),
    )


def test_chips_ride_along_with_nests() -> None:
    """Eight discs in blue and five in a nest of red: eight passes, not thirteen; the same whenever it is planned."""
    plan = plan_batch(class_of_five(riders=8), work_limit=200)
    assert plan_to_json(plan) == plan_to_json(plan_batch(class_of_five(riders=8), work_limit=200))
    assert check_plan(plan).ok
    assert plan.complete
    assert plan.totals.passes == plan.bound.passes == 8


@pytest.mark.parametrize("allowed", [0, 1])
def test_riders_never_cost_a_nest_its_cuts(allowed: int) -> None:
    """Stopped after the first lay-up, or before it, everything stays as it was."""
    batch = batch_of([disc_die("a", 30.0)], sheets("red", (70.0, 70.0)), [CardLine(("a",), ("red",), 4)])
    nests = nests_of(batch, alike(batch, "red"), {"a": 4}, {"a": 1}, lambda o, a: rows_of(batch, o, list(a)))
    nested, rest = in_nests(batch, nests), PaperedPasses([], [])
    assert len(nested.passes) == 4
    asked = iter(range(100))
    assert with_riders(batch, nests, nested, rest, over=lambda: next(asked) >= allowed) == (rest, nested)


def test_the_fifth_disc_is_cut_where_only_a_nest_holds_it() -> None:
    batch = class_of_five()
    plan = plan_batch(batch, work_limit=200)
    assert check_plan(plan).ok
    assert plan.complete
    assert plan.totals.passes == 5
    assert plan.totals.trims == 0
