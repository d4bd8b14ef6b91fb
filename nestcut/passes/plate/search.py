"""The plate search: witness and disprove sets of dies until count and bound meet, or time is up.

Column generation (Gilmore & Gomory 1963) with a packer as the pricing oracle: the duals of the linear
master say which sets would save passes; the least dense of them that is undecided is tried first, grown by
further valuable dies when it fits, and the sets that the bound leans on are tried to be disproved.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from shapely.geometry import Polygon

from nestcut.passes.common.budget import Budget
from nestcut.passes.plate.bound import PlateBound, prove
from nestcut.passes.plate.disproof import Disprover
from nestcut.passes.plate.footprints import DieFootprint, window_ticks
from nestcut.passes.plate.master import (
    Counts,
    IntegerMaster,
    LinearMaster,
    PlateTask,
    solve_integer,
    solve_linear,
)
from nestcut.passes.plate.pack import MOVES, Packer
from nestcut.passes.plate.patterns import Layout, PatternBook
from nestcut.passes.plate.sets import SetSearch

__all__ = ["PlateSearch"]

WORTH = 1.0 + 1e-6
"""A set must be worth more than one pass by this: prices are rounded."""
ONE_BY_ONE = 14
"""Up to so many dies are added to a set one by one."""
PROVING = 0.2
"""Share of the time left that one renewal of the bound may take."""
HOPEFUL = (0.82, 0.88)
"""Sets that fill more of the window are not worth a quick try (they may still be tried with effort)."""
Report = Callable[[float, int, int, str], None]


class PlateSearch:
    """State of the search over one task; the book may be handed on to a later search (what-if)."""

    def __init__(
        self,
        task: PlateTask,
        bound_task: PlateTask,
        dies: Sequence[DieFootprint],
        window: Polygon,
        gap_mm: float,
        *,
        book: PatternBook | None = None,
        budget: Budget | None = None,
        report: Report | None = None,
    ) -> None:
        self.task, self.bound_task = task, bound_task
        self.dies = tuple(dies)
        self.window, self.gap_mm = window, gap_mm
        self.book = book if book is not None else PatternBook(len(self.dies))
        self.budget = budget if budget is not None else Budget(10.0)
        self.seed = seed = self.budget.seed
        self.rng = np.random.default_rng(seed + 1)
        self.packer = Packer(self.dies, window, gap_mm, seed=seed, stop=self._time_over)
        self.report = report
        self.sets = SetSearch(
            [die.copies for die in dies],
            [die.area_ticks for die in dies],
            window_ticks(window, gap_mm),
            self.book,
        )
        self.useful = tuple(
            min(die.copies, max(1, task.most_cuts(index))) for index, die in enumerate(self.dies)
        )
        self.disprover = Disprover(self.dies, window, gap_mm, self.book, stop=self._time_over)
        self.pool: list[Counts] = []
        self.bound: PlateBound | None = None
        self.best: IntegerMaster | None = None
        self.best_sets: tuple[Counts, ...] = ()
        self.linear: LinearMaster | None = None
        self._proved_at = -1
        self._cut_short = False
        """The last renewal of the bound ran out of its time."""
        self._solved_at: frozenset[Counts] = frozenset()

    # --- small steps -------------------------------------------------------------------------

    def _time_over(self) -> bool:
        """True if the clock or the person ends a try that is under way."""
        return self.budget.stopped() if self.budget.by_work else self.over()

    def over(self) -> bool:
        return self.budget.done(self.packer.work)

    def closed(self) -> bool:
        """True when the count equals the bound."""
        return self.best is not None and self.bound is not None and self.best.passes <= self.bound.passes

    def single(self, die: int) -> Counts:
        return tuple(1 if d == die else 0 for d in range(len(self.dies)))

    def fill(self, counts: Counts) -> float:
        """Share of the window that the rims, grown by half the gap, take."""
        return sum(c * die.area_ticks for c, die in zip(counts, self.dies, strict=True)) / self.sets.room

    def say(self, text: str) -> None:
        if self.report is not None:
            passes = self.best.passes if self.best else 0
            self.report(self.budget.spent(), passes, self.bound.passes if self.bound else 0, text)

    def try_set(self, counts: Counts, effort: int, start: Layout | None = None) -> bool:
        """Witness a set (or know that it is), with at most this effort."""
        if self.book.is_witnessed(counts):
            return True
        if self.book.is_disproved(counts) or self.book.tried(counts, effort):
            return False
        if sum(c * die.area_ticks for c, die in zip(counts, self.dies, strict=True)) > self.sets.room:
            return False
        layout = self.packer.try_set(counts, effort, start=start)
        if layout is None:
            self.book.failed(counts, effort)
            return False
        self.book.witness(layout)
        return True

    def grow(self, counts: Counts, weights: Sequence[float], effort: int) -> Counts:
        """Add dies to a witnessed set, the most valuable for their area first, while they fit."""
        keys = [
            (w + 1e-3) / max(1, die.area_ticks) * self.rng.uniform(0.5, 1.5)
            for w, die in zip(weights, self.dies, strict=True)
        ]
        order = [
            die
            for die in sorted(range(len(self.dies)), key=lambda d: -keys[d])
            for _ in range(self.useful[die] - counts[die])
        ]
        # Many dies are added in blocks, halved where they do not fit: a try for each would take too long.
        block = 1 if len(order) <= ONE_BY_ONE else len(order) // 2
        at, refused = 0, -1
        while at < len(order) and not self.over():
            if order[at] == refused:
                at += 1
                continue
            more = order[at : at + block]
            bigger = tuple(c + more.count(d) for d, c in enumerate(counts))
            hopeless = effort < len(HOPEFUL) and self.fill(bigger) > HOPEFUL[effort]
            if not hopeless and self.try_set(bigger, effort, self.book.layout(counts)):
                counts = bigger
                at += block
            elif block > 1:
                block //= 2
            else:
                refused = order[at]
        return counts

    # --- phases ------------------------------------------------------------------------------

    def open(self) -> list[int]:
        """Singles and, if it fits, everything at once. Returns the dies that could not be laid at all."""
        wanted = {die for _, options in self.task.lines for die, _ in options}
        every = tuple(self.useful[die] if die in wanted else 0 for die in range(len(self.dies)))
        if not (self.try_set(every, 0) or self.try_set(every, 1)):
            rest = [die for die in sorted(wanted) if not self.book.is_witnessed(self.single(die))]
            self.packer.stop = None  # one die alone is laid whatever the clock says
            for die in rest:
                for effort in range(len(MOVES) - 1):
                    if self.try_set(self.single(die), effort):
                        break
                    if self.disprover.attempt([die], effort + 1):
                        break
            self.packer.stop = self._time_over
        return [die for die in sorted(wanted) if not self.book.is_witnessed(self.single(die))]

    def first_sets(self, rounds: int) -> None:
        """Random greedy sets, so that the master has something to choose from."""
        for index in range(rounds):
            if self.over() or self.closed():
                return
            weights = [self.task.most_cuts(die) * self.rng.uniform(0.2, 1.0) for die in range(len(self.dies))]
            die = max(range(len(self.dies)), key=lambda d: weights[d])
            if self.book.is_witnessed(self.single(die)):
                self.grow(self.single(die), weights, effort=0)
            if index % 4 == 3:
                self.settle(prove=self.sets.listed)

    def priced_sets(self) -> None:
        """Sets around the dies that the master finds dearest, as long as they save passes."""
        vain = 0
        while vain < 4 and self.linear is not None and not self.over() and not self.closed():
            before = self.linear.value
            weights = [price * self.rng.uniform(0.6, 1.4) for price in self.linear.prices]
            die = max(range(len(self.dies)), key=lambda d: weights[d])
            if self.book.is_witnessed(self.single(die)):
                self.grow(self.single(die), weights, effort=0)
            self.settle(prove=False)
            vain = 0 if self.linear.value < before * 0.995 else vain + 1

    def settle(self, *, prove: bool = True) -> None:
        """Solve the linear master, and the whole-number one if it can bring fewer passes; renew the bound."""
        sets = tuple(self.book.witnesses)
        if frozenset(sets) != self._solved_at:
            self._solved_at = frozenset(sets)
            self.linear = solve_linear(self.task, sets)
            if self.linear is None:
                return
            least = math.ceil(self.linear.value - 1e-6)
            if self.best is None or least < self.best.passes:
                left = max(0.3, min(4.0, self.budget.left()))
                found = solve_integer(
                    self.task,
                    sets,
                    start=self.linear,
                    at_least=self.bound.passes if self.bound else 0,
                    seconds=left,
                    seed=self.seed,
                )
                if found is not None and (self.best is None or found.passes < self.best.passes):
                    self.best, self.best_sets = found, sets
        if prove and (self._proved_at != len(self.book.disproofs) or self.bound is None):
            if not self.closed():
                fresh = self.renewed()
                # A renewal cut short by the clock may prove less than is known.
                if self.bound is None or fresh.passes >= self.bound.passes:
                    self.bound = fresh
            self._proved_at = len(self.book.disproofs)
        self.say("laying dies together")

    def renewed(self) -> PlateBound:
        """The bound from what is disproved by now; takes a fifth of the time at most, and leaves time to search."""
        goal = self.best.passes if self.best is not None else None
        renewal = self.budget.next(max(0.2, PROVING * self.budget.left()))

        def over() -> bool:
            late = renewal.over()
            self._cut_short = self._cut_short or late
            return late or self._time_over()

        self._cut_short = False
        return prove(self.bound_task, self.sets, self.pool, goal=goal, over=over)

    def run(self) -> None:
        """All phases. The result is in ``best``, ``best_sets``, ``bound`` and ``book``."""
        self._phases()
        if self.bound is None or (self._cut_short and not self.closed() and not self.over()):
            self._proved_at = -1
            self.settle()

    def _phases(self) -> None:
        self.settle(prove=self.sets.listed)
        if self.closed() or self.over():
            return
        self.first_sets(rounds=6)
        if not self.sets.listed:
            self.settle(prove=False)
            self.priced_sets()
        self.settle()
        effort, disproved_at = 1, 0
        while not self.over() and not self.closed() and self.linear is not None:
            candidate = self.sets.lightest_open(
                self.linear.prices, WORTH, [u for u, spent in self.book.effort.items() if spent >= effort]
            )
            if candidate is not None and any(c > u for c, u in zip(candidate, self.useful, strict=True)):
                self.book.failed(candidate, len(MOVES))  # more copies than there is to cut: no use
                continue
            if candidate is not None:
                self.decide(candidate, effort)
                continue
            # Nothing cheap is left that would save passes: now the other side, at this effort.
            if disproved_at < effort:
                self.refute(effort)
                disproved_at = effort
                self.settle()
                continue
            if effort + 1 >= len(MOVES):
                return
            effort += 1

    def decide(self, counts: Counts, effort: int) -> None:
        """A set that would save passes: lay it quickly, else disprove it, else lay it with more effort."""
        assert self.linear is not None
        near = self.near(counts)
        if not self.try_set(counts, min(effort, 1) - 1, near):
            if self.disprover.disprove(counts, effort):
                return
            if not self.try_set(counts, effort, near):
                return
        self.grow(counts, self.linear.prices, min(effort, 2) - 1)
        self.settle()

    def near(self, counts: Counts) -> Layout | None:
        """The witnessed layout that shares most dies with this set, for a warm start."""
        best, most = None, -1
        for known in self.book.witnesses:
            common = sum(
                min(a, b) * die.area_ticks for a, b, die in zip(known, counts, self.dies, strict=True)
            )
            if common > most:
                best, most = known, common
        if best is None:
            return None
        return self.book.layout(tuple(min(a, b) for a, b in zip(best, counts, strict=True)))

    def refute(self, effort: int) -> None:
        """Try to disprove what the bound leans on, smallest sets first; a disproof renews the bound."""
        seen: set[Counts] = set()
        while not self.over() and not self.closed() and self.bound is not None:
            targets = [
                u
                for u in self.bound.support
                if u not in seen and not self.book.is_witnessed(u) and not self.book.is_disproved(u)
            ]
            if not targets:
                return
            news = False
            for counts in targets:
                seen.add(counts)
                if self.over():
                    return
                news = self.disprover.disprove(counts, effort) or news
            if news:
                fresh = self.renewed()
                if fresh.value >= self.bound.value or fresh.passes >= self.bound.passes:
                    self.bound = fresh
                self._proved_at = len(self.book.disproofs)
