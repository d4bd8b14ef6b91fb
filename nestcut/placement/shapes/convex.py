"""Cut a shape into convex parts, and add convex parts up.

No-fit regions are unions of Minkowski sums of convex parts (:mod:`nestcut.placement.shapes.nofit`), and the
compaction step separates convex parts by straight lines, so both start here.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from nestcut.arithmetic import angles_of, length_of
from nestcut.batch.model import Shape

__all__ = ["Points", "convex_parts", "convex_sum", "drop_collinear", "ring_area"]

Points = NDArray[np.float64]
"""Vertices of a ring, shape (n, 2), mm, first vertex not repeated."""


def ring_area(ring: Points) -> float:
    """Signed area of a ring, mm²: positive when it runs counter-clockwise (in axes x right, y up)."""
    x, y = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    return 0.5 * float((x * _after(y) - y * _after(x)).sum())


def _after(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """What follows each value of a ring (``np.roll`` takes three times as long)."""
    return np.concatenate((values[1:], values[:1]))


def drop_collinear(ring: Points, *, tolerance_mm: float = 0.0) -> Points:
    """The ring without repeated vertices and without vertices on the line of their neighbours."""
    kept = [ring[i] for i in range(len(ring))]
    changed = True
    while changed and len(kept) > 3:
        changed = False
        for i in range(len(kept)):
            a, b, c = kept[i - 1], kept[i], kept[(i + 1) % len(kept)]
            u, v = b - a, c - b
            base = length_of(*(c - a))
            height = abs(u[0] * v[1] - u[1] * v[0]) / base if base > 0 else 0.0
            along = float(u[0] * v[0] + u[1] * v[1]) >= 0.0
            if not u.any() or not v.any() or (along and height <= tolerance_mm):
                del kept[i]
                changed = True
                break
    return np.array(kept)


def convex_parts(shape: Shape) -> list[Points]:
    """Convex parts whose union is the shape and whose insides are apart.

    Args:
        shape: polygon or multipolygon, holes allowed, mm.
    Returns: rings, counter-clockwise, (n, 2), mm. Only vertices of the shape are used, so nothing is rounded.
    Source: constrained Delaunay triangles (GEOS), joined across diagonals that convexity does not need
        (Hertel & Mehlhorn 1983).
    """
    polygons = list(shape.geoms) if isinstance(shape, MultiPolygon) else [shape]
    parts: list[Points] = []
    for polygon in polygons:
        if polygon.is_empty:
            continue
        if not polygon.interiors:
            ring = np.asarray(polygon.exterior.coords, dtype=float)[:-1, :2]
            if ring_area(ring) < 0:
                ring = ring[::-1]
            if _is_convex(ring):
                parts.append(_tidy(ring))
                continue
        parts.extend(_parts_of(polygon))
    return parts


def _tidy(ring: Points) -> Points:
    """A convex ring without repeated and exactly collinear vertices."""
    if len(ring) > 3:
        ring = drop_collinear(ring)
    return ring


def _is_convex(ring: Points) -> bool:
    edges = _after(ring) - ring
    edges = edges[edges.any(axis=1)]
    after = _after(edges)
    cross = edges[:, 0] * after[:, 1] - edges[:, 1] * after[:, 0]
    if (cross < 0).any():
        return False
    turning = angles_of(cross, (edges * after).sum(axis=1)).sum()
    return bool(turning < 2 * np.pi + 1e-3)


def _parts_of(polygon: Polygon) -> list[Points]:
    triangles = shapely.get_parts(shapely.constrained_delaunay_triangles(polygon))
    if abs(float(shapely.area(triangles).sum()) - polygon.area) > 1e-9 * max(polygon.area, 1e-300):
        # Nearly equal vertices can upset the triangulation: repair, and take what is right in area.
        triangles = shapely.get_parts(
            shapely.constrained_delaunay_triangles(polygon.buffer(0, join_style="mitre"))
        )
    index: dict[tuple[float, float], int] = {}
    points: list[tuple[float, float]] = []
    rings: list[list[int]] = []
    for corners in shapely.get_coordinates(triangles).reshape(-1, 4, 2)[:, :3].tolist():
        (ax, ay), (bx, by), (cx, cy) = corners
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area == 0.0:
            continue
        numbers = []
        for x, y in reversed(corners) if area < 0 else corners:
            key = (x, y)
            if key not in index:
                index[key] = len(points)
                points.append(key)
            numbers.append(index[key])
        rings.append(numbers)
    best: list[list[int]] | None = None
    for order in ("long", "short", "plain"):
        joined = _join(rings, points, order)
        if best is None or len(joined) < len(best):
            best = joined
    xy = np.array(points)
    return [_tidy(xy[ring]) for ring in best or []]


def _join(rings: Iterable[list[int]], points: list[tuple[float, float]], order: str) -> list[list[int]]:
    """Take away diagonals as long as both sides stay convex together."""
    parts: dict[int, list[int]] = dict(enumerate(list(ring) for ring in rings))
    owner: dict[tuple[int, int], int] = {}
    for number, ring in parts.items():
        for a, b in zip(ring, ring[1:] + ring[:1], strict=True):
            owner[(a, b)] = number
    diagonals = [(a, b) for (a, b) in owner if a < b and (b, a) in owner]

    def length(diagonal: tuple[int, int]) -> float:
        (ax, ay), (bx, by) = points[diagonal[0]], points[diagonal[1]]
        return float((ax - bx) * (ax - bx) + (ay - by) * (ay - by))

    if order != "plain":
        diagonals.sort(key=length, reverse=order == "long")

    def turns_left(a: int, b: int, c: int) -> bool:
        (ax, ay), (bx, by), (cx, cy) = points[a], points[b], points[c]
        return (bx - ax) * (cy - by) - (by - ay) * (cx - bx) >= 0.0

    for a, b in diagonals:
        left, right = owner[(a, b)], owner[(b, a)]
        if left == right:
            continue
        one, two = parts[left], parts[right]
        i, j = one.index(a), two.index(b)
        one = one[i + 1 :] + one[: i + 1]  # b … a
        two = two[j + 1 :] + two[: j + 1]  # a … b
        if not turns_left(one[-2], a, two[1]) or not turns_left(two[-2], b, one[1]):
            continue
        merged = one + two[1:-1]
        if len(set(merged)) < len(merged):
            continue
        parts[left] = merged
        del parts[right]
        for p, q in itertools.pairwise(two):
            owner[(p, q)] = left
        del owner[(a, b)], owner[(b, a)]
    return list(parts.values())


def convex_sum(one: Points, two: Points) -> Points:
    """Minkowski sum of two convex rings (counter-clockwise), a convex ring, mm.

    Source: merging the edges by direction (de Berg et al., Computational Geometry, section 13.3).
    """
    edges = np.concatenate((_after(one) - one, _after(two) - two))
    first = one[np.lexsort((one[:, 0], one[:, 1]))[0]] + two[np.lexsort((two[:, 0], two[:, 1]))[0]]
    # From the lowest (then leftmost) vertex the edges run through all directions in order, measured along the
    # square |x| + |y| = 1: that needs no sines.
    share = edges[:, 0] / np.maximum(np.abs(edges[:, 0]) + np.abs(edges[:, 1]), 1e-300)
    edges = edges[np.argsort(np.where(edges[:, 1] >= 0.0, 1.0 - share, 3.0 + share), kind="stable")]
    ring = np.concatenate(([first], first + np.cumsum(edges[:-1], axis=0)))
    return ring
