"""The checker's measures against exact arithmetic (fractions), on shapes that touch, share corners and run along each other.

The reference below is school geometry on whole numbers and fractions: nothing is rounded before the very end.
Corners lie on a coarse grid, so that touching, collinear and overlapping edges are frequent, not lucky.
"""

from __future__ import annotations

import math
import random
from fractions import Fraction
from itertools import pairwise, product

import numpy as np
import pytest
import shapely
import shapely.affinity
from shapely.geometry import Polygon

from nestcut.checks.measures.measure import clearance, overlap_depth, place_many, sticking_out, turn_matrices

Point = tuple[Fraction, Fraction]
Ring = list[Point]


def cross(o: Point, a: Point, b: Point) -> Fraction:
    """Twice the signed area of a triangle."""
    return (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0])


def square_distance(p: Point, a: Point, b: Point) -> Fraction:
    """Exact squared distance of a point from a segment."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    t = ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / (dx * dx + dy * dy)
    t = min(max(t, Fraction()), Fraction(1))
    x, y = a[0] + t * dx - p[0], a[1] + t * dy - p[1]
    return x * x + y * y


def edges(ring: Ring) -> list[tuple[Point, Point]]:
    return list(pairwise([*ring, ring[0]]))


def hull(points: list[Point]) -> Ring:
    """Convex hull, counter-clockwise, without collinear corners (Andrew, 1979)."""
    points = sorted(set(points))

    def half(ordered: list[Point]) -> Ring:
        chain: Ring = []
        for point in ordered:
            while len(chain) > 1 and cross(chain[-2], chain[-1], point) <= 0:
                chain.pop()
            chain.append(point)
        return chain[:-1]

    return half(points) + half(points[::-1])


def clipped(ring: Ring, clip: Ring) -> Ring:
    """A convex ring within another, exactly (Sutherland & Hodgman, 1974)."""
    for a, b in edges(clip):
        kept: Ring = []
        for p, q in edges(ring) if ring else []:
            p_in, q_in = cross(a, b, p), cross(a, b, q)
            if p_in >= 0:
                kept.append(p)
            if p_in * q_in < 0:
                t = p_in / (p_in - q_in)
                kept.append((p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])))
        ring = [point for k, point in enumerate(kept) if point != kept[k - 1] or len(kept) == 1]
    return ring


def area(ring: Ring) -> Fraction:
    if len(ring) < 3:
        return Fraction()
    return sum((p[0] * q[1] - q[0] * p[1] for p, q in edges(ring)), Fraction()) / 2


def depth(point: Point, ring: Ring) -> float:
    """How deep a point lies in a convex ring; 0 outside."""
    if any(cross(a, b, point) <= 0 for a, b in edges(ring)):
        return 0.0
    return math.sqrt(min(square_distance(point, a, b) for a, b in edges(ring)))


def random_ring(rng: random.Random, grid: int) -> Ring:
    """A convex ring with corners on a grid; now and then thin as a hair."""
    while True:
        if rng.random() < 0.15:
            width = Fraction(1, rng.choice((3, 1000, 10**7)))
            x, y = Fraction(rng.randrange(grid)), Fraction(rng.randrange(grid))
            ring = [(x, y), (x + rng.randrange(1, grid), y), (x + rng.randrange(1, grid), y + width)]
            ring = hull(ring)
        else:
            ring = hull(
                [
                    (Fraction(rng.randrange(grid)), Fraction(rng.randrange(grid)))
                    for _ in range(rng.randrange(3, 8))
                ]
            )
        if len(ring) >= 3 and area(ring) > 0:
            return ring


def polygon(ring: Ring) -> Polygon:
    return Polygon([(float(x), float(y)) for x, y in ring])


@pytest.mark.thorough
@pytest.mark.parametrize("seed", range(4))
def test_distances_depths_and_areas_are_exact(seed: int) -> None:
    """1,000 pairs of convex shapes a seed: distance, "touch only", depth and shared area agree with fractions."""
    rng = random.Random(seed)
    kinds = {"apart": 0, "touch": 0, "overlap": 0}
    for _ in range(1000):
        a, b = random_ring(rng, 6), random_ring(rng, 6)
        shared = clipped(a, b)
        common = area(shared)
        found = clearance(polygon(a), polygon(b))
        if common > 0:
            kinds["overlap"] += 1
            # The deepest corner of what they share, seen from either outline: the checker claims at least that much.
            least = max(max(depth(p, a), depth(p, b)) for p in shared)
            assert -found >= least - 1e-9
            assert -found == overlap_depth(polygon(a), polygon(b))
            assert abs(float(common) - polygon(a).intersection(polygon(b)).area) <= 1e-9
        else:
            exact = min(
                square_distance(p, *edge)
                for one, other in ((a, b), (b, a))
                for p, edge in product(one, edges(other))
            )
            if exact == 0:
                kinds["touch"] += 1
                assert abs(found) <= 1e-9, "shapes that only touch"
            else:
                kinds["apart"] += 1
                assert found == pytest.approx(math.sqrt(exact), rel=1e-12)
    assert min(kinds.values()) > 40, kinds


@pytest.mark.parametrize("seed", range(2))
def test_what_sticks_out_is_exact(seed: int) -> None:
    """1,000 pairs: contained or not, and by how much, agree with fractions (convex: the farthest corner tells)."""
    rng = random.Random(100 + seed)
    inside = 0
    for _ in range(1000):
        outer = random_ring(rng, 6)
        inner = (
            random_ring(rng, 6)
            if rng.random() < 0.5
            else hull(rng.choices(outer, k=3) + rng.choices(outer, k=2))
        )
        if len(inner) < 3 or area(inner) == 0:
            continue
        farthest = 0.0
        for p in inner:
            if any(cross(a, b, p) < 0 for a, b in edges(outer)):
                farthest = max(farthest, math.sqrt(min(square_distance(p, a, b) for a, b in edges(outer))))
        found = sticking_out(polygon(inner), polygon(outer))
        inside += farthest == 0
        assert found == pytest.approx(farthest, abs=1e-9)
    assert inside > 100


def test_quarter_turns_are_exact_and_others_nearly() -> None:
    """Turns by whole quarters move corners exactly; 3-4-5 turns agree with fractions to the last digits."""
    corners = [(Fraction(3, 8), Fraction(-5, 4)), (Fraction(7), Fraction(1, 2)), (Fraction(2), Fraction(9))]
    shape = polygon(corners)
    for quarters in range(-4, 9):
        linear = turn_matrices(np.array([90.0 * quarters]))
        placed = place_many(np.array([shape], dtype=object), linear, np.array([[0.25, 4.0]]))[0]
        cos, sin = [(1, 0), (0, 1), (-1, 0), (0, -1)][quarters % 4]
        want = [(float(cos * x - sin * y) + 0.25, float(sin * x + cos * y) + 4.0) for x, y in corners]
        assert shapely.get_coordinates(placed)[:-1].tolist() == [list(point) for point in want]
    linear = turn_matrices(np.array([math.degrees(math.atan2(4, 3))]))
    placed = place_many(np.array([shape], dtype=object), linear, np.zeros((1, 2)))[0]
    want = [(float((3 * x - 4 * y) / 5), float((4 * x + 3 * y) / 5)) for x, y in corners]
    assert np.abs(shapely.get_coordinates(placed)[:-1] - want).max() < 1e-14


def test_shapes_of_thousands_of_corners_are_measured_the_same_way() -> None:
    """Two discs of 3,000 corners, 1 mm into each other and 2 mm out of each other (a tree is used from there on)."""
    disc = shapely.Point(0, 0).buffer(10, quad_segs=750)
    assert overlap_depth(disc, shapely.affinity.translate(disc, 19, 0)) == pytest.approx(1.0, abs=1e-3)
    assert sticking_out(shapely.affinity.translate(disc, 2, 0), disc) == pytest.approx(2.0, abs=1e-3)
