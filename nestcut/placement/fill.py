"""Most pieces, or most value, out of a region with holes.

Starts from dense endless patterns laid over the region (:mod:`.lattice`), then grows: one more piece is
put where it overlaps least and the others are squeezed aside until nothing overlaps (:mod:`.overlap`), or
a pattern pressed too tight is pushed apart within the region. Shapes on a common grid go to the OR-Tools
model (:mod:`.model`), which may also prove the result best. Every layout is checked exactly.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from shapely.affinity import translate
from shapely.geometry import MultiPolygon, Polygon

from nestcut.batch.model import Shape

from .bounds import best_bound
from .fits import Bench, Search
from .layout import lies_well
from .nofit import inner_fit
from .turning import kernel_pose
from .types import Filling, Part, Placed, Progress, StopCheck

__all__ = ["fill_region", "room_in"]

_ARC = 32


def room_in(region: Polygon | MultiPolygon, edge_mm: float) -> Polygon | MultiPolygon:
    """Where pieces may lie: the region less what is nearer than ``edge_mm`` to its outline and holes.

    The arcs around corners that point inwards are lengthened by their sagitta, so that chords keep the edge.
    """
    if edge_mm <= 0:
        return region
    return region.buffer(-edge_mm / math.cos(math.pi / 4 / _ARC), quad_segs=_ARC)


def fill_region(
    region: Polygon,
    parts: Sequence[Part],
    *,
    web_mm: float,
    edge_mm: float,
    seconds: float = 10.0,
    seed: int = 0,
    workers: int = 1,
    proportions: Sequence[float] | None = None,
    obstacles: Sequence[Shape] | None = None,
    on_layout: Callable[[Progress], None] | None = None,
    stop: StopCheck | None = None,
    moves_limit: int | None = None,
) -> Filling:
    """As many pieces (as much value) as can be found, with a proved upper bound.

    Args:
        region: the paper, holes allowed, mm.
        parts: shapes with value, ``most`` and ``least``; "any" or listed turns.
        web_mm: least distance between two pieces, and between a piece and an obstacle.
        edge_mm: least distance of a piece from the region's outline and holes.
        proportions: one weight per part (3, 1: three of the first to one of the second). No part then gets
            ahead of the others by more than one whole set.
        obstacles: earlier cuts in the region.
        on_layout: told of every better layout.
        workers: processes that search with seeds of their own; the best counts.
        moves_limit: ends the search after so many moves instead of after ``seconds``; makes it repeatable.
    Returns: exactly checked poses, their value, and the bound with its reason.
    """
    others = _Helpers(workers - 1, (region, parts, web_mm, edge_mm, seconds, seed, proportions, obstacles))
    fill = _Fill(region, parts, web_mm, edge_mm, seed, proportions, obstacles or (), moves_limit, seconds)
    fill.on_layout, fill.stop = on_layout, stop
    try:
        fill.work()
        for placed in others.results(0.0 if fill.over_early() else 5.0):
            fill.offer(placed)
    finally:
        others.close()
    return fill.filling()


class _Helpers:
    """Other processes that fill the same region from other seeds."""

    def __init__(self, count: int, task: tuple) -> None:
        import multiprocessing

        self.running: list = []
        if count < 1 or multiprocessing.current_process().daemon:
            return
        context = multiprocessing.get_context("spawn")
        for number in range(count):
            here, there = context.Pipe(duplex=False)
            process = context.Process(target=_help, args=(there, number + 1, task), daemon=True)
            process.start()
            there.close()
            self.running.append((process, here))

    def results(self, patience_s: float) -> list[tuple[Placed, ...]]:
        """What the helpers have; one that began late gets this much patience."""
        found = []
        for _, pipe in self.running:
            if pipe.poll(patience_s):
                try:
                    found.append(pipe.recv())
                except EOFError:
                    continue
        return found

    def close(self) -> None:
        for process, pipe in self.running:
            pipe.close()
            if process.is_alive():
                process.terminate()
            process.join()


def _help(pipe, number: int, task: tuple) -> None:  # type: ignore[no-untyped-def]
    region, parts, web_mm, edge_mm, seconds, seed, proportions, obstacles = task
    done = fill_region(
        region,
        parts,
        web_mm=web_mm,
        edge_mm=edge_mm,
        seconds=max(0.5, seconds - 2.0),
        seed=seed + 7919 * number,
        proportions=proportions,
        obstacles=obstacles,
    )
    pipe.send(done.placed)


class _Fill:
    on_layout: Callable[[Progress], None] | None = None
    stop: StopCheck | None = None

    def __init__(
        self,
        region: Polygon,
        parts: Sequence[Part],
        web_mm: float,
        edge_mm: float,
        seed: int,
        proportions: Sequence[float] | None,
        obstacles: Sequence[Shape],
        moves_limit: int | None,
        seconds: float,
    ) -> None:
        self.begin = time.monotonic()
        self.seconds, self.moves_limit, self.moves = seconds, moves_limit, 0
        self.region, self.parts, self.web_mm, self.edge_mm = region, tuple(parts), web_mm, edge_mm
        self.room = room_in(region, edge_mm)
        self.obstacles = tuple(obstacles)
        self.seed, self.rng = seed, np.random.default_rng(seed)
        self.share = tuple(proportions) if proportions is not None else None
        self.best: tuple[Placed, ...] = ()
        self.counts = np.zeros(len(parts), int)
        self.value = 0.0
        free = self.room
        for other in self.obstacles:
            free = free.difference(other.buffer(web_mm * 0.999, quad_segs=16) if web_mm > 0 else other)
        self.free = free
        self.bound, self.reason = best_bound(
            self.parts,
            region,
            web_mm=web_mm,
            edge_mm=edge_mm,
            obstacles=self.obstacles,
            proportions=self.share,
        )
        self.area = np.array([part.shape.buffer(web_mm / 2).area for part in self.parts])

    # ---- what is better, and when to end

    def over(self) -> bool:
        """Time, moves, request or bound."""
        if self.best and self.value >= self.bound - 1e-9:
            return True
        if self.stop is not None and self.stop():
            return True
        if self.moves_limit is not None:
            return self.moves >= self.moves_limit
        return time.monotonic() - self.begin >= self.seconds

    def over_early(self) -> bool:
        """Ended by the bound or by request, so that nobody need be waited for."""
        return (bool(self.best) and self.value >= self.bound - 1e-9) or (
            self.stop is not None and self.stop()
        )

    def worth(self, counts: NDArray) -> tuple[float, float]:
        """To be maximised: whole sets (or 0), then value."""
        value = float(sum(part.value * n for part, n in zip(self.parts, counts, strict=True)))
        return (self.sets(counts), value)

    def sets(self, counts: NDArray) -> float:
        if self.share is None:
            return 0.0
        return min((n / p for n, p in zip(counts, self.share, strict=True) if p > 0), default=0.0)

    def offer(self, placed: tuple[Placed, ...], *, checked: bool = False) -> bool:
        """Take a layout over if it is better and exact."""
        counts = np.bincount([one.part for one in placed], minlength=len(self.parts))
        if self.worth(counts) <= self.worth(self.counts) or not self.allowed(counts):
            return False
        if not checked and not lies_well(
            self.parts, placed, self.room, gap_mm=self.web_mm, obstacles=self.obstacles
        ):
            return False
        self.best, self.counts = placed, counts
        self.value = self.worth(counts)[1]
        if self.on_layout is not None:
            self.on_layout(
                Progress(placed, self.value, self.bound, time.monotonic() - self.begin, self.region)
            )
        return True

    def allowed(self, counts: NDArray) -> bool:
        return all(
            (part.most is None or n <= part.most) and n >= part.least
            for part, n in zip(self.parts, counts, strict=True)
        )

    def filling(self) -> Filling:
        return Filling(self.best, self.value, max(self.bound, self.value), self.reason)

    def next_kinds(self, counts: NDArray) -> list[int]:
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

    # ---- the work

    def work(self) -> None:
        """Grid model, patterns, growth, until the time is over."""
        if self.room.is_empty or not self.parts or self.bound <= 0:
            return
        from .model import fill_on_grid

        grid = fill_on_grid(
            self.parts,
            self.free,
            gap_mm=self.web_mm,
            seconds=0.5 * self.seconds,
            steps=self.moves_limit,
            seed=self.seed,
            proportions=self.share,
        )
        if grid is not None:
            placed, bound, complete = grid
            self.offer(placed)
            if complete and bound < self.bound - 1e-9:
                self.bound, self.reason = (
                    bound,
                    "no choice of places on the grid of these shapes holds more (CP-SAT)",
                )
            if self.over():
                return
        self.bench = Bench(self.parts, self.room, self.web_mm, self.obstacles, wary=0.8)
        self.patterns: list = []
        self.main = self.next_kinds(np.zeros(len(self.parts), int))
        if self.share is None and self.main and self.parts[self.main[0]].least == 0:
            self.lay_patterns(self.main[0])
        patience = 0
        while not self.over():
            if not self.next_kinds(self.counts):
                break
            if self.patterns and patience % 3 == 2:
                better = self.pressed()
            else:
                better = self.insert()
            patience = 0 if better else patience + 1

    def lay_patterns(self, k: int) -> None:
        """Find dense patterns of one kind and lay the best of them."""
        from .lattice import find_lattices, lay_out

        part = self.parts[k]
        share = 0.3 * self.seconds
        began = time.monotonic()

        def late() -> bool:
            if self.stop is not None and self.stop():
                return True
            return self.moves_limit is None and time.monotonic() - began > share

        tries = 8 if self.moves_limit is None else max(2, min(8, self.moves_limit // 60))
        self.patterns = find_lattices(
            part.shape, part.turns, gap_mm=self.web_mm, seed=self.seed, tries=tries, over=late
        )
        layouts = []
        for lattice in self.patterns:
            for rows in lay_out(
                lattice, self._rooms(k), self.room, free_turn=part.turns == "any", rng=self.rng, looks=10
            ):
                layouts.append(rows)
            if self.over():
                break
        layouts.sort(key=len, reverse=True)
        for rows in layouts[:4]:
            if len(rows) <= self.counts[k]:
                break
            self.adopt_rows(k, rows)
            if self.over():
                return

    def _rooms(self, k: int) -> Callable[[float], object]:
        part = self.parts[k]
        from .turning import cores_of

        mx, my = cores_of(part.shape).middle
        centred = translate(part.shape, -mx, -my).simplify(0.02)
        seen: dict[int, object] = {}
        free = self.free

        def rooms(angle: float) -> object:
            key = round(angle * 1e6)
            if key not in seen:
                from .lattice import turned

                seen[key] = inner_fit(free, turned(centred, angle))
            return seen[key]

        return rooms

    def adopt_rows(self, k: int, rows: list[tuple[float, float, float]]) -> bool:
        most = self.parts[k].most
        if most is not None:
            rows = rows[:most]
        search = Search(self.bench, [k] * len(rows), self._seed())
        search.pose[:] = rows
        placed = search.finish(search.pose)
        return placed is not None and self.offer(placed, checked=True)

    def _seed(self) -> int:
        return int(self.rng.integers(2**31))

    def insert(self) -> bool:
        """One more piece into the best layout, the others squeezed aside."""
        from .overlap import relocate, set_world

        can = self.next_kinds(self.counts)
        k = can[0] if len(can) == 1 or self.rng.random() < 0.6 else can[int(self.rng.integers(len(can)))]
        kinds = [*(one.part for one in self.best), k]
        search = Search(self.bench, kinds, self._seed())
        n = len(kinds)
        kit = self.bench.rough
        for i, one in enumerate(self.best):
            search.pose[i] = kernel_pose(kit, one.part, one.pose)
        x0, y0, x1, y1 = kit.box
        search.pose[n - 1] = (
            self.rng.uniform(x0, x1),
            self.rng.uniform(y0, y1),
            math.radians(kit.turns_deg[k][0]) if kit.turns_deg[k] else self.rng.uniform(0, 2 * math.pi),
        )
        set_world(kit.arrays, search.kind, search.pose, *search.world.all)
        samples = int(self.rng.choice([30, 120, 400]))
        relocate(
            kit.arrays,
            search.kind,
            search.pose,
            n - 1,
            search.weight,
            *search.world.all,
            samples,
            search.state,
            kit.box,
        )
        search.best_over[0] = 1e300
        return self._push(search, 24 + 2 * n if n > 14 else 160)

    def pressed(self) -> bool:
        """A pattern pressed a little too tight, so that one piece more lies in the region; pushed apart."""
        from .lattice import lay_out

        k = self.main[0]
        if len({one.part for one in self.best}) > 1:
            return self.insert()
        want = int(self.counts[k]) + 1
        lattice = self.patterns[int(self.rng.integers(len(self.patterns)))]
        part = self.parts[k]
        room = math.sqrt(self.area[k] / max(self.free.area, 1e-9))
        press = 1.0 - self.rng.uniform(0.1, 0.8) * room
        for rows in lay_out(
            lattice,
            self._rooms(k),
            self.room,
            free_turn=part.turns == "any",
            rng=self.rng,
            looks=3,
            press=press,
        ):
            if len(rows) < want:
                continue
            pick = self.rng.permutation(len(rows))[:want]
            search = Search(self.bench, [k] * want, self._seed())
            search.pose[:] = [rows[i] for i in sorted(pick)]
            search.best_over[0] = 1e300
            if self._push(search, 24 + want):
                return True
            if self.over():
                break
        return False

    def _push(self, search: Search, moves: int) -> bool:
        """Squeeze until nothing overlaps; gives up when it does not get better."""
        n = len(search.kind)
        done, last, fine = 0, math.inf, False
        while done < moves and not self.over():
            chunk = min(12, moves - done)
            if self.moves_limit is not None:
                chunk = max(1, min(chunk, self.moves_limit - self.moves))
            used, found = search.grow(chunk) if n > 14 else search.run(chunk)
            done += used
            self.moves += used
            if found is not None:
                return self.offer(found, checked=True)
            left = float(search.best_over[0])
            if search.fine and not fine:
                fine, last, moves = True, math.inf, max(moves, done + 36)
                continue
            if n > 14 and done >= 24 and left > 0.97 * last:
                break
            last = left
        return False
