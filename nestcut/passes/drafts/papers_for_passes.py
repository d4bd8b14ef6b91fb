"""From lay-ups and cuts to passes with papers: chips, groups, parts in scraps, poses on the plate."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from shapely.geometry import Polygon

from nestcut.batch.model import Batch, Pose, Scrap
from nestcut.passes.common.schedule import RunTask, Stretch, stretches
from nestcut.passes.common.turns import paper_turns
from nestcut.passes.parts.chips import Site, chips_or_slot, sites_of, snapped
from nestcut.passes.parts.papers import (
    GroupNode,
    LaidPart,
    PaperStock,
    Want,
    largest_of,
    lay_parts,
    scraps_by_paper,
    sizes_by_paper,
)
from nestcut.passes.parts.regions import SlotGroup, groups_of
from nestcut.passes.parts.slabs import moved
from nestcut.plans.model import Slot

__all__ = [
    "PaperedPasses",
    "PartUse",
    "PassDraft",
    "RunDraft",
    "Squeeze",
    "back_on_plate",
    "bare_run",
    "best_laid",
    "draft_runs",
    "papers_for_passes",
]


Squeeze = Callable[[Sequence[Scrap], Sequence[GroupNode], float], object]
"""Squeezes in what found no scrap of a paper; takes at most this share of its own time."""


@dataclass(frozen=True, slots=True)
class RunDraft:
    """A run with its geometry: sites, chips and the stretches of passes."""

    task: RunTask
    sites: list[Site]
    chips: list[Polygon]
    stretches: list[Stretch]


@dataclass
class PartUse:
    """One part of a scrap in one pass."""

    scrap: str
    outline: Polygon
    """In the scrap's frame."""
    pose: Pose
    """Where the scrap's frame lies on the plate."""
    slots: tuple[int, ...]
    paper: str
    whole: bool = False
    """The scrap lies there as it is, without a trim."""


@dataclass
class PassDraft:
    """One pass: the run it belongs to and the parts that lie there."""

    run: int
    uses: list[PartUse]


@dataclass
class PaperedPasses:
    """What came of the lay-ups: passes with papers, and what found no paper."""

    runs: list[RunDraft]
    passes: list[PassDraft]
    missing: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(die, paper) → cuts that found no scrap."""


def bare_run(batch: Batch, slots: Sequence[Slot], passes: int) -> RunDraft:
    """A lay-up whose passes say themselves which papers they cut: no chips, no stretches."""
    return RunDraft(RunTask(tuple(slots), passes, tuple(() for _ in slots)), sites_of(batch, slots), [], [])


def draft_runs(batch: Batch, tasks: Sequence[RunTask], *, sparing: bool = False) -> list[RunDraft] | None:
    """Sites, chips and stretches of every run; None when some die has no room for a chip even alone.

    Dies whose papers do not separate from their neighbours' leave the lay-up and get one of their own.
    """
    drafts = []
    waiting = list(tasks)
    while waiting:
        task = waiting.pop(0)
        task = replace(task, slots=snapped(batch, task.slots))
        left_out: list[int] = []
        while True:
            inside = [s for s in range(len(task.slots)) if s not in left_out]
            sites = sites_of(batch, [task.slots[s] for s in inside])
            chips = chips_or_slot(batch, sites, sparing=sparing)
            if not isinstance(chips, int):
                break
            if len(inside) == 1:
                return None
            left_out.append(inside[chips])
        if left_out:
            waiting.append(_only(task, left_out))
            task = _only(task, inside)
        drafts.append(RunDraft(task, sites, chips, stretches(task)))
    return drafts


def _only(task: RunTask, slots: Sequence[int]) -> RunTask:
    """The run with some of its dies only."""
    cuts = tuple(task.cuts[s] for s in slots)
    passes = max(sum(count for _, count in row) for row in cuts)
    return RunTask(tuple(task.slots[s] for s in slots), passes, cuts)


def papers_for_passes(
    batch: Batch,
    runs: Sequence[RunDraft],
    *,
    waste: Mapping[str, float] | None = None,
    order: str = "small",
    seed: int = 0,
    tries: int = 1,
    stop: Callable[[], bool] | None = None,
    squeeze: Squeeze | None = None,
) -> PaperedPasses:
    """Lay the parts for all passes into the scraps and put the passes together.

    Args:
        waste: paper → how wasteful a part shared by neighbours may be (see :func:`groups_of`).
        order: which scraps are used first, "small" or "large".
        tries: how often the parts of a paper are laid anew while some find no scrap.
        squeeze: squeezes in what found no scrap, paper by paper (see :func:`nestcut.passes.parts.squeeze.squeeze_in`).
    """
    scraps = scraps_by_paper(batch)
    largest = largest_of(sizes_by_paper(batch))

    def turns_of(run: int, slots: Sequence[int], paper: str) -> tuple[float, ...]:
        common: set[float] | None = None
        for slot in slots:
            site = runs[run].sites[slot]
            turns = set(
                paper_turns(site.die, batch.paper(paper), site.slot.pose.deg, papers=batch.hand.papers)
            )
            common = turns if common is None else common & turns
        return tuple(sorted(common or ()))

    wants: dict[str, list[Want]] = defaultdict(list)
    tops: list[tuple[int, int, str, SlotGroup, int]] = []
    memo: dict[tuple[int, tuple[str | None, ...]], list[tuple[str, SlotGroup]]] = {}
    for r, run in enumerate(runs):
        for s, stretch in enumerate(run.stretches):
            key = (r, stretch.papers)
            if key not in memo:

                def suits(slots: Sequence[int], paper: str, outline: Polygon, r: int = r) -> bool:
                    return bool(turns_of(r, slots, paper)) and _fits_some(outline, largest.get(paper, []))

                memo[key] = groups_of(
                    stretch.papers,
                    run.chips,
                    [site.cut for site in run.sites],
                    suits=suits,
                    waste=waste or {},
                )
            for paper, group in memo[key]:
                turns = turns_of(r, group.slots, paper)
                want = Want(r, s, paper, group, turns, stretch.last - stretch.first)
                tops.append((r, s, paper, group, len(wants[paper])))
                wants[paper].append(want)
    nodes: dict[str, list[GroupNode]] = {}
    for paper, asked in wants.items():
        nodes[paper] = best_laid(
            scraps.get(paper, []), asked, turns_of, order=order, seed=seed, tries=tries, stop=stop
        )
    if squeeze is not None:
        # Papers with least missing first: those are soonest complete.
        short = {paper: lost for paper in nodes if (lost := sum(map(_missing_parts, nodes[paper])))}
        for number, paper in enumerate(sorted(short, key=lambda paper: (short[paper], paper))):
            squeeze(scraps.get(paper, []), nodes[paper], 1 / (len(short) - number))
    outlines = {scrap.id: scrap.outline for scrap in batch.scraps}
    at: dict[tuple[int, int], list[GroupNode]] = defaultdict(list)
    for r, s, paper, _, number in tops:
        at[r, s].append(nodes[paper][number])
    passes: list[PassDraft] = []
    missing: Counter[tuple[str, str]] = Counter()
    for r, run in enumerate(runs):
        for s, stretch in enumerate(run.stretches):
            for t in range(stretch.last - stretch.first):
                uses: list[PartUse] = []
                for node in at[r, s]:
                    _collect(node, t, uses, missing, run, outlines)
                if uses:
                    passes.append(PassDraft(r, uses))
    return PaperedPasses(list(runs), passes, missing)


def _collect(
    node: GroupNode,
    t: int,
    uses: list[PartUse],
    missing: Counter[tuple[str, str]],
    run: RunDraft,
    outlines: dict[str, Polygon],
) -> None:
    if t < len(node.laid):
        laid = node.laid[t]
        outline = moved(node.want.group.outline, laid.pose)
        uses.append(PartUse(laid.scrap, outline, back_on_plate(laid), node.want.group.slots, node.want.paper))
    elif node.halves:
        for half in node.halves:
            _collect(half, t - len(node.laid), uses, missing, run, outlines)
    else:
        missing[run.sites[node.want.group.slots[0]].die.name, node.want.paper] += 1


def back_on_plate(laid: LaidPart) -> Pose:
    """The scrap's pose on the plate when the part lies where the lay-up wants it."""
    turn = Pose(0.0, 0.0, -laid.pose.deg % 360.0)
    a, b, d, e, _, _ = turn.matrix()
    x, y = laid.pose.x_mm, laid.pose.y_mm
    return Pose(round(-(a * x + b * y), 9), round(-(d * x + e * y), 9), turn.deg)


def _fits_some(outline: Polygon, sizes: Sequence[tuple[float, float]]) -> bool:
    x0, y0, x1, y1 = outline.bounds
    short, long = sorted((x1 - x0, y1 - y0))
    return any(short <= low and long <= high for low, high in sizes)


def best_laid(scraps, asked, turns_of, *, order, seed, tries, stop) -> list[GroupNode]:
    """The try with the fewest missing parts (by area of what is missing)."""
    best: list[GroupNode] | None = None
    least = 0.0
    for number in range(max(1, tries)):
        nodes = lay_parts(
            PaperStock(list(scraps)),
            asked,
            turns_of,
            order=order if number % 2 == 0 else ("large" if order == "small" else "small"),
            seed=seed + number,
            shuffle=0.0 if number < 2 else 0.25,
            deepest=number % 4 == 3,
        )
        lost = sum(_missing_area(node) for node in nodes)
        if best is None or lost < least - 1e-9:
            best, least = nodes, lost
        if lost == 0 or (stop and stop()):
            break
    assert best is not None
    return best


def _missing_parts(node: GroupNode) -> int:
    return node.missing + sum(_missing_parts(half) for half in node.halves)


def _missing_area(node: GroupNode) -> float:
    return node.missing * node.want.group.outline.area + sum(_missing_area(half) for half in node.halves)
