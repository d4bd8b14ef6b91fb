"""The plate's rules, as all makers ask them: the window that holds all rims, the gap between rims, the turns that suit a die's papers,
and where papers may lie. (The checker has its own reading of them, on purpose.)

The turn rules themselves are in :mod:`nestcut.batch.turns` and, seen from the plate, in :mod:`nestcut.passes.common.turns`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from nestcut.arithmetic import angle_of, buffered, turn_shape
from nestcut.batch.model import Batch, Die, Machine, Shape
from nestcut.batch.turns import turns_on
from nestcut.passes.common.turns import paper_turns, wrapped_deg

__all__ = [
    "HAIR_MM",
    "PLAY_MM",
    "TINY_MM2",
    "TOLERANCE_MM",
    "apart",
    "chip_angle",
    "in_window",
    "in_window_at",
    "keeps_gap",
    "lay_up_holds",
    "leaves_half_free",
    "overlap_in_air",
    "places_across",
    "places_of",
    "suits",
    "suits_turned",
    "turns_in_rows",
    "window_size",
]

TOLERANCE_MM = 1e-6
"""What the checker allows."""
PLAY_MM = TOLERANCE_MM / 2
"""Rims may lie so much too near to each other or to the window's edge."""
HAIR_MM = 1e-9
"""Sums of lengths that rounding alone tells apart."""
TINY_MM2 = 1e-9
"""Outlines that share no more than this touch."""


def window_size(machine: Machine) -> tuple[float, float]:
    """How wide the window is across the feed, and how long along it, mm."""
    x0, y0, x1, y1 = machine.window.bounds
    return x1 - x0, y1 - y0


def in_window(window: Polygon, bounds: Sequence[float]) -> bool:
    """Whether a rim with these bounds (left, top, right, bottom, mm) lies in the window."""
    left, top, right, bottom = window.bounds
    x0, y0, x1, y1 = bounds
    return min(x0 - left, y0 - top, right - x1, bottom - y1) >= -PLAY_MM


def in_window_at(
    machine: Machine, boxes: NDArray[np.float64], places: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Which rims lie in the window where: shape (places, rims).

    Args:
        boxes: (rims, 4), bounds of the rims with their paper's corner at (0, 0), mm.
        places: (places, 2), that corner on the plate.
    """
    left, top, right, bottom = machine.window.bounds
    x, y = places[:, :1], places[:, 1:]
    return (
        (x + boxes[:, 0] >= left - HAIR_MM)
        & (y + boxes[:, 1] >= top - HAIR_MM)
        & (x + boxes[:, 2] <= right + HAIR_MM)
        & (y + boxes[:, 3] <= bottom + HAIR_MM)
    )


def keeps_gap(rim: Shape, others: Sequence[Shape], gap_mm: float, *, play_mm: float = PLAY_MM) -> bool:
    """Whether a rim lies at least the gap away from all others; where there is no gap, whether it overlaps none."""
    if not others:
        return True
    x0, y0, x1, y1 = rim.bounds
    boxes = shapely.bounds(np.array(others, dtype=object))
    off = np.maximum(
        np.maximum(boxes[:, 0] - x1, x0 - boxes[:, 2]), np.maximum(boxes[:, 1] - y1, y0 - boxes[:, 3])
    )
    near = [others[k] for k in np.flatnonzero(off <= max(0.0, gap_mm - play_mm)).tolist()]
    if gap_mm > play_mm:
        return all(shapely.distance(rim, other) >= gap_mm - play_mm for other in near)
    return not any(
        shapely.intersects(rim, other) and buffered(rim, -play_mm).intersects(buffered(other, -play_mm))
        for other in near
    )


def lay_up_holds(window: Polygon, gap_mm: float, rims: Sequence[Shape]) -> bool:
    """Whether all rims (on the plate) lie in the window and keep the gap. Exact, mm."""
    return all(in_window(window, rim.bounds) for rim in rims) and all(
        keeps_gap(rim, rims[:number], gap_mm) for number, rim in enumerate(rims)
    )


def suits(batch: Batch, die: Die, papers: Sequence[str], deg: float) -> bool:
    """Whether a die at this turn of the plate can cut all of these papers, lying square."""
    return all(paper_turns(die, batch.paper(paper), deg) for paper in papers)


def chip_angle(cut: Shape) -> float:
    """The turn that makes the box around the cut smallest, degrees (a side of it lies on a hull edge).

    Source: Freeman & Shapira 1975 (smallest enclosing rectangle has a side flush with a hull edge).
    """
    hull = cut.convex_hull
    ring = np.asarray(hull.exterior.coords)
    best_deg, best_area = 0.0, math.inf
    for (x0, y0), (x1, y1) in itertools.pairwise(ring):
        deg = -math.degrees(angle_of(y1 - y0, x1 - x0))
        left, top, right, bottom = turn_shape(hull, deg).bounds
        area = (right - left) * (bottom - top)
        if area < best_area - 1e-9:
            best_deg, best_area = deg, area
    return wrapped_deg(best_deg)


def suits_turned(batch: Batch, die: Die, paper: str, deg: float, paper_deg: float) -> bool:
    """Whether a die at ``deg`` on the plate can cut a paper that lies there turned by ``paper_deg``, quarter turns."""
    # A paper turned by some angle on the plate takes the die to minus that in its own frame.
    turns = paper_turns(die, batch.paper(paper), deg)
    return any(abs((turn + paper_deg + 180.0) % 360.0 - 180.0) < 1e-6 for turn in turns)


def turns_in_rows(batch: Batch, die: Die, papers: Sequence[str]) -> tuple[float, ...]:
    """Turns from which a die that lies in rows takes quarter turns: its own, and those that its papers allow, degrees.

    A die that may lie at any turn lies square to papers with a direction, otherwise with the smallest box.
    """
    if die.turns != "any":
        return (*die.turns, *(float(turn) for paper in papers for turn in turns_on(die, batch.paper(paper))))
    directed = any(batch.paper(paper).direction != "none" for paper in papers)
    return (0.0 if directed else chip_angle(die.cut),)


def places_across(machine: Machine, width_mm: float) -> int:
    """The last place across, whole mm, where the box of a paper may begin; the first is 0. Negative: it would stick out sideways."""
    return math.floor(machine.plate_mm[0] - width_mm + HAIR_MM)


def places_of(machine: Machine, size: tuple[float, float]) -> tuple[int, int, int] | None:
    """Where the box of a piece may begin: (last place across, first and last along the feed), whole mm; the first
    across is 0. None where it would stick out sideways, or too far at the ends.
    """
    _, top, _, bottom = machine.paper_field.bounds
    across = places_across(machine, size[0])
    first, last = math.ceil(top - HAIR_MM), math.floor(bottom - size[1] + HAIR_MM)
    return None if across < 0 or last < first else (across, first, last)


def leaves_half_free(machine: Machine, size: tuple[float, float]) -> bool:
    """Whether a paper of this size (across, along, mm) may lie so that half of the plate stays free."""
    return size[0] <= machine.plate_mm[0] and size[1] <= machine.plate_mm[1] / 2 + machine.overhang_mm


def apart(a: Shape, b: Shape) -> bool:
    """True when the two outlines share no area."""
    return not shapely.intersects(a, b) or shapely.intersection(a, b).area <= TINY_MM2


def overlap_in_air(a: Shape, b: Shape, rims: Sequence[Shape]) -> bool:
    """True when what two papers share lies under no rim."""
    common = shapely.intersection(a, b)
    return common.area <= TINY_MM2 or all(apart(common, rim) for rim in rims)
