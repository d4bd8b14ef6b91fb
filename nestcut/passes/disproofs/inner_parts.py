"""Few convex parts that overlap and together nearly fill a shape, from inside.

Proofs of "no room" look at every pair of convex parts of two rims, turned and shrunk. Parts that only touch
along their seams lose a strip at every seam when each of them is shrunk, and a blossom cut into triangles has
twenty of them. Parts that overlap lose next to nothing inside the shape, and a handful of them will do.

Method: own. From a point inside, the shape is cut along lines through its notches, always keeping the side of
the point that has most area, until what is left is convex; the next point lies in the thickest part not covered.
"""

from __future__ import annotations

import heapq
import itertools
import math

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.polygon import orient
from shapely.ops import polylabel, split

from nestcut.arithmetic import angle_of, buffered, dot, length_of
from nestcut.batch.model import Shape

__all__ = ["inner_parts"]

MOST_PARTS, CUT_OUT = 12, 6
LEFT_OVER = 0.005
"""A part that would cover no more than this share of the shape is left out."""
MOST_CUTS = 60
"""Cuts of a shape into convex parts, at most."""
FLAT = 1e-9
"""Corners that turn by less are straight: rounding."""
HAIR_MM = 1e-6
"""Parts are shrunk by this, so that rounding makes none overlap: what the checker allows."""
UNCOVERED = 20.0
"""How much more a cut counts what is not covered yet than what is."""


def _rings(shape: Shape) -> list[Polygon]:
    return [part for part in shapely.get_parts(shape) if isinstance(part, Polygon) and not part.is_empty]


def _notches(polygon: Polygon) -> list[tuple[float, np.ndarray, np.ndarray, np.ndarray]]:
    """(how deep the turn is, notch, the way in, the way out) of every corner that turns inwards, holes' as well."""
    found = []
    polygon = orient(polygon, 1.0)
    for ring in (polygon.exterior, *polygon.interiors):
        points = np.asarray(ring.coords)[:-1, :2]
        before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
        cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
        for index in np.flatnonzero(cross < -FLAT):
            turn = angle_of(-cross[index], float(dot(before[index], *after[index])))
            found.append((turn, points[index], before[index], after[index]))
    return found


def _side(polygon: Polygon, at: np.ndarray, along: np.ndarray, seed: Point) -> Polygon | None:
    """The piece that holds the seed after a cut through ``at``."""
    length = length_of(*along)
    if length < FLAT:
        return None
    x0, y0, x1, y1 = polygon.bounds
    reach = 2.0 * (length_of(x1 - x0, y1 - y0) + 1.0)
    way = along / length * reach
    pieces = split(polygon, LineString([at - way, at + way]))
    for piece in pieces.geoms:
        if isinstance(piece, Polygon) and piece.distance(seed) <= FLAT:
            return piece
    return None


def _convex_around(polygon: Polygon, seed: Point, left: Shape) -> Polygon | None:
    """A convex part of the polygon that holds the seed and much of what is left uncovered."""

    def worth(side: Polygon) -> float:
        return side.area + UNCOVERED * side.intersection(left).area

    piece = polygon
    for _ in range(MOST_CUTS):
        notches = _notches(piece)
        if not notches:
            return piece
        _, at, before, after = max(notches, key=lambda notch: notch[0])
        middle = before / length_of(*before) + after / length_of(*after)
        sides = [_side(piece, at, along, seed) for along in (before, after, middle)]
        kept = [side for side in sides if side is not None and side.area < piece.area * (1 - 1e-9)]
        if not kept:
            return None
        piece = max(kept, key=worth)
    return None


def _grown_parts(polygon: Polygon) -> list[Polygon]:
    """Triangles joined with their neighbours for as long as what they make up is convex, from each anew.

    Source: after Hertel & Mehlhorn 1983.
    """
    triangles = _rings(shapely.constrained_delaunay_triangles(polygon))
    sides: dict[tuple[tuple[float, float], ...], list[int]] = {}
    for number, triangle in enumerate(triangles):
        corners = list(triangle.exterior.coords)
        for p, q in itertools.pairwise(corners):
            sides.setdefault(tuple(sorted((p, q))), []).append(number)
    near: dict[int, set[int]] = {number: set() for number in range(len(triangles))}
    for pair in sides.values():
        for one in pair:
            near[one] |= set(pair) - {one}
    found: dict[frozenset[int], Polygon] = {}
    for seed in range(len(triangles)):
        inside, part = {seed}, triangles[seed]
        moved = True
        while moved:
            moved = False
            around = {n for one in inside for n in near[one]} - inside
            for number in sorted(around, key=lambda n: (-triangles[n].area, n)):
                hull = part.union(triangles[number]).convex_hull
                if hull.area - part.area - triangles[number].area <= FLAT * hull.area:
                    inside.add(number)
                    part, moved = hull, True
        found.setdefault(frozenset(inside), part)
    # Hulls of many unions gather rounding errors: less a hair they lie inside for certain.
    return [p for part in found.values() for p in _rings(part.buffer(-HAIR_MM, join_style="mitre"))]


def _cut_parts(polygon: Polygon) -> list[Polygon]:
    """Parts cut out around points of what is uncovered yet."""
    own: list[Polygon] = []
    left: Shape = polygon
    while len(own) < CUT_OUT:
        pieces = [piece for piece in _rings(left) if piece.area > LEFT_OVER * polygon.area]
        if not pieces:
            break
        thickest = max(pieces, key=lambda piece: piece.area)
        seed = polylabel(thickest, tolerance=0.05 * math.sqrt(thickest.area))
        part = _convex_around(polygon, seed, left)
        if part is None:
            break
        own.append(part)
        left = left.difference(buffered(part, HAIR_MM))
    return own


def inner_parts(shape: Shape) -> list[Polygon]:
    """Convex parts, mm, the ones that cover most first. They lie inside the shape up to rounding (1e-9 mm or so)."""
    chosen: list[Polygon] = []
    for polygon in _rings(shape):
        if not _notches(polygon):
            chosen.append(polygon)
            continue
        pool = _cut_parts(polygon) + _grown_parts(polygon)
        left: Shape = polygon
        # What a part adds can only shrink as others are chosen: the old figure tells which to measure anew.
        queue = [(-part.area, number) for number, part in enumerate(pool)]
        heapq.heapify(queue)
        for _ in range(MOST_PARTS):
            while True:
                _, number = queue[0]
                gain = left.intersection(pool[number]).area
                heapq.heapreplace(queue, (-gain, number))
                if queue[0][1] == number:
                    break
            if gain < LEFT_OVER * polygon.area:
                break
            chosen.append(pool[number])
            left = left.difference(pool[number])
    return chosen
