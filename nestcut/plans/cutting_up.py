"""How a scrap is cut up on a paper trimmer: straight cuts, each right through the piece in hand, in an order that works.

What is left beside the parts follows from the cuts, so the sheets (which tell them) and the reckoning of what goes back
into the box both come here. Large free pieces are cut off first, so that later cuts do not run through them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from shapely.geometry import Polygon, box

__all__ = ["SlitStep", "StraightCuts", "is_rectangle", "straight_cuts_of"]

SAME_MM = 0.05
"""Lines nearer than this are one line: nobody cuts more finely."""

Box = tuple[float, float, float, float]


def is_rectangle(shape: Polygon) -> bool:
    """True for a rectangle square to its frame."""
    return not shape.interiors and shape.area >= box(*shape.bounds).area - 1e-6


@dataclass(frozen=True, slots=True)
class SlitStep:
    """What is done to one piece in hand."""

    axis: int
    """0: measured from the piece's own left side, 1: from its upper side."""
    at_mm: tuple[float, ...]
    """Where to cut, ascending."""
    parts: tuple[int, ...]
    """The parts that are still in the piece, by number."""
    parent: int
    """The step that the piece came from, by number; −1: the piece is the whole scrap."""


@dataclass(frozen=True, slots=True)
class StraightCuts:
    """The steps, and the boxes (in the scrap's frame, mm) that are left with no part in them."""

    steps: tuple[SlitStep, ...]
    offcuts: tuple[Box, ...]


def straight_cuts_of(
    outline: Polygon, parts: Sequence[Polygon], *, keep_mm: float = 30.0
) -> StraightCuts | None:
    """The cuts that make the parts of a scrap, or None where cuts right through can't do it.

    Args:
        outline: the scrap, mm.
        parts: what is wanted of it, in its frame.
        keep_mm: free pieces at least this wide both ways are cut off before anything is cut through beside them.
    """
    if not all(is_rectangle(part) for part in parts):
        return None
    work = _CuttingUp([part.bounds for part in parts], keep_mm)
    whole = outline.bounds
    if not work.cut((whole[0], whole[1], whole[2], whole[3]), list(range(len(parts))), -1):
        return None
    return StraightCuts(tuple(work.steps), tuple(work.offcuts))


class _CuttingUp:
    """Cutting up, piece after piece."""

    def __init__(self, boxes: Sequence[Box], keep_mm: float):
        self.boxes, self.keep_mm = boxes, keep_mm
        self.steps: list[SlitStep] = []
        self.lows: list[float] = []
        """Where the piece of each step begins, along the step's axis, mm."""
        self.offcuts: list[Box] = []

    def cut(self, region: Box, inside: list[int], parent: int) -> bool:
        """Cut a piece up; False where no cut goes through it without meeting a part.

        Any cut that meets no part may be made first: it never stands in the way of another.
        """
        if not inside:
            self.offcuts.append(region)
            return True
        if len(inside) == 1 and all(
            abs(a - b) <= SAME_MM for a, b in zip(region, self.boxes[inside[0]], strict=True)
        ):
            return True
        here = [self.boxes[k] for k in inside]
        lines = (_lines(region, here, 0), _lines(region, here, 1))
        axis, at = self._free_band(region, here, lines) or (
            (0, lines[0]) if len(lines[0]) >= len(lines[1]) else (1, lines[1])
        )
        if not at:
            return False
        number = self._note(axis, [line - region[axis] for line in at], inside, parent, region[axis])
        for low, high in pairwise([region[axis], *at, region[axis + 2]]):
            mine = [
                k
                for k in inside
                if self.boxes[k][axis] >= low - SAME_MM and self.boxes[k][axis + 2] <= high + SAME_MM
            ]
            piece = list(region)
            piece[axis], piece[axis + 2] = low, high
            if not self.cut((piece[0], piece[1], piece[2], piece[3]), mine, number):
                return False
        return True

    def _note(self, axis: int, at_mm: list[float], inside: list[int], parent: int, low: float) -> int:
        """A step more, or the one before, where the same cuts can be made in one go; its number."""
        if parent >= 0:
            before = self.steps[parent]
            # All parts came over to this piece, so what was cut off has none, and these cuts do not reach it.
            if before.axis == axis and before.parts == tuple(inside):
                shift = low - self.lows[parent]
                at = tuple(sorted((*before.at_mm, *(line + shift for line in at_mm))))
                self.steps[parent] = SlitStep(axis, at, before.parts, before.parent)
                return parent
        self.steps.append(SlitStep(axis, tuple(at_mm), tuple(inside), parent))
        self.lows.append(low)
        return len(self.steps) - 1

    def _free_band(
        self, region: Box, here: Sequence[Box], lines: tuple[list[float], list[float]]
    ) -> tuple[int, list[float]] | None:
        """Axis and cuts that take off the largest piece without a part, right across the piece in hand."""
        best_area, best = 0.0, None
        for axis in (0, 1):
            across = region[3 - axis] - region[1 - axis]
            for low, high in pairwise([region[axis], *lines[axis], region[axis + 2]]):
                if min(high - low, across) < self.keep_mm or (high - low) * across <= best_area:
                    continue
                if all(part[axis] >= high - SAME_MM or part[axis + 2] <= low + SAME_MM for part in here):
                    best_area = (high - low) * across
                    best = axis, [line for line in (low, high) if region[axis] < line < region[axis + 2]]
        return best


def _lines(region: Box, parts: Sequence[Box], axis: int) -> list[float]:
    """Places along an axis where a straight cut through the region separates and meets no part."""
    low, high = region[axis], region[axis + 2]
    edges = sorted({edge for part in parts for edge in (part[axis], part[axis + 2])})
    found: list[float] = []
    for edge in edges:
        if edge <= low + SAME_MM or edge >= high - SAME_MM:
            continue
        if any(part[axis] + SAME_MM < edge < part[axis + 2] - SAME_MM for part in parts):
            continue
        if not found or edge > found[-1] + SAME_MM:
            found.append(edge)
    return found
