"""Windows of a layout, conflicts, touching places, shapes with their clefts closed."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Point, Polygon, box

from nestcut.placement import Part, fill_region
from nestcut.placement.bounds.bounds import best_bound
from nestcut.placement.bounds.hexagons import cell_areas, convex_core, six_sided, surrounding_areas
from nestcut.placement.engine.conflicts import meeting_pairs, places_inside
from nestcut.placement.engine.ground import Ground
from nestcut.placement.exact.model import Wish, choose_places, cliques_of, whole_shares
from nestcut.placement.exact.touching import NoFits
from nestcut.placement.exact.window import open_window
from nestcut.placement.fill.growth import moves_alone
from nestcut.placement.shapes.closing import cleft_free, closed_from_below, plugged_parts
from nestcut.placement.shapes.layout import lies_well
from tests.shared.shapes import blossom

ELL = Polygon([(0, 0), (9, 0), (9, 3), (3, 3), (3, 8), (0, 8)])


def ngon(n: int, radius: float = 1.0) -> Polygon:
    """A regular polygon around the origin."""
    turn = 2 * math.pi / n
    return Polygon([(radius * math.cos(k * turn), radius * math.sin(k * turn)) for k in range(n)])


# ---- conflicts


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.0, 1.5]))
def test_conflicts_are_what_shapely_measures(seed, gap):
    """Pairs nearer than the gap, and no others, on random places of a blossom and an L."""
    rng = np.random.default_rng(seed)
    room = box(0, 0, 60, 50).difference(Point(30, 25).buffer(6))
    ground = Ground([Part("b", blossom(5, 7.0)), Part("l", ELL)], room, gap)
    kind = rng.integers(0, 2, 40)
    rows = np.column_stack((rng.uniform(0, 60, 40), rng.uniform(0, 50, 40), rng.uniform(0, 7, 40)))
    pairs = {tuple(pair) for pair in meeting_pairs(ground.exact, ground.inner, kind, rows).tolist()}
    placed = ground.placed_of(kind, rows)
    shapes = [one.pose.apply(ground.parts[one.part].shape) for one in placed]
    for i, a in enumerate(shapes):
        for j in range(i + 1, len(shapes)):
            far = a.distance(shapes[j])
            if abs(far - gap) > 1e-5:
                meets = far < gap if gap else a.intersection(shapes[j]).area > 1e-6
                assert ((i, j) in pairs) == meets
    inside = places_inside(ground.exact, kind, rows)
    for good, shape in zip(inside, shapes, strict=True):
        assert room.buffer(1e-6).covers(shape) if good else not room.buffer(-1e-3).covers(shape)


@settings(max_examples=30, deadline=None)
@given(st.integers(2, 14), st.integers(0, 10_000))
def test_cliques_cover_each_edge_and_nothing_else(n, seed):
    """Every pair of a clique is an edge, every edge is in a clique."""
    rng = np.random.default_rng(seed)
    edges = {(i, j) for i in range(n) for j in range(i + 1, n) if rng.random() < 0.5}
    cliques = cliques_of(n, np.array(sorted(edges), np.int64).reshape(-1, 2))
    assert {(a, b) for clique in cliques for a in clique for b in clique if a < b} == edges


# ---- the model's wishes


def test_proportions_and_kept_pieces_count_together():
    """Three to one, with two of the first lying elsewhere: sets are made of both (arithmetic)."""
    parts = [Part("flower", ELL), Part("leaf", ELL)]
    kinds = [0] * 8 + [1] * 8
    # every place for itself, but at most 6 in all: a clique for each pair would not say that, so lists do
    picked, _ = choose_places(
        parts, kinds, [[i, 8 + i] for i in range(8)], seconds=10, wish=Wish((3, 1), kept=(2, 0))
    )
    flowers, leaves = sum(i < 8 for i in picked), sum(i >= 8 for i in picked)
    assert flowers + leaves == 8
    assert min((2 + flowers) / 3, leaves / 1) == pytest.approx(7 / 3)
    assert 2 + flowers <= 3 * min((2 + flowers) / 3, leaves) + 3


def test_demands_are_kept():
    """``most`` counts what lies elsewhere, ``least`` is reached even where it costs value."""
    parts = [Part("a", ELL, value=5.0, most=3), Part("b", ELL, value=1.0, least=2)]
    picked, bound = choose_places(
        parts, [0, 0, 0, 1, 1], [[0, 3], [1, 4]], seconds=10, wish=Wish(kept=(1, 0))
    )
    assert sorted(picked) == [2, 3, 4]
    assert bound == 7.0


def test_whole_shares():
    """1.5 : 1 is 3 : 2; 6 : 2 is 3 : 1; nothing of a kind stays nothing."""
    assert whole_shares((1.5, 1)) == (3, 2)
    assert whole_shares((6, 2, 0)) == (3, 1, 0)


def test_of_equal_choices_the_one_that_leans_wins():
    """Value first, then the side that is leant to."""
    parts = [Part("a", ELL)]
    picked, _ = choose_places(parts, [0, 0, 0], [[0, 1, 2]], seconds=10, lean=np.array([3, 9, 5]))
    assert picked == [1]


# ---- windows


def _row(ground: Ground, count: int, pitch: float) -> tuple[np.ndarray, np.ndarray]:
    rows = np.array([(3.0 + pitch * k, 3.0, 0.0) for k in range(count)])
    return np.zeros(count, np.int64), rows


def test_a_window_is_laid_anew_with_one_more():
    """Four squares of 5 with air between them in a 31 × 6 box: five fit with the web, six do not."""
    parts = [Part("square", box(0, 0, 5, 5), (0.0,))]
    room = box(0, 0, 31, 6)
    ground = Ground(parts, room, 1.0)
    kind, rows = _row(ground, 4, 7.5)
    window = open_window(ground, kind, rows, np.array([15.0, 3.0]), 4)
    rng = np.random.default_rng(1)
    places = window.fillings([np.zeros(6, np.int64)] * 40, seed=3, rng=rng, over=lambda: False, keep=0.3)
    choice = window.choose(*places, Wish(), seconds=20)
    assert choice is not None
    placed = ground.placed_of(choice.kind, choice.rows)
    assert len(placed) == 5
    assert lies_well(parts, placed, room, gap_mm=1.0)


def test_one_more_is_pushed_in():
    """Five squares with air between them make room for a sixth, turned or not (6 · 5 + 5 · 1 ≤ 36)."""
    parts = [Part("square", box(0, 0, 5, 5), (0.0,))]
    room = box(0, 0, 36, 6)
    ground = Ground(parts, room, 1.0)
    kind, rows = _row(ground, 5, 7.0)
    window = open_window(ground, kind, rows, np.array([20.0, 3.0]), 5)
    choice, moves = window.push(0, np.array([33.0, 3.0, 0.0]), moves=60, seed=1)
    assert moves > 0
    assert choice is not None
    placed = ground.placed_of(choice.kind, choice.rows)
    assert len(placed) == 6
    assert lies_well(parts, placed, room, gap_mm=1.0)


def test_corners_of_no_fit_regions_touch_and_never_overlap():
    """An L beside another L: every place keeps the gap, and is within a hair of two things."""
    room = box(0, 0, 40, 30)
    ground = Ground([Part("l", ELL, (0.0, 90.0))], room, 1.0)
    fixed = np.array([(15.0, 12.0, 0.0)])
    kind, rows = NoFits(ground).corners(
        np.zeros(1, np.int64), fixed, [(0, 0.0), (0, math.pi / 2)], np.array([0.0, 0.0, 40.0, 30.0]),
        over=lambda: False,
    )  # fmt: skip
    assert len(kind) > 10
    there = ground.placed_of(np.zeros(1, np.int64), fixed)[0].pose.apply(ELL)
    touching = 0
    for one in ground.placed_of(kind, rows):
        shape = one.pose.apply(ELL)
        assert room.buffer(1e-6).covers(shape)
        far = shape.distance(there)
        assert far >= 1.0 - 1e-6
        touching += far < 1.05
    assert touching > 4


# ---- mixes


def test_a_mix_is_worth_no_less_than_one_kind():
    """With values, the choice among kinds is at least as good as the best kind by itself with its share of the moves."""
    big, small = blossom(5, 11.0), Point(0, 0).buffer(3.5)
    region = box(0, 0, 80, 60)
    mix = [Part("big", big, value=5.0), Part("small", small, value=1.0)]
    both = fill_region(region, mix, web_mm=2.0, edge_mm=2.0, moves_limit=80)
    own = moves_alone(80, len(mix))
    alone = [fill_region(region, [part], web_mm=2.0, edge_mm=2.0, moves_limit=own).value for part in mix]
    assert both.value >= max(alone) - 1e-9
    assert both.value <= both.bound + 1e-9
    assert lies_well(mix, both.placed, region.buffer(-2.0), gap_mm=2.0)


def test_bound_in_proportions():
    """Squares of 2 and 1, three to one, in 10 × 10: a set takes 13, so at most 8 of the small, 8 + 92/4 in all."""
    parts = [Part("two", box(0, 0, 2, 2), (0.0,)), Part("one", box(0, 0, 1, 1), (0.0,))]
    bound, reason = best_bound(parts, box(0, 0, 10, 10), web_mm=0, edge_mm=0, proportions=(3, 1))
    assert bound == pytest.approx(8 + 92 / 4)
    assert reason
    filling = fill_region(box(0, 0, 10, 10), parts, web_mm=0, edge_mm=0, proportions=(3, 1), moves_limit=2000)
    counts = np.bincount([one.part for one in filling.placed], minlength=2)
    assert min(counts[0] / 3, counts[1]) >= 7
    assert counts.sum() <= bound


def test_demands_in_a_filling():
    """At least three large ones, though small ones are worth more."""
    mix = [Part("big", blossom(5, 11.0), value=0.1, least=3), Part("small", Point(0, 0).buffer(3.5))]
    filling = fill_region(box(0, 0, 80, 60), mix, web_mm=2.0, edge_mm=2.0, moves_limit=80)
    counts = np.bincount([one.part for one in filling.placed], minlength=2)
    assert counts[0] >= 3
    assert counts[1] >= 10


# ---- closing


@settings(max_examples=20, deadline=None)
@given(st.integers(3, 9), st.floats(5.0, 20.0), st.floats(0.3, 4.0))
def test_closing_keeps_the_same_pieces_away(petals, radius, web):
    """The closing grown by the web is the shape grown by the web, within what chords of arcs cost."""
    shape = blossom(petals, radius)
    closed = closed_from_below(shape, web)
    assert closed.buffer(1e-9).covers(shape)
    extra = closed.buffer(web, quad_segs=64).difference(shape.buffer(web * 1.001, quad_segs=64))
    assert extra.area < 1e-2
    rough = cleft_free(shape, web, 0.1)
    assert rough.hausdorff_distance(closed) < 2 * web + 0.2
    assert abs(rough.area - closed.area) < 0.15 * shape.length


def test_openings_are_filled_only_where_nothing_can_lie_in_them():
    """A ring with an opening 20 across: a disc of 5 fits in with its web, one of 9.5 does not."""
    ring = Point(0, 0).buffer(20).difference(Point(0, 0).buffer(10))
    small, large = Point(0, 0).buffer(5), Point(0, 0).buffer(9.5)
    assert plugged_parts([Part("ring", ring), Part("d", small)], 2.0)[0].shape.interiors
    assert not plugged_parts([Part("ring", ring), Part("d", large)], 2.0)[0].shape.interiors


# ---- bounds by polygons


def test_least_polygons_around_a_disc():
    """The least k-gon around a unit disc is the regular one, area k tan(π/k) (L'Huilier); bounds are near it."""
    disc = Point(0, 0).buffer(1.0, quad_segs=128)
    for k, area in surrounding_areas(disc).items():
        assert 0.97 * k * math.tan(math.pi / k) < area <= k * math.tan(math.pi / k)


@pytest.mark.parametrize("n", [3, 4, 6])
def test_tiles_take_their_own_area(n):
    """Shapes that fill the plane without gaps take no more than their area on average."""
    tile = ngon(n)
    takes = max(row[0] for row in cell_areas([tile]))
    assert tile.area * (1 - 1e-6) <= takes <= tile.area


def test_pentagons_take_no_more_than_the_best_packing():
    """Regular pentagons pack with density (5 − √5)/3 (Kuperberg & Kuperberg 1990): no bound may be above."""
    pentagon = ngon(5)
    takes = max(row[0] for row in cell_areas([pentagon]))
    assert pentagon.area * 0.999 <= takes <= pentagon.area / ((5 - math.sqrt(5)) / 3)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_cores_and_frames(seed):
    """Cores are convex and inside, frames have six sides at most and hold the region."""
    rng = np.random.default_rng(seed)
    shape = shapely.union_all(
        [Point(*p).buffer(r) for p, r in zip(rng.normal(0, 5, (4, 2)), rng.uniform(3, 6, 4), strict=True)]
    )
    core = convex_core(shape)
    if not core.is_empty:
        assert shape.buffer(1e-7).covers(core)
        assert core.convex_hull.area <= core.area * (1 + 1e-9)
    frame = six_sided(shape)
    assert len(frame.exterior.coords) - 1 <= 6
    assert frame.buffer(1e-7).covers(shape)
    assert frame.convex_hull.area <= frame.area * (1 + 1e-9)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000))
def test_bounds_are_sound_on_polyominoes(seed):
    """No bound is below the true maximum, found by the complete grid model (all positions and turns)."""
    rng = np.random.default_rng(seed)
    cells = {(0, 0)}
    while len(cells) < int(rng.integers(2, 6)):
        x, y = list(cells)[int(rng.integers(len(cells)))]
        dx, dy = [(1, 0), (-1, 0), (0, 1), (0, -1)][int(rng.integers(4))]
        cells.add((x + dx, y + dy))
    shape = shapely.union_all([box(x, y, x + 1, y + 1) for x, y in cells])
    w, h = int(rng.integers(3, 8)), int(rng.integers(3, 8))
    region = box(0, 0, w, h)
    if rng.random() < 0.4:
        x, y = int(rng.integers(1, w - 1)), int(rng.integers(1, h - 1))
        region = region.difference(box(x, y, x + 1, y + 1))
    from nestcut.placement.exact.model import fill_on_grid

    part = Part("p", shape, (0.0, 90.0, 180.0, 270.0))
    grid = fill_on_grid([part], region, gap_mm=0.0, seconds=20)
    bound, reason = best_bound([part], region, web_mm=0.0, edge_mm=0.0)
    assert grid is not None
    assert bound >= len(grid[0])
    assert reason
    # the same layout with a web and an edge of w: shapes shrunk by half the web, still apart
    web = 0.2
    small = Part("s", shape.buffer(-web / 2, join_style="mitre"), part.turns)
    bound, _ = best_bound([small], region.buffer(web / 2, join_style="mitre"), web_mm=web, edge_mm=web)
    assert bound >= len(grid[0])
