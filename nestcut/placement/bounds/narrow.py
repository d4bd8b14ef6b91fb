"""Upper bounds for regions with arms, notches and holes, and for pieces with notches.

*Filled dents.* Fix a radius t. Of each piece, grown by half the web, only what discs of radius t in it cover counts:
X₁, X₂, … are apart, and each is made of such discs. Let Cᵢ be what no disc of radius t reaches without meeting Xᵢ (the
closing), and Oᵢ what such discs in Cᵢ cover (so Xᵢ ⊂ Oᵢ ⊂ Cᵢ). The discs of X₂ keep clear of X₁, so of C₁. So a disc of
O₁ keeps clear of X₂, so of C₂: O₁ and O₂ are apart. In the same way they keep clear of what discs of radius t in the
region's outside cover. So the Oᵢ lie apart in the region with its own dents filled, where that is wide enough for such
discs. With a large t, arms too thin for a piece don't count; with a small one, the pieces lose nothing.

*Middles of discs, arm by arm.* Every piece holds a disc; their middles are some d apart. In a compact convex set of area A
and outline P no more than 2A/(√3 d²) + P/(2d) + 1 such points can lie (Groemer 1960; Oler 1961). Where middles
can lie is cut into pieces by straight lines, wherever that makes the sum over their convex hulls smaller.

Source: opening and closing of mathematical morphology (Matheron 1975); the argument and the cutting are our own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry

from nestcut.arithmetic import buffered

__all__ = [
    "count_of_points",
    "fewest_points",
    "filled_shapes",
    "free_for_discs",
    "opened_region",
]

_ARC = 16
"""Segments of a quarter of a round corner."""
_LIBRARY = 0.985
"""A library's buffer may smooth dents by a hundredth of the way: so much of it is counted on where more would be too much."""
_MOST_CUTS = 24
"""Lines that are tried for a piece."""
_MOST_PIECES = 24
"""Pieces that a shape is cut into at most: each makes the bound a little tighter, and slower."""
_MOST_CORNERS = 60
"""Shapes of more corners are not cut: it takes too long for a bound."""
_LEAST_MM = 0.1
"""Discs that are smaller fill everything: nothing is to be gained."""
_LEAST_MM2 = 1e-12
"""What rounding leaves of an area."""


def _polygons(shape: BaseGeometry) -> Polygon | MultiPolygon:
    parts = [p for p in shapely.get_parts(shape) if isinstance(p, Polygon) and p.area > _LEAST_MM2]
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def opened(shape: Polygon | MultiPolygon, radius_mm: float) -> Polygon | MultiPolygon:
    """From above: the part of a shape that discs of this radius, lying in it, cover (mm)."""
    core = buffered(shape, -_LIBRARY * radius_mm, _ARC)
    return _polygons(buffered(core, radius_mm / _LIBRARY, _ARC).intersection(shape))


def opened_from_below(shape: Polygon | MultiPolygon, radius_mm: float) -> Polygon | MultiPolygon:
    """A part of a shape all of which is covered by discs of this radius that lie in it (mm)."""
    boundary = shape.boundary
    for more in (1.002, 1.012, 1.1):
        core = buffered(shape, -radius_mm * more, _ARC)
        if core.is_empty:
            return Polygon()
        if shapely.distance(core, boundary) >= radius_mm and shape.covers(core):
            return _polygons(buffered(core, radius_mm * _LIBRARY, _ARC).intersection(shape))
    return Polygon()


def filled_from_below(shape: Polygon | MultiPolygon, radius_mm: float) -> Polygon | MultiPolygon:
    """The shape with its dents filled that no disc of this radius gets into, as far as such discs fill them (mm).

    The shape must be covered by discs of this radius that lie in it.
    """
    # What discs outside reach, from above: where their middles may lie, and more, grown by more than their radius.
    far = 4 * radius_mm
    frame = box(*shape.bounds).buffer(far, join_style="mitre")
    outside = frame.difference(buffered(shape, _LIBRARY * radius_mm, _ARC))
    reached = buffered(outside, radius_mm / _LIBRARY, _ARC)
    closed = _polygons(frame.difference(reached).union(shape))
    return _polygons(opened_from_below(closed, radius_mm).union(shape))


def opened_region(region: Polygon | MultiPolygon, radius_mm: float) -> Polygon | MultiPolygon:
    """From above: the region with its own dents filled in the same way, then opened (mm)."""
    closed = buffered(buffered(region, radius_mm / _LIBRARY, _ARC), -_LIBRARY * radius_mm, _ARC)
    return opened(_polygons(closed.union(region)), radius_mm)


def filled_shapes(
    shapes: Sequence[Polygon | MultiPolygon], share: float
) -> tuple[float, list[Polygon | MultiPolygon]]:
    """(radius, shapes with their dents filled by it), mm; the shapes may be empty.

    ``share``: of the radius of the largest disc in the thinnest of the shapes, for the radius.
    """
    radius, bodies = _filled_shapes(tuple(shape.wkb for shape in shapes), share)
    return radius, [shapely.from_wkb(one) for one in bodies]


@lru_cache(maxsize=256)
def _filled_shapes(shapes: tuple[bytes, ...], share: float) -> tuple[float, tuple[bytes, ...]]:
    """Kept by content: scrap after scrap is filled with the same pieces."""
    whole = [shapely.from_wkb(one) for one in shapes]
    radius = share * min(inner_radius(shape) for shape in whole)
    if radius <= _LEAST_MM:
        return radius, tuple(Polygon().wkb for _ in whole)
    return radius, tuple(filled_from_below(opened_from_below(shape, radius), radius).wkb for shape in whole)


def inner_radius(shape: Polygon | MultiPolygon) -> float:
    """A radius, from below, of a disc inside the shape."""
    if shape.is_empty:
        return 0.0
    largest = max(shapely.get_parts(shape), key=lambda part: part.area)
    line = shapely.maximum_inscribed_circle(largest, tolerance=0.01)
    middle = shapely.Point(line.coords[0])
    return float(largest.boundary.distance(middle)) if largest.contains(middle) else 0.0


def free_for_discs(room: Polygon | MultiPolygon, radius_mm: float) -> Polygon | MultiPolygon:
    """From above: where the middles of discs of this radius can lie (mm)."""
    return _polygons(buffered(room, -_LIBRARY * radius_mm, _ARC))


def count_of_points(shape: BaseGeometry, apart_mm: float) -> int:
    """Most points that can lie so far apart in the convex hull of a shape (Groemer, Oler)."""
    hull = shapely.convex_hull(shape)
    if hull.is_empty:
        return 0
    outline = hull.length if isinstance(hull, Polygon) else 2 * hull.length
    return math.floor(
        2 * hull.area / (math.sqrt(3) * apart_mm * apart_mm) + outline / (2 * apart_mm) + 1 + 1e-9
    )


def fewest_points(free: Polygon | MultiPolygon, apart_mm: float) -> int:
    """Most points so far apart in a region, summed over pieces that it is cut into (mm).

    Cuts are chosen greedily; whatever they are, every point lies in a piece.
    """
    total = 0
    budget = [_MOST_PIECES]
    for piece in shapely.get_parts(free):
        total += _cut(piece, apart_mm, budget)
    return total


def _cut(piece: BaseGeometry, apart_mm: float, budget: list[int]) -> int:
    whole = count_of_points(piece, apart_mm)
    if whole <= 1 or budget[0] <= 0 or piece.area > 0.98 * piece.convex_hull.area:
        return whole
    best: tuple[float, list[BaseGeometry]] | None = None
    for sides in _halves(piece):
        worth = sum(_about(side, apart_mm) for side in sides)
        if best is None or worth < best[0]:
            best = worth, sides
    if best is None or best[0] >= _about(piece, apart_mm) + 1:
        return whole
    budget[0] -= 1
    return min(whole, sum(_cut(side, apart_mm, budget) for side in best[1]))


def _about(shape: BaseGeometry, apart_mm: float) -> float:
    """The count without rounding down: what tells cuts from each other."""
    hull = shapely.convex_hull(shape)
    outline = hull.length if isinstance(hull, Polygon) else 2 * hull.length
    return 2 * hull.area / (math.sqrt(3) * apart_mm * apart_mm) + outline / (2 * apart_mm) + 1


def _halves(piece: BaseGeometry) -> list[list[BaseGeometry]]:
    """The piece cut by straight lines, upright and level, at its dents and holes."""
    hull = piece.convex_hull
    corners = shapely.get_coordinates(piece)
    if len(corners) > _MOST_CORNERS:
        corners = shapely.get_coordinates(piece.simplify(0.5))
    inner = corners[shapely.distance(shapely.points(corners), hull.boundary) > 0.2]
    left, top, right, bottom = piece.bounds
    found: list[list[BaseGeometry]] = []
    for axis, (low, high) in enumerate(((left, right), (top, bottom))):
        places = np.unique(np.round(inner[:, axis], 1)) if len(inner) else np.zeros(0)
        if len(places) > _MOST_CUTS // 2:
            places = places[np.linspace(0, len(places) - 1, _MOST_CUTS // 2).astype(int)]
        for place in places.tolist():
            if not low + 1e-6 < place < high - 1e-6:
                continue
            cut = (box(left, top, place, bottom), box(place, top, right, bottom))
            if axis:
                cut = (box(left, top, right, place), box(left, place, right, bottom))
            # What only touches the line from its other side lies in the other half.
            sides = [
                part
                for half in cut
                for part in shapely.get_parts(piece.intersection(half))
                if isinstance(part, Polygon)
            ]
            if sides:
                found.append(sides)
    return found
