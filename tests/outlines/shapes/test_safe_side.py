"""Flattening keeps to its side, within its tolerance, for any curve: properties and foreign evaluators."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
import shapely
from fontTools.misc.bezierTools import cubicPointAtT, quadraticPointAtT
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Polygon

from nestcut.errors import OutlineError
from nestcut.outlines import FLATTEN_MM, grow_outline, plain_shape, shrink_outline
from nestcut.outlines.shapes.curves import Arc, Bezier, Curve, Line, arc_from_endpoints
from nestcut.outlines.shapes.flatten import flatten_line, flatten_loop
from nestcut.outlines.shapes.plain import rounded_curves
from tests.shared.shapes import NAMED

SLOW = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)


def foreign_points(curve: Curve, count: int = 160) -> np.ndarray:
    """Points on the true curve by evaluators outside the project (fontTools; svgpathtools for arcs)."""
    ts = [k / count for k in range(count + 1)]
    if isinstance(curve, Line):
        return np.array([curve.start, curve.end])
    if isinstance(curve, Bezier):
        at = cubicPointAtT if len(curve.points) == 4 else quadraticPointAtT
        return np.array([at(*curve.points, t) for t in ts])
    return np.array([curve.at(np.array([t]))[0] for t in ts])


def assert_on_the_safe_side(curves: list[Curve], tolerance: float = FLATTEN_MM) -> None:
    """Outer polygon contains the curve, inner one has none of it inside, both stay near."""
    true = np.concatenate([foreign_points(c) for c in curves])
    outer = flatten_loop(curves, grows=True, tolerance_mm=tolerance)
    inner = flatten_loop(curves, grows=False, tolerance_mm=tolerance)
    points = shapely.points(true)
    for polygon, grows in ((outer, True), (inner, False)):
        assert polygon.is_valid
        assert not polygon.interiors
        inside = shapely.contains(polygon, points)
        away = shapely.distance(polygon.exterior, points)
        wrong = ~inside if grows else inside
        assert away[wrong].max(initial=0.0) <= 1e-7
        # Every true point is near the polygon, every polygon point near the true curve.
        assert away.max() <= tolerance + 1e-7
        dense = shapely.segmentize(polygon.exterior, 0.2)
        reach = shapely.distance(LineString(true), shapely.points(np.asarray(dense.coords)))
        sag = 0.002  # the foreign polyline is itself only chords
        assert reach.max() <= tolerance + sag


@st.composite
def wobbly_loops(draw: st.DrawFn) -> list[Curve]:
    """Closed chains of cubics around a centre, smooth or with corners, with bulges and hollows."""
    n = draw(st.integers(3, 9))
    rng = random.Random(draw(st.integers(0, 10**6)))
    scale = draw(st.sampled_from([4.0, 11.0, 40.0]))
    smooth = draw(st.booleans())
    radii = [scale * rng.uniform(0.45, 1.0) for _ in range(n)]
    knots = [
        r * complex(math.cos(2 * math.pi * k / n), math.sin(2 * math.pi * k / n)) for k, r in enumerate(radii)
    ]
    curves: list[Curve] = []
    for k in range(n):
        p, q = knots[k], knots[(k + 1) % n]
        if smooth:
            a = p + (q - knots[k - 1]) / 6
            b = q - (knots[(k + 2) % n] - p) / 6
        else:
            across = (q - p) * 1j
            a = p + (q - p) * rng.uniform(0.0, 0.6) + across * rng.uniform(-0.35, 0.35)
            b = q - (q - p) * rng.uniform(0.0, 0.6) + across * rng.uniform(-0.35, 0.35)
        curves.append(Bezier(tuple((z.real, z.imag) for z in (p, a, b, q))))
    return curves


@SLOW
@given(wobbly_loops())
def test_flattened_loops_keep_to_their_side(curves):
    """Contains, or is contained in, the true outline; never farther than 0.05 mm."""
    # A random loop may cross itself, if only by a hair at a cusp: nothing is promised for those.
    close = np.linspace(0, 1, 30_001)[:-1]
    assume(Polygon(np.concatenate([c.at(close) for c in curves])).is_valid)
    assert_on_the_safe_side(curves)


@SLOW
@given(
    st.floats(1, 30),
    st.floats(0.3, 1),
    st.floats(0, 180),
    st.booleans(),
    st.floats(-0.95, 0.95),
    st.floats(1, 360),
)
def test_arcs_keep_to_their_side(radius, ratio, turn, sweep, where, rotation):
    """Arc and chord of any ellipse, checked against svgpathtools' own evaluator."""
    from svgpathtools import Arc as ForeignArc

    start, end = (
        (0.0, 0.0),
        (2 * radius * ratio * where * math.cos(turn), 2 * radius * ratio * where * math.sin(turn)),
    )
    assume(math.dist(start, end) > 0.5)
    arc = arc_from_endpoints(start, (radius, radius * ratio), rotation, False, sweep, end)
    assert isinstance(arc, Arc)
    foreign = ForeignArc(
        complex(*start), complex(radius, radius * ratio), rotation, False, sweep, complex(*end)
    )
    for t in np.linspace(0, 1, 17):
        z = foreign.point(t)
        own = arc.at(np.array([t]))[0]
        # The library clips angles near half turns, by up to 1e-4 of the radius (see pathdata).
        assert math.dist(own, (z.real, z.imag)) <= 2e-4 * radius
    assume(flatten_area(arc) > 0.01)
    assert_on_the_safe_side([arc, Line(end, start)])


def flatten_area(arc: Arc) -> float:
    return Polygon(arc.at(np.linspace(0, 1, 60))).area


def test_cusps_between_petals():
    """Petals that touch along a common tangent: the outer polygon fills the cusp, the inner one opens it."""
    r, curves = 10.0, []
    # Two discs' outer halves that meet at the origin with the same tangent.
    curves = [
        Arc(
            (-r, 0), (r, 0), (0, r), 0.0, 2 * math.pi - 1.0, (0, 0), (-r + r * math.cos(-1), r * math.sin(-1))
        ),
        Line((-r + r * math.cos(-1), r * math.sin(-1)), (r - r * math.cos(1), -r * math.sin(1))),
        Arc(
            (r, 0),
            (r, 0),
            (0, r),
            math.pi + 1.0,
            2 * math.pi - 1.0,
            (r - r * math.cos(1), -r * math.sin(1)),
            (0, 0),
        ),
    ]
    outer = flatten_loop(curves, grows=True)
    inner = flatten_loop(curves, grows=False)
    assert outer.is_valid
    assert inner.is_valid
    assert outer.buffer(1e-6).covers(inner)


@pytest.mark.parametrize("kind", ["circle", "oval", "rectangle"])
@pytest.mark.parametrize(("w", "h"), [(8, 5), (60.325, 40), (0.6, 0.4)])
def test_plain_shapes(kind, w, h):
    """Circle, oval and rounded rectangle: areas by their formulas, side by side with buffer's own arcs."""
    h = w if kind == "circle" else h
    corner = 0.2 * h if kind == "rectangle" else 0.0
    area = w * h - (4 - math.pi) * corner**2 if kind == "rectangle" else math.pi * w * h / 4
    outer = plain_shape(kind, w, h, corner_radius_mm=corner)
    inner = plain_shape(kind, w, h, corner_radius_mm=corner, side="inside")
    assert inner.area <= area <= outer.area
    assert outer.area - area <= FLATTEN_MM * outer.length
    assert area - inner.area <= FLATTEN_MM * outer.length
    assert inner.within(outer.buffer(1e-9))
    if kind == "rectangle":
        assert outer.bounds == pytest.approx((-w / 2, -h / 2, w / 2, h / 2), abs=1e-12)


def test_plain_shapes_refuse_nonsense():
    """Sizes of nothing, corners that don't fit, corners of a circle."""
    for arguments in [("circle", 0.0), ("circle", math.nan), ("oval", 5.0, -1.0), ("rectangle", 1e9, 3.0)]:
        with pytest.raises(OutlineError):
            plain_shape(*arguments)
    with pytest.raises(OutlineError, match="corner radius"):
        plain_shape("rectangle", 10, 4, corner_radius_mm=3)
    with pytest.raises(OutlineError, match="corner"):
        plain_shape("circle", 10, corner_radius_mm=3)


@pytest.mark.parametrize("name", NAMED)
@pytest.mark.parametrize("by", [0.25, 1.6, 5.0])
def test_grown_outline_contains_the_true_offset(name, by):
    """Against shapely's own buffer, whose arcs are chords inside the true arc."""
    shape = NAMED[name]
    grown = grow_outline(shape, by)
    true = shape.buffer(by, quad_segs=256)
    assert grown.is_valid
    assert true.difference(grown.buffer(1e-7)).is_empty
    assert grown.difference(true.buffer(0.02 + 1e-4)).is_empty
    inner = shrink_outline(shape, by)
    lost = shape.buffer(-by, quad_segs=64)
    assert inner.difference(lost.buffer(1e-3)).is_empty
    assert lost.difference(inner.buffer(0.03)).area < 0.1  # thin ends of cusps may stay behind
    if not inner.is_empty:
        assert inner.distance(shape.boundary) >= by - 1e-9


def test_grown_edges_are_exact():
    """Straight edges of an offset lie where they should, to rounding."""
    grown = grow_outline(NAMED["square"], 1.6)
    assert grown.bounds == pytest.approx((-1.6, -1.6, 21.6, 21.6), abs=1e-12)
    # Corners: 4 quarter discs.
    assert 0 <= grown.area - (400 + 4 * 20 * 1.6 + math.pi * 1.6**2) <= 0.02 * 2 * math.pi * 1.6


def test_rounded_curves_close():
    """Each curve of a rounded rectangle begins where the last one ended."""
    curves = rounded_curves(1, 2, 30, 20, 4, 3)
    for a, b in zip(curves, curves[1:] + curves[:1], strict=True):
        assert a.end == b.start


def test_open_lines_stay_near():
    """A mark is within 0.05 mm of its curve."""
    curve = Bezier(((0, 0), (10, 30), (20, -30), (30, 0)))
    line = flatten_line([curve])
    away = shapely.distance(line, shapely.points(foreign_points(curve)))
    assert away.max() <= FLATTEN_MM
    assert len(line.coords) < 60


@pytest.mark.parametrize(
    "points",
    [
        ((0, 0), (0, 0), (10, 10), (20, 0)),  # a handle of no length at the start
        ((0, 0), (10, 10), (20, 0), (20, 0)),  # and at the end
        ((0, 0), (20, 15), (0, 15), (20, 0)),  # S turned to a real cusp nearly
        ((0, 0), (30, 20), (-10, 20), (20, 0)),  # a loop: crosses itself
        ((0, 0), (5, 0), (15, 0), (20, 0)),  # a straight line as a curve
        ((0, 0), (20, 20), (20, 20), (20, 0)),  # both handles in one point
    ],
)
def test_odd_cubics(points):
    """Handles of no length, cusps and straight lines are flattened right; a loop is refused."""
    curves: list[Curve] = [Bezier(points), Line(points[-1], (10, -15)), Line((10, -15), points[0])]
    if points[1] == (30, 20):
        with pytest.raises(OutlineError, match="crosses itself"):
            flatten_loop(curves, grows=True)
        return
    assert_on_the_safe_side(curves)
