"""Searching among sets of dies: the heaviest that is not disproved, the lightest that is undecided.

Up to some 100,000 sets are listed (all that rim area allows); beyond that CP-SAT answers the same two
questions as knapsacks. Both are exact in whole numbers.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from nestcut.passes.common.solvers import new_solver
from nestcut.passes.plate.master import Counts
from nestcut.passes.plate.patterns import PatternBook

__all__ = ["SetSearch"]

MOST_LISTED = 120_000
"""Where more sets fit by area, they are asked for one at a time."""


class SetSearch:
    """All sets of dies within the copies and the plate's area.

    Args:
        copies: useful copies of each die.
        areas: least area of each die, ticks, rounded down.
        room: area of the window, ticks, rounded up.
    """

    def __init__(self, copies: Sequence[int], areas: Sequence[int], room: int, book: PatternBook) -> None:
        self.copies = tuple(min(c, room // a) if a > 0 else c for c, a in zip(copies, areas, strict=True))
        self.areas = tuple(areas)
        self.room = room
        self.book = book
        self._listed = self._list()
        self._version = -1
        self._live: np.ndarray | None = None
        self._open: np.ndarray | None = None
        if self._listed is not None:
            self._area = self._listed @ np.asarray(self.areas, dtype=np.int64)

    @property
    def listed(self) -> bool:
        """True if all sets are listed one by one."""
        return self._listed is not None

    def _list(self) -> np.ndarray | None:
        """All sets within copies and area as an (N, dies) array, or None if there are too many."""
        sets = np.zeros((1, len(self.copies)), dtype=np.int16)
        areas = np.zeros(1, dtype=np.int64)
        for die, most in enumerate(self.copies):
            new_sets, new_areas = [sets], [areas]
            for count in range(1, most + 1):
                fits = areas + count * self.areas[die] <= self.room
                grown = sets[fits].copy()
                grown[:, die] = count
                new_sets.append(grown)
                new_areas.append(areas[fits] + count * self.areas[die])
            sets, areas = np.concatenate(new_sets), np.concatenate(new_areas)
            if len(sets) > MOST_LISTED:
                return None
        return sets

    def _refresh(self) -> None:
        """Bring the lists of live (not disproved) and open (undecided) sets up to date with the book."""
        if self._listed is None or self._version == self.book.version:
            return
        witnessed, disproved = self.book.known_masks(self._listed)
        self._live = ~disproved
        self._open = ~(witnessed | disproved)
        self._version = self.book.version

    def heaviest(self, weights: Sequence[int]) -> tuple[Counts, int]:
        """The set of most weight (whole numbers, exact) that is not disproved. Of equals, the largest."""
        if self._listed is not None:
            self._refresh()
            assert self._live is not None
            worth = self._listed @ np.asarray(weights, dtype=np.int64)
            worth = np.where(self._live, worth, -1)
            best = int(worth.max())
            ties = np.flatnonzero(worth == best)
            row = ties[np.argmax(self._listed[ties].sum(axis=1))]
            return tuple(int(c) for c in self._listed[row]), best
        return self._knapsack(weights)

    def _rows(self, model, count, tried: Collection[Counts]) -> None:  # type: ignore[no-untyped-def]
        """Rows that keep a set from holding a disproved or tried one."""
        for small in [*self.book.disproofs, *tried]:
            lacks = []
            for die, least in enumerate(small):
                if least == 0:
                    continue
                lack = model.new_bool_var("")
                model.add(count[die] <= least - 1).only_enforce_if(lack)
                lacks.append(lack)
            model.add_bool_or(lacks)

    def _knapsack(self, weights: Sequence[int]) -> tuple[Counts, int]:
        from ortools.sat.python import cp_model

        model = cp_model.CpModel()
        count = [model.new_int_var(0, most, f"u{die}") for die, most in enumerate(self.copies)]
        model.add(sum(a * u for a, u in zip(self.areas, count, strict=True)) <= self.room)
        self._rows(model, count, ())
        model.maximize(sum(w * u for w, u in zip(weights, count, strict=True)))
        solver = new_solver(work=0.5)
        status = solver.solve(model)
        if status == cp_model.OPTIMAL:
            return tuple(solver.value(u) for u in count), round(solver.objective_value)
        found = status == cp_model.FEASIBLE
        counts = tuple(solver.value(u) for u in count) if found else tuple(0 for _ in count)
        # Not proved: the bound on the weight holds all the same.
        return counts, int(np.ceil(solver.best_objective_bound - 1e-6))

    def lightest_open(
        self, weights: Sequence[float], above: float, tried: Collection[Counts] = ()
    ) -> Counts | None:
        """The undecided set of least area worth more than ``above``, none of ``tried`` a part of it."""
        if self._listed is not None:
            self._refresh()
            assert self._open is not None
            worth = (self._listed * np.asarray(weights, dtype=float)).sum(axis=1)
            good = self._open & (worth > above)
            for small in tried:
                if not good.any():
                    return None
                good &= ~(self._listed >= np.asarray(small, dtype=np.int16)).all(axis=1)
            rows = np.flatnonzero(good)
            if len(rows) == 0:
                return None
            area = self._area[rows]
            order = np.lexsort((-worth[rows], area))
            return tuple(int(c) for c in self._listed[rows[order[0]]])
        from ortools.sat.python import cp_model

        scale = 10_000
        model = cp_model.CpModel()
        count = [model.new_int_var(0, most, f"u{die}") for die, most in enumerate(self.copies)]
        taken = cp_model.LinearExpr.weighted_sum(count, self.areas)
        model.add(taken <= self.room)
        # Rounded down: what passes here is truly worth more than ``above``.
        model.add(
            cp_model.LinearExpr.weighted_sum(count, [int(w * scale) for w in weights])
            > int(above * scale) + 1
        )
        self._rows(model, count, tried)
        model.minimize(taken)
        solver = new_solver(work=0.3)
        if solver.solve(model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return None
        counts = tuple(solver.value(u) for u in count)
        return None if self.book.is_witnessed(counts) else counts
