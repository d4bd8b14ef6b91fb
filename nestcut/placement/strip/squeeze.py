"""The squeeze search: shorten the strip, push the pieces together, take the overlaps out, again and again."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from nestcut.arithmetic import bell, power
from nestcut.placement.strip.compact import Layout, compact, overlap
from nestcut.placement.strip.disturb import Scene, large, scatter, swap
from nestcut.placement.strip.tables import StripJob

__all__ = ["Settings", "Squeeze"]


@dataclass(frozen=True, slots=True)
class Settings:
    """What the search goes by; lengths in search units (the strip is 1000 wide)."""

    keep: int = 4
    """Low points of a map that are looked at closely."""
    patience: int = 40
    """Sweeps without a better sum before the search goes back to its best layout."""
    strikes: int = 3
    """How often it does so before the length is given up."""
    grow_least: float = 0.2
    grow: float = 1.0
    """Weights of overlapping pairs grow by these shares in a sweep: at least, and for the deepest."""
    decay: float = 0.92
    near_feasible: float = 12.0
    """Sum of depths from which on a linear programme may finish the layout."""
    explore: float = 0.85
    """Share of the time in which layouts are disturbed; in the rest the best is pressed only."""
    first_step: float = 0.008
    most_step: float = 0.01
    least_step: float = 0.001
    """Shares of the length that the strip is shortened by."""
    leap: float = 4.0
    """Where the length resists: up to so many least steps are tried at once."""
    finest_step: float = 1e-4
    """Less is below what the tables resolve (their hair)."""
    tries: int = 5
    """Failures at one length before a longer one is tried (two while steps are large)."""
    pool: int = 12
    """Layouts kept that came nearest to a length."""
    afresh: float = 0.25
    """How often the best layout is disturbed instead of one of the pool."""
    generation: int = 24
    """Failures after which the pool is given up, and the best layout disturbed much."""
    large: float = 0.15
    """How often else much is disturbed at once."""
    still: float = 0.1
    """How often nothing is disturbed: other random numbers alone."""


@dataclass
class Squeeze:
    """One search with its own random numbers."""

    job: StripJob
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
        # A call of the kernel should take some tenth of a second, whatever the size of the job.
        turns = float(job.count.mean()) if n else 1.0
        self.portion = max(8, int(150_000 / (30 + turns * (10 + 0.3 * n))))
        self.time_left: Callable[[], float] | None = None
        self.residue = np.inf
        self.weight = np.ones((n, n))

    # -- starts ---------------------------------------------------------------------------------

    def columns(self) -> Layout:
        """All pieces stacked by their boxes in columns across the strip, the widest first: always possible."""
        job = self.job
        wide, high = job.tables.wide, job.tables.high  # type: ignore[attr-defined]
        x, y, v = np.zeros(self.n), np.zeros(self.n), np.zeros(self.n, np.int64)
        for i in range(self.n):
            v[i] = min(range(job.first[i], job.first[i] + job.count[i]), key=lambda u: wide[u])
        at, top, length = 0.0, 0.0, 0.0
        for i in np.argsort(-wide[v], kind="stable"):
            if top > 0.0 and top + high[v[i]] > job.width * (1 + 1e-12):
                at, top = length, 0.0
            x[i], y[i] = at, top
            top += high[v[i]]
            length = max(length, at + wide[v[i]])
        return Layout(x, y, v, length)

    def load(self, layout: Layout, length: float) -> None:
        """Take a layout into a strip of another length: cut a random stripe out, or clamp at the end."""
        self.x, self.y, self.v = layout.x.copy(), layout.y.copy(), layout.v.copy()
        wide = self.job.tables.wide[self.v]  # type: ignore[attr-defined]
        excess = layout.length - length
        if excess > 0 and self.rng.uniform() < 0.7:
            cut = self.rng.uniform(0, layout.length)
            self.x = np.where(self.x + wide / 2 > cut, self.x - excess, self.x)
        self.x = np.clip(self.x, 0, np.maximum(length - wide, 0))

    def scene(self, length: float) -> Scene:
        """The pieces as they lie, to be disturbed."""
        return Scene(self.job, self.x, self.y, self.v, length, self.rng)

    # -- the search -----------------------------------------------------------------------------

    def separate(
        self,
        length: float,
        stop: Callable[[], bool],
        patience: int | None = None,
        strikes: int | None = None,
    ) -> Layout | None:
        """Take the overlaps out at this length; a layout shorter than the best, or None."""
        from nestcut.placement.strip import kernels
        from nestcut.placement.strip.sweeps import sweeps

        job, s = self.job, self.settings
        wide, high = job.tables.wide[self.v], job.tables.high[self.v]  # type: ignore[attr-defined]
        self.x = np.clip(self.x, 0, np.maximum(length - wide, 0))
        self.y = np.clip(self.y, 0, np.maximum(job.width - high, 0))
        self.weight[:] = 1.0
        total = kernels.measure(job.tables, self.x, self.y, self.v, self.D)
        bx, by, bv = self.x.copy(), self.y.copy(), self.v.copy()
        patience, strikes = patience or s.patience, strikes or s.strikes
        tried, stale, struck, mark = s.near_feasible, 0, 0, total
        while True:
            total, stale, moves, done = sweeps(
                job.tables, self.x, self.y, self.v, self.D, self.weight, length, job.width, bx, by, bv, total,
                stale, self.portion, patience, max(tried, 1e-6), s.keep, s.grow_least, s.grow, s.decay,
                self.map, self.state,
            )  # fmt: skip
            self.moves += moves
            self.sweeps += done
            if total <= tried:
                tried = 0.5 * total
                self.lps += 1
                better = compact(
                    job, bx, by, bv, length, rounds=3, give_up_above=self.best.length if self.best else None,
                    time_left=self.time_left,
                )  # fmt: skip
                if better is not None and (self.best is None or better.length < self.best.length - 1e-7):
                    self.residue = total
                    return better
            if stale >= patience:
                # Back to the best layout, with the weights that were learnt since; give up when that brought
                # nothing a few times in a row.
                struck = 0 if total < 0.98 * mark else struck + 1
                stale, mark = 0, total
                self.x[:], self.y[:], self.v[:] = bx, by, bv
                kernels.measure(job.tables, self.x, self.y, self.v, self.D)
            if total <= 1e-6 or struck >= strikes or stop():
                self.residue = total
                self.residual = Layout(bx, by, bv, length)
                return None

    def accept(self, layout: Layout, *, finish: bool = True) -> bool:
        """Finish a layout and make it the best if it is exact and shorter."""
        finished = None
        if finish:
            self.lps += 1
            finished = compact(
                self.job, layout.x, layout.y, layout.v, layout.length, rounds=12, time_left=self.time_left
            )
        finished = finished or layout
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
        if moves_limit is None:
            self.time_left = lambda: begin + seconds - self.clock()

        def spent() -> float:
            """Share of the time or the moves that is used up."""
            share = (self.clock() - begin) / max(seconds, 1e-9)
            return share if moves_limit is None else max(share, self.moves / moves_limit)

        def over() -> bool:
            return (
                spent() >= 1.0
                or (stop is not None and stop())
                or (self.best is not None and self.best.length <= floor * (1 + 1e-9))
            )

        self.start(floor, over)
        self.explore(floor, lambda: over() or spent() >= self.settings.explore)
        self.press(floor, over, spent)

    def start(self, floor: float, over: Callable[[], bool]) -> None:
        """A first layout: from a scatter at a good density, longer until the overlaps come out."""
        if self.best is None:
            # Programmes on many pieces take longer than the search needs to do better.
            self.accept(self.columns(), finish=self.n <= 100)
        assert self.best is not None
        length = max(floor / 0.8, min(float(np.max(self.job.tables.wide)), self.best.length))  # type: ignore[attr-defined]
        scatter(self.scene(length))
        while not over() and length < self.best.length:
            found = self.separate(length, over, patience=15, strikes=1)
            if found is not None and self.accept(found):
                break
            length *= 1.04
            self.load(self.residual, length)
            self.x *= 1.04

    def explore(self, floor: float, over: Callable[[], bool]) -> None:
        """Shorten by steps; where a length resists, disturb the layouts that came nearest to it."""
        s = self.settings
        step, fails = s.first_step, 0
        pool: list[tuple[float, Layout]] = []
        assert self.best is not None
        length = max(self.best.length * (1 - step), floor)
        self.load(self.best, length)
        while not over():
            found = self.separate(length, over)
            if found is not None and self.accept(found):
                step = min(step * 1.3, s.most_step) if fails == 0 else step
            elif self.hear():
                pass
            else:
                fails += 1
                pool.append((self.residue, self.residual))
                pool.sort(key=lambda entry: entry[0])
                del pool[s.pool :]
                if fails % (s.tries if step < 4 * s.least_step else 2) == 0:
                    step = max(step * 0.6, s.least_step)
                # A swap that helps often helps by much: then a longer step costs nothing.
                aim = step if step > s.least_step else step * power(s.leap, self.rng.uniform())
                length = max(self.best.length * (1 - aim), floor)
                dead = fails % s.generation == 0
                if dead:
                    # The pool has gathered around a dead end, near to a layout and never one.
                    pool.clear()
                if dead or self.rng.uniform() < s.afresh:
                    self.load(self.best, length)
                else:
                    # Mostly from the best of the pool: a half-normal draw.
                    at = int(abs(bell(self.rng)) * 0.3 * len(pool))
                    self.load(pool[min(at, len(pool) - 1)][1], length)
                draw = self.rng.uniform()
                if dead or draw < s.large:
                    large(self.scene(length))
                elif draw < 1 - s.still:
                    swap(self.scene(length))
                continue
            fails, pool = 0, []
            length = max(self.best.length * (1 - step), floor)
            self.load(self.best, length)

    def press(self, floor: float, over: Callable[[], bool], spent: Callable[[], float]) -> None:
        """Shorten the best by ever smaller steps: a stripe is taken out at a random place, or pieces are swapped."""
        s = self.settings
        failed = False
        while not over():
            self.hear()
            assert self.best is not None
            left = max(0.0, min(1.0, (1.0 - spent()) / (1.0 - s.explore)))
            step = s.finest_step * power(s.least_step / s.finest_step, left)
            length = max(self.best.length * (1 - step), floor)
            self.load(self.best, length)
            if failed and self.rng.uniform() < 0.7:
                swap(self.scene(length))
            found = self.separate(length, over, strikes=1)
            failed = found is None or not self.accept(found)
