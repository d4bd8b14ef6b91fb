"""Dies as they will lie in rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nestcut.batch.model import Batch, Die, Pose
from nestcut.passes.common.turns import paper_turns, turns_on
from nestcut.passes.plate.footprints import chip_angle

__all__ = ["Box", "RowItem", "lying"]

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
    x0, y0, x1, y1 = batch.machine.window.bounds
    directed = any(batch.paper(paper).direction != "none" for paper in papers)
    bases: Sequence[float] = [0.0 if directed else chip_angle(die.cut)]
    if die.turns != "any":
        bases = [*die.turns, *(float(turn) for p in papers for turn in turns_on(die, batch.paper(p)))]
    for base in bases:
        ways = []
        for quarter in (0.0, 90.0, 180.0, 270.0):
            deg = (base + quarter) % 360.0
            bounds = Pose(0.0, 0.0, deg).apply(die.rim).bounds
            w, h = bounds[2] - bounds[0], bounds[3] - bounds[1]
            if w <= x1 - x0 and h <= y1 - y0 and all(paper_turns(die, batch.paper(p), deg) for p in papers):
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
