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

from nestcut.errors import OutlineError
from nestcut.outlines.curves import Bezier, Curve, Line, sample
from nestcut.outlines.simplify import drop_collinear, simplify_ring
from nestcut.outlines.types import FLATTEN_MM

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
    for finer in (1.0, 0.1, 0.01):
        points, straight, area = _ring(strokes, dense_mm * finer, grows)
        if abs(area) < _SMALLEST_MM2:
            raise OutlineError("the outline encloses no area", mend="draw a closed line around the piece")
        if len(points) >= 3 and Polygon(points).is_valid:
            return _simplified(points, straight, tolerance_mm - dense_mm) if simplify else Polygon(points)
    return _patched(strokes, dense_mm * 0.01, grows)


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
    long = np.hypot(*(np.roll(points, -1, axis=0) - points).T) > 1.0
    return np.asarray(_simplified(points, long, tolerance_mm).exterior.coords)[:-1]


def _simplified(points: Floats, straight: Flags, tolerance_mm: float) -> Polygon:
    for share in (1.0, 0.3, 0.1):
        polygon = Polygon(simplify_ring(points, straight, share * tolerance_mm))
        # Where the loop nearly touches itself, growing sides may collide: keep more vertices there.
        if polygon.is_valid and polygon.area > 0:
            return polygon
    return Polygon(points)


def _straightened(curves: Sequence[Curve]) -> list[Curve]:
    """The curves without those of no length, and with Béziers that are straight lines as lines."""
    strokes: list[Curve] = []
    for curve in curves:
        lines = curve.flattened() if isinstance(curve, Bezier) else None
        strokes += lines if lines is not None else [curve]
    return [s for s in strokes if not (isinstance(s, Line) and s.start == s.end)]


def _ring(strokes: Sequence[Curve], sagitta_mm: float, grows: bool) -> tuple[Floats, Flags, float]:
    """The dense ring with its solid on the left (inside if it grows, outside otherwise), which edges of
    it are straight in the drawing, and the signed area of the ring through the samples."""
    runs: list[tuple[Floats, Floats | None]] = []
    for stroke in strokes:
        if isinstance(stroke, Line):
            runs.append((np.array([stroke.start, stroke.end], dtype=float), None))
        else:
            runs.append(sample(stroke, sagitta_mm))
    if not runs:
        return np.zeros((0, 2)), np.zeros(0, dtype=bool), 0.0
    area = _area(np.concatenate([points[:-1] for points, _ in runs]))
    if (area > 0) != grows:
        runs = [(p[::-1], None if d is None else -d[::-1]) for p, d in reversed(runs)]
    points: list[Floats] = []
    straight: list[Flags] = []
    for at, along in runs:
        if along is None:
            points.append(at[:1])
            straight.append(np.ones(1, dtype=bool))
            continue
        laid, is_tip = _tangent_tips(at, along)
        points.append(laid[:-1])
        straight.append(np.zeros(len(laid) - 1, dtype=bool))
        del is_tip
    ring, flags = drop_collinear(np.concatenate(points), np.concatenate(straight))
    return ring, flags, area


def _tangent_tips(at: Floats, along: Floats) -> tuple[Floats, Flags]:
    """Samples of one curve, with the meeting point of the tangents where it bulges to the right."""
    p, q, d, e = at[:-1], at[1:], along[:-1], along[1:]
    bend = d[:, 0] * e[:, 1] - d[:, 1] * e[:, 0]
    step = q - p
    with np.errstate(divide="ignore", invalid="ignore"):
        ahead = (step[:, 0] * e[:, 1] - step[:, 1] * e[:, 0]) / bend
        behind = (d[:, 0] * step[:, 1] - d[:, 1] * step[:, 0]) / bend
    size = np.hypot(*step.T)
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


def _patched(strokes: Sequence[Curve], sagitta_mm: float, grows: bool) -> Polygon:
    """For loops that touch themselves (cusps between petals): the polygon through the samples, with the
    slivers between its chords and the curve added or taken away."""
    chords: list[Floats] = []
    slivers: list[Polygon] = []
    runs = []
    for stroke in strokes:
        if isinstance(stroke, Line):
            runs.append((np.array([stroke.start, stroke.end], dtype=float), None))
        else:
            runs.append(sample(stroke, sagitta_mm))
    base = np.concatenate([p[:-1] for p, _ in runs])
    if (_area(base) > 0) != grows:
        runs = [(p[::-1], None if d is None else -d[::-1]) for p, d in reversed(runs)]
    for at, along in runs:
        chords.append(at[:-1])
        if along is not None:
            laid, tips = _tangent_tips(at, along)
            slivers += [Polygon(laid[k - 1 : k + 2]) for k in np.flatnonzero(tips)]
    polygon = Polygon(np.concatenate(chords))
    if not polygon.is_valid:
        reason = explain_validity(polygon)
        place = reason[reason.find("[") + 1 : reason.find("]")].split() if "[" in reason else []
        spot = f" near x {float(place[0]):.1f}, y {float(place[1]):.1f} mm" if len(place) == 2 else ""
        raise OutlineError(
            f"the outline crosses itself{spot}",
            mend="separate the crossing lines, or unite the shapes, in the drawing",
        )
    extra = shapely.union_all(slivers)
    result = polygon.union(extra) if grows else polygon.difference(extra)
    parts = [result] if isinstance(result, Polygon) else [g for g in result.geoms if isinstance(g, Polygon)]
    largest = max(parts, key=lambda part: part.area)
    return Polygon(largest.exterior)


def _area(points: Floats) -> float:
    x, y = (points - points.mean(axis=0)).T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
