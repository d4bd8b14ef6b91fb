"""Fillings with several kinds by value: never worth less than the best kind by itself."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Point, Polygon, box

from nestcut.batch.model import Pose
from nestcut.placement import Part, Placed, fill_region
from nestcut.placement.fill.fill import room_in
from nestcut.placement.fill.growth import Growth, moves_alone
from nestcut.placement.shapes.layout import lies_well
from tests.shared.shapes import blossom

LEAF = Polygon([(0, 0), (6, -3), (18, -3), (24, 0), (18, 3), (6, 3)])


@pytest.mark.parametrize("seed", [0, 1])
def test_a_mix_is_worth_no_less_than_its_best_kind(seed: int) -> None:
    """By area, with the moves that a kind has for itself in the mix."""
    shapes = [LEAF, blossom(5, 8.0)]
    parts = [Part(str(k), shape, value=shape.area) for k, shape in enumerate(shapes)]
    room = box(0, 0, 70, 60)
    mix = fill_region(room, parts, web_mm=2.0, edge_mm=2.0, moves_limit=200, seed=seed)
    alone = [
        fill_region(room, [part], web_mm=2.0, edge_mm=2.0, moves_limit=moves_alone(200, 2), seed=seed).value
        for part in parts
    ]
    assert mix.value >= max(alone) - 1e-6
    assert mix.bound >= mix.value


def test_what_a_kind_reaches_alone_is_taken_over(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the mixed search's own moves taken away, its layout is as good as that of the kind alone."""
    disc = Point(0, 0).buffer(12.2, quad_segs=24)
    parts = [Part("disc", disc, value=1.0), Part("other", Point(0, 0).buffer(19, quad_segs=24), value=0.5)]
    room = box(0, 0, 100, 83)
    alone = fill_region(room, parts[:1], web_mm=0, edge_mm=0, moves_limit=150)
    own = Growth._grow
    monkeypatch.setattr(Growth, "_grow", lambda self: own(self) if len(self.parts) == 1 else None)
    mix = fill_region(room, parts, web_mm=0, edge_mm=0, moves_limit=300)
    assert mix.value >= alone.value
    monkeypatch.setattr(Growth, "_best_alone", lambda self: None)
    monkeypatch.setattr(Growth, "_lay_rows", lambda self, k: None)  # four rows of three would do as well
    assert fill_region(room, parts, web_mm=0, edge_mm=0, moves_limit=300).value < alone.value


@pytest.mark.parametrize("seed", range(6))
def test_random_small_mixes_are_worth_no_less_than_any_kind(seed: int) -> None:
    """Random kinds, values and limits in a room with a hole: with its share of the moves, no kind alone is better."""
    rng = np.random.default_rng(seed)
    shapes = [LEAF, blossom(5, float(rng.uniform(5, 9))), box(0, 0, *rng.uniform(6, 20, 2))]
    parts = [
        Part(str(k), shape, value=shape.area * float(rng.uniform(0.7, 1.4)), most=most)
        for k, (shape, most) in enumerate(zip(shapes, (None, 4, None), strict=True))
    ]
    room = box(0, 0, 52, 40).difference(Point(30, 18).buffer(5))
    mix = fill_region(room, parts, web_mm=2.0, edge_mm=1.0, moves_limit=120, seed=seed)
    for part in parts:
        own = moves_alone(120, len(parts))
        alone = fill_region(room, [part], web_mm=2.0, edge_mm=1.0, moves_limit=own, seed=seed)
        assert mix.value >= alone.value - 1e-6, part.name


@pytest.mark.parametrize("seed", range(3))
def test_a_mix_starts_from_its_best_kind_whatever_the_mixed_search_finds(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With all of the mixed search's own finds refused, the layout of the best kind alone is left, and a start counts too."""
    rng = np.random.default_rng(100 + seed)
    shapes = [LEAF, blossom(5, float(rng.uniform(5, 9))), blossom(3, float(rng.uniform(4, 7)))]
    parts = [Part(str(k), s, value=s.area * float(rng.uniform(0.8, 1.2))) for k, s in enumerate(shapes)]
    room = box(0, 0, 52, 40)
    limit = 90
    alone = [
        fill_region(room, [p], web_mm=2.0, edge_mm=1.0, moves_limit=moves_alone(limit, 3), seed=seed).value
        for p in parts
    ]
    adopt = Growth._adopt
    for name in ("_grow", "_choose_all"):
        own = getattr(Growth, name)
        monkeypatch.setattr(Growth, name, lambda self, own=own: own(self) if len(self.parts) == 1 else None)
    monkeypatch.setattr(
        Growth, "_adopt", lambda self, *layout: adopt(self, *layout) if len(self.parts) == 1 else False
    )
    start = [Placed(1, Pose(20.0, 20.0, 0.0))]
    mix = fill_region(room, parts, web_mm=2.0, edge_mm=1.0, moves_limit=limit, seed=seed, start=start)
    assert mix.value >= max(alone) - 1e-6


def test_rows_of_boxes_are_the_least_that_comes_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without patterns and growth there are still rows; each is exact, in rooms with holes too."""
    monkeypatch.setattr(Growth, "_grow", lambda self: None)
    monkeypatch.setattr(Growth, "_lay_patterns", lambda self, k, until: None)
    room = Polygon([(0, 0), (128, 4), (141, 60), (96, 118), (40, 105), (8, 70)]).difference(
        Point(60, 50).buffer(17)
    )
    parts = [Part("leaf", LEAF, value=2.0, most=9), Part("flower", blossom(5, 8.0))]
    filling = fill_region(room, parts, web_mm=2.0, edge_mm=2.0, moves_limit=1)
    assert filling.value >= 18
    assert lies_well(parts, filling.placed, room_in(room, 2.0), gap_mm=2.0)
    rows = fill_region(
        box(0, 0, 62, 21), [Part("b", box(0, 0, 10, 5), "any")], web_mm=1, edge_mm=1, moves_limit=1
    )
    assert len(rows.placed) >= 15


def test_never_worse_than_the_start() -> None:
    """A layout given to begin with comes back, or a better one; one that is not exact does not count."""
    disc = Point(0, 0).buffer(10, quad_segs=24)
    room = box(0, 0, 60, 40)
    given = [Placed(0, Pose(10 + 20 * i, 10 + 20 * j, 0.0)) for i in range(3) for j in range(2)]
    filling = fill_region(room, [Part("disc", disc)], web_mm=0, edge_mm=0, start=given, moves_limit=1)
    assert len(filling.placed) == 6
    close = [*given, Placed(0, Pose(30.0, 20.0, 0.0))]
    filling = fill_region(room, [Part("disc", disc)], web_mm=0, edge_mm=0, start=close, moves_limit=1)
    assert len(filling.placed) <= 6
