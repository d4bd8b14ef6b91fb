"""Dies as they will lie in rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nestcut.batch.model import Batch, Die, Pose
from nestcut.passes.common.plate_rules import HAIR_MM, suits, turns_in_rows, window_size
from nestcut.passes.common.turns import QUARTERS
from nestcut.plans.model import Slot

__all__ = ["Box", "RowItem", "depth_of", "in_rows", "lying", "slot_at"]

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class RowItem:
    """One copy of a die, turned as it will lie, with its cuts by paper."""

    die: Die
    deg: float
    bounds: Box
    """Of the turned rim about the die's reference point: left, top, right, bottom, mm."""
    cuts: Mapping[str, int]

    @property
    def width(self) -> float:
        """Across the feed, mm."""
        return self.bounds[2] - self.bounds[0]

    @property
    def depth(self) -> float:
        """Along the feed, mm."""
        return self.bounds[3] - self.bounds[1]


def lying(
    batch: Batch, die: Die, papers: Sequence[str], *, narrow: bool, feed_turn_deg: float | None = None
) -> tuple[float, Box] | None:
    """The turn of a die on the plate and the bounds of its rim; None where it fits in no way.

    Args:
        narrow: as little as can be across; otherwise along the feed.
        feed_turn_deg: 0 or 90, the turn of dies that cut paper with a direction, where it is to be one of these: one scrap then
            suits them all.
    """
    across_mm, along_mm = window_size(batch.machine)
    directed = any(batch.paper(paper).direction != "none" for paper in papers)
    for base in turns_in_rows(batch, die, papers):
        ways = []
        for quarter in QUARTERS:
            deg = (base + quarter) % 360.0
            bounds = Pose(0.0, 0.0, deg).apply(die.rim).bounds
            w, h = bounds[2] - bounds[0], bounds[3] - bounds[1]
            if w <= across_mm and h <= along_mm and suits(batch, die, papers, deg):
                off = (
                    directed
                    and feed_turn_deg is not None
                    and abs((deg - feed_turn_deg + 90.0) % 180.0 - 90.0) > 0.5
                )
                ways.append((off, round(w if narrow else h, 6), deg, bounds))
        if ways:
            _, _, deg, bounds = min(ways)
            return deg, bounds
    return None


def in_rows(
    order: Sequence[RowItem], width_mm: float, gap_mm: float, *, last_only: bool = False
) -> list[list[RowItem]]:
    """Rows from the end of the plate inward: first fit; with ``last_only``, next fit."""
    rows: list[list[RowItem]] = []
    used: list[float] = []
    for item in order:
        for k in range(max(0, len(rows) - 1) if last_only else 0, len(rows)):
            if used[k] + item.width <= width_mm + HAIR_MM:
                rows[k].append(item)
                used[k] += item.width + gap_mm
                break
        else:
            rows.append([item])
            used.append(item.width + gap_mm)
    return rows


def depth_of(rows: Sequence[Sequence[RowItem]], gap_mm: float) -> float:
    """What rows take along the feed, with a gap behind each, mm."""
    return sum(max(item.depth for item in row) + gap_mm for row in rows)


def slot_at(batch: Batch, item: RowItem, end: int, left_mm: float, along_mm: float) -> Slot:
    """The die with its rim's box at this place across, and so far from its end of the plate (0: the one that goes in first)."""
    _, y0, _, y1 = batch.machine.window.bounds
    bx0, by0, _, by1 = item.bounds
    y = along_mm - by0 if end == 0 else y0 + y1 - along_mm - by1
    return Slot(item.die.name, Pose(round(left_mm - bx0, 6), round(y, 6), item.deg))
