"""Parts get names, scraps get trims; a scrap that may lie as it is stays whole."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Sequence

import shapely
from shapely.geometry import Polygon

from nestcut.batch.model import Batch, Pose
from nestcut.passes.common.plate_rules import TINY_MM2
from nestcut.passes.common.trims import Trimming
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft, RunDraft
from nestcut.passes.parts.chips import TINY_MM
from nestcut.passes.parts.straight_cuts import parts_of_straight_cuts
from nestcut.plans.model import Trim
from nestcut.units import letters

__all__ = ["keep_whole", "name_parts", "obey_trims"]


def name_parts(batch: Batch, passes: Sequence[PassDraft]) -> tuple[Trim, ...]:
    """Give every trimmed part an id (in place, in the order of use) and list the trims.

    Two uses of the same outline in the same scrap are the same part.
    """
    taken = {scrap.id for scrap in batch.scraps}
    by_scrap: dict[str, list[PartUse]] = defaultdict(list)
    for draft in passes:
        for use in draft.uses:
            if not use.whole:
                by_scrap[use.scrap].append(use)
    trims = []
    keys: dict[int, bytes] = {}  # equal strips share their outline, in all passes and scraps
    for scrap in batch.scraps:
        if scrap.id not in by_scrap:
            continue
        known: dict[bytes, str] = {}
        into = []
        number = 0
        for use in by_scrap[scrap.id]:
            key = keys.get(id(use.outline)) or keys.setdefault(id(use.outline), use.outline.wkb)
            if key not in known:
                while True:
                    part = scrap.id + letters(number)
                    if scrap.id[-1:].isalpha():
                        part = f"{scrap.id}-{letters(number)}"
                    number += 1
                    if part not in taken:
                        break
                taken.add(part)
                known[key] = part
                into.append((part, use.outline))
            use.scrap = known[key]
        trims.append(Trim(scrap.id, tuple(into)))
    return tuple(trims)


def keep_whole(batch: Batch, runs: Sequence[RunDraft], passes: Sequence[PassDraft]) -> int:
    """Scraps of which only one part is used lie untrimmed where they get in nobody's way (in place).

    Returns: how many trims that saves.
    """
    count: dict[str, int] = defaultdict(int)
    for draft in passes:
        for use in draft.uses:
            count[use.scrap] += 1
    outlines = {scrap.id: scrap.outline for scrap in batch.scraps}
    saved = 0
    for draft in passes:
        if all(use.whole or count[use.scrap] != 1 for use in draft.uses):
            continue
        lying = [use.pose.apply(use.outline) for use in draft.uses]
        for number, use in enumerate(draft.uses):
            if use.whole or count[use.scrap] != 1:
                continue
            others = [shape for k, shape in enumerate(lying) if k != number]
            pose = _whole_pose(batch, runs[draft.run], draft, use, outlines[use.scrap], others)
            if pose is not None:
                use.outline, use.pose, use.whole = outlines[use.scrap], pose, True
                lying[number] = pose.apply(use.outline)
                saved += 1
    return saved


def obey_trims(batch: Batch, papered: PaperedPasses) -> PaperedPasses:
    """Without the parts that the person does not want to trim; what they would have cut is missing.

    No trims: only scraps that lie as they are stay. Straight cuts: of every scrap the parts that straight cuts right
    through the piece in hand can make, with as few cuts lost as was found.
    """
    trims = Trimming.of(batch)
    if trims.any_shape:
        return papered
    gone: set[tuple[str, bytes]] = set()
    if not trims.allowed:
        keep_whole(batch, papered.runs, papered.passes)
    else:
        gone = _not_straight(batch, papered)
    missing = Counter(papered.missing)
    passes = []
    for draft in papered.passes:
        uses = []
        for use in draft.uses:
            refused = (use.scrap, use.outline.wkb) in gone if trims.allowed else not use.whole
            if not refused:
                uses.append(use)
                continue
            for slot in use.slots:
                missing[papered.runs[draft.run].sites[slot].die.name, use.paper] += 1
        if uses:
            passes.append(PassDraft(draft.run, uses))
    return PaperedPasses(papered.runs, passes, missing)


def _not_straight(batch: Batch, papered: PaperedPasses) -> set[tuple[str, bytes]]:
    """Parts that straight cuts can't make together with the others of the same scrap: as few cuts as can be."""
    parts: dict[str, dict[bytes, Polygon]] = defaultdict(dict)
    cuts: Counter[tuple[str, bytes]] = Counter()
    for draft in papered.passes:
        for use in draft.uses:
            parts[use.scrap][use.outline.wkb] = use.outline
            cuts[use.scrap, use.outline.wkb] += len(use.slots)
    gone = set()
    for scrap in batch.scraps:
        # Large parts first: where equally much is lost, it decides.
        own = sorted(parts.get(scrap.id, {}).items(), key=lambda item: (-item[1].area, item[1].bounds))
        made = parts_of_straight_cuts(
            [outline for _, outline in own],
            # The scrap's area as one: a hair for size, so that of equal parts the larger stays.
            [cuts[scrap.id, key] + 0.5 * outline.area / scrap.outline.area for key, outline in own],
            scrap.outline,
        )
        gone |= {(scrap.id, own[k][0]) for k in set(range(len(own))) - set(made)}
    return gone


def _whole_pose(
    batch: Batch,
    run: RunDraft,
    draft: PassDraft,
    use: PartUse,
    outline: Polygon,
    others: Sequence[Polygon],
) -> Pose | None:
    """A pose for the whole scrap: own cuts keep the edge, nobody else's paper or cut is touched."""
    field = batch.machine.paper_field
    cuts = [run.sites[slot].cut for slot in use.slots]
    foreign = [run.sites[slot].cut for other in draft.uses if other is not use for slot in other.slots]
    obstacles = shapely.union_all([*others, *foreign]) if others or foreign else None
    lying = use.pose.apply(outline)
    x0, y0, x1, y1 = lying.bounds
    need = shapely.union_all(cuts).bounds
    edge = batch.hand.edge_mm
    # How far the scrap can slide until a cut comes too near to a side of its box.
    slides_x = range(math.ceil(need[2] + edge - x1), math.floor(need[0] - edge - x0) + 1)
    slides_y = range(math.ceil(need[3] + edge - y1), math.floor(need[1] - edge - y0) + 1)
    square = batch.hand.papers == "square"
    dx0 = (round(x0) - x0) if square else 0.0
    dy0 = (round(y0) - y0) if square else 0.0
    for dx in _spread(slides_x):
        for dy in _spread(slides_y):
            pose = Pose(round(use.pose.x_mm + dx0 + dx, 9), round(use.pose.y_mm + dy0 + dy, 9), use.pose.deg)
            paper = pose.apply(outline)
            if not field.covers(shapely.box(*paper.bounds)):
                continue
            if obstacles is not None and shapely.intersection(paper, obstacles).area > TINY_MM2:
                continue
            if all(_keeps_edge(cut, paper, edge) for cut in cuts):
                return pose
    return None


def _keeps_edge(cut, paper: Polygon, edge: float) -> bool:
    return paper.covers(cut) and shapely.distance(cut, paper.boundary) >= edge - TINY_MM


def _spread(slides: range, most: int = 9) -> list[int]:
    """A few of the slides, nearest to none first."""
    values = list(slides)
    if 0 not in values:
        values.append(0)
    if len(values) > most:
        step = (len(values) - 1) / (most - 1)
        values = sorted({values[round(k * step)] for k in range(most)} | {0})
    return sorted(values, key=abs)
