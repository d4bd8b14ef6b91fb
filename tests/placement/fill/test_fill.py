"""Filling a region: known packings, holes, limits, proportions, bounds."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon, box

from nestcut.placement import Part, fill_region
from nestcut.placement.bounds.bounds import best_bound
from nestcut.placement.fill.lattice import find_lattices
from tests.shared.shapes import blossom

# Best radius of n equal circles in a unit square; proved for n ≤ 30. E. Specht, Packomania, "Circles in a
# square"; Szabó et al., New Approaches to Circle Packing in a Square (Springer 2007).
RADIUS = {
    2: 0.292893218813, 3: 0.254333095030, 4: 0.25, 5: 0.207106781187, 6: 0.187680601147, 7: 0.174457630187,
    8: 0.170540688701, 9: 0.166666666667, 10: 0.148204322565, 11: 0.142399237696, 12: 0.139958844038,
    13: 0.133993513499, 14: 0.129331793710, 15: 0.127166547515, 16: 0.125, 17: 0.117196742783,
    18: 0.115521432464, 19: 0.112265437571, 20: 0.111382347512, 21: 0.106860212352, 22: 0.105665296757,
    23: 0.102802323380, 24: 0.101381800432, 25: 0.1, 26: 0.096362339010, 27: 0.095420001748,
    28: 0.093672833833, 29: 0.092463144040, 30: 0.091671057986,
}  # fmt: skip


def assert_exact(parts, placed, region, web_mm, edge_mm):
    """Webs and edges measured with shapely, holes of the region included."""
    shapes = [one.pose.apply(parts[one.part].shape) for one in placed]
    for i, a in enumerate(shapes):
        assert region.buffer(1e-6).covers(a)
        if edge_mm:
            assert a.distance(region.boundary) >= edge_mm - 1e-6
        for b in shapes[:i]:
            assert a.distance(b) >= web_mm - 1e-6
            if not web_mm:
                assert not a.buffer(-1e-6).intersects(b)


@pytest.mark.first(1)
@pytest.mark.parametrize("n", [2, 7, 13, 30])
def test_circles_in_a_square(n):
    """Within one of the best known count when the radius is a hair smaller (0.1 %), and never above the bound."""
    disc = Point(0, 0).buffer(100 * RADIUS[n] * 0.999, quad_segs=48)
    parts = [Part("disc", disc)]
    filling = fill_region(box(0, 0, 100, 100), parts, web_mm=0, edge_mm=0, moves_limit=400)
    assert n - 1 <= len(filling.placed) <= n
    assert filling.bound >= n
    assert_exact(parts, filling.placed, box(0, 0, 100, 100), 0, 0)


@pytest.mark.first(12)
@pytest.mark.parametrize("n", sorted(RADIUS))
def test_no_bound_is_below_a_known_packing(n):
    """Bounds are sound: n circles do fit."""
    disc = Point(0, 0).buffer(100 * RADIUS[n], quad_segs=64)
    bound, reason = best_bound([Part("disc", disc)], box(0, 0, 100, 100), web_mm=0, edge_mm=0)
    assert bound >= n
    assert bound <= 1.35 * n + 1.6
    assert reason


def test_dense_patterns():
    """Discs stay below π/√12; regular pentagons come near (5 − √5)/3 (Kuperberg & Kuperberg 1990)."""
    disc = Point(0, 0).buffer(5, quad_segs=48)
    density = disc.area / find_lattices(disc, "any", gap_mm=0.0, tries=5)[0].area_each
    assert 0.89 < density <= math.pi / math.sqrt(12)
    corners = [(10 * math.cos(2 * math.pi * k / 5), 10 * math.sin(2 * math.pi * k / 5)) for k in range(5)]
    pentagon = Polygon(corners)
    density = pentagon.area / find_lattices(pentagon, "any", gap_mm=0.0, tries=8, seed=1)[0].area_each
    assert 0.91 < density <= (5 - math.sqrt(5)) / 3 + 1e-6


@pytest.mark.thorough
def test_a_scrap_with_a_hole_and_an_earlier_cut():
    """Webs, edges and obstacles are kept around holes."""
    scrap = box(0, 0, 90, 70).difference(Point(40, 35).buffer(14))
    parts = [Part("blossom", blossom(5, 8.0))]
    cut = Point(75, 20).buffer(9)
    filling = fill_region(scrap, parts, web_mm=2.0, edge_mm=2.0, obstacles=[cut], moves_limit=60)
    assert len(filling.placed) >= 8
    assert filling.bound >= len(filling.placed)
    assert_exact(parts, filling.placed, scrap, 2.0, 2.0)
    assert all(one.pose.apply(parts[0].shape).distance(cut) >= 2.0 - 1e-6 for one in filling.placed)


@pytest.mark.thorough
def test_proportions_are_kept():
    """Three of one to one of the other: neither gets ahead by more than a whole set."""
    parts = [Part("blossom", blossom(5, 8.0)), Part("leaf", box(0, 0, 24, 7))]
    filling = fill_region(
        box(0, 0, 90, 70), parts, web_mm=2.0, edge_mm=2.0, proportions=(3, 1), moves_limit=120
    )
    counts = np.bincount([one.part for one in filling.placed], minlength=2)
    sets = min(counts[0] // 3, counts[1])
    assert sets >= 2
    assert counts[0] <= 3 * (sets + 1)
    assert counts[1] <= sets + 1
    assert_exact(parts, filling.placed, box(0, 0, 90, 70), 2.0, 2.0)


def test_no_more_than_asked_for():
    """``most`` is a limit, and reaching it is a proof."""
    parts = [Part("disc", Point(0, 0).buffer(5), most=4)]
    filling = fill_region(box(0, 0, 100, 100), parts, web_mm=1.0, edge_mm=1.0, moves_limit=50)
    assert len(filling.placed) == 4
    assert filling.bound == 4


def test_nothing_fits():
    """A die too large for the scrap: an empty layout with bound 0 and a reason."""
    filling = fill_region(box(0, 0, 20, 20), [Part("b", blossom(5, 15))], web_mm=1, edge_mm=2, moves_limit=10)
    assert filling.placed == ()
    assert filling.reason


@pytest.mark.thorough
def test_the_same_seed_gives_the_same_layout():
    """With a limit in moves the clock does not matter."""
    parts = [Part("blossom", blossom(5, 9.0))]
    one, two = (
        fill_region(box(0, 0, 80, 60), parts, web_mm=2.0, edge_mm=2.0, moves_limit=60, seed=5)
        for _ in range(2)
    )
    assert one.placed == two.placed
    assert shapely.area(one.placed[0].pose.apply(parts[0].shape)) == pytest.approx(parts[0].shape.area)
