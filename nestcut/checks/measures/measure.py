"""Measuring: signed distances between shapes, and many copies of a shape at once.

Touching shapes are the normal case here (papers side by side, a cut exactly at its limit), so
"overlaps" is never asked of a library predicate alone: a rounding error of 1e-13 mm would count.
Instead depths are measured in millimetres and compared with the tolerance by the caller.
All depths are least values: some point really lies that deep. So a fault is never a false alarm.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.checks.measures.report import TOLERANCE_MM

__all__ = [
    "clearance",
    "filled",
    "near_pairs",
    "overlap_depth",
    "place_many",
    "polygons_in",
    "sticking_out",
    "turn_matrices",
]

MANY = 4_000_000
"""Points times corners from which on a tree pays."""

Floats = NDArray[np.float64]
Geometries = NDArray[np.object_]


def polygons_in(geometry: BaseGeometry) -> list[Polygon]:
    """The polygons of any geometry; points and lines are dropped."""
    if geometry.geom_type == "Polygon":
        return [] if geometry.is_empty else [geometry]
    parts = shapely.get_parts(geometry)
    found: list[Polygon] = []
    for part in parts:
        if part.geom_type == "Polygon":
            if not part.is_empty:
                found.append(part)
        elif hasattr(part, "geoms"):
            found.extend(polygons_in(part))
    return found


def filled(shape: BaseGeometry) -> BaseGeometry:
    """The shape with its holes closed: what is gone from the paper once the middle has fallen out."""
    return shapely.union_all([Polygon(part.exterior) for part in polygons_in(shape)])


def _probe_points(polygon: Polygon) -> Geometries:
    """Vertices and edge middles of all rings."""
    probes = []
    for ring in (polygon.exterior, *polygon.interiors):
        corners = shapely.get_coordinates(ring)[:-1]
        probes += [corners, (corners + np.roll(corners, -1, axis=0)) / 2]
    return shapely.points(np.concatenate(probes))


def _inner_radius(polygon: Polygon) -> float:
    """Radius of a large disc inside, mm; 0 when no disc beyond the tolerance fits."""
    if polygon.buffer(-TOLERANCE_MM).is_empty:
        return 0.0
    return float(shapely.maximum_inscribed_circle(polygon, tolerance=1e-4).length)


def _farthest(points: Geometries, shape: BaseGeometry) -> float:
    """The distance of the point that is farthest from the shape, mm."""
    corners = shapely.get_coordinates(shape)
    if len(points) * len(corners) < MANY or shape.geom_type not in ("LineString", "MultiLineString"):
        far = float(shapely.distance(points, shape).max())
        return math.inf if math.isnan(far) else far  # what can't be measured is not let through
    # A tree of the sides: the plain way goes through all of them for each point.
    lines = [shapely.get_coordinates(line) for line in shapely.get_parts(shape)]
    sides = np.concatenate([np.stack([line[:-1], line[1:]], axis=1) for line in lines])
    tree = shapely.STRtree(shapely.linestrings(sides))
    _, distances = tree.query_nearest(points, return_distance=True, all_matches=False)
    return float(distances.max())


def sticking_out(inner: BaseGeometry, outer: BaseGeometry) -> float:
    """How far ``inner`` reaches beyond ``outer``, mm; 0 when it is contained."""
    if outer.covers(inner):
        return 0.0
    deepest = 0.0
    edge = outer.boundary
    for part in polygons_in(shapely.difference(inner, outer)):
        # What lies outside is as far from the shape as from its outline.
        deepest = max(deepest, _farthest(_probe_points(part), edge))
        if deepest <= TOLERANCE_MM:
            # A closed opening has all its corners on the boundary: look at its middle, too.
            deepest = max(deepest, _inner_radius(part))
    return deepest


def overlap_depth(a: BaseGeometry, b: BaseGeometry) -> float:
    """How deep some point of one lies in the other, mm; 0 when they only touch."""
    edge_a, edge_b = a.boundary, b.boundary
    deepest = 0.0
    for part in polygons_in(shapely.intersection(a, b)):
        probes = _probe_points(part)
        deepest = max(
            deepest,
            _farthest(probes, edge_a),
            _farthest(probes, edge_b),
        )
        if deepest <= TOLERANCE_MM:
            deepest = max(deepest, _inner_radius(part))
    return deepest


def clearance(a: BaseGeometry, b: BaseGeometry) -> float:
    """Distance between two shapes, mm; where they overlap, minus the depth."""
    distance = float(shapely.distance(a, b))
    return distance if distance > 0.0 else -overlap_depth(a, b)


def near_pairs(shapes: Geometries, reach_mm: float) -> Iterator[tuple[int, int]]:
    """Pairs i < j that may be nearer than the reach, from a tree of boxes, a few shapes at a time.

    So whoever asks may stop early: a heap of dies in one place has more pairs than memory.
    """
    tree = shapely.STRtree(shapes)
    for start in range(0, len(shapes), 100):
        near = tree.query(shapes[start : start + 100], predicate="dwithin", distance=reach_mm)
        yield from ((start + i, j) for i, j in near.T.tolist() if start + i < j)


def turn_matrices(degrees: Floats) -> Floats:
    """(n, 2, 2) turn matrices [[cos, −sin], [sin, cos]]; quarter turns are exact."""
    degrees = np.asarray(degrees, dtype=float)
    angle = np.radians(degrees)
    cos, sin = np.cos(angle), np.sin(angle)
    quarter = degrees / 90.0
    exact = quarter == np.round(quarter)
    which = np.mod(np.where(exact, quarter, 0.0), 4).astype(int)
    cos = np.where(exact, np.array([1.0, 0.0, -1.0, 0.0])[which], cos)
    sin = np.where(exact, np.array([0.0, 1.0, 0.0, -1.0])[which], sin)
    return np.stack([np.stack([cos, -sin], axis=-1), np.stack([sin, cos], axis=-1)], axis=-2)


def place_many(shapes: Geometries, linear: Floats, shift: Floats) -> Geometries:
    """Each of n shapes under its own affine map p → linear·p + shift.

    Args:
        shapes: (n,) geometries; one may stand there many times.
        linear: (n, 2, 2).
        shift: (n, 2), mm.
    """
    corners, owner = shapely.get_coordinates(shapes, return_index=True)
    moved = np.einsum("nij,nj->ni", linear[owner], corners) + shift[owner]
    return shapely.set_coordinates(shapes.copy(), moved)
