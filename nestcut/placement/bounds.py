"""Upper bounds on what a region can hold, each with its reason in plain words.

All of them are relaxations: no layout, found or not, can be worth more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import shapely
from shapely.geometry import MultiPolygon, Polygon

from .types import Part

__all__ = ["bound_by_area"]

_ARC = 16  # chords in a quarter circle


def outer_area(shape: Polygon | MultiPolygon, radius_mm: float) -> float:
    """An upper bound on the area of a shape grown by a disc (mm²), arcs lengthened by their sagitta."""
    if radius_mm <= 0:
        return float(shape.area)
    # a chord over 90°/_ARC lies cos(half of it) of the radius from the middle
    return float(shape.buffer(radius_mm / math.cos(math.pi / 4 / _ARC), quad_segs=_ARC).area)


def inner_area(shape: Polygon | MultiPolygon, radius_mm: float) -> float:
    """A lower bound on the area of a shape grown by a disc (mm²): chords lie inside the arcs."""
    if radius_mm <= 0:
        return float(shape.area)
    return float(shape.buffer(radius_mm, quad_segs=_ARC).area)


def bound_by_area(
    parts: Sequence[Part], region: Polygon | MultiPolygon, *, gap_mm: float
) -> tuple[float, str]:
    """Most value by area: shapes grown by half the gap are disjoint inside the region grown by half the gap.

    Args:
        parts: with value and most; region: where shapes must lie, mm.
    Returns: upper bound on the value (whole pieces only where one kind is placed), and the reason.
    Source: the fractional knapsack bound (Dantzig 1957) on areas.
    """
    half = gap_mm / 2
    room = outer_area(region, half)
    kinds = []
    for part in parts:
        if part.value <= 0 or part.most == 0 or shapely.is_empty(part.shape):
            continue
        area = inner_area(part.shape, half)
        # Sums of many pieces: rounding must not turn 12.0 into 11.999…
        cap = math.floor(room / area * (1 + 1e-9) + 1e-9)
        kinds.append((part.value / area, area, part.value, cap if part.most is None else min(cap, part.most)))
    kinds.sort(reverse=True)
    value, left = 0.0, room * (1 + 1e-9)
    for density, area, worth, cap in kinds:
        take = min(cap, left / area)
        if len(kinds) == 1:
            take = math.floor(take + 1e-9)
        value += take * worth
        left -= take * area
        if left <= 0 or take < cap:
            break
        del density
    total = sum(worth * cap for _, _, worth, cap in kinds)
    if value >= total - 1e-9 and all(p.most is not None for p in parts):
        return total, "all the pieces that are wanted"
    return value, (
        f"the pieces with half the gap around them have {room / 100:.1f} cm² to lie in, "
        "and no more than that can be filled"
    )
