"""Upper bounds on what a region can hold, each with its reason in plain words.

All of them are relaxations: no layout, found or not, can be worth more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import shapely
from shapely.geometry import MultiPolygon, Polygon

from nestcut.arithmetic import buffered, length_of, sine_cosine
from nestcut.placement.bounds.hexagons import cell_areas, convex_core, six_sided
from nestcut.placement.bounds.narrow import (
    fewest_points,
    filled_shapes,
    free_for_discs,
    inner_radius,
    opened_region,
)
from nestcut.placement.shapes.closing import closed_from_below, plugged_parts
from nestcut.placement.shapes.types import Part

__all__ = ["best_bound", "bound_by_area"]

_ARC = 16  # chords in a quarter circle
_SHARES = (0.25, 0.5, 0.75, 0.98)  # of the radius of the largest disc in the thinnest piece
_SIX = 6  # sides that the polygons around the pieces have on average
_WORTH_IT = 1.12  # polygons around a core are hardly ever larger than it by more: no use where dents are deep


def outer_area(shape: Polygon | MultiPolygon, radius_mm: float) -> float:
    """An upper bound on the area of a shape grown by a disc (mm²), arcs lengthened by their sagitta."""
    if radius_mm <= 0:
        return float(shape.area)
    # a chord over 90°/_ARC lies cos(half of it) of the radius from the middle
    return float(buffered(shape, radius_mm / sine_cosine(math.pi / 4 / _ARC)[1], _ARC).area)


def inner_area(shape: Polygon | MultiPolygon, radius_mm: float) -> float:
    """A lower bound on the area of a shape grown by a disc (mm²): chords lie inside the arcs."""
    if radius_mm <= 0:
        return float(shape.area)
    return float(buffered(shape, radius_mm, _ARC).area)


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
    useful = [
        part for part in parts if part.value > 0 and part.most != 0 and not shapely.is_empty(part.shape)
    ]
    value, everything = knapsack([(part, inner_area(part.shape, half)) for part in useful], room)
    if everything and all(part.most is not None for part in parts):
        return value, "all the pieces that are wanted"
    return value, (
        f"the pieces with half the gap around them have {room / 100:.1f} cm² to lie in, "
        "and no more than that can be filled"
    )


def knapsack(takes: Sequence[tuple[Part, float]], room_mm2: float) -> tuple[float, bool]:
    """Most value of parts that take so much room each (mm², from below), and whether all caps are reached."""
    kinds = []
    for part, area in takes:
        # Sums of many pieces: rounding must not turn 12.0 into 11.999…
        cap = math.floor(room_mm2 / area * (1 + 1e-9) + 1e-9)
        kinds.append((part.value / area, area, part.value, cap if part.most is None else min(cap, part.most)))
    kinds.sort(reverse=True)
    value, left = 0.0, room_mm2 * (1 + 1e-9)
    for _, area, worth, cap in kinds:
        take = min(cap, left / area)
        if len(kinds) == 1:
            take = math.floor(take + 1e-9)
        value += take * worth
        left -= take * area
        if left <= 0 or take < cap:
            break
    total = sum(worth * cap for _, _, worth, cap in kinds)
    return (total, True) if value >= total - 1e-9 else (value, False)


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
        proportions: no part is more than one set ahead of the others, so the paper limits all by the sets
            that it can hold.
    """
    room = _outer_room(region, edge_mm)
    why_sets = ""
    if proportions is not None and not room.is_empty:
        parts, why_sets = _in_sets(parts, room, web_mm, proportions)
    useful = [part for part in parts if part.value > 0 and (part.most is None or part.most > 0)]
    fitting = [part for part in useful if _may_fit(part, room)]
    if not fitting or room.is_empty:
        return 0.0, "none of the pieces fits in with its edge"
    whole = room.equals(shapely.convex_hull(room)) and not obstacles
    holes = [Polygon(ring) for piece in shapely.get_parts(room) for ring in piece.interiors]
    plugged = plugged_parts(fitting, web_mm, [*holes, *obstacles])
    radius = web_mm if whole else min(web_mm, edge_mm)
    closed = [replace(part, shape=closed_from_below(part.shape, radius)) for part in plugged]
    found = [
        _area_bound(closed, room, web_mm, obstacles),
        _disc_bound(plugged, room, web_mm),
        _polygon_bound(closed, room, web_mm),
    ]
    found.append(_filled_bound(closed, room, web_mm, obstacles))
    bound, reason = min(found, key=lambda pair: pair[0])
    everything = sum(part.value * (part.most if part.most is not None else math.inf) for part in fitting)
    return bound, why_sets if why_sets and bound >= everything - 1e-9 else reason


def _in_sets(
    parts: Sequence[Part], room: Polygon | MultiPolygon, web_mm: float, proportions: Sequence[float]
) -> tuple[list[Part], str]:
    """The parts with ``most`` cut down to what whole sets, and one set more, can come to by area.

    With s = least count / share over all parts, every part lies there at least share × s times.
    """
    half = web_mm / 2
    pairs = list(zip(parts, proportions, strict=True))
    room_mm2 = outer_area(room, half)
    per_set = sum(share * inner_area(part.shape, half) for part, share in pairs)
    if per_set <= 0:
        return list(parts), ""
    sets = room_mm2 / per_set * (1 + 1e-9)
    for part, share in pairs:
        if share > 0 and part.most is not None:
            sets = min(sets, part.most / share)
    capped = []
    for part, share in pairs:
        cap = math.floor(share * (sets + 1) + 1e-9)
        capped.append(replace(part, most=cap if part.most is None else min(cap, part.most)))
    return (
        capped,
        f"there is paper for {sets:.1f} sets in these proportions by area, and one set may be begun",
    )


def _outer_room(region: Polygon, edge_mm: float) -> Polygon | MultiPolygon:
    """The region less its edge, from outside: arcs as chords cut away less than the true edge."""
    if edge_mm <= 0:
        return region
    return buffered(region, -edge_mm, _ARC)


def _may_fit(part: Part, room: Polygon | MultiPolygon) -> bool:
    """False only if the part surely does not fit: too long, too thick or too large for every piece of room."""
    thick = inner_radius(part.shape)
    for piece in getattr(room, "geoms", [room]):
        x0, y0, x1, y1 = piece.bounds
        far = length_of(x1 - x0, y1 - y0)
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
    grown = _grown_room(room, web_mm, obstacles)
    return bound_by_area(parts, grown, gap_mm=0.0, grow_mm=web_mm / 2)


def _grown_room(
    room: Polygon | MultiPolygon, web_mm: float, obstacles: Sequence[Polygon | MultiPolygon]
) -> Polygon | MultiPolygon:
    """Where pieces with half the web around them can lie, from above."""
    half = web_mm / 2
    grown = room if half <= 0 else buffered(room, half / sine_cosine(math.pi / 4 / _ARC)[1], _ARC)
    if obstacles:
        # grown pieces keep clear of obstacles grown by half the web
        taken = shapely.union_all([buffered(o, half, _ARC) if half > 0 else o for o in obstacles])
        grown = grown.difference(taken)
    return grown


def _filled_bound(
    parts: Sequence[Part],
    room: Polygon | MultiPolygon,
    web_mm: float,
    obstacles: Sequence[Polygon | MultiPolygon],
) -> tuple[float, str]:
    """Pieces with the dents that no other gets into, in what is wide enough for them (:mod:`nestcut.placement.bounds.narrow`)."""
    half = web_mm / 2
    grown = [buffered(part.shape, half, _ARC) if half > 0 else part.shape for part in parts]
    free = _grown_room(room, web_mm, obstacles)
    best, why = math.inf, ""
    thin, where = min(inner_radius(shape) for shape in grown), free
    for share in _SHARES:
        radius, bodies = filled_shapes(grown, share)
        if any(body.is_empty for body in bodies):
            continue
        place = opened_region(free, radius)
        takes = [(part, body.area) for part, body in zip(parts, bodies, strict=True)]
        value, _ = knapsack(takes, float(place.area))
        if value < best:
            best = value
            why = (
                f"a piece takes {min(take for _, take in takes) / 100:.2f} cm² at least, with its gap and the dents that no "
                f"other gets into, and {place.area / 100:.1f} cm² of the region are wide enough for it"
            )
        if (inner := min(inner_radius(body) for body in bodies)) > thin:
            thin, where = inner, place
    if thin <= 0:
        return best, why
    count = fewest_points(free_for_discs(where, thin), 2 * thin)
    caps = [part.most for part in parts]
    if all(cap is not None for cap in caps):
        count = min(count, sum(cap for cap in caps if cap is not None))
    if count * max(part.value for part in parts) < best:
        best = count * max(part.value for part in parts)
        why = (
            f"each piece keeps a disc {2 * thin:.1f} mm across for itself, its gap counted, and no more than {count} such "
            "discs can lie in the region, arm by arm (Groemer, Oler)"
        )
    return best, why


def _disc_bound(parts: Sequence[Part], room: Polygon | MultiPolygon, web_mm: float) -> tuple[float, str]:
    """Every piece holds a disc; discs of the smallest radius, spread in the convex hull of their middles.

    Points at distance ≥ d from each other in a compact convex set of area A and outline P number at most
    2A/(√3 d²) + P/(2d) + 1 (Groemer 1960; Oler 1961).
    """
    radius = min(inner_radius(part.shape) for part in parts)
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


def _polygon_bound(parts: Sequence[Part], room: Polygon | MultiPolygon, web_mm: float) -> tuple[float, str]:
    """Least polygons around convex cores of the pieces, six-sided on average (:mod:`nestcut.placement.bounds.hexagons`)."""
    half = web_mm / 2
    grown = [buffered(part.shape, half, _ARC) if half > 0 else part.shape for part in parts]
    cores = [convex_core(shape) for shape in grown]
    if any(core.is_empty for core in cores):
        return math.inf, ""
    if all(shapely.get_num_coordinates(core) <= _SIX + 1 for core in cores):
        return math.inf, ""  # each is its own least polygon: the area says as much
    if all(_WORTH_IT * core.area < shape.area for core, shape in zip(cores, grown, strict=True)):
        return math.inf, ""
    area = 0.0
    for piece in getattr(room, "geoms", [room]):
        frame = six_sided(piece)
        area += frame.buffer(half, join_style="mitre", mitre_limit=1000.0).area if half > 0 else frame.area
    best, why = math.inf, ""
    for takes in cell_areas(cores):
        if min(takes) <= 0:
            continue
        value, _ = knapsack([(part, take) for part, take in zip(parts, takes, strict=True)], area)
        if value < best:
            best = value
            each = f"a piece with its gaps takes {takes[0] / 100:.2f} cm² at least on average"
            if len(parts) > 1:
                each = "round pieces leave gaps between them that are no use"
            why = f"{each}, and {area / 100:.1f} cm² are there (polygons around the pieces, L. Fejes Tóth)"
    return best, why
