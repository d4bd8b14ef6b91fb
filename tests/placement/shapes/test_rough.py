"""What the search is given instead of real dies: safe outlines, a sensible list of turns, and the time kept."""

from __future__ import annotations

import math
import time

import pytest
import shapely
from shapely.affinity import rotate
from shapely.geometry import MultiPolygon, Point, Polygon, box

from nestcut.placement.shapes.exact import strip_fault
from nestcut.placement.shapes.rough import fewer_corners, fold, grown_roughly, search_turns
from nestcut.placement.shapes.types import Part
from nestcut.placement.strip.strip import least_length


def flower(petals: int, radius_mm: float = 10.0) -> Polygon:
    """Discs around a disc, with a hundred corners and more, turned by an odd angle."""
    parts = [Point(0, 0).buffer(0.6 * radius_mm)]
    for k in range(petals):
        angle = 2 * math.pi * k / petals
        parts.append(
            Point(0.6 * radius_mm * math.cos(angle), 0.6 * radius_mm * math.sin(angle)).buffer(
                0.4 * radius_mm
            )
        )
    return rotate(shapely.union_all(parts), 7.0, origin=(0, 0))


LEAF = Polygon(
    [
        (0, 0),
        *((t, 3 * math.sin(math.pi * t / 20) * (1 + 0.2 * (k % 2))) for k, t in enumerate(range(1, 20))),
        (20, 0),
    ]
)


@pytest.mark.parametrize("shape", [flower(5), flower(8), LEAF, flower(5).difference(Point(0, 0).buffer(3))])
def test_outlines_contain_the_part_and_stay_near(shape: Polygon) -> None:
    """Few corners, nothing cut off, and no farther off than 2 % of the size; grown by the gap the same."""
    size = math.sqrt(shape.area)
    few = fewer_corners(shape)
    assert few.buffer(2e-6).covers(shape)
    assert shape.buffer(0.02 * size + 1e-6).covers(few)
    assert shapely.get_num_coordinates(few) < max(30, shapely.get_num_coordinates(shape))
    grown = grown_roughly(shape, 1.0)
    assert grown.buffer(2e-6).covers(shape.buffer(1.0, quad_segs=64))
    assert shape.buffer(1.0 + 0.03 * size, quad_segs=64).covers(grown)


def test_plain_outlines_are_left_alone() -> None:
    """A square has no corner to spare."""
    assert fewer_corners(box(0, 0, 3, 3)).equals(box(0, 0, 3, 3))


def test_folds() -> None:
    """A flower of n petals looks the same after a turn by 360° ÷ n; a leaf never does."""
    assert [fold(flower(n)) for n in (3, 5, 8)] == [3, 5, 8]
    assert fold(LEAF) == 1
    assert fold(box(0, 0, 4, 4)) == 4


def test_turns_cover_one_fold_and_shrink_with_the_time() -> None:
    """Five petals need turns within 72° only; little time means few turns; short lists stay whole."""
    rich, poor = (search_turns([flower(5), LEAF], ["any", "any"], s) for s in (100.0, 0.01))
    assert max(rich[0]) < 72 <= max(rich[0]) + rich[0][1]
    assert len(rich[1]) == 24
    assert sum(map(len, poor)) < sum(map(len, rich))
    assert search_turns([flower(5)], [(0.0, 90.0, 180.0)], 0.0) == [(0.0, 90.0, 180.0)]


def test_many_corners_and_any_turn_keep_the_time() -> None:
    """Nine flowers and four leaves, turned freely, in 3 s: exact, within 10 % and 2 s of the processor's time, and no
    longer than one after the other."""
    parts = [Part("flower", flower(5), "any", least=9), Part("leaf", LEAF, "any", least=4)]
    least_length(parts, 70.0, gap_mm=1.5, edge_mm=2.0, moves_limit=20)  # loads the kernels
    begin = time.process_time()
    layout = least_length(parts, 70.0, gap_mm=1.5, edge_mm=2.0, seconds=3.0)
    assert time.process_time() - begin <= 3.0 * 1.1 + 2.0
    shapes = [p.pose.apply(parts[p.part].shape) for p in layout.placed]
    assert len(shapes) == 13
    assert strip_fault(shapes, layout.length_mm, 70.0, gap_mm=1.5, edge_mm=2.0) is None
    row = sum(p.least * (2 * shapely.minimum_bounding_radius(p.shape) + 1.5) for p in parts)
    assert layout.length_mm <= row + 4.0


def test_a_part_that_only_just_fits_is_turned_to_fit() -> None:
    """A leaf 20 long in a strip of 4.5, free to turn: it must lie along the strip."""
    part = Part("leaf", LEAF, "any", least=1)
    layout = least_length([part], 4.5, seconds=1.0)
    assert isinstance(part.shape, Polygon | MultiPolygon)
    assert layout.length_mm == pytest.approx(20.0, abs=0.5)
