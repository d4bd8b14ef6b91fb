"""Do these shapes all fit together? A search whose yes is exact, and whose None is no disproof.

Guided overlap minimisation over places and angles (:mod:`nestcut.placement.engine.overlap`) on simplified outlines, then on the
true ones, then a few linear programs (:mod:`nestcut.placement.engine.settle`), then the exact check (:mod:`nestcut.placement.shapes.layout`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from nestcut import _stopwatch
from nestcut.arithmetic import bell, buffered
from nestcut.batch.model import Shape
from nestcut.placement.shapes.layout import SLACK_MM, lies_well
from nestcut.placement.shapes.turning import Cores, Kit, cores_of, kernel_pose, make_kit, pose_of
from nestcut.placement.shapes.types import Part, Placed, StopCheck

__all__ = ["Search", "SearchInput", "fits_together"]

_MARGIN_MM = 2e-3  # aimed at between true outlines before the exact check, where there is room for it
_CHUNK = 24  # moves between two looks at the clock


def fits_together(
    parts: Sequence[Part],
    region: Polygon,
    *,
    gap_mm: float,
    seconds: float = 1.0,
    moves_limit: int | None = None,
    seed: int = 0,
    obstacles: Sequence[Shape] = (),
    start: Sequence[Placed] | None = None,
    stop: StopCheck | None = None,
) -> tuple[Placed, ...] | None:
    """Find a place for ALL parts (max(1, ``least``) copies each) in the region.

    Args:
        parts: shapes in their own frames, mm; ``turns`` "any" means any angle, else listed degrees.
        region: where shapes must lie, mm; holes allowed.
        gap_mm: least distance between two shapes, and between a shape and an obstacle.
        seconds: time limit; without effect when ``moves_limit`` is given.
        moves_limit: limit in moves of the search; makes the answer the same on every machine.
        obstacles: what lies there already; ``gap_mm`` is kept from it.
        start: a layout of some of the parts to begin with (they may be moved).
        stop: asked now and then; True ends the search.
    Returns: exactly checked poses in the order of the parts, or None when none was found.
    """
    kinds = [k for k, part in enumerate(parts) for _ in range(max(1, part.least))]
    if not kinds:
        return ()
    if hopeless(parts, kinds, region, gap_mm, obstacles):
        return None
    end = None if moves_limit is not None else _stopwatch.seconds() + seconds
    layout = Search(SearchInput(parts, region, gap_mm, obstacles), kinds, seed)
    layout.begin(start or ())
    moves = 0
    while True:
        chunk = _CHUNK if moves_limit is None else min(_CHUNK, moves_limit - moves)
        if chunk <= 0 or (stop is not None and stop()):
            return None
        used, found = layout.run(chunk)
        moves += used
        if found is not None:
            return found
        if end is not None and _stopwatch.seconds() >= end:
            return None


def hopeless(
    parts: Sequence[Part], kinds: Sequence[int], region: Polygon, gap_mm: float, obstacles: Sequence[Shape]
) -> bool:
    """A quick proof by area that the shapes cannot lie in the region together.

    Shapes grown by half the gap are disjoint and lie in the region grown by half the gap. shapely's arcs are
    chords, on the small side for the shapes and, mended by their sagitta, on the large side for the region.
    """
    half = max(gap_mm, 0.0) / 2
    need = sum(buffered(parts[k].shape, half, 8).area if half else parts[k].shape.area for k in kinds)
    room = buffered(region, half * 1.01, 8).area if half else region.area
    return need > room * (1 + 1e-9)


class SearchInput:
    """What the search works on: the parts, the region and their kits (simplified, true, exact gap)."""

    def __init__(
        self,
        parts: Sequence[Part],
        region: Polygon | MultiPolygon,
        gap_mm: float,
        obstacles: Sequence[Shape] = (),
        *,
        wary: float = 0.0,
    ) -> None:
        """``wary``: how much of the simplification (which cuts off bulges) is given back to the gap."""
        self.parts, self.region, self.gap_mm, self.obstacles = parts, region, gap_mm, obstacles
        turns = [part.turns for part in parts]
        sizes = [part.shape.area for part in parts]
        # Simplified by 0.6 % of a typical size: a tenth of the vertices, and soon mended on the true outlines.
        tol = min(0.2, 0.006 * float(np.sqrt(min(sizes))))
        true = [cores_of(part.shape) for part in parts]
        rough = [cores_of(part.shape, coarse_mm=tol) for part in parts]
        loose = gap_mm + _MARGIN_MM
        self.true = make_kit(true, turns, region, gap_mm=loose, obstacles=obstacles)
        self.exact = make_kit(true, turns, region, gap_mm=gap_mm, obstacles=obstacles)
        simple = sum(map(_size, rough)) >= 0.8 * sum(map(_size, true))
        self.rough = (
            self.true if simple else make_kit(rough, turns, region, gap_mm=loose, obstacles=obstacles)
        )
        self.goal = 0.5 * _MARGIN_MM if simple else max(0.25 * tol, _MARGIN_MM)


class Search:
    """State of one search: poses, weights, random numbers."""

    def __init__(self, bench: SearchInput, kinds: Sequence[int] | NDArray[np.int64], seed: int) -> None:
        self.bench = bench
        self.parts, self.region, self.gap_mm = bench.parts, bench.region, bench.gap_mm
        self.obstacles = bench.obstacles
        self.rough, self.true, self.exact, self.goal = bench.rough, bench.true, bench.exact, bench.goal
        self.kind = np.array(kinds, dtype=np.int64)
        n = len(kinds)
        self.pose = np.zeros((n, 3))
        self.weight = np.ones((n, n + 1))
        self.best = np.zeros((n, 3))
        self.best_over = np.full(1, 1e300)
        self.stuck = np.zeros(1, np.int64)
        self.state = np.array([(seed * 0x9E3779B97F4A7C15 + 0x5851F42D4C957F2D) % 2**64], dtype=np.uint64)
        self.samples = 48
        self.fine = False
        from nestcut.placement.engine.settle import World

        self.world = World(self.rough, self.kind)
        self.true_world = World(self.true, self.kind)

    def begin(self, start: Sequence[Placed]) -> None:
        """Poses to begin with: as given, the rest (largest first) where they overlap least."""
        from nestcut.placement.engine.overlap import relocate, set_world

        kit = self.rough
        rng = np.random.default_rng(int(self.state[0]))
        x0, y0, x1, y1 = kit.box
        left = list(range(len(self.kind)))
        for one in start:
            slot = next((i for i in left if self.kind[i] == one.part), None)
            if slot is not None:
                left.remove(slot)
                self.pose[slot] = kernel_pose(kit, int(self.kind[slot]), one.pose)
        far = 10 * (abs(x1 - x0) + abs(y1 - y0)) + 100.0
        for i in left:
            turns = kit.turns_deg[self.kind[i]]
            angle = np.radians(rng.choice(turns)) if turns else rng.uniform(0, 2 * np.pi)
            self.pose[i] = (x1 + far * (i + 1), y1, angle)  # out of the way until its turn comes
        set_world(kit.arrays, self.kind, self.pose, *self.world.all)
        reach = kit.arrays[1][:, 0]
        for i in sorted(left, key=lambda i: (-reach[self.kind[i]], i)):
            relocate(
                kit.arrays,
                self.kind,
                self.pose,
                i,
                self.weight,
                *self.world.all,
                2 * self.samples,
                self.state,
                kit.box,
            )

    def grow(self, moves: int) -> tuple[int, tuple[Placed, ...] | None]:
        """Like :meth:`run`, with local steps: for layouts of many pieces that are nearly right."""
        from nestcut.placement.engine.overlap import grow

        kit, world = (self.true, self.true_world) if self.fine else (self.rough, self.world)
        goal = 0.5 * _MARGIN_MM if self.fine else self.goal
        used, top = grow(
            kit.arrays, self.kind, self.pose, self.weight, *world.all, moves, self.samples, goal,
            self.state, kit.box, self.best, self.best_over,
        )  # fmt: skip
        if top <= goal:
            if self.fine or self.rough is self.true:
                return used, self.finish(self.pose)
            self.fine = True  # from now on with the true outlines
            self.best_over[0] = 1e300
        elif self.fine and self.best_over[0] < 0.1:
            found = self.finish(self.best)
            self.best_over[0] = 0.0 if found is None else self.best_over[0]
            return used, found
        return used, None

    def run(self, moves: int) -> tuple[int, tuple[Placed, ...] | None]:
        """Search for some moves; the exact layout if one was found."""
        from nestcut.placement.engine.overlap import search

        used, top = search(
            self.rough.arrays, self.kind, self.pose, self.weight, *self.world.all, moves, self.samples, self.goal,
            self.state, self.rough.box, self.best, self.best_over, self.stuck,
        )  # fmt: skip
        if top > self.goal:
            return used, None
        found = self.finish(self.pose)
        if found is None:
            # Exact on simplified outlines only: shake, and give the next layout a chance.
            self.stuck[0] += 20
            rng = np.random.default_rng(int(self.state[0]))
            self.pose += (
                0.5
                * np.array([[bell(rng) for _ in row] for row in self.pose])
                * (1.0, 1.0, 0.02 * self._turnable())
            )
        return used, found

    def _turnable(self) -> float:
        return 0.0 if any(self.rough.turns_deg) else 1.0

    def finish(self, pose: NDArray[np.float64]) -> tuple[Placed, ...] | None:
        """The exact layout near a nearly exact one, or None."""
        from nestcut.placement.engine.overlap import minimise
        from nestcut.placement.engine.settle import settle

        now = pose.copy()
        n = len(self.kind)
        active = np.ones(n, np.bool_)
        weight = np.ones((n, n + 1))
        minimise(
            self.true.arrays,
            self.kind,
            now,
            active,
            weight,
            *self.true_world.all,
            60,
            0.1 * _MARGIN_MM * _MARGIN_MM,
        )
        placed = self.placed(self.true, now)
        if self.check(placed):
            return placed
        now, slack = settle(self.exact, self.kind, now)
        if slack < -SLACK_MM:
            return None
        placed = self.placed(self.exact, now)
        return placed if self.check(placed) else None

    def placed(self, kit: Kit, pose: NDArray[np.float64]) -> tuple[Placed, ...]:
        """Poses in the parts' own frames."""
        return tuple(
            Placed(int(k), pose_of(kit, int(k), row)) for k, row in zip(self.kind, pose, strict=True)
        )

    def check(self, placed: Sequence[Placed]) -> bool:
        """The exact check."""
        return lies_well(self.parts, placed, self.region, gap_mm=self.gap_mm, obstacles=self.obstacles)


def _size(cores: Cores) -> int:
    return sum(len(ring) for ring in cores.rings)
