"""Passes, time and paper for one or several numbers of kits, without laying out a single pass."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from nestcut.batch.model import Batch, Demand
from nestcut.batch.turns import turns_on
from nestcut.errors import BatchError
from nestcut.hands import rough_minutes
from nestcut.passes.advice.prepare import prepare
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.convex_paper import grown_hull
from nestcut.passes.common.schedule import RunTask, cuts_wanted, run_tasks, stretches
from nestcut.passes.common.trims import Trimming
from nestcut.passes.common.turns import paper_turns
from nestcut.passes.common.types import Footprint, PlatePlan
from nestcut.passes.parts.papers import largest_of, scraps_by_paper, sizes_by_paper
from nestcut.passes.parts.regions import groups_of
from nestcut.passes.parts.slabs import Bed, Form, lay, turned
from nestcut.plans.model import Share

if TYPE_CHECKING:
    from nestcut.passes.plate.patterns import PatternBook

__all__ = ["Counting", "Estimate", "estimate", "one_paper_per_pass", "paper_need"]

DENSITY = 0.78
"""Share of a fresh sheet that chips cover when it is packed (measured with the slab packer)."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """What a number of kits takes. Passes are those of lay-ups that were found; papers are counted, not laid out."""

    kits: int
    pieces: int
    passes: int
    bound: int
    reason: str
    changes: int
    trims: int
    minutes: float
    paper_mm2: float
    """Area of the scraps that are needed; more than the stock where that is short."""
    share_of_stock: float
    short: Mapping[str, int]
    """Paper → pieces that found no place in its scraps."""

    def to_json(self) -> dict[str, Any]:
        """As plain JSON values."""
        return asdict(self)


def estimate(
    batch: Batch,
    kits: Sequence[int],
    *,
    seconds: float = 5,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
    work_limit: int | None = None,
) -> list[Estimate]:
    """One estimate per number of kits, in the order given.

    Args:
        seconds: time limit for all of them together.
    Raises: BatchError where a die fits the plate in no way.
    """
    prepare()
    budget = Budget(seconds, work_limit, seed, stop)
    return [
        _one(replace(batch, kits=count), budget, max(0.3, budget.left()) / (len(kits) - number))
        for number, count in enumerate(kits)
    ]


def _one(batch: Batch, budget: Budget, seconds: float) -> Estimate:
    plate = plate_for(
        batch,
        batch.demand,
        seconds=seconds * 0.6,
        seed=budget.seed,
        stop=budget.stop,
        work_limit=budget.work_limit,
    )
    wanted = cuts_wanted(batch, plate.shares)
    tasks, _ = run_tasks(batch, plate.runs, wanted)
    dies = {die.name: die for die in batch.dies}
    cranks = sum(_cranks(batch, task) for task in tasks)
    trims = sum(_parts(batch, task) for task in tasks)
    if Trimming.of(batch).allowed:
        strips = _strips(
            batch, wanted, sum(task.passes for task in tasks), budget.next(max(0.2, seconds * 0.3))
        )
        trims = min(trims, strips) if strips is not None else trims
    set_up = sum(len(task.slots) for task in tasks)
    pieces = sum(cuts * dies[die].pieces for (die, _), cuts in wanted.items())
    # In such plans a paper is laid or pulled on for nearly every cut; each trimmed part is laid once.
    minutes = rough_minutes(
        batch.hand.seconds,
        batch.machine,
        cranks=cranks,
        dies_set_up=set_up,
        trims=trims,
        laid=trims,
        pulled_on=max(0, sum(wanted.values()) - trims),
        pieces=pieces,
    )
    need, stock, short = paper_need(batch, wanted)
    return Estimate(
        kits=batch.kits,
        pieces=pieces,
        passes=sum(task.passes for task in tasks),
        bound=plate.bound,
        reason=plate.reason,
        changes=len(tasks),
        trims=trims,
        minutes=round(minutes, 2),
        paper_mm2=round(need, 1),
        share_of_stock=round(need / stock, 4) if stock else (0.0 if not need else 1.0),
        short=short,
    )


def plate_for(
    batch: Batch,
    demand: Sequence[Demand],
    *,
    seconds: float,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
    work_limit: int | None = None,
    book: PatternBook | None = None,
    apart: bool = True,
) -> PlatePlan:
    """The plate half alone: hulls, so that papers separate; bare rims where hulls don't go.

    ``book`` keeps what hulls are found to share a plate, for a later question about the same dies.
    ``apart`` moves the dies of a lay-up apart.
    """
    from nestcut.passes.plate.solve import plan_plate

    def planned(footprint: Footprint, known: PatternBook | None) -> PlatePlan:
        return plan_plate(
            batch,
            demand,
            footprint=footprint,
            seconds=max(0.2, seconds),
            seed=seed,
            stop=stop,
            work_limit=work_limit,
            book=known,
            apart=apart,
        )

    try:
        return planned("hulls", book)
    except BatchError:
        return planned("rims", None)


def _cranks(batch: Batch, task: RunTask) -> int:
    total = 0
    for stretch in stretches(task):
        trips = [batch.die(s.die).trips for s, paper in zip(task.slots, stretch.papers, strict=True) if paper]
        total += (stretch.last - stretch.first) * max(trips, default=1)
    return total


def _strips(batch: Batch, wanted: Mapping[tuple[str, str], int], passes: int, budget: Budget) -> int | None:
    """Strips that lanes would need, each as long as a middling scrap of its paper; None where lanes take more passes."""
    from nestcut.passes.makers.strips.lane_moves import one_of_each_way
    from nestcut.passes.makers.strips.lanes import lane_layups
    from nestcut.passes.makers.strips.strip_forms import fitting

    every = sizes_by_paper(batch)
    layups = lane_layups(
        batch,
        wanted,
        budget,
        at_least=passes,
        most_layups=1,
        work=0.3,
        sizes=largest_of(every),
    )
    if layups is None or sum(layup.passes for layup in layups) > passes:
        return None
    sizes = {paper: sorted((long, short) for short, long in own) for paper, own in every.items()}
    total = 0
    for layup in layups:
        for one in layup.slots:
            for paper, cuts in one.cuts:
                own = sizes.get(paper, [(0.0, 0.0)])
                long, short = own[len(own) // 2]
                turns = paper_turns(batch.die(one.slot.die), batch.paper(paper), one.slot.pose.deg)
                half = any(half for _, half in one_of_each_way(turns))
                forms = fitting(one.forms(batch, half), [(short, long)])
                total += -(-cuts // (forms[0].cuts if forms else 1))
    return total


def _parts(batch: Batch, task: RunTask) -> int:
    """Parts of paper that the run needs: one per group of neighbours and pass."""
    from nestcut.passes.parts.chips import chips_of, sites_of

    sites = sites_of(batch, task.slots)
    chips = chips_of(batch, sites)
    if chips is None:
        return sum(count for row in task.cuts for _, count in row)
    total = 0
    for stretch in stretches(task):
        groups = groups_of(
            stretch.papers, chips, [site.cut for site in sites], suits=lambda *_: True, waste={}
        )
        total += (stretch.last - stretch.first) * len(groups)
    return total


class Counting:
    """Chips as the slab packer wants them: made once, for many counts of the same stock."""

    def __init__(self) -> None:
        self._chips: dict[tuple[str, str], Form] = {}

    def chip(self, batch: Batch, name: str, paper: str) -> Form:
        """A chip of the die for this paper, turned square."""
        if (name, paper) not in self._chips:
            die = batch.die(name)
            deg = _square_deg(batch, name, paper)
            turns = paper_turns(die, batch.paper(paper), deg, papers=batch.hand.papers) or (0.0,)
            outline = grown_hull(turned(die.cut, deg), batch.hand.edge_mm)
            self._chips[name, paper] = Form(outline, turns, 0)
        return self._chips[name, paper]


def paper_need(
    batch: Batch, wanted: Counter[tuple[str, str]], counting: Counting | None = None
) -> tuple[float, float, dict[str, int]]:
    """(area of the scraps that are needed, area of the stock of these papers, paper → missing pieces).

    Every cut is counted as a chip of its own, turned square. The work is bounded by the stock, not by
    the demand. ``counting`` is kept between counts that differ in numbers of pieces only.
    """
    counting = counting or Counting()
    scraps = scraps_by_paper(batch)
    need = stock = 0.0
    short: dict[str, int] = {}
    for paper in sorted({p for _, p in wanted}):
        own = scraps.get(paper, [])
        areas = dict(zip((s.id for s in own), shapely.area([s.outline for s in own]).tolist(), strict=True))
        own = sorted(own, key=lambda scrap: (areas[scrap.id], scrap.id))
        stock += sum(areas[scrap.id] for scrap in own)
        outlines = shapely.to_wkb([scrap.outline for scrap in own])
        forms = [
            (batch.die(name), counting.chip(batch, name, paper), cuts)
            for (name, p), cuts in sorted(wanted.items())
            if p == paper
        ]
        forms.sort(key=lambda entry: -entry[1].outline.area)
        left = [cuts for _, _, cuts in forms]
        # Where runs of equal scraps end.
        ends = [*(np.flatnonzero(outlines[1:] != outlines[:-1]) + 1).tolist(), len(own)]
        # What such a scrap holds where enough is left of all dies that are still wanted.
        held: dict[tuple[bytes, tuple[bool, ...]], list[int]] = {}
        number = 0
        while number < len(own) and any(left):
            scrap, outline = own[number], outlines[number]
            key = (outline, tuple(rest > 0 for rest in left))
            counts = held.get(key)
            if counts is None or any(rest < count for rest, count in zip(left, counts, strict=True)):
                bed = Bed.fresh(scrap.outline)
                counts = [len(lay(bed, number, form, k, left[k])) for k, (_, form, _) in enumerate(forms)]
                if all(count < rest or not rest for count, rest in zip(counts, left, strict=True)):
                    held[key] = counts
            # Equal scraps that follow hold the same, as long as so much is left.
            alike = min(
                (rest // count for rest, count in zip(left, counts, strict=True) if count), default=len(own)
            )
            end = min(number + alike, ends[bisect_right(ends, number)])
            left = [rest - (end - number) * count for rest, count in zip(left, counts, strict=True)]
            if any(counts):
                need += (end - number) * areas[scrap.id]
            number = end
        need += (
            sum(rest * form.outline.area for rest, (_, form, _) in zip(left, forms, strict=True)) / DENSITY
        )
        missing = sum(rest * die.pieces for rest, (die, _, _) in zip(left, forms, strict=True))
        if missing:
            short[paper] = missing
    return need, stock, short


def _square_deg(batch: Batch, name: str, paper: str) -> float:
    from nestcut.passes.common.plate_rules import chip_angle

    die = batch.die(name)
    if die.turns != "any":
        allowed = turns_on(die, batch.paper(paper))
        return float(allowed[0]) if allowed else die.turns[0]
    return chip_angle(die.cut) if batch.paper(paper).direction == "none" else 0.0


def one_paper_per_pass(
    batch: Batch, *, seconds: float = 10, seed: int = 0, work_limit: int | None = None
) -> int:
    """Passes when every pass has one paper only: what is done by hand today, at its best."""
    plate = plate_for(batch, batch.demand, seconds=seconds * 0.3, seed=seed, work_limit=work_limit)
    return passes_by_paper(batch, plate.shares, seconds=seconds * 0.7, seed=seed, work_limit=work_limit)


def passes_by_paper(
    batch: Batch,
    shares: Sequence[Sequence[Share]],
    *,
    seconds: float,
    seed: int = 0,
    work_limit: int | None = None,
) -> int:
    """Passes for these pieces with one paper per pass: bare rims, lay-ups of their own for every paper."""
    from nestcut.passes.plate.solve import plan_plate

    pieces: Counter[tuple[str, str]] = Counter()
    for line in shares:
        for share in line:
            pieces[share.die, share.paper] += share.count
    papers = sorted({paper for _, paper in pieces})
    total = 0
    for paper in papers:
        demand = [
            Demand("", (die,), (paper,), count, 0, count)
            for (die, p), count in sorted(pieces.items())
            if p == paper
        ]
        plate = plan_plate(
            batch, demand, seconds=max(0.3, seconds / len(papers)), seed=seed, work_limit=work_limit
        )
        total += sum(run.passes for run in plate.runs)
    return total
