"""Upper bounds on what a region can hold, each with its reason in plain words.

All of them are relaxations: no layout, found or not, can be worth more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import shapely
from shapely.geometry import MultiPolygon, Polygon

from .types import Part

__all__ = ["best_bound", "bound_by_area"]

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
    parts: Sequence[Part],
    region: Polygon | MultiPolygon,
    *,
    gap_mm: float,
    grow_mm: float | None = None,
) -> tuple[float, str]:
    """Most value by area: shapes grown by half the gap are disjoint inside the region grown by half the gap.

    Args:
        parts: with value and most; region: where shapes must lie, mm.
        grow_mm: what the parts are grown by, if the region is given as already grown.
    Returns: upper bound on the value (whole pieces only where one kind is placed), and the reason.
    Source: the fractional knapsack bound (Dantzig 1957) on areas.
    """
    half = gap_mm / 2 if grow_mm is None else grow_mm
    room = outer_area(region, gap_mm / 2)
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


def best_bound(
    parts: Sequence[Part],
    region: Polygon,
    *,
    web_mm: float,
    edge_mm: float,
    obstacles: Sequence[Polygon | MultiPolygon] = (),
    proportions: Sequence[float] | None = None,
) -> tuple[float, str]:
    """The least of all upper bounds for filling a region, with its reason.

    Args:
        parts, region, web_mm, edge_mm, obstacles: as for :func:`nestcut.placement.fill_region`.
        proportions: only loosens nothing: a bound without them holds with them.
    """
    room = _outer_room(region, edge_mm)
    useful = [part for part in parts if part.value > 0 and (part.most is None or part.most > 0)]
    fitting = [part for part in useful if _may_fit(part, room)]
    if not fitting or room.is_empty:
        return 0.0, "none of the pieces fits in with its edge"
    area, why = _area_bound(fitting, room, web_mm, obstacles)
    found = [(area, why)]
    found.append(_disc_bound(fitting, room, web_mm))
    return min(found, key=lambda pair: pair[0])


def _outer_room(region: Polygon, edge_mm: float) -> Polygon | MultiPolygon:
    """The region less its edge, from outside: arcs as chords cut away less than the true edge."""
    if edge_mm <= 0:
        return region
    return region.buffer(-edge_mm, quad_segs=_ARC)


def _may_fit(part: Part, room: Polygon | MultiPolygon) -> bool:
    """False only if the part surely does not fit: too long, too thick or too large for every piece of room."""
    thick = _inscribed(part.shape)
    for piece in getattr(room, "geoms", [room]):
        x0, y0, x1, y1 = piece.bounds
        far = math.hypot(x1 - x0, y1 - y0)
        x0, y0, x1, y1 = part.shape.bounds
        longest = max(x1 - x0, y1 - y0)
        # a disc in the part would be a disc in the room (found there within 0.01 mm)
        widest = shapely.maximum_inscribed_circle(piece, tolerance=0.01).length + 0.011
        if longest <= far + 1e-6 and thick <= widest and part.shape.area <= piece.area * (1 + 1e-9):
            return True
    return False


def _area_bound(
    parts: Sequence[Part],
    room: Polygon | MultiPolygon,
    web_mm: float,
    obstacles: Sequence[Polygon | MultiPolygon],
) -> tuple[float, str]:
    """Area of room grown by half the web, less what obstacles take with half the web around them."""
    half = web_mm / 2
    grown = room if half <= 0 else room.buffer(half / math.cos(math.pi / 4 / _ARC), quad_segs=_ARC)
    if obstacles:
        # grown pieces keep clear of obstacles grown by half the web
        taken = shapely.union_all([o.buffer(half, quad_segs=_ARC) if half > 0 else o for o in obstacles])
        grown = grown.difference(taken)
    return bound_by_area(parts, grown, gap_mm=0.0, grow_mm=half)


def _disc_bound(parts: Sequence[Part], room: Polygon | MultiPolygon, web_mm: float) -> tuple[float, str]:
    """Every piece holds a disc; discs of the smallest radius, spread in the convex hull of their middles.

    Points at distance ≥ d from each other in a compact convex set of area A and outline P number at most
    2A/(√3 d²) + P/(2d) + 1 (Groemer 1960; Oler 1961).
    """
    radius = min(_inscribed(part.shape) for part in parts)
    top = max(part.value for part in parts)
    d = 2 * radius + web_mm
    if d <= 0:
        return math.inf, ""
    count = 0
    for piece in getattr(room, "geoms", [room]):
        # a hair less than the radius, so that an exact fit leaves a line or a point, not nothing
        middles = shapely.convex_hull(piece).buffer(-(radius - 1e-6), join_style="mitre")
        if middles.is_empty:
            continue
        count += math.floor(2 * middles.area / (math.sqrt(3) * d * d) + middles.length / (2 * d) + 1 + 1e-9)
    caps = [part.most for part in parts]
    if all(cap is not None for cap in caps):
        count = min(count, sum(cap for cap in caps if cap is not None))
    return count * top, (
        f"each piece holds a disc {2 * radius:.1f} mm across, and no more than {count} such discs can lie "
        "in the region (Groemer, Oler)"
    )


def _inscribed(shape: Polygon | MultiPolygon) -> float:
    """A radius, from below, of a disc inside the shape."""
    if isinstance(shape, MultiPolygon):
        shape = max(shape.geoms, key=lambda g: g.area)
    line = shapely.maximum_inscribed_circle(shape, tolerance=0.01)
    middle = shapely.Point(line.coords[0])
    if not shape.contains(middle):
        return 0.0
    return float(shape.boundary.distance(middle))
