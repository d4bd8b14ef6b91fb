"""The lower bound on passes where scraps lie as they are: how many papers a pass can hold.

Without trims a sheet nearly as wide as the plate shuts out what would lie beside it, so a pass serves two
papers or three, however many dies there are. The checker says which sets of papers it believes can be cut in one
pass (:func:`nestcut.checks.proof.whole_papers.papers_in_a_pass`); here a cut has a price by its die and its paper.

Method: the dual of the pattern programme, by cutting planes (Kelley 1960): the most that the demand can be worth
while no set of dies, over no set of papers that a pass can hold, is worth more than 1. Prices are then made exact.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from nestcut.batch.model import Batch, Demand
from nestcut.passes.common.trims import Trimming
from nestcut.passes.plate.master import PlateTask
from nestcut.passes.plate.sets import SetSearch

__all__ = ["PaperBound", "paper_bound"]

Pair = tuple[int, int]
MOST_ROUNDS = 60
"""Rounds of looking for prices."""
MOST_SETS = 80
"""Sets of papers that are gone through in every round."""
DENOMINATORS = 12, 60, 1000, 10**5
"""Prices are tried as fractions that people can read first, then as finer ones."""


@dataclass(frozen=True, slots=True)
class PaperBound:
    """A proved lower bound: passes ≥ ⌈value⌉."""

    value: Fraction
    prices: dict[Pair, Fraction]
    """Worth of one cut of each (die, paper)."""
    lines: tuple[Fraction, ...]
    apart: tuple[str, ...]
    """Papers that shut each other out."""
    most: int
    """So many of them a pass can hold."""

    @property
    def passes(self) -> int:
        return math.ceil(self.value)

    @property
    def reason(self) -> str:
        """One sentence that a person can follow."""
        if not self.apart:
            return "only scraps that fit on the plate as they are can be used"
        *rest, last = self.apart
        named = f"{', '.join(rest)} and {last}" if rest else last
        held = {1: "one", 2: "two", 3: "three"}.get(self.most, str(self.most))
        return (
            f"scraps stay whole and leave no room beside them, so a pass holds at most {held} of the papers {named}; "
            f"the demand then adds up to {float(self.value):.1f} passes"
        )

    def proof(self, task: PlateTask) -> dict[str, Any]:
        """Keys of the proof that say so (docs/proof.md)."""
        worth: dict[str, dict[str, str]] = {}
        for (die, paper), price in sorted(self.prices.items()):
            if price > 0:
                worth.setdefault(task.dies[die], {})[task.papers[paper]] = (
                    f"{price.numerator}/{price.denominator}"
                )
        return {"worth": worth, "papers_apart": list(self.apart)}


def paper_bound(
    batch: Batch,
    demand: Sequence[Demand],
    task: PlateTask,
    search: SetSearch,
    *,
    over: Callable[[], bool],
) -> PaperBound | None:
    """The best bound by papers; None where there is nothing to say, or no time to say it.

    Args:
        task: every die that a line names.
        search: sets of dies that are not disproved.
        over: asked between rounds; True ends the search for better prices (what is found is proved).
    """
    from nestcut.checks.proof.whole_papers import papers_in_a_pass, sheets_of

    if Trimming.of(batch).allowed or batch.hand.papers != "square" or not search.listed:
        return None
    lines = [line for line in demand if line.count > 0]
    known = sheets_of(
        batch.machine,
        [(scrap.paper, scrap.outline) for scrap in batch.scraps],
        lines,
        {die.name: die.cut for die in batch.dies},
    )
    number = {name: index for index, name in enumerate(task.papers)}
    best: PaperBound | None = None
    for apart in _apart_choices(batch, known):
        together = papers_in_a_pass(batch.machine, known, apart)
        if isinstance(together, str) or len(together) > MOST_SETS:
            continue
        papers = [frozenset(number[name] for name in names) for names in together]
        limited = frozenset(number[name] for name in apart)
        found = _best_prices(task, search, papers, over)
        if found is None:
            continue
        value, prices, worths = found
        most = max(len(limited & held) for held in papers)
        if best is None or value > best.value:
            best = PaperBound(value, prices, worths, tuple(apart), most)
        if over():
            break
    return best


def _apart_choices(batch: Batch, known: dict[str, Any]) -> list[list[str]]:
    """Sets of papers that may shut each other out: a paper with small dies must stay out of the others' way.

    For every least disc, all papers whose cuts hold one, less those that leave room beside them.
    """
    from nestcut.checks.proof.whole_papers import papers_in_a_pass

    found: list[list[str]] = []
    for least in sorted({sheets.disc_mm for sheets in known.values()}):
        chosen = sorted(
            name
            for name, sheets in known.items()
            if sheets.rectangles and sheets.sides and sheets.disc_mm >= least
        )
        # The narrowest sheets leave most room: they go first.
        while len(chosen) > 1 and isinstance(papers_in_a_pass(batch.machine, known, chosen), str):
            narrowest = min(chosen, key=lambda name: (min(w for w, _ in known[name].sides), name))
            chosen.remove(narrowest)
        if len(chosen) > 1 and chosen not in found:
            found.append(chosen)
    if any(not sheets.sides for sheets in known.values()):
        found.append([])  # a paper that can't lie is not there: that alone may say something
    return found


def _best_prices(
    task: PlateTask, search: SetSearch, together: Sequence[frozenset[int]], over: Callable[[], bool]
) -> tuple[Fraction, dict[Pair, Fraction], tuple[Fraction, ...]] | None:
    """(value of the demand, price of each (die, paper), price of a piece of each line), exact."""
    from scipy.optimize import linprog

    lying = frozenset().union(*together)
    lines = [(count, tuple(pair for pair in options if pair[1] in lying)) for count, options in task.lines]
    if any(count and not options for count, options in lines):
        return None  # not all of it can be cut: another demand is asked for then
    pairs = sorted({pair for _, options in lines for pair in options})
    if not pairs:
        return None
    column = {pair: len(lines) + index for index, pair in enumerate(pairs)}
    n = len(lines) + len(pairs)
    rows: list[np.ndarray] = []
    limits: list[float] = []
    for index, (_, options) in enumerate(lines):
        for pair in options:
            row = np.zeros(n)
            row[index], row[column[pair]] = task.pieces[pair[0]], -1.0
            rows.append(row)
            limits.append(0.0)
    for pair in pairs:
        row = np.zeros(n)
        row[column[pair]] = 1.0
        rows.append(row)
        limits.append(1.0)
    cost = np.zeros(n)
    cost[: len(lines)] = [-count for count, _ in lines]
    best: tuple[Fraction, dict[Pair, Fraction], tuple[Fraction, ...]] | None = None
    for _ in range(MOST_ROUNDS):
        answer = linprog(cost, A_ub=np.array(rows), b_ub=limits, bounds=(0, 1e3), method="highs")
        if answer.status != 0:
            break
        values = {pair: float(answer.x[column[pair]]) for pair in pairs}
        fresh = 0
        for held in together:
            weights, at = _weights(
                len(task.dies), pairs, held, {p: round(v * 10**9) for p, v in values.items()}
            )
            counts, worth = search.heaviest(weights)
            if worth > 10**9 + 10**3:
                row = np.zeros(n)
                for die, number in enumerate(counts):
                    if number and die in at:
                        row[column[die, at[die]]] += number
                rows.append(row)
                limits.append(1.0)
                fresh += 1
        if not fresh:
            for denominator in DENOMINATORS:
                exact = {
                    pair: Fraction(value).limit_denominator(denominator) for pair, value in values.items()
                }
                found = _exact(task, lines, search, together, exact)
                if found is not None and (best is None or found[0] > best[0]):
                    best = found
                if best is not None and best[0] >= -answer.fun - 1e-6:
                    break
            return best
        if over():
            exact = {pair: Fraction(value).limit_denominator(1000) for pair, value in values.items()}
            return _exact(task, lines, search, together, exact)
    return best


def _weights(
    dies: int, pairs: Sequence[Pair], held: frozenset[int], prices: dict[Pair, int]
) -> tuple[list[int], dict[int, int]]:
    """What each die is worth over the papers that a pass holds, and in which of them."""
    weights, at = [0] * dies, {}
    for die, paper in pairs:
        if paper in held and prices[die, paper] > weights[die]:
            weights[die], at[die] = prices[die, paper], paper
    return weights, at


def _exact(
    task: PlateTask,
    lines: Sequence[tuple[int, tuple[Pair, ...]]],
    search: SetSearch,
    together: Sequence[frozenset[int]],
    prices: dict[Pair, Fraction],
) -> tuple[Fraction, dict[Pair, Fraction], tuple[Fraction, ...]] | None:
    """The prices scaled so that nothing that a pass may hold is worth more than 1, and what follows from them."""
    common = math.lcm(*(price.denominator for price in prices.values()))
    if common > 10**12:
        prices = {pair: Fraction(math.floor(price * 10**9), 10**9) for pair, price in prices.items()}
        common = 10**9
    whole = {pair: int(price * common) for pair, price in prices.items()}
    heaviest = max(
        search.heaviest(_weights(len(task.dies), list(whole), held, whole)[0])[1] for held in together
    )
    if heaviest <= 0:
        return None
    scaled = {pair: price * Fraction(common, heaviest) for pair, price in prices.items()}
    worths = tuple(
        min((scaled[pair] / task.pieces[pair[0]] for pair in options), default=Fraction(0))
        for _, options in lines
    )
    value = sum((price * count for price, (count, _) in zip(worths, lines, strict=True)), Fraction(0))
    useful: dict[Pair, Fraction] = {}
    for price, (count, options) in zip(worths, lines, strict=True):
        for pair in options:
            if count:
                useful[pair] = max(useful.get(pair, Fraction(0)), price * task.pieces[pair[0]])
    return value, {pair: min(scaled[pair], useful.get(pair, Fraction(0))) for pair in scaled}, worths
