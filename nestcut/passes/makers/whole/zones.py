"""Lay-ups in rows at the two ends of the plate, for scraps that lie there as they are.

Each end belongs to one scrap at a time, which hangs out over it as far as it must. Dies that lie at one end wait for
each other's papers, so an end takes, for each paper, as many passes as its busiest die in that paper needs; the dies
are shared out so that the slower end is as quick as can be (local search from many starts). Within an end dies lie
in rows, box beside box: those of one paper together, since small scraps then reach them all, or deep ones together,
which takes less of the plate.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Mapping, Sequence

from nestcut.batch.model import Batch
from nestcut.passes.common.budget import ENDLESS, Budget
from nestcut.passes.common.plate_rules import HAIR_MM, window_size
from nestcut.passes.drafts.row_items import RowItem, depth_of, in_rows, lying, slot_at
from nestcut.passes.makers.whole.whole import Station
from nestcut.plans.model import Slot

__all__ = ["zone_stations"]

STARTS = 30
"""Random ways to share dies out over both ends, each improved."""
MOST_STATIONS = 12
"""Lay-ups, at most: more than anybody sets up in an evening."""


def zone_stations(
    batch: Batch,
    wanted: Mapping[tuple[str, str], int],
    budget: Budget = ENDLESS,
    *,
    ends: int = 2,
    by_paper: bool = True,
    variant: int = 0,
) -> list[Station] | None:
    """Lay-ups that together make all the cuts; None where some die fits in no way, or the time is over.

    Args:
        wanted: (die, paper) → cuts.
        budget: asked before every die that is tried, and before every start of the search.
        ends: 2 for rows at both ends, 1 for rows from the first end only.
        by_paper: lay dies of one paper together; otherwise the deepest together.
        variant: 0 begins rows at the left, 1 at the right, 2 in the middle: further lay-ups for the same scraps.
    """
    items = _items(batch, wanted)
    if items is None:
        return None
    stations: list[Station] = []
    rest = items
    while rest and len(stations) < MOST_STATIONS:
        # Busy dies first: a further lay-up should be a short one.
        rest = sorted(rest, key=lambda item: (-sum(item.cuts.values()), item.die.name))
        taken: list[RowItem] = []
        for item in rest:
            if budget.over():
                return None
            if _split(batch, [*taken, item], ends, by_paper, budget, 1) is not None:
                taken.append(item)
        split = _split(batch, taken, ends, by_paper, budget, STARTS)
        if split is None:
            return None
        cuts: Counter[tuple[str, str]] = Counter()
        for item in taken:
            for paper, count in item.cuts.items():
                cuts[item.die.name, paper] += count
        stations.append(Station(_laid(batch, split, by_paper, variant), cuts))
        rest = [item for item in rest if not any(item is one for one in taken)]
    return None if rest else stations


def _main(item: RowItem) -> str:
    """The paper that it cuts most of."""
    return max(item.cuts, key=lambda paper: (item.cuts[paper], paper))


def _items(batch: Batch, wanted: Mapping[tuple[str, str], int]) -> list[RowItem] | None:
    items = []
    for die in batch.dies:
        own = {paper: n for (name, paper), n in wanted.items() if name == die.name and n > 0}
        if not own:
            continue
        way = lying(batch, die, list(own), narrow=False)
        if way is None:
            return None
        copies = min(die.copies, max(1, sum(own.values())))
        for k in range(copies):
            part = {paper: (n + copies - 1 - k) // copies for paper, n in own.items()}
            part = {paper: n for paper, n in part.items() if n}
            if part:
                items.append(RowItem(die, *way, part))
    return items


def _passes(items: Sequence[RowItem]) -> int:
    """Least passes of one end: its scraps come one at a time."""
    busiest: Counter[str] = Counter()
    for item in items:
        for paper, count in item.cuts.items():
            busiest[paper] = max(busiest[paper], count)
    return sum(busiest.values())


def _ordered(items: Sequence[RowItem], by_paper: bool) -> list[RowItem]:
    if by_paper:
        work: Counter[str] = Counter()
        for item in items:
            work[_main(item)] += item.cuts[_main(item)]
        return sorted(items, key=lambda i: (-work[_main(i)], _main(i), -i.depth, i.die.name))
    return sorted(items, key=lambda i: (-i.depth, i.die.name))


def _rows(batch: Batch, items: Sequence[RowItem], by_paper: bool) -> list[list[RowItem]]:
    """Rows from the end inward; first fit for rows by depth, next fit where papers keep together."""
    across_mm, _ = window_size(batch.machine)
    return in_rows(_ordered(items, by_paper), across_mm, batch.hand.gap_mm, last_only=by_paper)


def _depth(batch: Batch, items: Sequence[RowItem], by_paper: bool) -> float:
    return depth_of(_rows(batch, items, by_paper), batch.hand.gap_mm)


def _split(
    batch: Batch,
    items: Sequence[RowItem],
    ends: int,
    by_paper: bool,
    budget: Budget,
    starts: int,
) -> tuple[list[RowItem], list[RowItem]] | None:
    """The dies of the two ends, so that the slower end takes as few passes as were found."""
    room = window_size(batch.machine)[1] + batch.hand.gap_mm + HAIR_MM
    chance = random.Random(budget.seed)

    def cost(sides: Sequence[int]) -> tuple[float, float, float]:
        both = [[item for item, side in zip(items, sides, strict=True) if side == k] for k in (0, 1)]
        depth = sum(_depth(batch, own, by_paper) for own in both)
        passes = [_passes(own) for own in both]
        return (max(0.0, depth - room), float(max(passes)), float(sum(passes)))

    best: tuple[tuple[float, float, float], list[int]] | None = None
    for start in range(starts if ends == 2 else 1):
        if start and budget.over():
            break
        sides = [0] * len(items) if start == 0 else [chance.randrange(2) for _ in items]
        now = cost(sides)
        better = ends == 2
        while better:
            better = False
            for k in range(len(items)):
                sides[k] ^= 1
                then = cost(sides)
                if then < now:
                    now, better = then, True
                else:
                    sides[k] ^= 1
        if best is None or now < best[0]:
            best = (now, list(sides))
    if best is None or best[0][0] > 0:
        return None
    return tuple([i for i, side in zip(items, best[1], strict=True) if side == k] for k in (0, 1))  # type: ignore[return-value]


def _laid(
    batch: Batch, split: tuple[list[RowItem], list[RowItem]], by_paper: bool, variant: int
) -> tuple[Slot, ...]:
    x0, y0, x1, _ = batch.machine.window.bounds
    gap = batch.hand.gap_mm
    slots = []
    for end, items in enumerate(split):
        at = y0
        for row in _rows(batch, items, by_paper):
            depth = max(item.depth for item in row)
            spare = x1 - x0 - sum(item.width + gap for item in row) + gap
            # Some of what is free across goes between the dies: hands are not exact.
            air = gap + (min(4.0, spare / (len(row) - 1)) if len(row) > 1 else 0.0)
            x = x0 + (0.0, 0.0, (spare - (air - gap) * (len(row) - 1)) / 2)[variant % 3]
            for item in row:
                # Counted from the right, the same row is seen in a mirror; the dies themselves are not.
                left = x if variant % 3 != 1 else x0 + x1 - x - item.width
                slots.append(slot_at(batch, item, end, left, at))
                x += item.width + air
            at += depth + gap
    return tuple(slots)
