"""Fillings with several kinds by value: never worth less than the best kind by itself."""

from __future__ import annotations

import pytest
from shapely.geometry import Point, Polygon, box

from nestcut.placement import Part, fill_region
from nestcut.placement.growth import Growth
from tests.shapes import blossom

LEAF = Polygon([(0, 0), (6, -3), (18, -3), (24, 0), (18, 3), (6, 3)])


@pytest.mark.parametrize("seed", [0, 1])
def test_a_mix_is_worth_no_less_than_its_best_kind(seed: int) -> None:
    """By area, with the moves that a kind alone has for each of the two, and as many to mix them."""
    shapes = [LEAF, blossom(5, 8.0)]
    parts = [Part(str(k), shape, value=shape.area) for k, shape in enumerate(shapes)]
    room = box(0, 0, 70, 60)
    mix = fill_region(room, parts, web_mm=2.0, edge_mm=2.0, moves_limit=200, seed=seed)
    alone = [
        fill_region(room, [part], web_mm=2.0, edge_mm=2.0, moves_limit=40, seed=seed).value for part in parts
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
    assert fill_region(room, parts, web_mm=0, edge_mm=0, moves_limit=300).value < alone.value
