"""A bound is believed only when it follows from its proof, in exact fractions, with every disproof proved anew."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, translate
from shapely.geometry import Polygon, box

from nestcut.batch.model import Die, Machine, Paper, Scrap
from nestcut.checks import check_plan, check_proof
from nestcut.checks.measures.convex_cover import convex_cover, grown_hull
from nestcut.checks.measures.offsets import least_offsets
from nestcut.checks.measures.safe_side import grown_area_mm2, shrunk
from nestcut.checks.measures.turns import ALL_TURNS, plate_turns
from nestcut.checks.proof.stacking import stack_cannot_fit
from nestcut.checks.proof.turning import Opponent, pair_cannot_fit, single_cannot_fit
from nestcut.plans.model import Bound, DemandMet, Plan, Share
from tests.shared.checked_plans import PLANS, circle, rectangle_die
from tests.shared.proofs import proved, two_large

QUARTERS = tuple((turn, turn) for turn in (0.0, 90.0, 180.0, 270.0))


def test_copies_alone_prove_the_busiest_die() -> None:
    """One die, 84 pieces, one copy: 84 passes; two copies: not 84 but 42."""
    die = rectangle_die("campion", 20, 20)
    plan = proved([die], [84], 84, {"prices": {"campion": "1"}, "lines": ["1"]})
    assert check_proof(plan).ok
    twice = replace(plan, dies=(replace(die, copies=2),))
    assert check_proof(twice).rules == {"bound"}
    halves = {"prices": {"campion": "1/2"}, "lines": ["1/2"]}
    assert check_proof(replace(twice, bound=Bound(42, ""), proof=halves)).ok
    assert not check_proof(replace(twice, bound=Bound(43, ""), proof=halves)).ok


def test_pieces_per_cut_count() -> None:
    """A die that cuts two pieces at once needs half as many passes; a line can't be paid twice for it."""
    pair = Die("pair", box(0, 0, 5, 5).union(box(10, 0, 15, 5)), box(-1, -1, 16, 6))
    plan = proved([pair], [9], 5, {"prices": {"pair": "1"}, "lines": ["1/2"]})
    assert check_proof(plan).ok
    assert not check_proof(
        replace(plan, bound=Bound(9, ""), proof={"prices": {"pair": "1"}, "lines": ["1"]})
    ).ok


def test_area_needs_no_listing() -> None:
    """Four rims of 60 × 60 with two on a plate at most by area: pairs worth 1, threes refused by area."""
    dies = [rectangle_die(name, 57, 57) for name in ("a", "b", "c")]
    half = dict.fromkeys(("a", "b", "c"), "1/2")
    plan = proved(dies, [10, 10, 10], 15, {"prices": half, "lines": ["1/2"] * 3}, plate=(100, 105))
    assert check_proof(plan).ok
    roomier = replace(plan, machine=Machine((100.0, 115.0), clear_mm=0.0))  # 115 × 100 > 3 × 61²
    assert not check_proof(roomier).ok


@pytest.mark.parametrize("by", ["turning", "stacking"])
def test_disproofs_are_proved_again(by: str) -> None:
    """The same bound stands on a plate where the two can't lie together, and falls where they can."""
    plan = two_large(by)
    assert check_proof(plan).ok, str(check_proof(plan))
    wider = replace(plan, machine=Machine((100.0, 121.1), clear_mm=0.0))
    report = check_proof(wider)
    assert report.rules == {"bound"}
    assert "does not hold" in str(report)


def test_three_that_can_only_be_stacked() -> None:
    """Three rims of 60 × 40 in 70 × 122, quarter turns only: 40 + 40 + 40 and two gaps don't fit; in 124 they do."""
    dies = [rectangle_die(name, 57, 37, turns=(0.0,)) for name in ("a", "b", "c")]
    proof = {
        "prices": dict.fromkeys(("a", "b", "c"), "1/2"),
        "lines": ["1/2"] * 3,
        "disproofs": [{"dies": {"a": 1, "b": 1, "c": 1}, "by": "stacking"}],
    }
    plan = proved(dies, [10, 10, 10], 15, proof, plate=(70.0, 121.0), papers=[Paper("red", direction="up")])
    assert check_proof(plan).ok, str(check_proof(plan))
    assert not check_proof(replace(plan, machine=Machine((70.0, 124.0), clear_mm=0.0))).ok


def test_the_best_set_is_not_the_greediest() -> None:
    """Worth for area says a first, then b, which has no room beside a; a and c together are worth 28/25.

    The enumeration must not stop at the greedy choice: the claim that no set is worth more than 1 is false.
    """
    dies = [
        rectangle_die(name, 100 - 2, side - 2, rim=1.0) for name, side in (("a", 60), ("b", 55), ("c", 40))
    ]
    prices = {"a": "7/10", "b": "29/50", "c": "21/50"}
    plan = proved(dies, [10, 10, 10], 17, {"prices": prices, "lines": list(prices.values())}, gap=0.0)
    report = check_proof(plan)
    assert "1 a, 1 c can't lie on the plate together" in str(report)
    # Scaled down to what the best set is worth, it holds: 25/28 of 17, and no more.
    fair = {name: str(Fraction(price) * Fraction(25, 28)) for name, price in prices.items()}
    good = {"prices": fair, "lines": list(fair.values())}
    assert check_proof(replace(plan, bound=Bound(16, ""), proof=good)).ok
    assert not check_proof(replace(plan, bound=Bound(17, ""), proof=good)).ok


BROKEN: dict[str, Callable[[], Plan]] = {
    "no proof": lambda: replace(two_large(), proof={}),
    "bound one higher": lambda: replace(two_large(), bound=Bound(31, "")),
    "line dearer than its die": lambda: two_large(lines=["2/1", "1/1"]),
    "price missing": lambda: two_large(prices={"oak": "1/1"}),
    "line missing": lambda: two_large(lines=["1/1"]),
    "no disproof": lambda: two_large(disproofs=[]),
    "disproof of something else": lambda: two_large(disproofs=[{"dies": {"oak": 2}, "by": "turning"}]),
    "unknown kind": lambda: two_large(by="because"),
    "area has room": lambda: two_large(by="area"),
    "negative price": lambda: two_large(prices={"oak": "-1/1", "ash": "1/1"}),
    "division by nought": lambda: two_large(prices={"oak": "1/0", "ash": "1/1"}),
    "decimal": lambda: two_large(prices={"oak": 1.0, "ash": "1/1"}),
    "not a fraction": lambda: two_large(prices={"oak": "one", "ash": "1/1"}),
    "endless digits": lambda: two_large(prices={"oak": "9" * 5000, "ash": "1/1"}),
    "prices a list": lambda: two_large(prices=["1/1"]),
    "lines a word": lambda: two_large(lines="1/1"),
    "unknown die": lambda: two_large(prices={"oak": "1", "ash": "1", "elm": "0"}),
    "unknown paper": lambda: two_large(papers={"violet": "1/2"}),
    "disproofs a word": lambda: two_large(disproofs="none"),
    "disproof a word": lambda: two_large(disproofs=["none"]),
    "disproof of nothing": lambda: two_large(disproofs=[{"dies": {}, "by": "turning"}]),
    "disproof of nought": lambda: two_large(disproofs=[{"dies": {"oak": 0, "ash": 1}, "by": "turning"}]),
    "disproof of an unknown die": lambda: two_large(disproofs=[{"dies": {"elm": 1}, "by": "turning"}]),
    "disproof by nothing": lambda: two_large(disproofs=[{"dies": {"oak": 1, "ash": 1}}]),
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_proofs_are_refused(name: str) -> None:
    """Whatever is wrong with a proof, the fault is named ``bound``, and nothing is thrown."""
    report = check_proof(BROKEN[name]())
    assert report.rules == {"bound"}, str(report)


def test_a_bound_of_nothing_needs_no_proof() -> None:
    """No passes at all is a true lower bound."""
    assert check_proof(replace(PLANS["squares"](), bound=Bound(0, ""))).ok


def test_check_plan_does_not_ask_for_a_proof() -> None:
    """A plan without a proof may be right; its bound is only called unproved when asked."""
    plan = PLANS["squares"]()
    assert check_plan(plan).ok
    assert "no proof" in str(check_proof(plan))


def test_scarce_paper_can_be_priced() -> None:
    """Ten tiles from red or green by two dies; red paper gives few: the green die must cut the rest.

    Red is 60 × 60: shrunk by 2 − 1.25 mm it gives 58.5² mm², a tile (20 × 20, grown by 1.25) takes
    at least 22.5² − 4 corners: at most 6 tiles come from red. Priced: 10 − 6.8 → 4 passes of the other die.
    """
    tile, bar = rectangle_die("tile", 20, 20, copies=9), rectangle_die("bar", 20, 20)
    takes = 20 * 20 + 4 * 20 * 1.25 + math.pi * 1.25**2 - 0.1
    gives = 58.5**2 + 0.1
    demand = DemandMet("card", ("tile", "bar"), ("red",), 10, 0, 10, (Share("tile", "red", 10),))
    price = Fraction(1, math.ceil(takes))
    lines = price * Fraction(math.floor(takes))
    proof = {"prices": {"bar": "1/1"}, "lines": [str(lines)], "papers": {"red": str(price)}}
    plan = proved([tile, bar], [0, 0], 3, proof, scraps=[Scrap("red-1", "red", box(0, 0, 60, 60))])
    # Both dies take red here, so that a free die can't hide: 10 pieces need 10 × takes > gives.
    plan = replace(plan, demand=(demand,))
    assert math.ceil(10 * lines - price * Fraction(gives)) == 4
    assert check_proof(replace(plan, bound=Bound(4, ""))).ok, str(
        check_proof(replace(plan, bound=Bound(4, "")))
    )
    assert not check_proof(replace(plan, bound=Bound(5, ""))).ok
    more = (*plan.scraps, Scrap("red-2", "red", box(0, 0, 60, 60)))
    assert not check_proof(replace(plan, scraps=more)).ok


def test_plate_turns_hold_every_allowed_turn() -> None:
    """Quarter turns of the paper, its direction and the die's own turns together, with half a degree."""

    def turns(die_turns: Any, direction: str, papers: str = "square") -> tuple[tuple[float, float], ...]:
        die = rectangle_die("oak", 20, 20, turns=die_turns)
        plan = proved([die], [1], 1, {}, papers=[Paper("red", direction=direction)])  # type: ignore[arg-type]
        return plate_turns(replace(plan, hand=replace(plan.hand, papers=papers)), "oak")  # type: ignore[arg-type]

    def holds(found: tuple[tuple[float, float], ...], turn: float) -> bool:
        return any(lo <= turn + full <= hi for lo, hi in found for full in (-360, 0, 360))

    assert turns("any", "none") == ALL_TURNS
    assert turns((15.0,), "stripe", "any") == ALL_TURNS
    own = turns((15.0,), "none")
    assert all(holds(own, t) for t in (14.5, 15.5, 105, 195, 285))
    assert not any(holds(own, t) for t in (0, 14.4, 16, 60))
    up = turns("any", "up")
    assert all(holds(up, t) for t in (0, 0.5, 359.5, 90, 180, 270))
    assert not holds(up, 45)
    both = turns((0.75, 90.0), "up")
    assert all(holds(both, t) for t in (0.25, 0.5, 90.25, 270.5))
    assert not any(holds(both, t) for t in (0.1, 0.6, 359.5, 90.75))


# ---------------------------------------------------------------- soundness against brute force


def random_rim(rng: random.Random) -> Polygon:
    """A star-shaped outline, often far from convex, 15 to 60 mm across."""
    corners = rng.randint(3, 9)
    size = rng.uniform(8, 30)
    angles = sorted(rng.uniform(0, 2 * math.pi) for _ in range(corners))
    if max((b - a) % (2 * math.pi) for a, b in zip(angles, angles[1:] + angles[:1], strict=True)) > 2.8:
        angles = [2 * math.pi * i / corners for i in range(corners)]
    return Polygon(
        [(size * rng.uniform(0.4, 1) * math.cos(a), size * rng.uniform(0.4, 1) * math.sin(a)) for a in angles]
    )


def thrown_together(rims: Sequence[Polygon], rng: random.Random, gap: float) -> tuple[float, float]:
    """A window, width and length, that surely holds the rims: they were thrown in, apart by the gap."""
    placed: list[Polygon] = []
    spread = 5.0
    while len(placed) < len(rims):
        rim = rotate(rims[len(placed)], rng.uniform(0, 360), origin=(0, 0))
        rim = translate(rim, rng.uniform(0, spread), rng.uniform(0, 2 * spread))
        if all(rim.distance(other) >= gap and not rim.intersects(other) for other in placed):
            placed.append(rim)
        else:
            spread *= 1.03
    boxes = [rim.bounds for rim in placed]
    low = [min(b[i] for b in boxes) for i in (0, 1)]
    high = [max(b[i] for b in boxes) for i in (2, 3)]
    return high[0] - low[0], high[1] - low[1]


def simple(rim: Polygon) -> bool:
    return rim.is_valid and rim.area > 20


@pytest.mark.first(2)
@pytest.mark.parametrize("seed", range(12))
def test_what_lies_together_is_never_disproved(seed: int) -> None:
    """Rims that were thrown into a window are never said not to fit into it. (The oracle is the throw.)"""
    rng = random.Random(seed)
    rims = []
    while len(rims) < 3:
        rim = random_rim(rng)
        if simple(rim):
            rims.append(rim)
    gap = rng.choice([0.0, 0.5, 1.0])
    width, length = thrown_together(rims[:2], rng, gap)
    a, b, _ = (Opponent(rim, ALL_TURNS) for rim in rims)
    assert single_cannot_fit(a, width, length) is not None
    assert pair_cannot_fit(a, b, width, length, gap) is not None
    # Stacking only works with the cores, so one level says as much about its soundness as five.
    width, length = thrown_together(rims, rng, gap)
    assert (
        stack_cannot_fit([Opponent(rim, ALL_TURNS) for rim in rims], width, length, gap, levels=1) is not None
    )


def squares_fit(sides: Sequence[int], width: int, length: int) -> bool:
    """Exact: whether whole-numbered squares, not turned, fit into a whole-numbered rectangle (brute force)."""

    def place(index: int, taken: frozenset[tuple[int, int]]) -> bool:
        if index == len(sides):
            return True
        side = sides[index]
        for x in range(width - side + 1):
            for y in range(length - side + 1):
                cells = {(x + i, y + j) for i in range(side) for j in range(side)}
                if not cells & taken and place(index + 1, taken | cells):
                    return True
        return False

    return place(0, frozenset())


@pytest.mark.first(20)
@pytest.mark.parametrize("seed", range(60))
def test_whole_numbered_squares_agree_with_brute_force(seed: int) -> None:
    """Squares of whole tens of mm in a rectangle of whole tens, quarter turns: said only if they can't, and nearly always then.

    Oracle: exhaustive placement on the grid, enough for axis-parallel whole-numbered squares since all can
    be pushed up and to the left.
    """
    rng = random.Random(seed)
    sides = [rng.randint(1, 4) for _ in range(rng.choice([2, 3, 3, 4]))]
    width, length = rng.randint(4, 6), rng.randint(4, 7)
    fits = squares_fit(sorted(sides, reverse=True), width, length)
    # Shrunk by the tolerance, as the checker does it: exact fits must stay possible.
    rims = [Opponent(box(-5 * s + 1e-6, -5 * s + 1e-6, 5 * s - 1e-6, 5 * s - 1e-6), QUARTERS) for s in sides]
    said = stack_cannot_fit(rims, 10.0 * width + 2e-6, 10.0 * length + 2e-6, 0.0, levels=3)
    # Stacking may miss what only a whole search of both directions shows (2 of these 60), never the other way.
    assert (said is None) == (not fits) or (not fits and len(rims) > 2 and seed in (11, 41))
    if len(rims) == 2:
        pair = pair_cannot_fit(rims[0], rims[1], 10.0 * width + 2e-6, 10.0 * length + 2e-6, 0.0)
        assert (pair is None) == (not fits)


def test_two_discs_in_a_square() -> None:
    """Two circles of radius r fit into a square of side 2·r·(1 + 1/√2), not into a smaller one.

    Source: side 3.414214 for two unit circles (Specht's table of circles in a square; closed form 2 + √2).
    """
    outer, inner = circle(30 / math.cos(math.pi / 48)), circle(30)
    side = 30 * (2 + math.sqrt(2))
    inside = [Opponent(inner, ALL_TURNS) for _ in range(2)]
    assert pair_cannot_fit(*inside, side, side, 0.0) is not None
    around = [Opponent(outer, ALL_TURNS) for _ in range(2)]
    assert pair_cannot_fit(*around, 0.98 * side, 0.98 * side, 0.0) is None


def test_a_long_bar_across_a_plate() -> None:
    """A bar of 100 × 10 fits a plate no shorter than its diagonal placing allows, exact by trigonometry.

    At turn t it spans 100·cos t + 10·sin t by 100·sin t + 10·cos t: into a square both must fit, best at 45°,
    with a side of 110/√2.
    """
    bar = Opponent(box(-50, -5, 50, 5), ALL_TURNS)
    side = 110 / math.sqrt(2)
    assert single_cannot_fit(bar, side + 1e-3, side + 1e-3) is not None
    assert single_cannot_fit(bar, side - 1e-3, side - 1e-3) is None


@pytest.mark.parametrize("off", [(0.0, 0.0), (30.0, 0.0), (-7.0, 22.0)])
def test_where_a_rim_turns_about_does_not_matter(off: tuple[float, float]) -> None:
    """Squares of 60 that turn about a corner or a point far away: the same answers, tight from both sides."""
    a, b = (Opponent(translate(box(-30, -30, 30, 30), *o), QUARTERS) for o in (off, (-off[1], off[0])))
    for method in (pair_cannot_fit, lambda a, b, *rest: stack_cannot_fit([a, b], *rest)):
        assert method(a, b, 60.001, 121.001, 1.0) is not None
        assert method(a, b, 121.001, 60.001, 1.0) is not None
        assert method(a, b, 100.0, 120.9, 1.0) is None
        assert method(a, b, 120.9, 100.0, 1.0) is None
    assert single_cannot_fit(a, 60.001, 60.001) is not None
    assert single_cannot_fit(a, 59.999, 100.0) is None
    free = [Opponent(rim.rim, ALL_TURNS) for rim in (a, b)]
    assert pair_cannot_fit(*free, 100.0, 115.0, 1.0) is None
    assert pair_cannot_fit(*free, 61.0, 122.0, 1.0) is not None


@pytest.mark.parametrize("seed", range(8))
def test_a_core_lies_in_the_rim_at_every_turn(seed: int) -> None:
    """What is called covered at every turn of a cell is covered at a hundred of them."""
    rng = random.Random(seed)
    rim = random_rim(rng)
    while not simple(rim):
        rim = random_rim(rng)
    low = rng.uniform(0, 360)
    high = low + rng.choice([1.0, 7.5, 15.0])
    core = Opponent(rim, ALL_TURNS).core((low, high))
    for step in range(101):
        turned = rotate(rim, low + (high - low) * step / 100, origin=(0, 0))
        assert core.is_empty or turned.covers(core)
    assert core.area > 0.5 * rim.area or high - low > 5


@pytest.mark.parametrize("seed", range(6))
def test_offsets_are_what_sliding_finds(seed: int) -> None:
    """Least offsets below a rim, against shapely's distance for shifts all over the cell of x.

    At every sampled shift that is said to be forbidden the parts really overlap, and the offset is reached
    up to what a cell 1 mm wide can lose.
    """
    rng = random.Random(seed)

    def convex() -> Polygon:
        return Polygon([(rng.uniform(-15, 15), rng.uniform(-15, 15)) for _ in range(8)]).convex_hull

    a, b = convex(), convex()
    turns_a, turns_b = [rng.uniform(0, 360)], [rng.uniform(0, 360), rng.uniform(0, 360)]
    step, half = 1.0, 40
    below, above = least_offsets(
        [grown_hull(a, 0.0)], np.array(turns_a), [grown_hull(b, 0.0)], np.array(turns_b), step, half
    )
    put_a = rotate(a, turns_a[0], origin=(0, 0))
    for t, turn in enumerate(turns_b):
        put_b = rotate(b, turn, origin=(0, 0))
        for cell in range(-30, 31, 3):
            for x in ((cell - 1) * step, cell * step, (cell + 1) * step):
                # b below a at x, and a below b when a lies x to the right of b
                for offset, dx, sign in (
                    (below[0, t, cell + half], x, 1.0),
                    (above[t, 0, cell + half], -x, -1.0),
                ):
                    for share in (1e-6, 0.3, 0.7, 1 - 1e-6):
                        if offset > 0.0:
                            shifted = translate(put_b, dx, sign * share * offset)
                            assert shifted.intersects(put_a)
        # At one shift, the true offset is found by halving: the cell loses little where sides are not steep.
        low, high = 0.0, 80.0
        for _ in range(50):
            middle = (low + high) / 2
            low, high = (middle, high) if translate(put_b, 0, middle).intersects(put_a) else (low, middle)
        if put_b.intersects(put_a):
            assert below[0, t, half] <= low + 1e-6
            assert below[0, t, half] > 0.5 * low - 1.0


def test_a_convex_cover_lies_inside_and_covers() -> None:
    """Convex parts of an L, a star and a ring lie inside, are convex, and cover nearly all."""
    ring = box(0, 0, 30, 30).difference(box(10, 10, 20, 20))
    star = Polygon(
        [(r * math.cos(i * math.pi / 7), r * math.sin(i * math.pi / 7)) for i, r in enumerate([20, 11] * 7)]
    )
    for shape in (box(0, 0, 20, 10).union(box(0, 0, 10, 30)), star, ring):
        parts = convex_cover(shape)
        assert all(part.difference(shape).area < 1e-6 for part in parts)
        assert all(part.area == pytest.approx(part.convex_hull.area) for part in parts)
        assert shape.difference(shapely.union_all(parts)).area < 0.02 * shape.area


def test_growth_and_shrinking_err_on_the_known_side() -> None:
    """Area of a grown square a hair below the exact one; a shrunken shape really that far inside."""
    grown = grown_area_mm2(box(0, 0, 20, 10), 2.0)
    exact = 200 + 60 * 2.0 + math.pi * 4.0
    assert exact * 0.9995 < grown <= exact
    notched = box(0, 0, 30, 30).difference(box(14.9, 10, 15.1, 30))  # a slit that growth closes
    assert grown_area_mm2(notched, 1.0) <= 900 + 120 + math.pi + 1e-6
    for by in (1e-6, 0.01, 1.0, 3.0):
        inner = shrunk(notched, by)
        assert inner.distance(notched.boundary) >= by
        assert inner.area > 0.9 * notched.buffer(-by).area
    assert shrunk(box(0, 0, 1, 1), 0.6).is_empty


U = box(0, 0, 30, 30).difference(box(10, 10, 20, 30))
"""A U with a slot of 10 × 20."""


@pytest.mark.first(1)
@pytest.mark.parametrize("quarter", [0.0, 90.0, 180.0, 270.0])
@pytest.mark.parametrize("method", ["pair", "stack"])
def test_hollows_are_seen(quarter: float, method: str) -> None:
    """A bar of 8 × 18 lies in the slot of a U, a square in a frame: hulls would be in each other's way."""

    def answer(a: Polygon, b: Polygon, side: float, gap: float) -> str | None:
        turns = ((quarter, quarter), (quarter + 180.0, quarter + 180.0))
        rims = [Opponent(translate(shape, 3, -8), turns) for shape in (a, b)]
        if method == "pair":
            return pair_cannot_fit(*rims, side, side, gap)
        return stack_cannot_fit(rims, side, side, gap)

    # Stacking counts in cells of half a millimetre: it needs to be wrong by more to be refused.
    too_much = 1.1 if method == "pair" else 1.9
    bar = box(0, 0, 8, 18)
    assert answer(U, bar, 30.01, 0.99) is not None
    assert answer(U, bar, 30.01, too_much) is None
    assert answer(U, box(0, 0, 8, 30), 30.01, 0.5) is None
    frame = box(0, 0, 40, 40).difference(box(5, 5, 35, 35))
    assert answer(frame, box(0, 0, 27.9, 27.9), 40.01, 1.0) is not None
    assert answer(frame, box(0, 0, 27.9, 27.9), 40.01, too_much) is None
    assert answer(frame, box(0, 0, 9.9, 27.9), 40.01, 1.0) is not None


@pytest.mark.parametrize("place", [0.0, 0.3, 0.7, 1.0])
def test_small_rims_anywhere_in_a_hollow(place: float) -> None:
    """A comb whose only free room is a notch, wherever it is along its side: a small square lies there."""
    x = 2 + place * 46
    comb = box(0, 0, 60, 20).difference(box(x, 8, x + 10, 20))
    small = box(0, 0, 7.5, 7.5)
    fixed = ((0.0, 0.0),)
    rims = [Opponent(translate(comb, -11, 5), fixed), Opponent(small, fixed)]
    for gap, fits in ((1.0, True), (1.2, True), (1.3, False)):
        assert (pair_cannot_fit(*rims, 60.001, 20.001, gap) is not None) == fits
        assert stack_cannot_fit(rims, 60.001, 20.001, gap) is not None or not fits


def test_the_window_is_what_is_left_of_the_plate() -> None:
    """What is kept clear along the plate's edges, and the gap, count in the plate that proofs are made for."""
    plan = two_large()
    roomier = replace(plan, machine=Machine((104.0, 121.1), clear_mm=3.0))
    assert check_proof(roomier).ok, str(check_proof(roomier))  # 115.1 long inside
    assert not check_proof(replace(plan, machine=Machine((104.0, 127.1), clear_mm=3.0))).ok
    tight = replace(plan, machine=Machine((100.0, 121.0), clear_mm=0.0))
    assert not check_proof(tight).ok  # 60 + 1 + 60 fit exactly
    assert not check_proof(replace(tight, machine=Machine((100.0, 121.0 - 1.5e-6), clear_mm=0.0))).ok
    assert check_proof(replace(tight, machine=Machine((100.0, 120.9), clear_mm=0.0))).ok


def test_three_in_a_row_across_the_narrow_side() -> None:
    """Three bars side by side fill the width to the last millimetre: every column of places is looked at."""
    for width in (60.01, 63.0, 64.01, 67.99):
        bars = [Opponent(box(0, 0, 20, 50), ((0.0, 0.0),)) for _ in range(3)]
        assert stack_cannot_fit(bars, width, 70.0, 0.0) is not None
    bars = [Opponent(box(0, 0, 20, 50), ((0.0, 0.0),)) for _ in range(3)]
    assert stack_cannot_fit(bars, 57.0, 70.0, 0.0) is None
