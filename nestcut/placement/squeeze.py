"""The squeeze search: shorten the strip, push the pieces together, take the overlaps out, again and again."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from nestcut.placement.compact import Layout, compact, overlap
from nestcut.placement.tables import Job

__all__ = ["Settings", "Squeeze"]


@dataclass(frozen=True, slots=True)
class Settings:
    """What the search goes by; lengths in search units (the strip is 1000 wide)."""

    keep: int = 4
    patience: int = 120
    grow_least: float = 0.2
    grow: float = 1.0
    additive: float = 0.0
    decay: float = 0.95
    near_feasible: float = 6.0
    first_step: float = 0.02
    least_step: float = 0.0008


@dataclass
class Squeeze:
    """One search with its own random numbers."""

    job: Job
    seed: int = 0
    settings: Settings = field(default_factory=Settings)
    on_better: Callable[[Layout], None] | None = None
    clock: Callable[[], float] = time.perf_counter
    news: queue.Queue[Layout] | None = None
    """Layouts that other searches found."""
    number: int = 0
    moves: int = 0
    lps: int = 0
    sweeps: int = 0

    def __post_init__(self) -> None:
        job, n = self.job, len(self.job.part_of)
        self.n = n
        self.rng = np.random.default_rng(self.seed)
        self.state = np.array([self.rng.integers(1, 2**63 - 1)], np.uint64)
        self.best: Layout | None = None
        step = job.tables.step  # type: ignore[attr-defined]
        longest = max(job.longest, 1.0)
        self.map = np.zeros((int(min(longest, 60_000) / step) + 4, int(job.width / step) + 4), np.float32)
        self.x, self.y = np.zeros(n), np.zeros(n)
        self.v = job.first.copy()
        self.D = np.zeros((n, n))
        self.weight = np.ones((n, n))

    # -- starts ---------------------------------------------------------------------------------

    def row(self) -> Layout:
        """All pieces one behind the other, each in its shortest turn: always possible."""
        job = self.job
        x, v = np.zeros(self.n), np.zeros(self.n, np.int64)
        at = 0.0
        for i in range(self.n):
            choice = range(job.first[i], job.first[i] + job.count[i])
            v[i] = min(choice, key=lambda u: job.variants[u].wide)
            x[i] = at
            at += job.variants[v[i]].wide
        return Layout(x, np.zeros(self.n), v, at)

    def scatter(self, length: float) -> None:
        """All pieces anywhere, in any of their turns."""
        job = self.job
        for i in range(self.n):
            self.v[i] = job.first[i] + self.rng.integers(job.count[i])
        wide, high = job.tables.wide[self.v], job.tables.high[self.v]  # type: ignore[attr-defined]
        self.x = self.rng.uniform(0, 1, self.n) * np.maximum(length - wide, 0)
        self.y = self.rng.uniform(0, 1, self.n) * np.maximum(job.width - high, 0)

    def load(self, layout: Layout, length: float) -> None:
        """Take a layout into a strip of another length: cut a random stripe out, or clamp at the end."""
        self.x, self.y, self.v = layout.x.copy(), layout.y.copy(), layout.v.copy()
        wide = self.job.tables.wide[self.v]  # type: ignore[attr-defined]
        excess = layout.length - length
        if excess > 0 and self.rng.uniform() < 0.7:
            cut = self.rng.uniform(0, layout.length)
            self.x = np.where(self.x + wide / 2 > cut, self.x - excess, self.x)
        self.x = np.clip(self.x, 0, np.maximum(length - wide, 0))

    # -- disturbances ---------------------------------------------------------------------------

    def disturb(self, strength: int) -> None:
        """Swap the places of pieces, large ones with larger odds."""
        odds = self.job.area / self.job.area.sum()
        for _ in range(strength):
            i, j = self.rng.choice(self.n, 2, replace=False, p=odds) if self.n > 1 else (0, 0)
            if self.job.first[i] == self.job.first[j]:
                # The same kind: give one of them another turn instead.
                self.v[i] = self.job.first[i] + self.rng.integers(self.job.count[i])
                continue
            wide, high = self.job.tables.wide, self.job.tables.high  # type: ignore[attr-defined]
            ci = self.x[i] + wide[self.v[i]] / 2, self.y[i] + high[self.v[i]] / 2
            cj = self.x[j] + wide[self.v[j]] / 2, self.y[j] + high[self.v[j]] / 2
            self.x[i], self.y[i] = cj[0] - wide[self.v[i]] / 2, cj[1] - high[self.v[i]] / 2
            self.x[j], self.y[j] = ci[0] - wide[self.v[j]] / 2, ci[1] - high[self.v[j]] / 2

    # -- the search -----------------------------------------------------------------------------

    def separate(self, length: float, stop: Callable[[], bool], patience: int | None = None) -> Layout | None:
        """Take the overlaps out at this length; a layout shorter than the best, or None."""
        from nestcut.placement import kernels

        job, s = self.job, self.settings
        wide, high = job.tables.wide[self.v], job.tables.high[self.v]  # type: ignore[attr-defined]
        self.x = np.clip(self.x, 0, np.maximum(length - wide, 0))
        self.y = np.clip(self.y, 0, np.maximum(job.width - high, 0))
        self.weight[:] = 1.0
        total = kernels.measure(job.tables, self.x, self.y, self.v, self.D)
        bx, by, bv = self.x.copy(), self.y.copy(), self.v.copy()
        stale = 0
        patience = patience or s.patience
        tried = s.near_feasible
        self.residue = total
        while True:
            before = total
            total, fresh, moves, done = kernels.sweeps(
                job.tables, self.x, self.y, self.v, self.D, self.weight, length, job.width, bx, by, bv, total,
                8, patience, 1e-6, s.keep, s.grow_least, s.grow, s.additive, s.decay, self.map, self.state,
            )  # fmt: skip
            self.moves += moves
            self.sweeps += done
            self.residue = total
            stale = stale + done if total > 0.98 * before else fresh
            if total <= tried:
                tried = 0.5 * total
                self.lps += 1
                better = compact(
                    job, bx, by, bv, length, rounds=3, give_up_above=self.best.length if self.best else None
                )
                if better is not None and (self.best is None or better.length < self.best.length - 1e-7):
                    return better
            if total <= 1e-6 or stale >= patience or stop():
                self.residual = Layout(bx, by, bv, length)
                return None

    def accept(self, layout: Layout) -> bool:
        """Finish a layout and make it the best if it is exact and shorter."""
        finished = compact(self.job, layout.x, layout.y, layout.v, layout.length, rounds=12) or layout
        self.lps += 1
        for candidate in (finished, layout):
            if self.best is not None and candidate.length >= self.best.length - 1e-9:
                continue
            if overlap(self.job, candidate.x, candidate.y, candidate.v) <= 2e-7:
                self.best = candidate
                if self.on_better:
                    self.on_better(candidate)
                return True
        return False

    def hear(self) -> bool:
        """Take over a better layout that another search has found; True if there was one."""
        heard = False
        while self.news is not None and not self.news.empty():
            layout = self.news.get()
            if self.best is None or layout.length < self.best.length - 1e-9:
                self.best = layout
                heard = True
        return heard

    def run(
        self, seconds: float, *, moves_limit: int | None = None, stop: Callable[[], bool] | None = None
    ) -> None:
        """Search until the time, the moves or the patience of the caller is used up."""
        begin = self.clock()
        floor = float(self.job.area.sum()) / self.job.width

        def over() -> bool:
            return (
                self.clock() - begin > seconds
                or (moves_limit is not None and self.moves >= moves_limit)
                or (stop is not None and stop())
                or (self.best is not None and self.best.length <= floor * (1 + 1e-9))
            )

        if self.best is None:
            self.accept(self.row())
        widest = min(float(np.max(self.job.tables.wide)), self.best.length)  # type: ignore[attr-defined, union-attr]
        length = max(floor / 0.8, widest)
        self.scatter(length)
        while not over() and length < self.best.length:  # type: ignore[union-attr]
            found = self.separate(length, over, patience=15)
            if found is not None and self.accept(found):
                break
            length *= 1.04
            self.load(self.residual, length)
            self.x *= 1.04
        s = self.settings
        step = s.first_step
        fails = 0
        while not over():
            self.hear()
            best = self.best
            assert best is not None
            length = max(best.length * (1 - step), floor)
            pick = self.rng.uniform()
            if fails == 0 or pick < 0.5:
                self.load(best, length)
                if fails > 0:
                    self.disturb(1 + int(self.rng.integers(3)))
            elif pick < 0.9:
                self.load(self.residual, length)
                self.disturb(1 + int(self.rng.integers(4)))
            else:
                self.scatter(length)
            found = self.separate(length, over)
            if found is not None and self.accept(found):
                fails = 0
            else:
                fails += 1
                step = max(step * 0.6, s.least_step)
