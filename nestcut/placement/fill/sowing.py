"""The beginning of a filling: the grid model, dense patterns, and the layout in hand."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nestcut import _stopwatch
from nestcut.batch.model import Pose
from nestcut.placement.fill.filling import FillTask, State
from nestcut.placement.shapes.types import Placed, Progress, StopCheck

__all__ = ["Sowing"]

_MOST_VISITED = 3000
_LAYING = 0.15
"""Share of the time for laying patterns over the room."""
_BOXES, _BOXES_STEPS = 0.2, 100
"""Share of the time, or steps, for each question to the model of rectangles; the grid has twice the share."""


class Sowing(State):
    """A state with a layout in hand (kinds and kernel poses), other starts, and places that were visited."""

    ground: Any
    kind: NDArray[np.int64]
    visited_kind: NDArray[np.int64]
    visited_rows: NDArray[np.float64]

    def __init__(
        self,
        task: FillTask,
        on_layout: Callable[[Progress], None] | None = None,
        stop: StopCheck | None = None,
    ) -> None:
        super().__init__(task, on_layout, stop)
        self.patterns: dict[int, list[Any]] = {}
        self.starts: list[tuple[NDArray[np.int64], NDArray[np.float64]]] = []
        self.held: dict[int, int] = {}
        """Most pieces of a kind in rows or in one of its patterns."""
        self.useful: list[int] = []
        self.lean = np.zeros(2)
        self.no_fits: Any = None

    def _on_grid(self) -> bool:
        """Rectangles, and shapes on a common grid: the model on all places. True when nothing is left to do."""
        from nestcut.placement.exact.boxes import fill_with_boxes
        from nestcut.placement.exact.model import fill_on_grid

        task = self.task
        limits: Any = {"gap_mm": task.web_mm, "seed": task.seed, "proportions": self.share, "stop": self.stop}

        def boxes(everything: bool) -> bool:
            laid = fill_with_boxes(
                self.parts, self.free, everything=everything, **limits,
                seconds=_BOXES * task.seconds, steps=None if task.moves_limit is None else _BOXES_STEPS,
            )  # fmt: skip
            if laid is not None:
                self.offer(laid.placed)
                self._bound_by(laid.bound, "no choice of rectangles side by side is worth more (CP-SAT)")
            return self.over_early()

        if boxes(True):
            return True
        seconds = 2 * _BOXES * task.seconds
        grid = fill_on_grid(self.parts, self.free, seconds=seconds, steps=task.moves_limit, **limits)
        if grid is not None:
            placed, bound, complete = grid
            self.offer(placed)
            if complete:
                self._bound_by(bound, "no choice of places on the grid of these shapes holds more (CP-SAT)")
        return self.over_early() or boxes(False)

    def _bound_by(self, bound: float, reason: str) -> None:
        """Another upper bound; counts if it is lower."""
        if bound < self.bound - 1e-9:
            self.bound, self.reason = bound, reason

    def _useful(self) -> list[int]:
        """Kinds that are worth something or wanted, the most valuable for their area first."""
        kinds = [
            k
            for k, part in enumerate(self.parts)
            if part.most != 0
            and (part.value > 0 or part.least > 0)
            and (self.share is None or self.share[k] > 0)
        ]
        return sorted(kinds, key=lambda k: -self.parts[k].value / self.area[k])

    # ---- layouts as kinds and poses

    def _adopt(self, kind: NDArray[np.int64], rows: NDArray[np.float64]) -> bool:
        """Go on from a layout if it is exact and better than the one in hand; it may be the best of all."""
        counts = self.count(kind)
        if not self.allowed(counts) or self.worth(counts) <= self.worth(self.count(self.kind)):
            return False
        placed = self.ground.placed_of(kind, rows)
        if not (self.offer(placed) if self.better(counts) else self.lies_well(placed)):
            return False
        self.kind, self.rows = kind, self.ground.rows_of(placed)
        self._visit(kind, self.rows)
        return True

    def _back(self) -> None:
        """Go on from the best layout."""
        self.kind = np.array([one.part for one in self.best], np.int64)
        self.rows = self.ground.rows_of(self.best)

    def _visit(self, kind: NDArray[np.int64], rows: NDArray[np.float64]) -> None:
        """Remember places for the model to choose from; the oldest are forgotten."""
        self.visited_kind = np.concatenate((kind, self.visited_kind))[:_MOST_VISITED]
        self.visited_rows = np.concatenate((rows, self.visited_rows))[:_MOST_VISITED]

    # ---- rows and patterns

    def _lay_rows(self, k: int) -> None:
        """Offer rows of boxes of one kind: nothing that is found later may be worth less."""
        from nestcut.placement.fill.rows import rows_of_boxes

        part = self.parts[k]
        poses = rows_of_boxes(part.shape, part.turns, self.free, gap_mm=self.task.web_mm)[: part.most]
        self.held[k] = len(poses)
        self.offer(tuple(Placed(k, Pose(*pose)) for pose in poses))

    def _lay_patterns(self, k: int, until_s: float) -> None:
        """Find dense patterns of one kind, lay them over the room, take over the best."""
        from nestcut.placement.fill.lattice import find_lattices, lay_out, rooms_for

        part = self.ground.parts[k]
        limit = self.task.moves_limit

        def late() -> bool:
            if self.stop is not None and self.stop():
                return True
            return limit is None and _stopwatch.seconds() - self.begin > until_s

        tries = 60 if limit is None else max(4, min(60, limit // 8))
        self.patterns[k] = find_lattices(
            part.shape, part.turns, gap_mm=self.task.web_mm, seed=self.task.seed + k, tries=tries, over=late
        )
        layouts: list[Any] = []
        began = _stopwatch.seconds()
        share_s = _LAYING * self.task.seconds / len(self.useful)

        def laid_enough() -> bool:
            # in rooms with many corners each direction takes long
            return limit is None and _stopwatch.seconds() - began > share_s

        rooms = rooms_for(self.ground.parts[k].shape, self.free, self.task.web_mm)
        for lattice in self.patterns[k]:
            for rows in lay_out(
                lattice,
                rooms,
                self.task.room,
                free_turn=part.turns == "any",
                rng=self.rng,
                looks=16,
                over=laid_enough,
            ):
                layouts.append(rows)
            if self.over() or laid_enough():
                break
        layouts.sort(key=len, reverse=True)
        most = part.most if part.most is not None else 10**9
        self.held[k] = max(self.held.get(k, 0), min(most, max(map(len, layouts), default=0)))
        for rows in layouts[:12]:
            kind, poses = np.full(len(rows), k), np.array(rows)
            self._visit(kind, poses)
            if self.over():
                return
            if len(self.starts) >= 8 or (len(self.useful) > 1 and len(rows) < len(layouts[0])):
                continue
            if not self.allowed(self.count(kind[:most])):
                continue  # in proportions one kind by itself is no layout; the model will mix them
            settled = self.ground.exact_rows(kind[:most], poses[:most])
            if settled is None or not self.lies_well(self.ground.placed_of(kind[:most], settled)):
                continue
            self.starts.append((kind[:most], settled))
            self._adopt(kind[:most], settled)
