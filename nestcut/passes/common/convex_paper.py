"""Convex paper outlines with few corners that surely contain what they must."""

from __future__ import annotations

import math

import numpy as np
from shapely.geometry import MultiPoint, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from nestcut.arithmetic import angle_of, dot, lengths_of, sine_cosine

__all__ = ["grown_hull", "hull_through"]

# Corners sharper than this get a further side, so that an outline does not run out into a spike.
SHARPEST = math.radians(31.0)
# A safety hair on top of the wanted margin: corners are rounded to 0.00001 mm.
HAIR_MM = 3e-5


def _sides(points: np.ndarray) -> list[float]:
    """Directions of the outward normals of a convex hull's sides, rising, radians."""
    steps = np.roll(points, -1, axis=0) - points
    steps = steps[lengths_of(steps) > 1e-9]
    return sorted({round(float(angle_of(-dx, dy)), 12) for dx, dy in steps})


def _with_further_sides(angles: list[float]) -> list[float]:
    result = []
    for here, after in zip(angles, [*angles[1:], angles[0] + 2 * math.pi], strict=True):
        result.append(here)
        parts = math.ceil((after - here) / SHARPEST)
        result.extend(here + (after - here) * k / parts for k in range(1, parts))
    return result


def _corner(a: float, ca: float, b: float, cb: float) -> tuple[float, float]:
    """Where the lines n(a)·p = ca and n(b)·p = cb meet."""
    (sin_a, cos_a), (sin_b, cos_b) = sine_cosine(a), sine_cosine(b)
    det = sine_cosine(b - a)[0]
    x = (ca * sin_b - cb * sin_a) / det
    y = (cb * cos_a - ca * cos_b) / det
    return x, y


def _corners(lines: list[tuple[float, float]]) -> list[tuple[float, float]]:
    return [_corner(*lines[k], *lines[(k + 1) % len(lines)]) for k in range(len(lines))]


def _area(corners: list[tuple[float, float]]) -> float:
    total = 0.0
    for (ax, ay), (bx, by) in zip(corners, [*corners[1:], corners[0]], strict=True):
        total += ax * by - bx * ay
    return abs(total) / 2


def _gain(lines: list[tuple[float, float]], k: int, kept: set[float]) -> float:
    """How much area is added where side k is left out, mm²; infinite where it has to stay."""
    before, here, after = lines[k - 1], lines[k], lines[(k + 1) % len(lines)]
    if here[0] in kept or (after[0] - before[0]) % (2 * math.pi) > math.radians(110):
        return math.inf
    (ax, ay), (bx, by), (tx, ty) = _corner(*before, *here), _corner(*here, *after), _corner(*before, *after)
    return abs((bx - ax) * (ty - ay) - (by - ay) * (tx - ax)) / 2


def grown_hull(shape: BaseGeometry, by_mm: float, *, added: float = 0.02) -> Polygon:
    """A convex polygon with few corners that contains all points within ``by_mm`` of the shape.

    Args:
        shape: anything with area, mm.
        by_mm: margin, mm, 0 or more.
        added: how much larger than the tightest such polygon it may be to save corners, a share.
    Source: supporting lines of the convex hull, moved outward (Minkowski sum with a disc).
    """
    points = np.asarray(orient(shape.convex_hull).exterior.coords)[:-1]
    lines = []
    level = [0.0, math.pi / 2, -math.pi / 2, round(math.pi, 12)]
    # Sides square to the plate stay, so that the box around the outline is the tightest one.
    kept = set(level)
    sides = [a for a in _sides(points) if all(abs(math.remainder(a - b, 2 * math.pi)) > 1e-3 for b in level)]
    for angle in _with_further_sides(sorted([*sides, *level])):
        lines.append((angle, float(dot(points, *sine_cosine(angle)[::-1]).max()) + by_mm + HAIR_MM))
    budget = _area(_corners(lines)) * added
    gains = [_gain(lines, k, kept) for k in range(len(lines))]
    while len(lines) > 4:
        best = min(range(len(lines)), key=gains.__getitem__)
        if gains[best] > budget:
            break
        budget -= gains[best]
        lines.pop(best)
        gains.pop(best)
        # Only the neighbours of a side that went have another triangle to add now.
        for k in (best - 1, best % len(lines)):
            gains[k] = _gain(lines, k, kept)
    return Polygon([(round(x, 5), round(y, 5)) for x, y in _corners(lines)])


def hull_through(outline: Polygon, point: tuple[float, float]) -> Polygon:
    """The convex hull of an outline and a further point."""
    return MultiPoint([*outline.exterior.coords[:-1], point]).convex_hull
