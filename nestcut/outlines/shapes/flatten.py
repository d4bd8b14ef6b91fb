"""Closed loops of curves → polygons that contain the true outline, or are contained in it.

Between two samples a curve is convex, so its chord lies on its hollow side and the two tangents on its
bulging side: whichever lies on the safe side is taken. Straight edges stay where they are.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon
from shapely.validation import explain_validity

from nestcut.arithmetic import lengths_of
from nestcut.errors import OutlineError
from nestcut.outlines.shapes.curves import Bezier, Curve, Line, sample
from nestcut.outlines.shapes.simplify import drop_collinear, simplify_ring
from nestcut.outlines.shapes.types import FLATTEN_MM

__all__ = ["flatten_line", "flatten_loop", "simplify_polygon"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_DENSE_MM = 0.0006
"""Tolerance of the first, dense polygon; the rest is left for taking vertices away again."""
_SMALLEST_MM2 = 1e-3


def flatten_loop(
    curves: Sequence[Curve], *, grows: bool, tolerance_mm: float = FLATTEN_MM, simplify: bool = True
) -> Polygon:
    """The area inside a closed loop, as a polygon on the safe side.

    Args:
        curves: each begins where the last one ends, the first where the last ends; mm.
        grows: the polygon contains the true area; otherwise it is contained in it.
        tolerance_mm: farthest the polygon's boundary may lie from the loop, mm.
        simplify: take away as many vertices as the tolerance allows.
    Returns: a valid polygon without holes, mm.
    Raises: OutlineError when the loop crosses itself or encloses no area.
    """
    strokes = _straightened(curves)
    dense_mm = min(_DENSE_MM, tolerance_mm / 4)
    simple: tuple[Polygon, _Runs] | None = None
    for finer in (1.0, 0.1, 0.01):
        runs = _sampled(strokes, dense_mm * finer, grows)
        chords = _chords(runs)
        # A figure of eight has no area on balance, but it has a hull: that one crosses itself.
        if (chords.area if chords.is_valid else chords.convex_hull.area) < _SMALLEST_MM2:
            raise OutlineError("the outline encloses no area", mend="draw a closed line around the piece")
        if not chords.is_valid:
            continue
        # A crossing too small to be seen in the first samples is the pencil's width: let it pass.
        simple = simple or (chords, runs)
        points, straight = _ring(runs)
        if len(points) >= 3 and Polygon(points).is_valid:
            return _simplified(points, straight, tolerance_mm - dense_mm) if simplify else Polygon(points)
    if simple is None:
        raise OutlineError(
            f"the outline crosses itself{_place(chords)}",
            mend="separate the crossing lines, or unite the shapes, in the drawing",
        )
    return _patched(*simple, grows)


def flatten_line(curves: Sequence[Curve], tolerance_mm: float = FLATTEN_MM) -> LineString:
    """An open line as chords within the tolerance of it, mm."""
    points: list[tuple[float, float]] = []
    for curve in _straightened(curves):
        if isinstance(curve, Line):
            points += [curve.start, curve.end]
        else:
            points += [(float(x), float(y)) for x, y in sample(curve, tolerance_mm / 2)[0]]
    line = shapely.remove_repeated_points(LineString(points), 1e-9)
    return line.simplify(tolerance_mm / 4, preserve_topology=False)


def simplify_polygon(polygon: Polygon, tolerance_mm: float) -> Polygon:
    """A polygon that contains the given one within the tolerance, with fewer vertices.

    Edges longer than 1 mm stay where they are, and so does a hole that would close up.
    """
    outer = _simplified_ring(polygon.exterior, tolerance_mm, filled=True)
    holes = [_simplified_ring(hole, tolerance_mm, filled=False) for hole in polygon.interiors]
    result = Polygon(outer, holes)
    return result if result.is_valid and not result.is_empty else polygon


def _simplified_ring(ring: shapely.LinearRing, tolerance_mm: float, *, filled: bool) -> Floats:
    points = np.asarray(ring.coords)[:-1, :2]
    if (_area(points) > 0) != filled:
        points = points[::-1]
    long = lengths_of(np.roll(points, -1, axis=0) - points) > 1.0
    return np.asarray(_simplified(points, long, tolerance_mm).exterior.coords)[:-1]


def _simplified(points: Floats, straight: Flags, tolerance_mm: float) -> Polygon:
    dense = Polygon(points).exterior
    for share in (1.0, 0.3, 0.1):
        fewer = simplify_ring(points, straight, share * tolerance_mm)
        if len(fewer) < 3:
            continue  # thinner than the tolerance: nothing would be left
        polygon = Polygon(fewer)
        # Where the loop nearly touches itself, growing sides may collide, and what was near one side may
        # be near another no more: keep more vertices then.
        if (
            polygon.is_valid
            and polygon.area > 0
            and polygon.exterior.hausdorff_distance(dense) <= tolerance_mm
        ):
            return polygon
    return Polygon(points)


def _straightened(curves: Sequence[Curve]) -> list[Curve]:
    """The curves without those of no length, and with Béziers that are straight lines as lines."""
    strokes: list[Curve] = []
    for curve in curves:
        lines = curve.flattened() if isinstance(curve, Bezier) else None
        strokes += lines if lines is not None else [curve]
    return [s for s in strokes if not (isinstance(s, Line) and s.start == s.end)]


_Runs = list[tuple[Floats, Floats | None]]
"""Samples of each stroke and the directions of travel there; no directions for a straight line."""


def _sampled(strokes: Sequence[Curve], sagitta_mm: float, grows: bool) -> _Runs:
    """Samples round the loop, with its solid on the left: inside if it grows, outside otherwise."""
    runs: _Runs = []
    for stroke in strokes:
        if isinstance(stroke, Line):
            runs.append((np.array([stroke.start, stroke.end], dtype=float), None))
        else:
            runs.append(sample(stroke, sagitta_mm))
    if sum(len(at) - 1 for at, _ in runs) < 3:
        return []
    if (_area(np.concatenate([at[:-1] for at, _ in runs])) > 0) != grows:
        runs = [(at[::-1], None if along is None else -along[::-1]) for at, along in reversed(runs)]
    return runs


def _chords(runs: _Runs) -> Polygon:
    """The polygon through the samples, without points that are apart by rounding errors only."""
    if not runs:
        return Polygon()
    points = np.concatenate([at[:-1] for at, _ in runs])
    points = points[lengths_of(np.roll(points, -1, axis=0) - points) > 1e-9]
    return Polygon(points) if len(points) >= 3 else Polygon()


def _ring(runs: _Runs) -> tuple[Floats, Flags]:
    """The dense ring on the safe side, and which edges of it are straight in the drawing."""
    points: list[Floats] = []
    straight: list[Flags] = []
    for at, along in runs:
        laid = at if along is None else _tangent_tips(at, along)[0]
        points.append(laid[:-1])
        straight.append(np.full(len(laid) - 1, along is None))
    return drop_collinear(np.concatenate(points), np.concatenate(straight))


def _tangent_tips(at: Floats, along: Floats) -> tuple[Floats, Flags]:
    """Samples of one curve, with the meeting point of the tangents where it bulges to the right."""
    p, q, d, e = at[:-1], at[1:], along[:-1], along[1:]
    bend = d[:, 0] * e[:, 1] - d[:, 1] * e[:, 0]
    step = q - p
    with np.errstate(divide="ignore", invalid="ignore"):
        ahead = (step[:, 0] * e[:, 1] - step[:, 1] * e[:, 0]) / bend
        behind = (d[:, 0] * step[:, 1] - d[:, 1] * step[:, 0]) / bend
    size = lengths_of(step)
    # Left turn of less than a right angle, with the tip between the two: else the chord will do.
    tip = (
        (bend > 1e-9)
        & ((d * e).sum(axis=1) > 0)
        & (ahead > 0)
        & (behind > 0)
        & (ahead < size)
        & (behind < size)
    )
    tips = p + np.where(tip, ahead, 0.0)[:, None] * d
    slots = np.arange(len(at)) + np.concatenate([[0], np.cumsum(tip)])
    laid = np.empty((len(at) + int(tip.sum()), 2))
    laid[slots] = at
    between = slots[:-1][tip] + 1
    laid[between] = tips[tip]
    flags = np.zeros(len(laid), dtype=bool)
    flags[between] = True
    return laid, flags


def _patched(chords: Polygon, runs: _Runs, grows: bool) -> Polygon:
    """For loops that touch themselves (cusps between petals): the polygon through the samples, with the
    slivers between its chords and the curve added or taken away."""
    slivers: list[Polygon] = []
    for at, along in runs:
        if along is not None:
            laid, tips = _tangent_tips(at, along)
            slivers += [Polygon(laid[k - 1 : k + 2]) for k in np.flatnonzero(tips)]
    extra = shapely.union_all(slivers)
    result = chords.union(extra) if grows else chords.difference(extra)
    parts = [result] if isinstance(result, Polygon) else [g for g in result.geoms if isinstance(g, Polygon)]
    largest = max(parts, key=lambda part: part.area)
    return Polygon(largest.exterior)


def _place(polygon: Polygon) -> str:
    """Where a polygon crosses itself, for a message."""
    reason = explain_validity(polygon)
    place = reason[reason.find("[") + 1 : reason.find("]")].split() if "[" in reason else []
    return f" near x {float(place[0]):.1f}, y {float(place[1]):.1f} mm" if len(place) == 2 else ""


def _area(points: Floats) -> float:
    x, y = (points - points.mean(axis=0)).T
    return 0.5 * float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())
