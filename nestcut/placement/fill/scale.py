"""How large can these pieces be? The largest factor by which all may be scaled so that they still fit together.

By turns: all pieces, a little larger, are searched a place for (:mod:`nestcut.placement.engine.fits`), and a layout that was found is
grown by linear programmes on its contacts, in which the factor is one more variable, until nothing gives way.
The second step climbs to the nearest maximum; the first leads elsewhere.

Source: as for compaction by linear programming (Li and Milenkovic 1995), with the scale in the place of the length;
equal circles as the largest of n in a square (Szabó et al., New Approaches to Circle Packing in a Square, 2007).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from shapely.affinity import scale as scaled_about
from shapely.geometry import Point, Polygon

from nestcut import _stopwatch
from nestcut.batch.model import Pose, Shape
from nestcut.placement.bounds.bounds import inner_area, outer_area
from nestcut.placement.engine.fits import fits_together
from nestcut.placement.engine.spread import LayoutTable
from nestcut.placement.shapes.layout import lies_well
from nestcut.placement.shapes.types import Part, Placed, StopCheck

__all__ = ["largest_scale"]

_BEGIN = 0.5
"""The first factor to try fills this share of the room."""
_TRY_MOVES = 240
_ROUNDS = 60
_STEP, _LEAST_STEP = 0.01, 2e-4
_EASY = (0.8, 0.97)
"""Factors, of the best, at which a search begins that is to climb from elsewhere."""


def largest_scale(
    parts: Sequence[Part],
    region: Polygon,
    *,
    gap_mm: float = 0.0,
    seconds: float = 10.0,
    seed: int = 0,
    moves_limit: int | None = None,
    stop: StopCheck | None = None,
) -> tuple[float, tuple[Placed, ...]]:
    """The largest factor found at which all parts (max(1, ``least``) of each) lie in the region.

    Args:
        parts: shapes, each scaled about the origin of its own frame.
        region: stays as it is, mm; gap_mm: least distance between two parts, not scaled.
        seconds: time limit; moves_limit: instead of it, so that the answer is the same on every machine.
    Returns: the factor, and exactly checked poses of the scaled parts; (0, ()) when nothing was found.
    """
    search = _Scale(parts, region, gap_mm)
    begin, left = _stopwatch.seconds(), moves_limit

    def over() -> bool:
        if stop is not None and stop():
            return True
        return left <= 0 if left is not None else _stopwatch.seconds() - begin >= seconds

    rng = np.random.default_rng(seed)
    step, tight, target = _STEP, False, search.first_factor()
    while not over():
        before = search.factor
        slice_s = max(0.1, min(0.1 * seconds, seconds - (_stopwatch.seconds() - begin)))
        found = fits_together(
            search.scaled(target), region, gap_mm=gap_mm, seconds=slice_s, seed=seed, stop=stop,
            moves_limit=None if left is None else min(_TRY_MOVES, left),
        )  # fmt: skip
        seed += 1
        left = None if left is None else left - _TRY_MOVES // (1 if target > search.factor else 4)
        if found is not None:
            search.climb(target, found, over)
        if not search.factor:
            target *= 0.93 if seed % 2 else 1.0
            continue
        # By turns: a tight search beyond the best, and an easy one below it that may climb another hill.
        if target > search.factor:
            step = max(_LEAST_STEP, 0.6 * step)
        elif found is not None and search.factor > before:
            step = _STEP
        tight = not tight
        target = search.factor * (1 + step if tight else rng.uniform(*_EASY))
    return search.factor, search.placed


class _Scale:
    def __init__(self, parts: Sequence[Part], region: Polygon, gap_mm: float) -> None:
        self.parts, self.region, self.gap_mm = parts, region, gap_mm
        self.factor = 0.0
        self.placed: tuple[Placed, ...] = ()

    def scaled(self, factor: float) -> list[Part]:
        """The parts at a factor."""

        def bigger(shape: Shape) -> Shape:
            made: Shape = scaled_about(shape, factor, factor, origin=(0, 0))
            return made

        return [replace(part, shape=bigger(part.shape)) for part in self.parts]

    def first_factor(self) -> float:
        """A factor at which the parts take half the room."""
        needed = sum(max(1, part.least) * inner_area(part.shape, 0.0) for part in self.parts)
        return math.sqrt(_BEGIN * outer_area(self.region, self.gap_mm / 2) / max(needed, 1e-12))

    def climb(self, factor: float, placed: tuple[Placed, ...], over: StopCheck) -> None:
        """Grow a layout until nothing gives way, and keep it if it is the largest."""
        trust = 0.05
        for _ in range(_ROUNDS):
            if trust < 1e-7 or over():
                break
            table = LayoutTable(self.scaled(factor), placed, self.region, self.gap_mm, ())
            step = _larger(table, trust)
            if step is None or step[0] < 1e-10:
                break
            moved = self._moved(table, step, factor)
            if moved is None:
                trust *= 0.3
                continue
            gain = moved[0] / factor - 1
            factor, placed = moved
            if gain < 1e-9:
                break
            trust = min(0.1, 1.5 * trust) if gain > 0.3 * step[0] else 0.5 * trust
        if factor > self.factor and lies_well(self.scaled(factor), placed, self.region, gap_mm=self.gap_mm):
            self.factor, self.placed = factor, placed

    def _moved(
        self, table: LayoutTable, step: tuple[float, np.ndarray], factor: float
    ) -> tuple[float, tuple[Placed, ...]] | None:
        """The layout after a step: the largest factor up to the step's at which it is exact, if any is larger."""
        new = table.placed(table.pose + step[1])
        middles = [table.kit.middles[k] for k in table.kind]
        for share in (1.0, 1 - 1e-6, 0.999, 0.97, 0.8, 0.4):
            grown = factor * (1 + share * step[0])
            parts = self.scaled(grown)
            # a part grows about its middle, the middle of its disc, not about its origin
            shifted = tuple(
                Placed(one.part, _about_middle(one.pose, middle, grown / factor))
                for one, middle in zip(new, middles, strict=True)
            )
            if lies_well(parts, shifted, self.region, gap_mm=self.gap_mm):
                return grown, shifted
        return None


def _about_middle(pose: Pose, middle: tuple[float, float], ratio: float) -> Pose:
    """The pose of a part scaled about its origin so that its middle stays where it is."""
    at = pose.apply(Point(middle))
    return Pose(
        pose.x_mm - (ratio - 1) * (at.x - pose.x_mm), pose.y_mm - (ratio - 1) * (at.y - pose.y_mm), pose.deg
    )


def _larger(table: LayoutTable, trust: float) -> tuple[float, np.ndarray] | None:
    """Growth and moves (n, 3) of the linear programme: grow most while near parts stay apart, to first order."""
    from scipy.sparse import csr_array

    from nestcut.placement.engine.cores import _TF

    n = len(table.pose)
    most_mm = trust * float(table.reach.max())
    line, column, value, upper = table.conditions(table.pose, 6 * most_mm)
    rows = table.rows(table.pose, 6 * most_mm)
    i, j = rows[:, 0].astype(int), rows[:, 1].astype(int)
    normal, at = rows[:, 3:5], rows[:, 5:7]
    radius = table.kit.arrays[_TF][table.kind, 1]

    def growth(who: np.ndarray, sign: float) -> np.ndarray:
        """How fast the parts' surfaces come nearer at the contacts, per unit of growth, mm."""
        reach = sign * ((table.pose[who, :2] - at) * normal).sum(axis=1)
        return np.where(radius[who] > 0, radius[who], reach)

    near = growth(i, 1.0) + np.where(j >= 0, growth(np.maximum(j, 0), -1.0), 0.0)
    size = 3 * n + 1
    line = np.concatenate((line, np.arange(len(rows))))
    column = np.concatenate((column, np.full(len(rows), 3 * n)))
    matrix = csr_array((np.concatenate((value, near)), (line, column)), shape=(len(rows), size))
    cost = np.zeros(size)
    cost[-1] = -1.0
    limit = table.limits(most_mm, turning=True)
    bounds = np.concatenate((np.column_stack((-limit, limit)), [[0.0, trust]]))
    solved = table.solved(cost, matrix, upper, bounds, tolerance=1e-10)
    return None if solved is None else (float(solved[1][0]), solved[0])
