"""Few dies with prices: the layout that is worth most.

Used where the set to lay is open: which dies ride together, given what one cut of each is worth. Sets
are tried by the strong search of :mod:`nestcut.placement.engine.fits`; the bound is a sound one by area (:mod:`nestcut.placement.bounds.bounds`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from shapely.geometry import Polygon

from nestcut import _stopwatch
from nestcut.arithmetic import buffered
from nestcut.batch.model import Shape
from nestcut.placement.bounds.bounds import bound_by_area
from nestcut.placement.engine.fits import fits_together
from nestcut.placement.shapes.types import Filling, Part, Placed, StopCheck

__all__ = ["most_value"]


def most_value(
    parts: Sequence[Part],
    region: Polygon,
    *,
    gap_mm: float,
    seconds: float = 1.0,
    seed: int = 0,
    moves_limit: int | None = None,
    obstacles: Sequence[Shape] = (),
    start: Sequence[Placed] = (),
    good_enough: float | None = None,
    on_layout: Callable[[Filling], None] | None = None,
    stop: StopCheck | None = None,
) -> Filling:
    """Choose and lay copies of parts so that the sum of their values is as large as can be found.

    Args:
        parts: ``most`` copies of each at most (None: as many as the area allows), ``value`` > 0 each.
        region: where shapes must lie, mm.
        gap_mm: least distance between two shapes.
        seconds: time limit; without effect when ``moves_limit`` is given.
        start: an exact layout to begin with.
        good_enough: a value at which the search may end.
        on_layout: told of every better layout.
    Returns: the best layout, exactly checked, and a proved upper bound. ``least`` is not enforced.
    """
    search = _Worth(parts, region, gap_mm, obstacles, seed)
    end = None if moves_limit is not None else _stopwatch.seconds() + seconds
    search.adopt(tuple(start))
    target = min(search.bound, good_enough if good_enough is not None else search.bound)

    def over() -> bool:
        if search.value >= target - 1e-9 or (stop is not None and stop()):
            return True
        if moves_limit is not None:
            return search.moves >= moves_limit
        return _stopwatch.seconds() >= (end or 0.0)

    told = search.value
    while not over():
        wanted = search.next_set()
        if wanted is None:
            break
        left = None if end is None else end - _stopwatch.seconds()
        search.attempt(wanted, left, stop)
        if search.value > told + 1e-12:
            told = search.value
            if on_layout is not None:
                on_layout(search.filling())
    return search.filling()


class _Worth:
    def __init__(
        self, parts: Sequence[Part], region: Polygon, gap_mm: float, obstacles: Sequence[Shape], seed: int
    ) -> None:
        self.parts, self.region, self.gap_mm, self.obstacles = parts, region, gap_mm, obstacles
        self.area = np.array([buffered(part.shape, gap_mm / 2, 8).area for part in parts])
        room = buffered(region, gap_mm / 2 * 1.01, 8)
        for other in obstacles:
            room = room.difference(other)
        self.room = room.area
        self.value_of = np.array([part.value for part in parts])
        most = [part.most if part.most is not None else 10**6 for part in parts]
        self.most = np.minimum(most, (self.room // np.maximum(self.area, 1e-9)).astype(int))
        self.bound, self.reason = bound_by_area(parts, region, gap_mm=gap_mm)
        self.rng = np.random.default_rng(seed)
        self.counts = np.zeros(len(parts), int)
        self.placed: tuple[Placed, ...] = ()
        self.value = 0.0
        self.moves = 0
        self.failed: dict[tuple[int, ...], int] = {}
        self.misses = 0

    @staticmethod
    def _sum(counts: np.ndarray, of_each: np.ndarray) -> float:
        return float((counts * of_each).sum())

    def adopt(self, placed: tuple[Placed, ...]) -> None:
        """Take over an exact layout."""
        counts = np.bincount([one.part for one in placed], minlength=len(self.parts))
        value = self._sum(counts, self.value_of)
        if value > self.value + 1e-12:
            self.counts, self.placed, self.value = counts, placed, value

    def filling(self) -> Filling:
        """The best so far."""
        return Filling(self.placed, self.value, self.bound, self.reason)

    def next_set(self) -> np.ndarray | None:
        """Counts of a set that is worth more than the best and can be right by area."""
        if self.misses == 0 and not self.placed:
            everything = self.most.copy()
            if self._sum(everything, self.area) <= self.room and tuple(everything) not in self.failed:
                return everything
        for _ in range(60):
            wanted = self._neighbour()
            if wanted is None:
                continue
            tries = self.failed.get(tuple(wanted), 0)
            # A set that failed comes back, with twice the patience, but less and less often.
            if self.rng.random() < 0.5**tries:
                return wanted
        return self._neighbour(wild=True)

    def _neighbour(self, *, wild: bool = False) -> np.ndarray | None:
        counts = self.counts.copy()
        drop = int(self.rng.integers(0, 3 + 2 * wild)) if counts.sum() else 0
        for _ in range(drop):
            held = np.flatnonzero(counts)
            if len(held) == 0:
                break
            # prefer to give up what is worth little for its area
            density = self.value_of[held] / self.area[held]
            weight = 1.0 / (density + 0.05 * density.max() + 1e-12)
            counts[self.rng.choice(held, p=weight / weight.sum())] -= 1
        used = self._sum(counts, self.area)
        while self._sum(counts, self.value_of) <= self.value + 1e-9:
            can = np.flatnonzero((counts < self.most) & (self.value_of > 0) & (used + self.area <= self.room))
            if len(can) == 0:
                return None
            density = self.value_of[can] / np.sqrt(self.area[can])
            weight = density * density + 1e-12
            pick = self.rng.choice(can, p=weight / weight.sum())
            counts[pick] += 1
            used += float(self.area[pick])
        if (counts == self.counts).all():
            return None
        return counts

    def attempt(self, counts: np.ndarray, seconds: float | None, stop: StopCheck | None) -> None:
        """Try to lay a set, beginning from the best layout."""
        key = tuple(int(c) for c in counts)
        tries = self.failed.get(key, 0)
        budget = int(12 * 2 ** min(tries, 6))
        chosen = [k for k, count in enumerate(counts) if count]
        renumber = {k: i for i, k in enumerate(chosen)}
        parts = [replace(self.parts[k], least=int(counts[k])) for k in chosen]
        left = {k: int(counts[k]) for k in chosen}
        begin = []
        for one in self.placed:
            if left.get(one.part, 0) > 0:
                left[one.part] -= 1
                begin.append(Placed(renumber[one.part], one.pose))
        found = fits_together(
            parts,
            self.region,
            gap_mm=self.gap_mm,
            moves_limit=budget,
            seed=int(self.rng.integers(2**31)),
            obstacles=self.obstacles,
            start=begin,
            stop=stop,
        )
        self.moves += budget
        if found is None:
            self.failed[key] = tries + 1
            self.misses += 1
        else:
            self.misses = 0
            self.adopt(tuple(Placed(chosen[one.part], one.pose) for one in found))
