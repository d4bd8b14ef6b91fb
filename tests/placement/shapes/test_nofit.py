"""No-fit and inner-fit regions against published and recomputed values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import MultiPolygon, Point, Polygon, box

from nestcut.placement.shapes.convex import convex_parts, convex_sum, ring_area
from nestcut.placement.shapes.nofit import HAIR_MM, InnerFits, inner_fit, no_fit

TOLERANCE_MM = 1e-6


def overlap_depth(one: Polygon, two: Polygon) -> float:
    """A lower measure of how deep two shapes overlap: area over half the outline of the overlap, mm."""
    common = one.intersection(two)
    return 0.0 if common.area == 0 else 2 * common.area / common.length


@st.composite
def star_shapes(draw: st.DrawFn, *, hole: bool = True) -> Polygon:
    """Random star-shaped outlines, 3 to 12 vertices, radius 1 to 10 mm, sometimes with a hole or off-centre."""
    n = draw(st.integers(3, 12))
    seed = draw(st.integers(0, 2**31))
    rng = np.random.default_rng(seed)
    angles = (np.arange(n) + rng.uniform(0.1, 0.9, n)) * 2 * np.pi / n
    radii = rng.uniform(1, 10, n)
    shape = Polygon(np.column_stack((radii * np.cos(angles), radii * np.sin(angles)))).buffer(0)
    if isinstance(shape, MultiPolygon):
        shape = max(shape.geoms, key=lambda g: g.area)
    if hole and rng.uniform() < 0.4:
        middle = shape.representative_point()
        room = shape.exterior.distance(middle)
        corner = rng.uniform(0.3, 0.9) * room / np.sqrt(2)
        shape = shape.difference(
            box(middle.x - corner, middle.y - corner, middle.x + corner, middle.y + corner)
        )
    if rng.uniform() < 0.3:
        shape = affinity.translate(shape, 1e5, -2e5)
    return shape


@settings(max_examples=80, deadline=None)
@given(star_shapes())
def test_convex_parts_tile_the_shape(shape: Polygon) -> None:
    """The parts are convex, run counter-clockwise, stay inside and add up to the area."""
    parts = convex_parts(shape)
    assert sum(ring_area(p) for p in parts) == pytest.approx(shape.area, rel=1e-9)
    for part in parts:
        polygon = Polygon(part)
        assert ring_area(part) > 0
        assert polygon.convex_hull.area == pytest.approx(polygon.area, rel=1e-9, abs=1e-9)
        assert polygon.difference(shape).area < 1e-6


@pytest.mark.parametrize(
    ("one", "two", "area"),
    [
        # codegolf.SE 230130 (reference-values section 8), vertices there, areas recomputed.
        ([(0, 0), (1, 0), (0, 1)], [(0, 0), (1, 0), (1, 1), (0, 1)], 3.5),
        ([(-1, 0), (1, 0), (0, 1)], [(1, 0), (-1, 0), (0, -1)], 6.0),
        (
            [(0, 0), (5, 5), (4, 5), (2, 4), (1, 3), (0, 1)],
            [(0, 0), (9, 9), (6, 8), (3, 6), (1, 3)],
            46.5,
        ),
    ],
)
def test_minkowski_sums_of_convex_rings(one: list, two: list, area: float) -> None:
    """Sums of convex rings have the published areas, and equal the hull of all vertex sums."""
    a, b = (np.array(r, float) for r in (one, two))
    a = a if ring_area(a) > 0 else a[::-1]
    b = b if ring_area(b) > 0 else b[::-1]
    ring = convex_sum(a, b)
    assert ring_area(ring) == pytest.approx(area, abs=1e-9)
    hull = (
        MultiPolygon()
        .union(Polygon(ring))
        .symmetric_difference(Polygon((a[:, None] + b[None]).reshape(-1, 2)).convex_hull)
    )
    assert hull.area < 1e-9


def test_boxes_give_a_box() -> None:
    """A c × d box moving round an a × b box: an (a + c) × (b + d) box (definition, from memory)."""
    region = no_fit(box(0, 0, 4, 3), box(0, 0, 2, 1))
    assert region.area == pytest.approx(6 * 4, abs=1e-4)
    assert region.bounds == pytest.approx((-2, -1, 4, 3), abs=1e-6)


U_SHAPE = Polygon([(0, 0), (3, 0), (3, 3), (2, 3), (2, 1), (1, 1), (1, 3), (0, 3)])


def test_slot_of_a_u_shape() -> None:
    """A half-size square finds the slot: area 11.25 (recomputed by shapely, reference-values section 8)."""
    assert no_fit(U_SHAPE, box(0, 0, 0.5, 0.5)).area == pytest.approx(11.25, abs=1e-5)


def test_exact_slot_stays_open() -> None:
    """A unit square fits exactly into the unit slot: its position there is not forbidden."""
    region = no_fit(U_SHAPE, box(0, 0, 1, 1))
    assert not region.contains(Point(1, 1.5))
    assert region.boundary.distance(Point(1, 1.5)) <= 2 * HAIR_MM
    assert region.contains(Point(1.01, 1.5))


def test_opening_of_a_ring_is_a_hole() -> None:
    """A small square may lie in the opening of a larger frame: the no-fit region has that hole."""
    frame = box(0, 0, 10, 10).difference(box(3, 3, 7, 7))
    region = no_fit(frame, box(0, 0, 2, 2))
    assert isinstance(region, Polygon)
    assert len(region.interiors) == 1
    assert Polygon(region.interiors[0]).area == pytest.approx(4, abs=1e-4)
    exact = no_fit(frame, box(0, 0, 4, 4))
    assert not exact.contains(Point(3, 3))
    assert exact.contains(Point(3.001, 3))


def test_components_of_a_multipolygon_are_all_kept() -> None:
    """Two far squares give two regions."""
    two = MultiPolygon([box(0, 0, 1, 1), box(10, 0, 11, 1)])
    region = no_fit(two, box(0, 0, 1, 1))
    assert isinstance(region, MultiPolygon)
    assert len(region.geoms) == 2


@settings(max_examples=60, deadline=None)
@given(star_shapes(), star_shapes(), st.integers(0, 10_000))
def test_points_of_the_no_fit_region(fixed: Polygon, moving: Polygon, seed: int) -> None:
    """Inside the region the shapes overlap; outside and on its edge they do not, within 1e-6 mm."""
    region = no_fit(fixed, moving)
    rng = np.random.default_rng(seed)
    x0, y0, x1, y1 = region.bounds
    for x, y in rng.uniform((x0, y0), (x1, y1), (20, 2)):
        placed = affinity.translate(moving, x, y)
        overlaps = overlap_depth(fixed, placed)
        if region.contains(Point(x, y)) and region.boundary.distance(Point(x, y)) > 1e-5:
            assert overlaps > 0
        else:
            assert overlaps <= TOLERANCE_MM
    edges = region.boundary
    for t in rng.uniform(0, 1, 10):
        p = edges.interpolate(t, normalized=True)
        assert overlap_depth(fixed, affinity.translate(moving, p.x, p.y)) <= TOLERANCE_MM


def test_inner_fit_of_a_box() -> None:
    """A w × h box in a W × H sheet: a (W − w) × (H − h) box, a line or a point when it fits exactly."""
    sheet = box(5, 5, 15, 11)
    assert inner_fit(sheet, box(0, 0, 4, 2)).equals(box(5, 5, 11, 9))
    line = inner_fit(sheet, box(-1, 0, 3, 6))
    assert line.length == pytest.approx(6)
    assert line.area == 0
    assert inner_fit(sheet, box(0, 0, 10, 6)).equals(Point(5, 5))
    assert inner_fit(sheet, box(0, 0, 10.001, 6)).is_empty


def test_inner_fit_finds_the_exact_seat() -> None:
    """A triangle in a region of its own shape: one seat, a point or a spot of a hair."""
    triangle = Polygon([(0, 0), (7, 1), (3, 5)])
    seats = inner_fit(affinity.translate(triangle, 20, 30), triangle)
    assert not seats.is_empty
    assert seats.distance(Point(20, 30)) <= 1e-6
    assert seats.area < 1e-10


def test_inner_fit_keeps_clear_of_holes() -> None:
    """A hole in the region (an earlier cut) is an obstacle."""
    region = box(0, 0, 10, 10).difference(box(4, 4, 6, 6))
    seats = inner_fit(region, box(0, 0, 1, 1))
    assert seats.area == pytest.approx(81 - 9, abs=1e-4)
    assert not seats.contains(Point(4.5, 4.5))


@settings(max_examples=40, deadline=None)
@given(star_shapes(), star_shapes(hole=False), st.integers(0, 10_000))
def test_seats_are_in_the_region(region: Polygon, moving: Polygon, seed: int) -> None:
    """At each seat the part leaves the region by no more than 1e-6 mm."""
    small = affinity.scale(moving, 0.2, 0.2, origin="center")
    seats = inner_fit(region, small)
    if seats.is_empty:
        return
    rng = np.random.default_rng(seed)
    edges = seats.boundary if seats.area > 0 else seats
    for t in rng.uniform(0, 1, 8):
        p = edges.interpolate(t, normalized=True) if edges.length else edges.representative_point()
        out = affinity.translate(small, p.x, p.y).difference(region)
        assert out.area == 0 or 2 * out.area / out.length <= TOLERANCE_MM


@pytest.mark.parametrize("turn", [0.0, 0.7, 2.0])
def test_inner_fits_of_many_turns_are_the_inner_fits(turn: float) -> None:
    """Cut into parts once and turned: the same positions as by turning the shape, in rooms with holes and in boxes."""
    shape = Polygon([(1, 0), (9, 0), (9, 3), (4, 3), (4, 8), (1, 8)])
    turned = affinity.rotate(shape, turn, origin=(0, 0), use_radians=True)
    room = Polygon([(0, 0), (60, 5), (55, 48), (10, 50)]).difference(Point(30, 25).buffer(7))
    for region in (room, box(3, 4, 43, 34), box(0, 0, 2, 50)):
        one, two = InnerFits(region, shape).at(turn), inner_fit(region, turned)
        assert one.symmetric_difference(two).area < 1e-4
        assert one.is_empty == two.is_empty
