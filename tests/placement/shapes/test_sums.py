"""Sums of many convex parts at once, against one at a time and against shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import MultiPoint, Polygon, box

from nestcut.placement.shapes.convex import convex_parts, convex_sum
from nestcut.placement.shapes.nofit import no_fit
from nestcut.placement.shapes.sums import Sums


def hulls(seed: int, count: int) -> list[np.ndarray]:
    """Convex rings, counter-clockwise, of random points on a grid of halves: parallel edges are common."""
    rng = np.random.default_rng(seed)
    rings = []
    while len(rings) < count:
        hull = MultiPoint(np.round(rng.uniform(-5, 5, (8, 2)) * 2) / 2).convex_hull
        if isinstance(hull, Polygon):
            rings.append(np.asarray(shapely.orient_polygons(hull).exterior.coords)[:-1])
    return rings


@pytest.mark.parametrize("seed", range(5))
def test_all_sums_are_the_single_sums(seed: int) -> None:
    """Each ring is the Minkowski sum that merging edges by angle gives, and the hull of all sums of corners."""
    fixed, moving = hulls(seed, 3), hulls(seed + 100, 4)
    sums = Sums(fixed, moving)
    at = 0
    for one in fixed:
        for two in moving:
            ring = sums.points[sums.start[at] : sums.start[at + 1]]
            at += 1
            alone = Polygon(convex_sum(one, -two))
            corners = MultiPoint((one[:, None] - two[None]).reshape(-1, 2)).convex_hull
            assert Polygon(ring).symmetric_difference(alone).area < 1e-9
            assert Polygon(ring).symmetric_difference(corners).area < 1e-9
    assert at == len(sums.start) - 1


def test_region_keeps_slots_and_planes_hold_the_rings() -> None:
    """A bar fits a slot exactly: the region keeps the hole; every ring lies behind its own half-planes."""
    u = Polygon([(0, 0), (3, 0), (3, 3), (2, 3), (2, 1), (1, 1), (1, 3), (0, 3)])
    sums = Sums(convex_parts(u), convex_parts(box(0, 0, 1, 2)))
    region = sums.region(1e-7)
    assert not region.contains(shapely.Point(1.0, 1.0))  # in the slot
    assert region.contains(shapely.Point(0.9, 1.0))
    assert region.symmetric_difference(no_fit(u, box(0, 0, 1, 2))).area < 1e-5
    planes, ends = sums.planes()
    first = 0
    for k, end in enumerate(ends):
        ring = sums.points[sums.start[k] : sums.start[k + 1]]
        side = ring @ planes[first:end, :2].T - planes[first:end, 2]
        assert side.max() <= 1e-9
        assert (np.abs(side) < 1e-9).any(axis=0).all()
        first = end
