"""Growing and shrinking polygons by a distance, on the safe side.

The grown shape is the Minkowski sum with a disc: a strip along each edge and a sector at each bulging
vertex, united. Strips are exact; a sector is bounded by tangents of its arc, not by chords, so that the
result contains the true sum.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.polygon import orient

from nestcut.arithmetic import angle_of, angles_of, lengths_of, sine_cosine
from nestcut.outlines.shapes.flatten import simplify_polygon
from nestcut.outlines.shapes.types import Shape

__all__ = ["fill_holes", "grow_outline", "outline_size", "shrink_outline"]

Floats = NDArray[np.float64]

_TINY_MM2 = 1e-6


def grow_outline(shape: Shape, by_mm: float, *, tolerance_mm: float = 0.02) -> Shape:
    """The shape and everything within ``by_mm`` of it; holes shrink, and close when they are narrow.

    Args:
        shape: valid polygon or multipolygon, mm.
        by_mm: distance, mm, 0 or more.
        tolerance_mm: farthest the result may reach beyond the true offset, mm (at corners and curves).
    Returns: a shape that contains the true offset; straight edges of it are exact.
    Source: Minkowski sum with a disc of radius ``by_mm``.
    """
    if by_mm < 0:
        raise ValueError("by_mm must be 0 or more; use shrink_outline")
    if by_mm == 0 or shape.is_empty:
        return shape
    parts = [*_parts(shape), *_rind(shape, by_mm, tolerance_mm * 0.06, outward=True)]
    return _tidied(shapely.union_all(parts), tolerance_mm * 0.93)


def shrink_outline(shape: Shape, by_mm: float, *, tolerance_mm: float = 0.02) -> Shape:
    """The points of the shape that are at least ``by_mm`` from its boundary. May be empty or fall apart.

    Args:
        shape: valid polygon or multipolygon, mm.
        by_mm: distance, mm, 0 or more.
        tolerance_mm: farthest the result may stay behind the true inner offset, mm.
    Returns: a shape that is contained in the true inner offset; straight edges of it are exact.
    """
    if by_mm < 0:
        raise ValueError("by_mm must be 0 or more; use grow_outline")
    if by_mm == 0 or shape.is_empty:
        return shape
    rind = shapely.union_all(_rind(shape, by_mm, tolerance_mm, outward=False))
    left = shape.difference(rind)
    parts = [p for p in _parts(left) if p.area > _TINY_MM2]
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def fill_holes(shape: Shape) -> Shape:
    """The shape without its holes."""
    filled = shapely.union_all([Polygon(part.exterior) for part in _parts(shape)])
    return filled


def outline_size(shape: Shape) -> tuple[float, float]:
    """Width and height of the bounding box, mm."""
    x0, y0, x1, y1 = shape.bounds
    return (x1 - x0, y1 - y0)


def _parts(shape: shapely.Geometry) -> list[Polygon]:
    if isinstance(shape, Polygon):
        return [] if shape.is_empty else [shape]
    return [p for g in getattr(shape, "geoms", []) for p in _parts(g)]


def _rind(shape: Shape, by_mm: float, error_mm: float, *, outward: bool) -> list[Polygon]:
    """Strips along the edges and sectors at the corners, on the outer or the inner side of the boundary."""
    near, far = by_mm, by_mm + error_mm
    step = 2 * angle_of(math.sqrt((far - near) * (far + near)), near)
    rind: list[Polygon] = []
    for part in _parts(shape):
        part = orient(part, 1.0)  # solid on the left of every ring
        for ring in (part.exterior, *part.interiors):
            points = np.asarray(ring.coords)[:-1, :2]
            rind += _along_ring(points if outward else points[::-1], by_mm, step)
    return rind


def _along_ring(v: Floats, by_mm: float, step: float) -> list[Polygon]:
    """Bands on the right of a ring: strips, with the sectors of the bulging vertices between them, in one
    polygon as long as they turn by a right angle or less (then a band can't cross itself)."""
    v = v[lengths_of(np.roll(v, -1, axis=0) - v) > 0]
    n = len(v)
    edge = np.roll(v, -1, axis=0) - v
    unit = edge / lengths_of(edge)[:, None]
    out = by_mm * np.column_stack([unit[:, 1], -unit[:, 0]])
    came = np.roll(unit, 1, axis=0)
    turn = angles_of(came[:, 0] * unit[:, 1] - came[:, 1] * unit[:, 0], (came * unit).sum(axis=1))
    bands: list[Polygon] = []
    k = 0
    while k < n:
        # A band: edges k..last, preceded by the sector at vertex k if that bulges.
        tips = _sector(v[k], out[k - 1], out[k], turn[k], step) if turn[k] > 0 else [v[k] + out[k]]
        base, outer, total = [v[k], v[(k + 1) % n]], [*tips, v[(k + 1) % n] + out[k]], max(0.0, turn[k])
        if total > math.pi / 2:
            bands.append(Polygon([v[k], *tips]))
            base, outer, total = base, [v[k] + out[k], v[(k + 1) % n] + out[k]], 0.0
        last = k
        while last + 1 < n and turn[last + 1] > 0 and total + turn[last + 1] <= math.pi / 2:
            last += 1
            total += turn[last]
            outer += _sector(v[last], out[last - 1], out[last], turn[last], step)
            base.append(v[(last + 1) % n])
            outer.append(v[(last + 1) % n] + out[last])
        bands.append(Polygon([*base, *reversed(outer)]))
        k = last + 1
    return bands


def _sector(at: Floats, before: Floats, after: Floats, turn: float, step: float) -> list[Floats]:
    """Tangents of the arc around a bulging vertex: its two ends and the tips between them."""
    pieces = max(1, math.ceil(turn / step))
    part = turn / pieces
    reach = 1 / sine_cosine(part / 2)[1]
    tips = []
    for n in range(pieces):
        angle = (n + 0.5) * part
        sin, cos = (reach * part for part in sine_cosine(angle))
        tips.append(at + np.array([cos * before[0] - sin * before[1], sin * before[0] + cos * before[1]]))
    return [at + before, *tips, at + after]


def _tidied(shape: shapely.Geometry, tolerance_mm: float) -> Shape:
    parts = []
    for part in _parts(shape):
        # Specks where strips meet up to rounding are not openings.
        solid = Polygon(part.exterior, [h for h in part.interiors if Polygon(h).area > _TINY_MM2])
        parts.append(simplify_polygon(solid, tolerance_mm))
    if len(parts) == 1:
        return parts[0]
    # Simplified parts may have grown into each other where they nearly met.
    together = shapely.union_all(parts)
    return together if isinstance(together, Polygon) else MultiPolygon(_parts(together))
