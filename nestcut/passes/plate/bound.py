"""The lower bound on passes, exact, with what it rests on.

Weak duality of the pattern programme: give each die a price π_d ≥ 0 per cut so that no set of dies that may
fit the plate is worth more than 1, and each line of demand the price p_g = min π_d / pieces_d over its dies.
Every pass is then worth at most 1 and the demand Σ p_g · count_g, so passes ≥ ⌈Σ p_g · count_g⌉. Prices
come from floating point and are then made exact fractions; the claim is re-proved in whole numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from nestcut.passes.plate.master import Counts, PlateTask, solve_linear
from nestcut.passes.plate.sets import SetSearch

__all__ = ["PlateBound", "exact_bound", "line_prices", "proof_json", "relaxed_bound"]


@dataclass(frozen=True, slots=True)
class PlateBound:
    """A proved lower bound: passes ≥ ⌈value⌉."""

    value: Fraction
    prices: tuple[Fraction, ...]
    lines: tuple[Fraction, ...]
    support: tuple[Counts, ...] = ()
    """Sets, not disproved, that the linear bound leans on: what to witness or disprove next."""

    @property
    def passes(self) -> int:
        return math.ceil(self.value)


def line_prices(task: PlateTask, prices: Sequence[Fraction]) -> tuple[Fraction, ...]:
    """Price of one piece of each line: the cheapest way to meet it."""
    result = []
    for _, options in task.lines:
        worths = [prices[die] / task.pieces[die] for die, _ in options]
        result.append(min(worths) if worths else Fraction(0))
    return tuple(result)


def exact_bound(task: PlateTask, prices: Sequence[Fraction], search: SetSearch) -> PlateBound:
    """The bound from these prices, scaled down until no set that may fit is worth more than 1."""
    common = math.lcm(*(price.denominator for price in prices)) if prices else 1
    if common > 10**12:
        prices = [Fraction(math.floor(price * 10**9), 10**9) for price in prices]
        common = math.lcm(*(price.denominator for price in prices))
    weights = [int(price * common) for price in prices]
    _, heaviest = search.heaviest(weights)
    # Scaling up is sound too (heaviest < common) and gives the best bound from this direction.
    scale = Fraction(common, heaviest) if heaviest > 0 else Fraction(0)
    scaled = tuple(price * scale for price in prices)
    lines = line_prices(task, scaled)
    value = sum((price * count for price, (count, _) in zip(lines, task.lines, strict=True)), Fraction(0))
    # A price above what its lines can use proves nothing more: cut it down, so that the proof stays short.
    useful = [Fraction(0)] * len(scaled)
    for price, (count, options) in zip(lines, task.lines, strict=True):
        for die, _ in options:
            if count:
                useful[die] = max(useful[die], price * task.pieces[die])
    final = tuple(min(price, most) for price, most in zip(scaled, useful, strict=True))
    return PlateBound(value, final, lines)


def simple_prices(task: PlateTask) -> list[tuple[Fraction, ...]]:
    """Price vectors whose reason is said in one line: one die alone, or all dies of a line together."""
    found: list[tuple[Fraction, ...]] = []
    n = len(task.dies)
    groups = {frozenset({die}) for die in range(n)}
    groups |= {frozenset(die for die, _ in options) for _, options in task.lines if options}
    whole = sorted(groups, key=lambda group: (len(group), sorted(group)))
    # Unions of lines' groups catch several free lines that lean on the same few dies.
    unions = (
        {frozenset(a | b) for a in whole for b in whole if len(a | b) <= 6} if len(whole) <= 24 else set()
    )
    for group in sorted(groups | unions, key=lambda group: (len(group), sorted(group))):
        found.append(tuple(Fraction(task.pieces[die]) if die in group else Fraction(0) for die in range(n)))
        if any(task.pieces[die] > 1 for die in group):
            found.append(tuple(Fraction(1) if die in group else Fraction(0) for die in range(n)))
    return found


def relaxed_bound(
    task: PlateTask,
    search: SetSearch,
    pool: list[Counts],
    *,
    rounds: int = 400,
    over: Callable[[], bool] | None = None,
) -> PlateBound:
    """⌈linear optimum over all sets that are not disproved⌉, exact.

    ``pool`` holds sets generated so far and is extended; the caller keeps it between calls. Sets that were
    disproved meanwhile are dropped.
    """
    pool[:] = [counts for counts in pool if not search.book.is_disproved(counts)]
    known = set(pool)
    for die in range(len(task.dies)):
        single = tuple(1 if d == die else 0 for d in range(len(task.dies)))
        if single not in known and search.copies[die] > 0 and not search.book.is_disproved(single):
            pool.append(single)
            known.add(single)
    linear = None
    for _ in range(rounds):
        linear = solve_linear(task, pool, limits=False)
        if linear is None:
            return PlateBound(Fraction(0), (Fraction(0),) * len(task.dies), (Fraction(0),) * len(task.lines))
        weights = [round(price * 10**9) for price in linear.prices]
        counts, worth = search.heaviest(weights)
        if worth <= 10**9 + 10**3 or counts in known:
            break
        # Prices divided by the heaviest worth prove a bound already (Farley 1990): stop when no round can raise it.
        if math.ceil(linear.value / (worth / 10**9) - 1e-6) >= math.ceil(linear.value - 1e-6):
            break
        if over is not None and over():
            break
        pool.append(counts)
        known.add(counts)
    assert linear is not None
    support = tuple(u for u, value in zip(pool, linear.times, strict=True) if value > 1e-7)
    best: PlateBound | None = None
    for denominator in (12, 60, 1000, 10**6):
        prices = [Fraction(price).limit_denominator(denominator) for price in linear.prices]
        bound = exact_bound(task, prices, search)
        if best is None or bound.value > best.value:
            best = bound
        if best.passes >= math.ceil(linear.value - 1e-6):
            break
    assert best is not None
    return PlateBound(best.value, best.prices, best.lines, support)


def proof_json(task: PlateTask, bound: PlateBound, search: SetSearch) -> dict[str, Any]:
    """The proof as plain JSON values (docs/proof.md).

    Only disproofs that the prices need are listed: those whose dies all have a price.
    """

    def text(value: Fraction) -> str:
        return f"{value.numerator}/{value.denominator}"

    priced = {die for die, price in enumerate(bound.prices) if price > 0}
    disproofs: list[Mapping[str, Any]] = []
    for counts, proof in sorted(search.book.disproofs.items()):
        if all(die in priced for die, count in enumerate(counts) if count):
            dies = {task.dies[die]: count for die, count in enumerate(counts) if count}
            disproofs.append({"dies": dies, **proof})
    return {
        "prices": {task.dies[die]: text(price) for die, price in enumerate(bound.prices) if price > 0},
        "lines": [text(price) for price in bound.lines],
        "disproofs": disproofs,
    }


def prove(
    task: PlateTask,
    search: SetSearch,
    pool: list[Counts],
    *,
    goal: int | None = None,
    over: Callable[[], bool] | None = None,
) -> PlateBound:
    """The best bound; of equals the one whose reason is simplest.

    Args:
        goal: passes of a plan that is known: a bound that meets it is good enough.
        over: asked between rounds; True ends the search for better prices (every bound on the way is proved).
    """
    simple: PlateBound | None = None

    def potential(prices: Sequence[Fraction]) -> Fraction:
        # Any one cut fits the plate, so no scaling can lift the worth of the demand above this.
        lines = line_prices(task, prices)
        return sum(
            (price * count for price, (count, _) in zip(lines, task.lines, strict=True)), Fraction(0)
        ) / max(prices)

    ranked = [(sum(1 for p in prices if p), -potential(prices), prices) for prices in simple_prices(task)]
    # Of as many dies, those that can prove most come first: they make the others needless.
    for _, less, prices in sorted(ranked, key=lambda entry: entry[:2]):
        most = -less
        if simple is not None and (math.ceil(most) <= simple.passes or (over is not None and over())):
            continue
        bound = exact_bound(task, prices, search)
        if simple is None or bound.passes > simple.passes:
            simple = bound
        if goal is not None and simple.passes >= goal:
            return simple
    best = relaxed_bound(task, search, pool, over=over)
    if simple is not None and simple.passes >= best.passes:
        return PlateBound(simple.value, simple.prices, simple.lines, best.support)
    return best
