"""The largest scale at which all pieces fit: packings whose optimum is known."""

from __future__ import annotations

import math

import pytest
from shapely.affinity import translate
from shapely.geometry import Point, Polygon, box

from nestcut.placement import Part, largest_scale
from nestcut.placement.shapes.layout import lies_well
from tests.placement.fill.test_fill import RADIUS


@pytest.mark.parametrize("n", [2, 3, 5, 8, 12])
def test_largest_circles_in_a_square(n: int) -> None:
    """Proved radii are reached within a thousandth (and not exceeded)."""
    parts = [Part("disc", Point(0, 0).buffer(1, quad_segs=64), least=n)]
    factor, placed = largest_scale(parts, box(0, 0, 100, 100), moves_limit=2400)
    assert len(placed) == n
    assert RADIUS[n] * (1 - 1e-3) <= factor / 100 <= RADIUS[n] * (1 + 1e-9)


def test_five_squares() -> None:
    """Five squares in a square of side 2 + 1/√2, one of them aslant (Göbel 1979); drawn off their origin."""
    parts = [Part("square", translate(box(0, 0, 1, 1), 7, -3), least=5)]
    factor, placed = largest_scale(parts, box(0, 0, 10, 10), moves_limit=3000)
    assert len(placed) == 5
    assert 0.98 * 10 / (2 + math.sqrt(0.5)) <= factor <= 10 / (2 + math.sqrt(0.5)) * (1 + 1e-7)


def test_two_kinds_with_a_gap_in_an_odd_room() -> None:
    """Exact at the factor that is told, the gap not scaled; nothing fits: factor 0."""
    dart = Polygon([(0, 0), (10, 4), (0, 8), (3, 4)])
    parts = [Part("dart", dart, least=3), Part("card", box(0, 0, 6, 4), (0.0, 90.0), least=2)]
    room = Polygon([(0, 0), (50, 0), (60, 30), (20, 45)]).difference(Point(30, 15).buffer(5))
    factor, placed = largest_scale(parts, room, gap_mm=1.5, moves_limit=1200)
    assert factor > 1.0
    grown = [
        Part(p.name, Polygon([(factor * x, factor * y) for x, y in p.shape.exterior.coords]), p.turns)
        for p in parts
    ]
    assert sorted(one.part for one in placed) == [0, 0, 0, 1, 1]
    assert lies_well(grown, placed, room, gap_mm=1.5)
    assert largest_scale(parts, box(0, 0, 1, 1), gap_mm=5.0, moves_limit=200) == (0.0, ())
