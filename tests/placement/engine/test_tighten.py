"""Turning refines a strip where any angle is allowed."""

from __future__ import annotations

import math

import pytest
from shapely.geometry import box

from nestcut.batch.model import Pose
from nestcut.placement.engine.tighten import tighten
from nestcut.placement.shapes.layout import lies_well
from nestcut.placement.shapes.types import Part, Placed
from tests.shared.gaps import smallest_gap


def test_a_tilted_bar_is_turned_upright() -> None:
    """A 1 × 6 bar tilted by 20° in a strip of 6: upright it needs a length of 1."""
    part = Part("bar", box(-0.5, -3, 0.5, 3), "any")
    tilted = Placed(0, Pose(3.0, 3.3, 20.0))
    result = tighten([part], [tilted], 6.7)
    shape = result[0].pose.apply(part.shape)
    assert shape.bounds[2] == pytest.approx(1.0, abs=1e-3)
    assert lies_well([part], result, box(0, 0, 10, 6.7), gap_mm=0)


def test_listed_turns_stay() -> None:
    """A part with listed turns only moves."""
    parts = [Part("bar", box(-0.5, -3, 0.5, 3), (20.0,)), Part("square", box(0, 0, 1, 1), "any")]
    placed = [Placed(0, Pose(3.0, 3.4, 20.0)), Placed(1, Pose(7, 2, 10.0))]
    result = tighten(parts, placed, 6.8)
    assert result[0].pose.deg == 20.0
    right = max(p.pose.apply(parts[p.part].shape).bounds[2] for p in result)
    assert right < math.cos(math.radians(20)) + 6 * math.sin(math.radians(20)) + 0.5


def test_gap_and_edge_are_kept() -> None:
    """Two tilted squares end side by side: 2 × edge + gap + 2 × 5 (arithmetic)."""
    part = Part("square", box(0, 0, 5, 5), "any")
    placed = [Placed(0, Pose(6, 1.5, 8.0)), Placed(0, Pose(16, 1.2, 5.0))]
    result = tighten([part], placed, 8.0, gap_mm=1.0, edge_mm=1.0)
    right = max(p.pose.apply(part.shape).bounds[2] for p in result)
    assert right == pytest.approx(12.0, abs=1e-3)
    assert lies_well([part], result, box(1, 1, 30, 7.0), gap_mm=1.0)
    assert smallest_gap([part], result, box(0, 0, 30, 8.0)) >= 1.0 - 1e-6
