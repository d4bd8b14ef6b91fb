"""Scraps as they are while that costs few passes, and strips for the rest: half-way between few trims and few passes.

A pass over whole scraps costs nothing as long as the die with most cuts left is down in it. So of the passes that
:mod:`nestcut.passes.makers.whole.whole` found those are kept that save most trims while what is left can still be cut in time (an
integer programme); what is left is cut from scraps that lie nowhere whole (:mod:`nestcut.passes.makers.mixed.left_over`).
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from nestcut.batch.model import Batch
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.common.types import PlatePlan
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft
from nestcut.passes.drafts.ranking import Draft
from nestcut.passes.makers.mixed.left_over import Key, cuts_of, with_rest

__all__ = ["Costs", "PerCut", "mixed", "strip_shares"]

NODES = 200
"""Nodes of the integer programme, at most: the same work on every machine."""
GAP = 0.02
"""How far the choice of passes may be from the best one, and how many nodes of its tree are looked at."""
TRIES = 5
"""How often it is tried again where the rest took more passes, or more paper, than was foreseen."""
WASTE, MORE_WASTE = 1.25, 1.15
"""Paper that strips take, by their own area: offcuts come on top; and what this is raised by where some found no room."""
SPARED = 3
"""One scrap is kept for trimming for so many cuts that found no paper."""
SLIT = 2.0
"""Parts that a scrap is slit into, at least."""
MOST_USES = 4000
"""Beyond this the model would take too long."""


@dataclass(frozen=True, slots=True)
class PerCut:
    """What a cut takes that is not made from a whole scrap."""

    trims: float
    """A share of a trimmed part."""
    paper_mm2: float


@dataclass(frozen=True, slots=True)
class Costs:
    """What is saved and what it may cost."""

    a_pass: float
    a_trim: float
    most_passes: int | None = None
    """No more passes than this, if it can be."""


def strip_shares(batch: Batch, draft: Draft) -> dict[Key, PerCut]:
    """For each die and paper what one of its cuts takes in this draft: a part of a trimmed part, and paper.

    Where a die cuts nothing in a paper it is as in its other papers; else each cut counts as a part of its own.
    """
    runs = draft.papered.runs
    cuts: Counter[tuple[str, bytes]] = Counter()
    uses = [
        ((use.scrap, use.outline.wkb), (runs[one.run].sites[slot].die.name, use.paper), use)
        for one in draft.papered.passes
        for use in one.uses
        for slot in use.slots
    ]
    for part, _, _ in uses:
        cuts[part] += 1
    found: dict[Key, list[PerCut]] = defaultdict(list)
    for part, key, use in uses:
        found[key].append(PerCut(0.0 if use.whole else 1.0 / cuts[part], use.outline.area / cuts[part]))
    for die in batch.dies:
        some = [share for (name, _), own in found.items() if name == die.name for share in own]
        for paper in batch.papers:
            own = found[die.name, paper.name]
            own += [] if own else some or [PerCut(1.0, die.cut.envelope.area)]
    return {
        key: PerCut(sum(s.trims for s in own) / len(own), sum(s.paper_mm2 for s in own) / len(own))
        for key, own in found.items()
    }


def mixed(
    batch: Batch,
    plate: PlatePlan,
    whole: PaperedPasses,
    shares: Mapping[Key, PerCut],
    costs: Costs,
    budget: Budget,
    *,
    seconds: float,
) -> Iterator[Draft]:
    """Drafts with those of the scraps laid whole that pay; none where no pass does, or lanes don't suit the rest.

    Args:
        whole: passes over whole scraps, as many of the cuts as they make.
        shares: what a cut takes that is not made from whole scraps (see :func:`strip_shares`).
        seconds: most that each model may take by the clock, for each try.
    """
    if sum(len(one.uses) for one in whole.passes) > MOST_USES:
        return
    wanted = cuts_wanted(batch, plate.shares)
    aim, waste = costs, _waste(batch, wanted, shares)
    spared: set[str] = set()
    for _ in range(TRIES):
        if budget.over():
            return
        kept = _worth_keeping(
            batch, plate, whole, wanted, shares, aim, waste, spared, budget.solver_s(seconds)
        )
        if not kept:
            return
        made = list(
            with_rest(batch, plate, whole, kept, wanted, budget.next(seconds), most_passes=costs.most_passes)
        )
        drafts = [Draft(plate, plate, plate.shares, got) for got, _ in made]
        yield from drafts
        if not made:
            return
        # The first, in strips, is what is foreseen.
        above = drafts[0].passes - costs.most_passes if costs.most_passes is not None else 0
        if above <= 0 and not drafts[0].missing:
            return
        short = made[0][1]
        for paper, cuts in short.items():
            waste[paper] *= MORE_WASTE
            # Area is not all: what is missing may be larger than the scraps that were left.
            own = [scrap for scrap in batch.scraps if scrap.paper == paper and scrap.id not in spared]
            own.sort(key=lambda scrap: (-scrap.outline.area, scrap.id))
            spared |= {scrap.id for scrap in own[: -(-cuts // SPARED)]}
        if above > 0 and aim.most_passes is not None:
            # Where paper is short, too, some of them are for last cuts that found none.
            lower = aim.most_passes - (above // 2 if short else above)
            aim = replace(aim, most_passes=max(plate.bound, lower))


def _waste(batch: Batch, wanted: Mapping[Key, int], shares: Mapping[Key, PerCut]) -> dict[str, float]:
    """Paper that is counted for each mm² of a part: offcuts come on top, but all parts together have found room before."""
    stock: Counter[str] = Counter()
    need: Counter[str] = Counter()
    for scrap in batch.scraps:
        stock[scrap.paper] += math.floor(scrap.outline.area)
    for (die, paper), count in wanted.items():
        need[paper] += math.ceil(count * shares[die, paper].paper_mm2)
    return {paper.name: min(WASTE, stock[paper.name] / max(1, need[paper.name])) for paper in batch.papers}


def _worth_keeping(
    batch: Batch,
    plate: PlatePlan,
    whole: PaperedPasses,
    wanted: Mapping[Key, int],
    shares: Mapping[Key, PerCut],
    costs: Costs,
    waste: Mapping[str, float],
    spared: Collection[str],
    seconds: float,
) -> list[PassDraft]:
    """The passes to keep, and what lies in them (a mixed integer programme).

    What is left must be cut in passes of its own, by the busiest die and by the prices of the plate's bound, and out of the
    scraps that lie nowhere whole; the spared ones are such.
    """
    import numpy as np
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    uses = [(number, use) for number, one in enumerate(whole.passes) for use in one.uses]
    cuts = [cuts_of(whole, whole.passes[number].run, use) for number, use in uses]
    names = sorted({use.scrap for _, use in uses})
    column = {name: len(uses) + len(whole.passes) + k for k, name in enumerate(names)}
    further = len(uses) + len(whole.passes) + len(names)
    rows: list[dict[int, float]] = []
    roofs: list[float] = []

    def at_most(row: dict[int, float], roof: float) -> None:
        rows.append(row)
        roofs.append(roof)

    def left(weight: Mapping[Key, float]) -> tuple[dict[int, float], float]:
        """What is left to cut, weighed: a row, and what it is less than."""
        row = {
            k: -value
            for k, own in enumerate(cuts)
            if (value := sum(n * weight.get(key, 0.0) for key, n in own.items()))
        }
        return row, sum(n * weight.get(key, 0.0) for key, n in wanted.items())

    for k, (number, use) in enumerate(uses):
        at_most({k: 1.0, len(uses) + number: -1.0}, 0.0)
        at_most({k: 1.0, column[use.scrap]: -1.0}, 0.0)
    bounds = [{name: 1.0 / batch.die(name).copies} for name in sorted({die for die, _ in wanted})]
    bounds.append({name: float(Fraction(text)) for name, text in plate.proof.get("prices", {}).items()})
    for price in bounds:
        row, total = left({key: price.get(key[0], 0.0) for key in wanted})
        at_most(row | {further: -1.0}, -total)
    for paper in sorted({paper for _, paper in wanted}):
        row, total = left({key: waste[paper] * shares[key].paper_mm2 for key in wanted if key[1] == paper})
        own = [scrap for scrap in batch.scraps if scrap.paper == paper]
        row |= {column[scrap.id]: scrap.outline.area for scrap in own if scrap.id in column}
        at_most(row, sum(scrap.outline.area for scrap in own) - total)
    every = {len(uses) + number: 1.0 for number in range(len(whole.passes))} | {further: 1.0}
    if costs.most_passes is not None:
        at_most(every, costs.most_passes)
    goal = np.zeros(further + 1)
    row, _ = left({key: costs.a_trim * share.trims for key, share in shares.items()})
    for k, value in (row | dict.fromkeys(every, costs.a_pass)).items():
        goal[k] = value
    for _, use in uses:
        if not use.whole:
            goal[column[use.scrap]] = SLIT * costs.a_trim
    matrix = csr_array(
        (
            [value for one in rows for value in one.values()],
            # 32 bits: the solver of the lowest version that we allow takes no other indices from a sparse array.
            (
                np.repeat(np.arange(len(rows), dtype=np.int32), [len(one) for one in rows]),
                np.array([k for one in rows for k in one], np.int32),
            ),
        ),
        shape=(len(rows), further + 1),
    )
    roof = np.full(further + 1, 1.0)
    roof[further] = float(sum(wanted.values()))
    roof[[column[name] for name in names if name in spared]] = 0.0
    found = milp(
        goal,
        # A part lies where its pass and its scrap are kept: whole numbers follow for those.
        integrality=np.r_[np.zeros(len(uses)), np.ones(len(whole.passes) + len(names)), 0.0],
        bounds=Bounds(0.0, roof),
        constraints=LinearConstraint(matrix, -np.inf, np.asarray(roofs)),
        options={"time_limit": seconds, "node_limit": NODES, "mip_rel_gap": GAP},
    )
    if found.x is None:
        return []
    kept: dict[int, list[PartUse]] = defaultdict(list)
    for k, (number, use) in enumerate(uses):
        if found.x[k] > 0.5:
            kept[number].append(use)
    return [PassDraft(whole.passes[number].run, own) for number, own in sorted(kept.items())]
