"""Does a layout hold? Measured on the shapes' own coordinates, in mm, with shapely alone.

A layout is never handed out unless these find nothing. They share no code with the search.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from nestcut.batch.model import Shape

__all__ = ["TOLERANCE_MM", "apart", "first_fault", "overlap_depth", "strip_fault"]

TOLERANCE_MM = 1e-6
"""What the checker allows."""


def overlap_depth(one: BaseGeometry, two: BaseGeometry) -> float:
    """Width of the widest part of the overlap of two shapes, mm, from below up to a factor of 2.

    For an overlap with area A and outline length P the widest inscribed disc has a diameter of at least
    A / P × 2 and at most 4 A / P; parts of the overlap are measured one by one.
    """
    common = one.intersection(two)
    depth = 0.0
    for part in shapely.get_parts(common):
        if isinstance(part, Polygon) and part.length > 0:
            depth = max(depth, 2.0 * part.area / part.length)
    return depth


def apart(one: BaseGeometry, two: BaseGeometry, gap_mm: float = 0.0) -> bool:
    """Whether two shapes keep the gap (0: their insides do not meet), within the tolerance."""
    if gap_mm > TOLERANCE_MM:
        return bool(one.distance(two) >= gap_mm - TOLERANCE_MM)
    return overlap_depth(one, two) <= TOLERANCE_MM


def first_fault(shapes: Sequence[Shape], *, gap_mm: float = 0.0) -> tuple[int, int] | None:
    """The first pair of placed shapes that do not keep the gap, or None."""
    if len(shapes) < 2:
        return None
    array = np.array(shapes, dtype=object)
    tree = shapely.STRtree(array)
    reach = [
        box(*s.bounds).buffer(gap_mm, join_style="mitre") if gap_mm > 0 else box(*s.bounds) for s in shapes
    ]
    left, right = tree.query(np.array(reach, dtype=object))
    for i, j in zip(left, right, strict=True):
        if i < j and not apart(shapes[i], shapes[j], gap_mm):
            return int(i), int(j)
    return None


def strip_fault(
    shapes: Sequence[Shape], length_mm: float, width_mm: float, *, gap_mm: float = 0.0, edge_mm: float = 0.0
) -> str | None:
    """What is wrong with placed shapes in a strip, in words, or None."""
    for number, shape in enumerate(shapes):
        x0, y0, x1, y1 = shape.bounds
        out = max(edge_mm - x0, edge_mm - y0, x1 - (length_mm - edge_mm), y1 - (width_mm - edge_mm))
        if not out <= TOLERANCE_MM:
            return f"piece {number} comes {out:.6g} mm too near to the strip's edge"
    pair = first_fault(shapes, gap_mm=gap_mm)
    return None if pair is None else f"pieces {pair[0]} and {pair[1]} are too near to each other"
