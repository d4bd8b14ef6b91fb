"""Rows of scraps and parts: never wider than the scrap, never narrower than the part, and not much off."""

from __future__ import annotations

import math
import random

import pytest
import shapely
from shapely.affinity import rotate, translate
from shapely.geometry import MultiPolygon, Point, Polygon, box

from nestcut.passes.parts.slabs import SLAB_MM, STRETCHES, Bed, Form


def odd_shape(seed: int) -> Polygon:
    """A star with bays and holes, turned and shifted."""
    chance = random.Random(seed)
    ring = [
        (r * math.cos(k * math.pi / 9), r * math.sin(k * math.pi / 9))
        for k in range(18)
        for r in [chance.uniform(15.0, 50.0)]
    ]
    shape = Polygon(ring).buffer(0)
    for _ in range(4):
        spot = Point(chance.uniform(-25, 25), chance.uniform(-25, 25))
        shape = shape.difference(spot.buffer(chance.uniform(1.0, 6.0), quad_segs=3))
        shape = shape.difference(box(spot.x, spot.y, spot.x + 4.5, spot.y + 7.25))
    parts = shape.geoms if isinstance(shape, MultiPolygon) else [shape]
    shape = max(parts, key=lambda part: part.area)
    return translate(rotate(shape, chance.uniform(0, 360)), chance.uniform(-99, 99), chance.uniform(-99, 99))


@pytest.mark.parametrize("seed", range(8))
def test_free_stretches_lie_in_the_scrap_and_miss_little_of_it(seed: int) -> None:
    """Compared with shapely's own covering and areas."""
    scrap = odd_shape(seed)
    bed = Bed(scrap)
    free = [
        box(bed.free_l[row, k], bed.y0 + row * SLAB_MM, bed.free_r[row, k], bed.y0 + (row + 1) * SLAB_MM)
        for row in range(bed.height)
        for k in range(bed.n_free[row])
    ]
    assert shapely.covers(bed.shape.buffer(1e-6), free).all()
    # What is lost lies beside the outline, as deep as a slab is high where it is steep, wide where it is flat.
    lost = bed.shape.difference(shapely.union_all(free))
    near = bed.shape.boundary.buffer(SLAB_MM)
    assert sum(one.area for one in free) > 0.7 * bed.shape.area
    assert lost.difference(near).area < 0.03 * bed.shape.area


@pytest.mark.parametrize("seed", range(8))
def test_needed_stretches_cover_the_part(seed: int) -> None:
    """Row by row, at any turn; nothing needed lies far off the part."""
    chance = random.Random(seed)
    part = odd_shape(100 + seed)
    deg = chance.choice([0.0, 90.0, chance.uniform(0, 360)])
    left, right, count, x0, y0 = Form(part, (deg,), 1).spans(deg)
    turned = translate(rotate(part, deg, origin=(0, 0)), x0, y0)
    needed = [
        box(left[row, k], row * SLAB_MM, right[row, k], (row + 1) * SLAB_MM)
        for row in range(len(count))
        for k in range(count[row])
    ]
    assert shapely.union_all(needed).buffer(1e-6).covers(turned)
    assert shapely.union_all(needed).area < turned.area + 1.2 * SLAB_MM * turned.length + 1.0


def test_the_widest_stretches_stay_where_there_are_too_many() -> None:
    """A comb with thirty slots, each wider than the last."""
    comb = box(0, 0, 200, 60)
    for k in range(30):
        comb = comb.difference(box(3 + 6 * k, 10, 5 + 6 * k - 0.05 * k, 50))
    # Rows run across the shorter side: through all slots.
    tall = Bed(shapely.union_all([comb, box(0, 60, 200, 300)]))
    assert tall.base_deg == 0.0
    row = round(30 / SLAB_MM)
    widths = tall.free_r[row, : tall.n_free[row]] - tall.free_l[row, : tall.n_free[row]]
    assert len(widths) == STRETCHES == 24
    # 31 gaps: 3 mm, 29 that widen from 4 mm by 0.05 mm each, and the rest at the end.
    assert widths.min() >= 4.0 + 0.05 * 6 - 1e-6
    assert (tall.free_l[row, 1:24] > tall.free_r[row, :23]).all()
