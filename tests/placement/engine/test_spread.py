"""Spreading parts apart and pulling them to a side."""

from __future__ import annotations

import math

import pytest
from shapely.geometry import Polygon, box

from nestcut.batch.model import Pose
from nestcut.placement.engine.spread import pull, spread
from nestcut.placement.shapes.layout import lies_well
from nestcut.placement.shapes.types import Part, Placed
from tests.shared.gaps import smallest_gap


def test_two_squares_share_the_air() -> None:
    """Two unit squares in a 3.5 × 2 box: three equal gaps of 0.5 along, 0.5 across (arithmetic)."""
    part = Part("square", box(0, 0, 1, 1), (0.0,))
    placed = (Placed(0, Pose(0, 0)), Placed(0, Pose(1.2, 1)))
    region = box(0, 0, 3.5, 2)
    result = spread([part], placed, region)
    assert smallest_gap([part], result, region) == pytest.approx(0.5, abs=1e-5)


def test_grid_of_nine() -> None:
    """Nine squares in a box leave gaps of (5 − 3) / 4 = 0.5 (arithmetic)."""
    part = Part("square", box(0, 0, 1, 1), (0.0,))
    placed = tuple(Placed(0, Pose(1.01 * i, 1.01 * j)) for i in range(3) for j in range(3))
    region = box(0, 0, 5, 5)
    result = spread([part], placed, region)
    assert smallest_gap([part], result, region) == pytest.approx(0.5, abs=1e-4)


def test_one_circle_goes_to_the_middle_of_the_largest_disc() -> None:
    """A small disc in a right triangle 3-4-5 (inradius 1) ends at the incentre (1, 1)."""
    disc = Polygon([(0.2 * math.cos(a * math.pi / 32), 0.2 * math.sin(a * math.pi / 32)) for a in range(64)])
    part = Part("disc", disc)
    region = Polygon([(0, 0), (4, 0), (0, 3)])
    result = spread([part], (Placed(0, Pose(2, 0.3)),), region)
    assert (result[0].pose.x_mm, result[0].pose.y_mm) == pytest.approx((1, 1), abs=0.01)


def test_spread_never_makes_it_worse_and_stays_exact() -> None:
    """A crowded layout stays a layout, and its smallest gap does not shrink."""
    wedge = Part("wedge", Polygon([(0, 0), (6, 0), (2, 4)]), "any")
    square = Part("square", box(-1, -1, 1, 1), (0.0, 45.0))
    region = box(0, 0, 12, 9).difference(box(5, 4, 6, 5))
    placed = (
        Placed(0, Pose(0, 0)),
        Placed(0, Pose(12, 9, 180.0)),
        Placed(1, Pose(2, 8)),
        Placed(1, Pose(10, 2)),
    )
    before = smallest_gap([wedge, square], placed, region)
    result = spread([wedge, square], placed, region)
    assert lies_well([wedge, square], result, region, gap_mm=0.0)
    assert smallest_gap([wedge, square], result, region) > before + 0.2
    assert all(r.pose.deg in (0.0, 45.0) for r in result[2:])


def test_pull_to_the_left() -> None:
    """Three squares in a row lie against the left side, touching."""
    part = Part("square", box(0, 0, 1, 1), (0.0,))
    region = box(0, 0, 10, 1)
    result = pull([part], tuple(Placed(0, Pose(x, 0)) for x in (2, 5, 9)), region, (-1, 0))
    assert [p.pose.x_mm for p in result] == pytest.approx([0, 1, 2], abs=1e-6)


def test_pull_keeps_the_gap_and_obstacles() -> None:
    """A gap of 0.5 is kept to the next square and to an obstacle."""
    part = Part("square", box(0, 0, 1, 1), (0.0,))
    region = box(0, 0, 10, 1)
    result = pull(
        [part], (Placed(0, Pose(4, 0)), Placed(0, Pose(8, 0))), region, (-2, 0), keep_gap_mm=0.5,
        obstacles=[box(0, 0, 1, 1)],
    )  # fmt: skip
    assert [p.pose.x_mm for p in result] == pytest.approx([1.5, 3.0], abs=1e-6)
