"""Do all shapes fit together: a yes is exact, and known impossible sets are never said to fit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate, translate
from shapely.geometry import Point, Polygon, box

from nestcut.placement import Part, fits_together
from tests.shared.shapes import blossom


def assert_exact(parts, placed, region, gap_mm):
    """Checked with plain shapely on freshly made poses, not with the room's own check."""
    shapes = []
    for one in placed:
        c, s = math.cos(math.radians(one.pose.deg)), math.sin(math.radians(one.pose.deg))
        R = np.array([[c, -s], [s, c]])
        ring = np.asarray(parts[one.part].shape.exterior.coords) @ R.T + (one.pose.x_mm, one.pose.y_mm)
        holes = [
            np.asarray(h.coords) @ R.T + (one.pose.x_mm, one.pose.y_mm)
            for h in parts[one.part].shape.interiors
        ]
        shapes.append(Polygon(ring, holes))
    room = region.buffer(1e-6, join_style="mitre")
    for i, a in enumerate(shapes):
        assert room.covers(a)
        for b in shapes[:i]:
            if gap_mm > 0:
                assert a.distance(b) >= gap_mm - 1e-6
            else:
                assert not a.buffer(-1e-6, join_style="mitre").intersects(b)


@st.composite
def dies(draw):
    """Blossoms, leaves and rectangles of 8 to 40 mm."""
    kind = draw(st.integers(0, 2))
    size = draw(st.floats(8, 20))
    if kind == 0:
        return blossom(draw(st.integers(3, 9)), size, draw(st.floats(0.1, 0.6)))
    if kind == 1:
        return box(0, 0, 2 * size, draw(st.floats(8, 20)))
    return Point(0, 0).buffer(size).intersection(Point(size, 0).buffer(size))


@settings(max_examples=12, deadline=None)
@given(st.lists(dies(), min_size=1, max_size=7), st.sampled_from([0.0, 0.5, 1.0]), st.integers(0, 99))
def test_a_yes_is_exact(shapes, gap_mm, seed):
    """Whatever is laid lies in the region and keeps the gap."""
    region = box(0, 0, 71, 146)
    parts = [Part(f"d{i}", shape) for i, shape in enumerate(shapes)]
    placed = fits_together(parts, region, gap_mm=gap_mm, moves_limit=40, seed=seed)
    if placed is not None:
        assert [one.part for one in placed] == list(range(len(parts)))
        assert_exact(parts, placed, region, gap_mm)


def test_loose_sets_are_found():
    """Sets that fill a third of the plate are laid within a few moves."""
    region = box(2, 2, 148, 218)
    parts = [Part("b", blossom(5, 20), least=5), Part("r", box(0, 0, 50, 12), least=6)]
    placed = fits_together(parts, region, gap_mm=1.0, moves_limit=60)
    assert placed is not None
    assert len(placed) == 11
    assert_exact(parts, placed, region, 1.0)


def test_a_small_die_lies_in_the_opening_of_a_rim():
    """The opening of a ring is room: plate and ring leave nothing else."""
    ring = Point(0, 0).buffer(20).difference(Point(0, 0).buffer(14))
    parts = [Part("ring", ring), Part("dot", Point(0, 0).buffer(10))]
    placed = fits_together(parts, box(0, 0, 41, 41), gap_mm=1.0, moves_limit=400)
    assert placed is not None
    assert_exact(parts, placed, box(0, 0, 41, 41), 1.0)


@pytest.mark.parametrize(("side", "fits"), [(27.2, True), (26.9, False)])
def test_five_squares_in_a_square(side, fits):
    """Five unit squares need a square of side 2 + 1/√2 = 2.7071, turned by 45° (Göbel 1979, proved)."""
    parts = [Part("square", box(0, 0, 10, 10), least=5)]
    placed = fits_together(parts, box(0, 0, side, side), gap_mm=0.0, moves_limit=2500 if fits else 300)
    assert (placed is not None) == fits
    if placed:
        assert_exact(parts, placed, box(0, 0, side, side), 0.0)


def test_listed_turns_are_kept():
    """Only listed turns come out, exactly as listed."""
    parts = [Part("a", box(0, 0, 30, 10), turns=(0.0, 90.0), least=6)]
    placed = fits_together(parts, box(0, 0, 62, 40), gap_mm=0.5, moves_limit=1000)
    assert placed is not None
    assert {one.pose.deg for one in placed} <= {0.0, 90.0}
    assert_exact(parts, placed, box(0, 0, 62, 40), 0.5)


def test_too_much_is_refused_at_once():
    """More area than the region has is a proof, not a search."""
    parts = [Part("a", box(0, 0, 10, 10), least=5)]
    assert fits_together(parts, box(0, 0, 20, 20), gap_mm=0.0, seconds=60) is None
    assert fits_together([], box(0, 0, 1, 1), gap_mm=1.0) == ()


def test_the_same_seed_gives_the_same_layout():
    """With a limit in moves the answer does not depend on the clock."""
    parts = [Part("b", blossom(6, 16), least=6), Part("r", box(0, 0, 40, 11), least=3)]
    one = fits_together(parts, box(0, 0, 90, 120), gap_mm=1.0, moves_limit=80, seed=3)
    two = fits_together(parts, box(0, 0, 90, 120), gap_mm=1.0, moves_limit=80, seed=3)
    assert one == two
    assert one is not None


def test_obstacles_keep_their_gap():
    """What lies there already keeps its gap too; a given layout may be the start."""
    region, post = box(0, 0, 60, 60), translate(rotate(box(0, 0, 20, 20), 30), 20, 20)
    parts = [Part("r", box(0, 0, 18, 14), least=6)]
    placed = fits_together(parts, region, gap_mm=1.0, moves_limit=600, obstacles=[post])
    assert placed is not None
    assert_exact(parts, placed, region, 1.0)
    assert all(one.pose.apply(parts[0].shape).distance(post) >= 1.0 - 1e-6 for one in placed)
    again = fits_together(parts, region, gap_mm=1.0, moves_limit=5, obstacles=[post], start=placed)
    assert again is not None
