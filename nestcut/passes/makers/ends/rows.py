"""Lay-ups in rows at both ends of the plate, so that scraps are pulled on under the dies of one paper side by side.

Dies that cut the same paper and lie one behind the other take the same columns out of a scrap: it can then be pulled on
less often. So of many ways to share dies out over rows (local search, seeded) the one is taken in which dies of one
paper least lie behind each other.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nestcut.batch.model import Batch
from nestcut.passes.common.plate_rules import HAIR_MM
from nestcut.passes.drafts.row_items import RowItem, depth_of, in_rows, lying, slot_at
from nestcut.passes.makers.ends.sharing import Member
from nestcut.plans.model import Slot

__all__ = ["EndRows", "end_rows", "lying"]

BETWEEN = 0.5
"""Cuts by two dies with the whole width of the plate between them count so much."""
TRIES = 400
"""Orders of dies that are looked at for each end."""
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class EndRows:
    """A lay-up: its slots, those of each end, and where along the feed the rows of the first end stop and those of the second begin, mm."""

    slots: tuple[Slot, ...]
    ends: tuple[tuple[int, ...], tuple[int, ...]]
    first_stop_mm: float
    second_start_mm: float


def end_rows(
    batch: Batch,
    layup: Sequence[Sequence[Member]],
    *,
    narrow: bool,
    feed_turn_deg: float,
    across: Mapping[str, float],
    long_mm: float,
    seed: int = 0,
) -> EndRows | None:
    """A lay-up in rows at both ends; None where they are deeper than the plate is long.

    Args:
        across: paper → how wide its scraps lie on the plate, mm.
        long_mm: how long scraps are along the feed: where the plate has room, the first row lies so far from its end that
            such a scrap's inner end comes under it, too.
    """
    chance = random.Random(seed)
    x0, y0, x1, y1 = batch.machine.window.bounds
    gap = batch.hand.gap_mm
    ends = []
    for members in layup:
        items = []
        for member in members:
            way = lying(batch, member.die, sorted(member.cuts), narrow=narrow, feed_turn_deg=feed_turn_deg)
            if way is None:
                return None
            items.append(RowItem(member.die, *way, member.cuts))
        ends.append(items)
    for weight in (0.002, 0.02, 0.2, 2.0, 20.0):
        laid = [_best_rows(items, x1 - x0, gap, weight, across, chance) for items in ends]
        depths = [depth_of(rows, gap) for rows in laid]
        if sum(depths) <= y1 - y0 + gap + HAIR_MM:
            break
    else:
        return None
    slots: list[Slot] = []
    numbers = []
    free = y1 - y0 + gap - sum(depths)
    inset = []
    for rows in laid:
        wished = long_mm - batch.machine.overhang_mm - y0 - (max(i.depth for i in rows[0]) if rows else 0.0)
        inset.append(min(max(0.0, wished), free / 2))
    for end, rows in enumerate(laid):
        first, at = len(slots), y0 + inset[end]
        for row in rows:
            for item, x in zip(row, _across(row, x1 - x0, gap), strict=True):
                slots.append(slot_at(batch, item, end, x0 + x, at))
            at += max(item.depth for item in row) + gap
        numbers.append(tuple(range(first, len(slots))))
    return EndRows(
        tuple(slots),
        (numbers[0], numbers[1]),
        y0 + inset[0] + depths[0] - gap,
        y1 - inset[1] - depths[1] + gap,
    )


def _across(row: Sequence[RowItem], width: float, gap: float) -> list[float]:
    """Where each die of a row begins: side by side, so that narrow scraps reach as many as can be."""
    found, x = [], 0.0
    for item in row:
        found.append(x)
        x += item.width + gap
    return found


def _best_rows(
    items: Sequence[RowItem],
    width: float,
    gap: float,
    weight: float,
    across: Mapping[str, float],
    chance: random.Random,
) -> list[list[RowItem]]:
    if not items:
        return []
    order = sorted(items, key=lambda item: (-item.depth, item.die.name))
    unit = max(1.0, sum(sum(item.cuts.values()) for item in items) / len(items))

    def cost(order: Sequence[RowItem]) -> float:
        rows = in_rows(order, width, gap)
        return _behind(rows, width, gap, across) / unit + weight * depth_of(rows, gap)

    best, least = order, cost(order)
    for _ in range(TRIES if len(items) > 1 else 0):
        other = list(best)
        a, b = chance.randrange(len(other)), chance.randrange(len(other))
        if chance.random() < 0.5:
            other[a], other[b] = other[b], other[a]
        else:
            other.insert(b, other.pop(a))
        now = cost(other)
        if now <= least:
            best, least = other, now
    return in_rows(best, width, gap)


def _behind(
    rows: Sequence[Sequence[RowItem]], width: float, gap: float, across: Mapping[str, float]
) -> float:
    """How much dies of one paper are in each other's way: cuts, by the share of their width that is common where they lie
    behind each other, and those that a scrap is too narrow for side by side."""
    placed = [
        (k, x, item)
        for k, row in enumerate(rows)
        for item, x in zip(row, _across(row, width, gap), strict=True)
    ]
    total = 0.0
    for i, (k, x, item) in enumerate(placed):
        for m, u, other in placed[i + 1 :]:
            common = min(x + item.width, u + other.width) - max(x, u)
            reach = max(x + item.width, u + other.width) - min(x, u)
            for paper, n in item.cuts.items():
                cuts = min(n, other.cuts.get(paper, 0))
                if cuts and reach > across[paper] + 4.0:
                    total += cuts
                elif cuts and m != k and common > 0:
                    total += cuts * common / min(item.width, other.width)
                elif cuts:
                    # Narrow scraps reach both where little lies between them.
                    total += BETWEEN * cuts * max(0.0, reach - item.width - other.width) / width
    return total
