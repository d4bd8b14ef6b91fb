"""No plan for these pieces takes less than so many minutes: a bound by the clock of actions, with its certificate.

Each pass is charged its cranks, and, for each scrap that is cut in it, at least a = the least of lay, pull on, turn, put back and set
up. For either the scrap came or moved since its last cutting pass; or it stayed, and then every die that cuts it now was up or
elsewhere at that time (down in the same place it would cut the same place twice) and went down since. No action is charged
twice: a scrap's own moves lie between two of its cutting passes, and two scraps that stayed are cut by different dies. The first
cut of a scrap is charged its lay, the first time that a die goes down is a set up.

So with u_p the passes in which colour p is cut (it takes one scrap of it at least, however many copies lie over it):

    seconds ≥ crank · cranks + a · Σ u_p + free · pieces + (set up − a) · dies that must be used + a + (lay − a) · colours that must be

The a that stands alone: the scraps of the first pass are all laid, so what is set up there is charged to none of them.

- cranks ≥ proved fewest passes + for each further trip the passes that one die of so many trips needs;
- u_p ≥ N_p, the most passes that one die needs for its fixed pieces in p, pooled over lines and rounded up to whole cuts;
- Σ u_p ≥ fewest passes; and free lines must be cut somewhere. The best that these rows say together is a linear programme, and its
  dual is the certificate: a price for a piece of each line, a weight for each N_p, one for the fewest passes, so that a pass over
  any one colour is worth 1 at most.

Trims and what is lifted or taken away are charged nothing; breaks are out on both sides.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

import numpy as np

from nestcut.batch.model import Die, HandSeconds, Machine
from nestcut.hands import seconds_in_use
from nestcut.plans.model import DemandMet

__all__ = ["minutes_bound"]

DIGITS = 4
"""Of a minute: the bound is rounded down to them."""
DENOMINATOR = 10**6
MOST_ROWS = 20_000
"""Pairs of a line, a die and a paper in the linear programme; beyond that the fixed pieces alone count."""
CHARGED = ("lay", "pull_on", "turn", "put_back", "set_up")

Pair = tuple[str, str]


def minutes_bound(
    demand: Sequence[DemandMet],
    dies: Mapping[str, Die],
    seconds: HandSeconds,
    machine: Machine,
    passes: int,
) -> tuple[float, dict[str, Any]]:
    """(minutes, certificate) for the pieces that are met.

    Args:
        passes: no plan for these pieces has fewer, proved.
    """
    if all(line.met <= 0 for line in demand):
        return 0.0, {}
    rates = {name: Fraction(value) for name, value in seconds_in_use(seconds, machine.dies).items()}
    a = min(rates[name] for name in CHARGED)
    fixed, alone = _fixed(demand)
    needs: dict[str, int] = {}
    for (die, paper), pieces in fixed.items():
        needs[paper] = max(needs.get(paper, 0), _passes_for(dies[die], pieces))
    weights = _weights(demand, dies, needs, passes)
    uses = math.ceil(_value(weights, demand, needs, passes))
    busy = {die: _passes_for(dies[die], pieces) for die, pieces in alone.items()}
    cranks = passes + sum(
        max((count for die, count in busy.items() if dies[die].trips >= trip), default=0)
        for trip in range(2, 1 + max((dies[die].trips for die in busy), default=1))
    )
    colours = {paper for line in demand if line.met > 0 and len(line.papers) == 1 for paper in line.papers}
    total = (
        rates["crank"] * cranks
        + a * uses
        + rates["free"] * sum(line.met for line in demand)
        + (rates["set_up"] - a) * len(busy)
        + (
            a if busy else rates["set_up"]
        )  # in the first pass all scraps are laid: its dies are charged to none
        + (rates["lay"] - a) * max(1, len(colours))
    )
    lines, papers, weight = weights
    certificate = {
        "lines": [_text(price) for price in lines],
        "papers": {paper: _text(value) for paper, value in sorted(papers.items()) if value > 0},
        "passes": _text(weight),
    }
    return math.floor(total / 60 * 10**DIGITS) / 10**DIGITS, certificate


def _text(value: Fraction) -> str:
    return f"{value.numerator}/{value.denominator}"


def _fixed(demand: Sequence[DemandMet]) -> tuple[Counter[Pair], Counter[str]]:
    """Pieces that only one die in one paper can meet, and those that only one die can, in whatever papers."""
    pairs: Counter[Pair] = Counter()
    alone: Counter[str] = Counter()
    for line in demand:
        if line.met > 0 and len(line.dies) == 1:
            alone[line.dies[0]] += line.met
            if len(line.papers) == 1:
                pairs[line.dies[0], line.papers[0]] += line.met
    return pairs, alone


def _passes_for(die: Die, pieces: int) -> int:
    """Whole cuts, shared out over the copies."""
    cuts = -(-pieces // die.pieces)
    return -(-cuts // die.copies)


_Weights = tuple[list[Fraction], dict[str, Fraction], Fraction]


def _weights(
    demand: Sequence[DemandMet], dies: Mapping[str, Die], needs: Mapping[str, int], passes: int
) -> _Weights:
    """Price of a piece of each line, weight of each paper's N_p, weight of the fewest passes: the best that were found."""
    nothing = [Fraction()] * len(demand)
    simple: list[_Weights] = [
        (nothing, dict.fromkeys(needs, Fraction(1)), Fraction()),
        (nothing, {}, Fraction(1)),
    ]
    found = _by_programme(demand, dies, needs, passes)
    if found is not None:
        simple.append(_made_exact(found, demand, dies))
    return max(simple, key=lambda one: math.ceil(_value(one, demand, needs, passes)))


def _value(weights: _Weights, demand: Sequence[DemandMet], needs: Mapping[str, int], passes: int) -> Fraction:
    lines, papers, weight = weights
    pieces = sum((price * line.met for price, line in zip(lines, demand, strict=True)), Fraction())
    return pieces + sum((value * needs[paper] for paper, value in papers.items()), weight * passes)


def _by_programme(
    demand: Sequence[DemandMet], dies: Mapping[str, Die], needs: Mapping[str, int], passes: int
) -> tuple[list[float], dict[str, float], float] | None:
    """The dual, in floating point. Columns: a piece of each line, a cut of each (die, paper), each N_p, the fewest passes."""
    from scipy.optimize import linprog
    from scipy.sparse import coo_matrix

    triples = [
        (number, (die, paper))
        for number, line in enumerate(demand)
        if line.met > 0
        for die in line.dies
        for paper in line.papers
    ]
    if not triples or len(triples) > MOST_ROWS:
        return None
    pairs = {pair: len(demand) + k for k, pair in enumerate(sorted({pair for _, pair in triples}))}
    papers = sorted({paper for _, paper in pairs})
    first = len(demand) + len(pairs)
    weights = {paper: first + k for k, paper in enumerate(papers)}
    last = first + len(papers)
    entries: list[tuple[int, int, float]] = []
    for row, (number, pair) in enumerate(triples):
        entries += [(row, number, float(dies[pair[0]].pieces)), (row, pairs[pair], -1.0)]
    for k, paper in enumerate(papers):
        row = len(triples) + k
        entries += [(row, weights[paper], 1.0), (row, last, 1.0)]
        entries += [(row, at, float(dies[die].copies)) for (die, own), at in pairs.items() if own == paper]
    goal = np.zeros(last + 1)
    goal[: len(demand)] = [-float(line.met) for line in demand]
    for paper, at in weights.items():
        goal[at] = -float(needs.get(paper, 0))
    goal[last] = -float(passes)
    rows, columns, values = zip(*entries, strict=True)
    shape = (len(triples) + len(papers), last + 1)
    limits = np.concatenate((np.zeros(len(triples)), np.ones(len(papers))))
    solved = linprog(
        goal, A_ub=coo_matrix((values, (rows, columns)), shape=shape).tocsr(), b_ub=limits, method="highs"
    )
    if solved.status != 0:
        return None
    x = [max(0.0, float(value)) for value in solved.x]
    return x[: len(demand)], {paper: x[at] for paper, at in weights.items() if paper in needs}, x[last]


def _made_exact(
    found: tuple[list[float], dict[str, float], float], demand: Sequence[DemandMet], dies: Mapping[str, Die]
) -> _Weights:
    """As fractions, scaled so that a pass over the dearest colour is worth just 1."""
    lines = [Fraction(price).limit_denominator(DENOMINATOR) for price in found[0]]
    papers = {paper: Fraction(value).limit_denominator(DENOMINATOR) for paper, value in found[1].items()}
    weight = Fraction(found[2]).limit_denominator(DENOMINATOR)
    cuts: dict[Pair, Fraction] = {}
    for price, line in zip(lines, demand, strict=True):
        for die in line.dies:
            for paper in line.papers:
                if line.met > 0:
                    cuts[die, paper] = max(cuts.get((die, paper), Fraction()), price * dies[die].pieces)
    worth = {paper: value + weight for paper, value in papers.items()}
    for (die, paper), value in cuts.items():
        worth[paper] = worth.get(paper, weight) + value * dies[die].copies
    most = max(worth.values(), default=Fraction())
    if most <= 0:
        return [Fraction()] * len(demand), {}, Fraction()
    return [price / most for price in lines], {p: v / most for p, v in papers.items()}, weight / most
