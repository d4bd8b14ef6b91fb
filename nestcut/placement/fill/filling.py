"""The state of a filling: what is the best layout, what counts as better, when to end."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from nestcut import _stopwatch
from nestcut.arithmetic import buffered
from nestcut.batch.model import Shape
from nestcut.placement.bounds.bounds import best_bound
from nestcut.placement.exact.model import whole_shares
from nestcut.placement.shapes.layout import lies_well
from nestcut.placement.shapes.types import Filling, Part, Placed, Progress, StopCheck

__all__ = ["FillTask", "State"]

_GRACE_S = 2.0


@dataclass(frozen=True, slots=True)
class FillTask:
    """What is to be filled with what; see :func:`nestcut.placement.fill_region`."""

    region: Polygon
    room: Polygon | MultiPolygon
    """The region less its edge."""
    parts: tuple[Part, ...]
    web_mm: float
    edge_mm: float
    proportions: tuple[float, ...] | None = None
    obstacles: tuple[Shape, ...] = ()
    seconds: float = 10.0
    seed: int = 0
    moves_limit: int | None = None
    start: tuple[Placed, ...] = ()
    """A layout to begin with."""


class State:
    """The best layout of a task so far, and its bound."""

    def __init__(
        self,
        task: FillTask,
        on_layout: Callable[[Progress], None] | None = None,
        stop: StopCheck | None = None,
    ) -> None:
        self.begin = _stopwatch.seconds()
        self.task, self.parts, self.on_layout, self.stop = task, task.parts, on_layout, stop
        self.moves = 0
        self.rng = np.random.default_rng(task.seed)
        self.share = whole_shares(task.proportions) if task.proportions is not None else None
        self.best: tuple[Placed, ...] = ()
        self.counts = np.zeros(len(task.parts), int)
        self.value = 0.0
        self.area = np.array([buffered(part.shape, task.web_mm / 2).area for part in self.parts])
        free = task.room
        for other in task.obstacles:
            free = free.difference(buffered(other, task.web_mm * 0.999) if task.web_mm > 0 else other)
        self.free = free
        self.bound, self.reason = best_bound(
            self.parts,
            task.region,
            web_mm=task.web_mm,
            edge_mm=task.edge_mm,
            obstacles=task.obstacles,
            proportions=self.share,
        )

    def seed(self) -> int:
        """A seed for the next search."""
        return int(self.rng.integers(2**31))

    def seconds_left(self) -> float:
        """Until the time is over, s."""
        return self.task.seconds - (_stopwatch.seconds() - self.begin)

    def over(self) -> bool:
        """Time, moves, request or bound."""
        if self.over_early():
            return True
        if self.task.moves_limit is not None:
            return self.moves >= self.task.moves_limit
        # with nothing in hand, a little more: on a busy machine loading the kernels alone takes seconds
        return self.seconds_left() <= (0.0 if self.best else -_GRACE_S)

    def over_early(self) -> bool:
        """Ended by the bound or by request, so that nobody need be waited for."""
        return self.proved() or (self.stop is not None and self.stop())

    def proved(self) -> bool:
        """Is nothing better possible? (Where sets count first, value alone proves nothing.)"""
        return bool(self.best) and self.share is None and self.value >= self.bound - 1e-9

    def worth(self, counts: NDArray[np.int64]) -> tuple[float, float, float]:
        """To be maximised: nothing missing of what is wanted at least, then whole sets (or 0), then value."""
        missing = sum(max(0, part.least - int(n)) for part, n in zip(self.parts, counts, strict=True))
        value = float(sum(part.value * n for part, n in zip(self.parts, counts, strict=True)))
        return (-float(missing), self.sets(counts), value)

    def sets(self, counts: NDArray[np.int64]) -> float:
        """How many whole sets (and how much of the next) these pieces make."""
        if self.share is None:
            return 0.0
        return min((n / p for n, p in zip(counts, self.share, strict=True) if p > 0), default=0.0)

    def count(self, kinds: Sequence[int] | NDArray[np.int64]) -> NDArray[np.int64]:
        """How many of each part."""
        return np.bincount(np.asarray(kinds, np.int64), minlength=len(self.parts))

    def better(self, counts: NDArray[np.int64]) -> bool:
        """Would these pieces be worth more than the best layout, and are they allowed?"""
        enough = all(n >= part.least for part, n in zip(self.parts, counts, strict=True))
        return enough and self.worth(counts) > self.worth(self.counts) and self.allowed(counts)

    def allowed(self, counts: NDArray[np.int64]) -> bool:
        """Not too many of any part, and none ahead of the others by more than one whole set."""
        if any(part.most is not None and n > part.most for part, n in zip(self.parts, counts, strict=True)):
            return False
        if self.share is None:
            return True
        sets = self.sets(counts)
        return all(n <= p * (sets + 1) + 1e-9 for n, p in zip(counts, self.share, strict=True))

    def lies_well(self, placed: tuple[Placed, ...]) -> bool:
        """The exact check."""
        task = self.task
        return lies_well(self.parts, placed, task.room, gap_mm=task.web_mm, obstacles=task.obstacles)

    def offer(self, placed: tuple[Placed, ...]) -> bool:
        """Take a layout over if it is better and exact."""
        counts = self.count([one.part for one in placed])
        if not self.better(counts) or not self.lies_well(placed):
            return False
        self.best, self.counts = placed, counts
        self.value = self.worth(counts)[2]
        if self.on_layout is not None:
            self.on_layout(
                Progress(placed, self.value, self.bound, _stopwatch.seconds() - self.begin, self.task.region)
            )
        return True

    def filling(self) -> Filling:
        """The best layout and the bound."""
        return Filling(self.best, self.value, max(self.bound, self.value), self.reason)

    def next_kinds(self, counts: NDArray[np.int64]) -> list[int]:
        """Kinds of which one more may be added, the most wanted first."""
        can = [
            k
            for k, part in enumerate(self.parts)
            if (part.most is None or counts[k] < part.most)
            and (part.value > 0 or counts[k] < part.least)
            and (self.share is None or self.share[k] > 0)
        ]
        if self.share is not None:
            share = self.share
            can.sort(key=lambda k: (counts[k] / share[k], -self.area[k]))
            return can[:1]
        short = [k for k in can if counts[k] < self.parts[k].least]
        if short:
            return short
        can.sort(key=lambda k: -self.parts[k].value / self.area[k])
        return can
