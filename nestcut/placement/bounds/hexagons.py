"""An upper bound by polygons around convex cores: gaps between round things cannot be avoided.

Let convex bodies lie in a convex polygon H with at most six sides, apart from each other. Then there are
convex polygons around them, apart from each other and in H, that have no more than six sides each on average.
So the least polygons around the bodies must find room in H, not only the bodies (L. Fejes Tóth 1950; Pach and
Agarwal, Combinatorial Geometry, 1995, chapters 2 and 3). For discs that costs 10 % of the area.

What is counted here is a lower bound on the area of the least k-gon around a body: the turn is cut into cells,
and a corner between two sides is at least as large as between the nearest ends of their cells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, MultiPolygon, Polygon
from shapely.ops import split

from nestcut.arithmetic import angles_of, dot, length_of, lengths_of, sine_cosine, sines_cosines

__all__ = ["cell_areas", "convex_core", "six_sided", "surrounding_areas"]

_CELLS = 180  # of the full turn
_SIDES = 9  # polygons of more sides count as the body itself


def surrounding_areas(body: Polygon) -> dict[int, float]:
    """Lower bounds on the area of every convex k-gon that contains a convex body, k = 3 … 9, mm².

    Source: the corner areas of a circumscribed polygon add up along its sides (Dowker 1944).
    """
    return dict(_surrounding(body.wkb))


@lru_cache(maxsize=256)
def _surrounding(wkb: bytes) -> dict[int, float]:
    """Kept by content: scrap after scrap is filled with the same pieces."""
    body = shapely.from_wkb(wkb)
    turn = 2 * math.pi * np.arange(_CELLS + 1) / _CELLS
    corner = _corner_areas(np.asarray(body.exterior.coords)[:-1, :2], turn[:-1])
    n, far = _CELLS, _CELLS // 2
    # least[s, q]: least area of corners of sides from cell s to cell s + q
    least = np.full((n, n + 1), np.inf)
    least[:, 0] = 0.0
    start = np.arange(n)[:, None]
    areas = {}
    for sides in range(1, _SIDES + 1):
        longer = np.full_like(least, np.inf)
        for step in range(far + 1):
            now = least[:, : n + 1 - step]
            cell = (start + np.arange(n + 1 - step)) % n
            np.minimum(longer[:, step:], now + corner[cell, step], out=longer[:, step:])
        least = longer
        if sides >= 3:
            areas[sides] = float(body.area + least[:, n].min())
    return areas


def _corner_areas(ring: NDArray[np.float64], turn: NDArray[np.float64]) -> NDArray[np.float64]:
    """By cell of one side and steps to the cell of the next: least area between the body and their corner."""
    n = len(turn)
    if not shapely.LinearRing(ring).is_ccw:
        ring = ring[::-1]
    sine, cosine = sines_cosines(turn)
    normal = np.column_stack((cosine, sine))
    touch = np.argmax(
        dot(ring[None, :, :], normal[:, :1], normal[:, 1:]), axis=1
    )  # vertex that touches the side of each direction
    m = len(ring)
    cross = ring[:, 0] * np.roll(ring[:, 1], -1) - np.roll(ring[:, 0], -1) * ring[:, 1]
    sums = np.concatenate(([0.0], np.cumsum(np.tile(cross, 2))))
    out = np.zeros((n, n // 2 + 1))
    for step in range(2, n // 2 + 1):
        # sides in cells i and i + step: no nearer than directions i + 1 and i + step
        a, b = (np.arange(n) + 1) % n, (np.arange(n) + step) % n
        p, q = ring[touch[a]], ring[touch[b]]
        angle = 2 * math.pi * (step - 1) / n
        ha, hb = (normal[a] * p).sum(axis=1), (normal[b] * q).sum(axis=1)
        # apex: point on both lines
        s = sine_cosine(angle)[0]
        x = (ha * normal[b, 1] - hb * normal[a, 1]) / s
        y = (hb * normal[a, 0] - ha * normal[b, 0]) / s
        # twice the area of p → apex → q → back along the body's boundary to p
        first, last = touch[a], touch[b]
        last = np.where(last < first, last + m, last)
        along = sums[last] - sums[first]
        loop = (p[:, 0] * y - x * p[:, 1]) + (x * q[:, 1] - q[:, 0] * y) - along
        out[:, step] = np.maximum(0.0, loop / 2)
    return out


def cell_areas(bodies: Sequence[Polygon]) -> list[list[float]]:
    """What convex bodies take on average in a convex region of at most six sides, from below, mm².

    For any price λ ≥ 0 of a side, a polygon of s sides around a body has at least the area
    min over k of (area of the least k-gon + λ (k − 6)) − λ (s − 6), and the sides number six on average: the
    sum of those minima over all bodies of a layout is no more than the region's area.

    Returns: for each of some prices, the minimum for each body.
    """
    tables = []
    for body in bodies:
        areas = surrounding_areas(body)
        tables.append(np.array([*areas.values(), float(body.area)]))
    sides = np.arange(3, 3 + len(tables[0])) if tables else np.empty(0)
    # the best price is the slope of a line between two of the areas
    prices = {0.0}
    for values in tables:
        for a in range(len(sides)):
            prices.update((values[a] - values[b]) / (b - a) for b in range(a + 1, len(sides)))
    return [
        [float((values + price * (sides - 6)).min()) * (1 - 1e-9) for values in tables]
        for price in sorted(prices)
        if price >= 0
    ]


def convex_core(shape: Polygon | MultiPolygon, tries: int = 24) -> Polygon:
    """A large convex subset: cut straight through the deepest dent again and again, keep the larger side."""
    return _convex_core(shape.wkb, tries)


@lru_cache(maxsize=256)
def _convex_core(wkb: bytes, tries: int) -> Polygon:
    shape = shapely.from_wkb(wkb)
    core = max(shapely.get_parts(shape), key=lambda g: g.area)
    if core.interiors:
        return Polygon()
    for _ in range(400):
        hull = core.convex_hull
        if core.area >= hull.area * (1 - 1e-12):
            break
        ring = np.asarray(core.exterior.coords)[:-1, :2]
        depth = shapely.distance(shapely.points(ring), hull.exterior)
        dent = ring[int(np.argmax(depth))]
        if float(depth.max()) < 1e-9:
            break
        size = length_of(*(np.ptp(ring, axis=0))) + 1.0
        best: Polygon | None = None
        for k in range(tries):
            s, c = (part * size for part in sine_cosine(math.pi * k / tries))
            line = LineString([dent - np.array((c, s)), dent + np.array((c, s))])
            for piece in split(core, line).geoms:
                # the cut must take this dent away, not leave it inside of the piece
                if isinstance(piece, Polygon) and (best is None or piece.area > best.area):
                    best = piece
        if best is None or best.area >= core.area * (1 - 1e-12):
            break
        core = Polygon(best.exterior)
    hull = core.convex_hull
    # dents of rounding size are left: shrink until the hull, which is what is used, lies in the shape
    for shrink in (0.0, 1e-9, 1e-7, 1e-5):
        inner = hull.buffer(-shrink, join_style="mitre") if shrink else hull
        if isinstance(inner, Polygon) and not inner.is_empty and shape.covers(inner):
            return inner
    return Polygon()


def six_sided(region: Polygon | MultiPolygon) -> Polygon:
    """A small convex polygon of at most six sides around a region: the least of a few (from above)."""
    hull = shapely.convex_hull(region)
    best = shapely.box(*hull.bounds)
    turned = shapely.oriented_envelope(hull)
    if isinstance(turned, Polygon) and turned.area < best.area:
        best = turned.buffer(1e-9, join_style="mitre")
    ring = np.asarray(hull.exterior.coords)[:, :2]
    edge = np.diff(ring, axis=0)
    length = lengths_of(edge)
    sides = np.argsort(-length, kind="stable")[:14]
    angles = angles_of(edge[sides, 1], edge[sides, 0])
    # six sides along the hull's own: greedy, from the best rectangle or from nothing, one more side each time
    for count in (4, 5, 6):
        for first in range(min(len(angles), 3)):
            found = _cut_off(hull, angles, first, count)
            if found is not None and found.area < best.area:
                best = found
    return best


def _cut_off(hull: Polygon, angles: NDArray[np.float64], first: int, count: int) -> Polygon | None:
    """Sides along ``count`` of the hull's directions, the most useful first."""
    x0, y0, x1, y1 = hull.bounds
    far = 4 * (x1 - x0 + y1 - y0)
    middle = hull.centroid
    polygon = shapely.box(middle.x - far, middle.y - far, middle.x + far, middle.y + far)
    ring = np.asarray(hull.exterior.coords)[:, :2]
    chosen: list[int] = []
    for number in range(count):
        best: tuple[float, int, Polygon] | None = None
        for k in range(len(angles)) if number else [first]:
            if k in chosen:
                continue
            cut = _half(polygon, ring, float(angles[k]), far)
            if best is None or cut.area < best[0]:
                best = (cut.area, k, cut)
        if best is None:
            return None
        chosen.append(best[1])
        polygon = best[2]
    # sides of the far box must all be gone
    if max(abs(np.subtract(polygon.bounds, hull.bounds))) > 0.9 * far / 2:
        return None
    sides = len(polygon.exterior.coords) - 1
    return polygon if sides <= 6 and polygon.buffer(1e-9, join_style="mitre").covers(hull) else None


def _half(polygon: Polygon, ring: NDArray[np.float64], angle: float, far: float) -> Polygon:
    """The polygon less what lies beyond the ring in the direction right of ``angle`` (a side of a ring)."""
    d = np.array(sine_cosine(angle)[::-1])
    across = np.array([d[1], -d[0]])
    reach = dot(ring, *across)
    # the ring's side with this direction is where it reaches farthest on one of the two sides
    outward = across if reach.max() - np.median(reach) >= 0 else -across
    limit = float(dot(ring, *outward).max()) + 1e-9
    base = outward * limit + d * float(dot(ring.mean(axis=0), *d))
    strip = Polygon([base - d * 9 * far, base + d * 9 * far, base + d * 9 * far - outward * 18 * far,
                     base - d * 9 * far - outward * 18 * far])  # fmt: skip
    cut = polygon.intersection(strip)
    return cut if isinstance(cut, Polygon) else polygon
