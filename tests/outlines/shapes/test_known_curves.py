"""Areas of known curves, from the literature, and the side that the polygon keeps to."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.geometry import Polygon

from nestcut.outlines import FLATTEN_MM
from nestcut.outlines.shapes.curves import Arc, Bezier, Curve, Line, arc_from_endpoints
from nestcut.outlines.shapes.flatten import flatten_loop
from tests.outlines.svg import die


def hermite(points: np.ndarray, slopes: np.ndarray) -> list[Curve]:
    """Cubic Béziers through points with given derivatives (per step of the parameter)."""
    found: list[Curve] = []
    for k in range(len(points) - 1):
        p, q = points[k], points[k + 1]
        handles = (p, p + slopes[k] / 3, q - slopes[k + 1] / 3, q)
        found.append(Bezier(tuple((float(h[0]), float(h[1])) for h in handles)))
    return found


def both_sides(curves: list[Curve], area: float, slack: float = 1e-3) -> None:
    """The outer polygon is larger, the inner one smaller, both by less than tolerance × length."""
    for tolerance in (FLATTEN_MM, 0.01):
        outer = flatten_loop(curves, grows=True, tolerance_mm=tolerance)
        inner = flatten_loop(curves, grows=False, tolerance_mm=tolerance)
        assert inner.area - slack <= area <= outer.area + slack
        assert outer.area - inner.area <= 2 * tolerance * outer.length
        assert outer.difference(inner).area > 0


# SVG 1.1 appendix F.6 with areas derived by elementary geometry; the two discs are the path examples of
# SVG 1.1 section 8.3.8 ("pie" wedges), their areas three quarters and one quarter of π·150².
ARCS = [
    ("M0,0 A5,5 0 0 1 10,0 Z", 39.269908),
    ("M0,0 A1,1 0 0 1 10,0 Z", 39.269908),  # radii too small: F.6.6 enlarges them to 5
    ("M0,0 A-5,-5 0 0 1 10,0 Z", 39.269908),  # F.6.6: signs of radii are dropped
    ("M0,0 A5,5 360 0 1 10,0 Z", 39.269908),
    ("M0,0 A10,10 0 0 1 10,0 Z", 9.058607),
    ("M0,0 A10,10 0 1 1 10,0 Z", 305.100658),
    ("M0 0a10 10 0 1110 0Z", 305.100658),  # flags without separators
    ("M30,20 h-15 a15,15 0 1,0 15,-15 z", 530.14376),
    ("M27.5,17.5 v-15 a15,15 0 0,0 -15,15 z", 176.71459),
]


@pytest.mark.parametrize(("path", "area"), ARCS)
def test_arcs_follow_the_notes_of_svg(tmp_path, path, area):
    """Areas of arcs closed by their chords."""
    cut = die(tmp_path, f'<path d="{path}"/>').cut
    assert area <= cut.area + 1e-5
    assert cut.area - area <= FLATTEN_MM * cut.length


def test_arc_of_no_radius_is_a_straight_line(tmp_path):
    """SVG 1.1 F.6.2: rx or ry 0 gives a line; equal end points give nothing."""
    cut = die(tmp_path, '<path d="M0,0 A0,5 0 0 1 10,0 A5,5 0 0 1 10,0 L10,10 L0,10 Z"/>').cut
    assert cut.area == pytest.approx(100, abs=1e-9)
    assert len(cut.exterior.coords) == 5


def test_nearly_half_turn_keeps_its_centre():
    """An arc a hair above half a turn has its centre where F.6.5 says, to 1e-9 (a library once gave 1e-4)."""
    radius = 10 * (1 + 1e-9)
    arc = arc_from_endpoints((-10, 0), (radius, radius), 0, False, True, (10, 0))
    assert isinstance(arc, Arc)
    # Pythagoras: the centre lies sqrt(r² − 10²) from the chord.
    assert abs(arc.centre[1]) == pytest.approx(math.sqrt(radius**2 - 100), rel=1e-6)


def test_quadratic_and_cubic_closed_by_their_chord():
    """4/3 and 0.6 (own integration of the parametric area; scaled by 20²)."""
    both_sides([Bezier(((0, 0), (20, 40), (40, 0))), Line((40, 0), (0, 0))], 400 * 4 / 3)
    both_sides([Bezier(((0, 0), (0, 20), (20, 20), (20, 0))), Line((20, 0), (0, 0))], 400 * 0.6)


def test_ellipse_area():
    """π·a·b."""
    whole = [
        Arc((0, 0), (20, 0), (0, 10), 0, math.pi, (20, 0), (-20, 0)),
        Arc((0, 0), (20, 0), (0, 10), math.pi, math.pi, (-20, 0), (20, 0)),
    ]
    both_sides(whole, math.pi * 200)


def closed_curve(f, df, parts: int) -> list[Curve]:
    t = np.linspace(0, 2 * math.pi, parts + 1)
    points = np.array([f(x) for x in t])
    points[-1] = points[0]
    return hermite(points, np.array([df(x) for x in t]) * (t[1] - t[0]))


def test_cardioid_area():
    """r = a(1 + cos θ): 3πa²/2. From memory of the standard tables; has a cusp that turns by half a turn."""
    a = 10.0
    curves = closed_curve(
        lambda t: (a * (1 + math.cos(t)) * math.cos(t), a * (1 + math.cos(t)) * math.sin(t)),
        lambda t: (-a * math.sin(t) - a * math.sin(2 * t), a * math.cos(t) + a * math.cos(2 * t)),
        200,
    )
    # Rotated so that the cusp, where the derivative vanishes, is inside the list of curves.
    both_sides(curves[50:] + curves[:50], 1.5 * math.pi * a * a, slack=5e-3)


def test_astroid_area():
    """x = a cos³ t, y = a sin³ t: 3πa²/8. From memory of the standard tables; four cusps, hollow sides."""
    a = 20.0
    curves = closed_curve(
        lambda t: (a * math.cos(t) ** 3, a * math.sin(t) ** 3),
        lambda t: (-3 * a * math.cos(t) ** 2 * math.sin(t), 3 * a * math.sin(t) ** 2 * math.cos(t)),
        160,
    )
    both_sides(curves, 3 * math.pi * a * a / 8, slack=5e-3)


def test_petal_of_a_rose_area():
    """One petal of r = a cos 3θ: πa²/12 (reference: "Rose (mathematics)": k odd, one petal πa²/4k)."""
    a = 20.0
    t = np.linspace(-math.pi / 6, math.pi / 6, 121)
    r, dr = a * np.cos(3 * t), -3 * a * np.sin(3 * t)
    points = np.column_stack([r * np.cos(t), r * np.sin(t)])
    points[0] = points[-1] = 0.0
    slopes = np.column_stack([dr * np.cos(t) - r * np.sin(t), dr * np.sin(t) + r * np.cos(t)]) * (t[1] - t[0])
    both_sides(hermite(points, slopes), math.pi * a * a / 12, slack=5e-3)


def test_four_cubics_for_a_circle():
    """k = 0.5522847498: area 1.00028·π·r² (own integration)."""
    k, r = 0.5522847498 * 10, 10.0
    quarter = [((r, 0), (r, k), (k, r), (0, r)), ((0, r), (-k, r), (-r, k), (-r, 0))]
    quarter += [((-r, 0), (-r, -k), (-k, -r), (0, -r)), ((0, -r), (k, -r), (r, -k), (r, 0))]
    both_sides([Bezier(q) for q in quarter], 1.000278 * math.pi * r * r, slack=0.01)


def test_straight_edges_stay_exact(tmp_path):
    """The straight parts of a rounded rectangle lie on the polygon, and its bounding box is exact."""
    cut = die(tmp_path, '<rect x="10" y="10" width="60" height="40" rx="5"/>').cut
    assert cut.bounds == pytest.approx((-30, -20, 30, 20), abs=1e-12)
    for a, b in [((-25, -20), (25, -20)), ((30, -15), (30, 15)), ((-30, -15), (-30, 15))]:
        from shapely.geometry import LineString

        assert LineString([a, b]).difference(cut.exterior.buffer(1e-9)).length == 0
    assert cut.area == pytest.approx(2400 - (4 - math.pi) * 25, abs=0.05 * 10 * math.pi)


def test_few_vertices():
    """A circle takes at most one corner more than the fewest possible with a sagitta of 0.05 mm."""
    for r in (4.0, 11.0, 45.0):
        circle = [
            Arc((0, 0), (r, 0), (0, r), 0, math.pi, (r, 0), (-r, 0)),
            Arc((0, 0), (r, 0), (0, r), math.pi, math.pi, (-r, 0), (r, 0)),
        ]
        least = math.ceil(math.pi / math.acos(r / (r + FLATTEN_MM)))
        polygon = flatten_loop(circle, grows=True)
        assert isinstance(polygon, Polygon)
        assert len(polygon.exterior.coords) - 1 <= least + 1
