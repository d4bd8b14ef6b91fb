"""Upper bounds for odd regions: never below a layout that is there, and tight in arms, holes and notches."""

from __future__ import annotations

import itertools
import math
import random

import pytest
import shapely
from shapely.affinity import rotate, translate
from shapely.geometry import LineString, Point, Polygon, box

from nestcut.batch.model import Shape
from nestcut.placement.bounds.bounds import best_bound
from nestcut.placement.bounds.narrow import (
    count_of_points,
    fewest_points,
    filled_from_below,
    free_for_discs,
    inner_radius,
    opened_from_below,
    opened_region,
)
from nestcut.placement.shapes.types import Part

FRAME = box(0, 0, 150, 150).difference(box(35, 35, 115, 115))
ELL = box(0, 0, 150, 150).difference(box(40, 40, 150, 150))


def blossom(petals: int, inner: float, outer: float) -> Polygon:
    """A flower with deep notches."""
    ring = []
    for k in range(12 * petals):
        angle = 2 * math.pi * k / (12 * petals)
        reach = inner + (outer - inner) * abs(math.cos(petals * angle / 2)) ** 3
        ring.append((reach * math.cos(angle), reach * math.sin(angle)))
    return Polygon(ring)


def shape_of(chance: random.Random) -> Polygon:
    """A disc, a bar, a blossom, a U or a ring."""
    size = chance.uniform(6, 16)
    kind = chance.randrange(5)
    if kind == 0:
        return Point(0, 0).buffer(size)
    if kind == 1:
        return box(-size, -size / 3, size, size / 3)
    if kind == 2:
        return blossom(chance.randint(4, 8), 0.4 * size, size)
    if kind == 3:
        return box(-size, -size, size, size).difference(box(-size / 2, -size / 2, size / 2, size))
    return Point(0, 0).buffer(size).difference(Point(0, 0).buffer(0.8 * size))


@pytest.mark.parametrize("seed", range(60))
@pytest.mark.first(12)
def test_never_below_a_layout(seed: int) -> None:
    """Pieces laid tightly at random, and a region that is hardly more than what they take: the bound holds them all.

    The region has arms, holes and notches wherever the pieces leave them.
    """
    chance = random.Random(seed)

    def clear(one: Shape) -> bool:
        return all(one.distance(other) >= web and one.intersection(other).area < 1e-9 for _, other in laid)

    web, edge = chance.choice([0.0, 1.0, 2.5]), chance.choice([0.0, 1.0, 2.0])
    shapes = [shape_of(chance) for _ in range(chance.choice([1, 1, 2]))]
    laid: list[tuple[int, Shape]] = []
    for _ in range(chance.randint(2, 12)):
        number = chance.randrange(len(shapes))
        turned = rotate(shapes[number], chance.uniform(0, 360), origin=(0, 0))
        angle = chance.uniform(0, 2 * math.pi)
        # Pushed in from far away until it nearly touches: halved steps.
        low, high = 0.0, 200.0
        for _ in range(30):
            middle = (low + high) / 2
            moved = translate(turned, middle * math.cos(angle), middle * math.sin(angle))
            if clear(moved):
                high = middle
            else:
                low = middle
        moved = translate(turned, high * math.cos(angle), high * math.sin(angle))
        if clear(moved):
            laid.append((number, moved))
    around = [shape.buffer(edge * 1.001 + 0.01, quad_segs=32) for _, shape in laid]
    middles = [shape.representative_point() for _, shape in laid]
    paths = [LineString([p, q]).buffer(0.3) for p, q in itertools.pairwise(middles)]
    region = shapely.union_all([*around, *paths])
    if chance.random() < 0.5:
        region = Polygon(region.exterior)
    parts = [Part(f"p{k}", shape) for k, shape in enumerate(shapes)]
    bound, reason = best_bound(parts, region, web_mm=web, edge_mm=edge)
    assert bound >= len(laid) - 1e-9, (len(laid), bound, reason)
    # With a piece of them as something that lies there already.
    if len(laid) > 2:
        rest, _ = best_bound(parts, region, web_mm=web, edge_mm=edge, obstacles=[laid[0][1]])
        assert rest >= len(laid) - 1 - 1e-9


def test_arms_that_a_piece_is_too_wide_for_do_not_count() -> None:
    """A square of 38 mm has no room in the arms of a frame 35 wide, and but one place in an L of 40, or a few."""
    square = Part("square", box(-19, -19, 19, 19))
    assert best_bound([square], FRAME, web_mm=2.5, edge_mm=2.0)[0] == 0
    by_area = math.floor((ELL.area) / (40.5**2))
    assert by_area >= 5
    wide = box(0, 0, 150, 60).union(box(0, 0, 30, 400)).union(box(120, 0, 150, 400))
    bound, reason = best_bound([square], wide, web_mm=2.5, edge_mm=2.0)
    assert (
        3 <= bound <= 6
    )  # three in the wide part; the arms of 30 mm hold none, though they have room for a dozen
    assert "wide enough" in reason or "arm by arm" in reason


def test_discs_in_arms_are_counted_along_them() -> None:
    """Discs that fill the arms of a frame lie in a row: four times 115 mm of middles, not the area of a lawn."""
    arms = box(0, 0, 200, 200).difference(box(24, 24, 176, 176))
    disc = Part("disc", Point(0, 0).buffer(10.0))
    bound, _ = best_bound([disc], arms, web_mm=2.0, edge_mm=2.0)
    # Middles on a square of 176 mm, 22 apart: 32.
    assert 32 <= bound <= 40
    assert arms.area / (math.pi * 11**2) > 44


def test_points_in_convex_pieces() -> None:
    """Groemer's count for a square, a line and a point; an L is cut into two arms."""
    assert count_of_points(Point(3, 4), 10.0) == 1
    assert count_of_points(LineString([(0, 0), (100, 0)]), 10.0) == 11
    assert count_of_points(Polygon(), 10.0) == 0
    ell = box(0, 0, 100, 1).union(box(0, 0, 1, 100))
    assert 20 <= fewest_points(ell, 10.0) <= 24
    assert count_of_points(ell, 10.0) > 60


@pytest.mark.parametrize("seed", range(12))
def test_filled_shapes_lie_apart(seed: int) -> None:
    """Two pieces that touch anyhow, each with its dents filled: they still lie apart, and in the region filled and opened."""
    chance = random.Random(seed)
    a, b = shape_of(chance), shape_of(chance)
    angle, low, high = chance.uniform(0, 2 * math.pi), 0.0, 100.0
    for _ in range(40):
        middle = (low + high) / 2
        moved = translate(b, middle * math.cos(angle), middle * math.sin(angle))
        low, high = (low, middle) if moved.disjoint(a) else (middle, high)
    b = translate(b, high * math.cos(angle), high * math.sin(angle))
    region = shapely.union_all([a, b, LineString([a.centroid, b.centroid]).buffer(0.5)])
    for share in (0.2, 0.5, 0.9):
        radius = share * min(inner_radius(a), inner_radius(b))
        inner = [opened_from_below(shape, radius) for shape in (a, b)]
        for shape, part in zip((a, b), inner, strict=True):
            assert part.difference(shape.buffer(1e-9)).area < 1e-6
        filled = [filled_from_below(part, radius) for part in inner]
        assert filled[0].intersection(filled[1]).area < 1e-6
        place = opened_region(region, radius)
        assert all(shape.difference(place.buffer(1e-6)).area < 1e-3 for shape in filled)


def test_middles_of_discs_stay_inside() -> None:
    """Every middle of a disc that lies in a region is in the part for middles."""
    free = free_for_discs(ELL, 15.0)
    assert free.covers(LineString([(15, 15), (135, 15)]))
    assert free.covers(LineString([(15, 15), (15, 135)]))
    assert free.area < 1.1 * (120 * 10 + 110 * 10)
