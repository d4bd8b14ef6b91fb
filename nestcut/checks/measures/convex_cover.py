"""A shape covered from inside by a few large convex parts, which may overlap.

Overlapping parts leave no seams: between two parts that only meet, a prover would see a way through.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from nestcut.checks.measures.measure import polygons_in

__all__ = ["convex_cover", "grown_hull"]

MOST_PARTS = 8
"""Convex parts, at most: what is left uncovered makes a proof weaker, not wrong."""
ENOUGH = 0.995
"""Share of the area that is covered before small parts are left out."""
AS_CONVEX = 1e-9
"""Relative: a union this near to its hull's area is convex but for rounding errors."""


def convex_cover(shape: BaseGeometry, *, most_parts: int = MOST_PARTS) -> list[Polygon]:
    """Convex parts inside the shape (within rounding errors of 1e-7 mm), the largest first.

    Each is grown from a triangle by adding neighbours as long as the union stays convex; parts are then
    chosen greedily by the area that they add.
    Source: constrained Delaunay triangulation; merging after Hertel & Mehlhorn (1983), started anew
    from every triangle.
    """
    candidates: dict[bytes, Polygon] = {}
    for polygon in polygons_in(shape):
        triangles = polygons_in(shapely.constrained_delaunay_triangles(polygon))
        for seed in range(len(triangles)):
            part = _grown_from(seed, triangles)
            candidates[part.normalize().wkb] = part
    parts = sorted(candidates.values(), key=lambda part: -part.area)
    chosen: list[Polygon] = []
    rest = shape
    while parts and len(chosen) < most_parts and rest.area > (1 - ENOUGH) * shape.area:
        gains = [rest.intersection(part).area for part in parts]
        best = int(np.argmax(gains))
        if gains[best] <= 0.0:
            break
        chosen.append(parts.pop(best))
        rest = rest.difference(chosen[-1])
    return chosen


def _grown_from(seed: int, triangles: list[Polygon]) -> Polygon:
    part = triangles[seed]
    left = set(range(len(triangles))) - {seed}
    grew = True
    while grew:
        grew = False
        touching = [i for i in left if part.intersects(triangles[i])]
        for i in sorted(touching, key=lambda i: -triangles[i].area):
            hull = part.union(triangles[i]).convex_hull
            if hull.area - part.area - triangles[i].area <= AS_CONVEX * hull.area:
                part = hull
                left.discard(i)
                grew = True
    return part


def grown_hull(part: Polygon, by_mm: float, sides: int = 16) -> NDArray[np.float64]:
    """Corners, counter-clockwise, of a convex part grown by a polygon inscribed in the disc of this radius."""
    corners = shapely.get_coordinates(part.exterior)[:-1]
    if by_mm > 0.0:
        angle = np.arange(sides) * (2 * np.pi / sides)
        disc = by_mm * np.column_stack([np.cos(angle), np.sin(angle)])
        corners = (corners[:, None, :] + disc[None, :, :]).reshape(-1, 2)
    hull = shapely.convex_hull(shapely.multipoints(corners))
    return shapely.get_coordinates(orient(hull, 1.0).exterior)[:-1]
