"""Disturbances: what they may change, and that the search leaves a dead end."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Polygon, box

from nestcut.placement.strip import disturb
from nestcut.placement.strip.disturb import Scene, large, scatter, swap
from nestcut.placement.strip.tables import StripJob, prepare

ELL = Polygon([(0, 0), (4, 0), (4, 1), (1, 1), (1, 3), (0, 3)])


def job_of(*quantity: int) -> StripJob:
    shapes = [ELL, box(0, 0, 2, 2), box(0, 0, 3, 1)][: len(quantity)]
    turns = [(0.0, 180.0), (0.0,), (0.0, 90.0)][: len(quantity)]
    return prepare(shapes, turns, list(quantity), 10.0)


def scene_of(job: StripJob, seed: int) -> Scene:
    n = len(job.part_of)
    scene = Scene(job, np.zeros(n), np.zeros(n), job.first.copy(), 2000.0, np.random.default_rng(seed))
    scatter(scene)
    return scene


def test_a_swap_exchanges_the_places_of_two_kinds() -> None:
    """Two pieces of different kinds trade the middles of their boxes, in their own turns; the rest stays."""
    job = job_of(3, 3, 2)
    for seed in range(20):
        scene = scene_of(job, seed)
        cx, cy = scene.middle()
        v = scene.v.copy()
        swap(scene)
        nx, ny = scene.middle()
        moved = np.flatnonzero(np.hypot(nx - cx, ny - cy) > 1e-9)
        assert len(moved) == 2
        i, j = moved
        assert job.part_of[i] != job.part_of[j]
        assert (nx[i], ny[i], nx[j], ny[j]) == pytest.approx((cx[j], cy[j], cx[i], cy[i]))
        assert (scene.v == v).all()


def test_one_kind_is_turned_instead() -> None:
    """With one kind there is nothing to swap: now and then a piece takes its other turn, about its middle."""
    job = job_of(4)
    turned = 0
    for seed in range(12):
        scene = scene_of(job, seed)
        before, v = scene.middle(), scene.v.copy()
        swap(scene)
        assert np.allclose(before, scene.middle())
        turned += int((scene.v != v).sum())
    assert 1 <= turned <= 12


@pytest.mark.parametrize("way", range(5))
def test_large_disturbances_keep_to_the_allowed_turns(way: int) -> None:
    """Whatever is thrown about, each piece stays its own kind; something changes, all numbers are finite."""
    job = job_of(5, 4, 6)
    changed = 0
    for seed in range(8):
        scene = scene_of(job, seed)
        x, y, v = scene.x.copy(), scene.y.copy(), scene.v.copy()
        scene.rng = Fixed(way, seed + 100)  # type: ignore[assignment]
        large(scene)
        assert ((scene.v >= job.first) & (scene.v < job.first + job.count)).all()
        assert np.isfinite(scene.x).all()
        assert np.isfinite(scene.y).all()
        changed += bool((scene.x != x).any() or (scene.y != y).any() or (scene.v != v).any())
    assert changed >= 6


class Fixed:
    """Random numbers whose first whole number is given: it chooses the way."""

    def __init__(self, first: int, seed: int) -> None:
        self.first: int | None = first
        self.rng = np.random.default_rng(seed)

    def integers(self, *args: int) -> int:
        if self.first is not None:
            first, self.first = self.first, None
            return first
        return int(self.rng.integers(*args))

    def __getattr__(self, name: str):  # type: ignore[no-untyped-def]
        return getattr(self.rng, name)


def test_a_slab_turned_twice_lies_as_before() -> None:
    """Half a turn of the whole strip, twice: every piece with a half-turned variant is back where it was."""
    job = job_of(4)
    scene = scene_of(job, 3)
    x, y, v = scene.x.copy(), scene.y.copy(), scene.v.copy()

    class All:
        def uniform(self, low: float, high: float) -> float:
            return 1.0 if high == 0.7 else 0.0

    scene.rng = All()  # type: ignore[assignment]
    disturb._turn_slab(scene)
    assert (scene.v != v).all()
    disturb._turn_slab(scene)
    assert np.allclose(scene.x, x)
    assert np.allclose(scene.y, y)
    assert (scene.v == v).all()
