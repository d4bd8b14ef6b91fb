"""With everything placed: move parts apart as far as room allows, or pull them tight towards a side.

Hands are not exact, so a lay-up with air between its dies is easier to lay out than a crowded one.

Both go by linear programmes on the contacts of a layout: every near pair of convex cores gives a linear
condition on the small moves and turns of two parts, within a trust region that adapts to what the
condition was worth.

Sources: compaction and separation by linear programming (Li & Milenkovic 1995); trust regions as in
Conn, Gould & Toint 2000, chapter 6.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from nestcut.arithmetic import dot, length_of
from nestcut.batch.model import Shape
from nestcut.placement.shapes.layout import lies_well
from nestcut.placement.shapes.types import Part, Placed, StopCheck

__all__ = ["LayoutTable", "pull", "spread"]

Region: TypeAlias = Polygon | MultiPolygon


def spread(
    parts: Sequence[Part],
    placed: Sequence[Placed],
    region: Region,
    *,
    keep_gap_mm: float = 0.0,
    obstacles: Sequence[Shape] = (),
    rounds: int = 60,
    stop: StopCheck | None = None,
) -> tuple[Placed, ...]:
    """Move (and, where any angle is allowed, turn) placed parts so that the smallest gap becomes large.

    Args:
        parts, placed: a layout that lies well in the region.
        region: where the parts must stay; the distance to its edge counts as a gap too.
        keep_gap_mm: gap between parts that the layout has and must keep; gaps are compared beyond this, and
            the distance to the edge beyond 0.
        obstacles: shapes in the region to keep ``keep_gap_mm`` away from.
        rounds: most linear programmes.
        stop: asked before each of them.
    Returns: the layout with the largest smallest gap that was found, exactly checked: never worse than given.
    """
    table = LayoutTable(parts, placed, region, keep_gap_mm, obstacles)
    start = pose = table.pose
    best, gap = start, table.slack(start)
    trust = max(table.box_mm / 20, 1e-3)
    for _ in range(rounds):
        if trust < 1e-4 or (stop is not None and stop()):
            break
        step = table.step(pose, trust, None)
        if step is None:
            break
        new = table.slack(pose + step)
        if new > gap + 1e-7:
            gain = new - gap
            pose = best = pose + step
            gap = new
            trust = trust * 1.5 if gain > 0.02 * trust else trust
        else:
            trust *= 0.4
    return table.placed_if_good(best, placed)


def pull(
    parts: Sequence[Part],
    placed: Sequence[Placed],
    region: Region,
    direction: tuple[float, float],
    *,
    keep_gap_mm: float = 0.0,
    obstacles: Sequence[Shape] = (),
    rounds: int = 60,
    stop: StopCheck | None = None,
) -> tuple[Placed, ...]:
    """Pull placed parts tight towards a side.

    Args: as for :func:`spread`; ``direction`` is where to, as (x, y), of any length but 0.
    Returns: the layout whose parts lie farthest in that direction (sum of their middles) that was found,
        exactly checked; the layout as given where nothing moves.
    """
    far = length_of(*direction)
    if not far > 0:
        raise ValueError("direction must not be (0, 0)")
    towards = np.array([direction[0] / far, direction[1] / far])
    table = LayoutTable(parts, placed, region, keep_gap_mm, obstacles)
    pose = table.pose
    trust = table.box_mm / 4
    for _ in range(rounds):
        if trust < 1e-5 or (stop is not None and stop()):
            break
        step = table.step(pose, trust, towards)
        if step is None:
            break
        new = pose + step
        if table.slack(new) < -5e-8:
            trust *= 0.4
            continue
        gain = float(dot(step, *towards).sum())
        pose = new
        if gain < 1e-6:
            break
    return table.placed_if_good(pose, placed)


class LayoutTable:
    """A layout as arrays, and its linear programmes."""

    def __init__(
        self,
        parts: Sequence[Part],
        placed: Sequence[Placed],
        region: Region,
        gap_mm: float,
        obstacles: Sequence[Shape],
    ) -> None:
        from nestcut.placement.engine.settle import World
        from nestcut.placement.shapes.turning import cores_of, kernel_pose, make_kit

        self.parts, self.region, self.gap_mm, self.obstacles = parts, region, gap_mm, obstacles
        used = sorted({one.part for one in placed})
        number = {part: k for k, part in enumerate(used)}
        self.kit = make_kit(
            [cores_of(parts[k].shape) for k in used],
            [parts[k].turns for k in used],
            region,
            gap_mm=gap_mm,
            obstacles=obstacles,
        )
        self.kind = np.array([number[one.part] for one in placed], np.int64)
        rows = [kernel_pose(self.kit, number[one.part], one.pose) for one in placed]
        self.pose = np.array(rows, float).reshape(-1, 3)
        self.world = World(self.kit, self.kind)
        self.reach: NDArray[np.float64] = self.kit.arrays[1][self.kind, 0]
        self.can_turn = np.array([parts[one.part].turns == "any" for one in placed])
        self.used = used
        x0, y0, x1, y1 = region.bounds
        self.box_mm = max(x1 - x0, y1 - y0)

    def rows(self, pose: NDArray[np.float64], reach_mm: float) -> NDArray[np.float64]:
        from nestcut.placement.engine.contacts import contacts

        return contacts(self.kit.arrays, self.kind, pose, *self.world.all, reach_mm)

    def slack(self, pose: NDArray[np.float64]) -> float:
        """Smallest gap beyond what must be kept (negative: an overlap), mm."""
        reach = self.box_mm / 100
        while reach < 2 * self.box_mm:
            rows = self.rows(pose, reach)
            if len(rows):
                return float(rows[:, 2].min())
            reach *= 4
        return math.inf

    def conditions(
        self, pose: NDArray[np.float64], reach_mm: float
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
        """What keeps near parts apart, to first order: matrix as (line, column, value), and right sides.

        Columns 3i, 3i + 1, 3i + 2 are x, y and turn × reach of part i, all in mm.
        """
        rows = self.rows(pose, reach_mm)
        i, j = rows[:, 0].astype(np.int64), rows[:, 1].astype(np.int64)
        sep, nx, ny, px, py = rows[:, 2], rows[:, 3], rows[:, 4], rows[:, 5], rows[:, 6]
        other = j >= 0
        jj = np.where(other, j, 0)
        arm_i = (ny * (px - pose[i, 0]) - nx * (py - pose[i, 1])) / self.reach[i]
        arm_j = (ny * (px - pose[jj, 0]) - nx * (py - pose[jj, 1])) / self.reach[jj]
        line = np.arange(len(rows))
        lines = np.concatenate((line, line, line, line[other], line[other], line[other]))
        columns = np.concatenate(
            (3 * i, 3 * i + 1, 3 * i + 2, 3 * j[other], 3 * j[other] + 1, 3 * j[other] + 2)
        )
        values = np.concatenate((-nx, -ny, -arm_i, nx[other], ny[other], arm_j[other]))
        self._owner = i
        return lines, columns, values, sep

    def limits(self, trust: float, *, turning: bool) -> NDArray[np.float64]:
        """How far each column may go: turning is linear only for small angles."""
        limit = np.full((len(self.kind), 3), trust)
        limit[:, 2] = np.minimum(trust, 0.1 * self.reach) if turning else 0.0
        limit[~self.can_turn, 2] = 0.0
        return limit.ravel()

    def step(
        self, pose: NDArray[np.float64], trust: float, towards: NDArray[np.float64] | None
    ) -> NDArray[np.float64] | None:
        """Moves (n, 3) that are best within the trust region, or None. ``towards`` None: apart."""
        from scipy.sparse import csr_array

        n = len(pose)
        reach = 2 * trust
        if towards is None:
            reach += max(self.slack(pose), 0.0) + 2 * trust
        line, column, value, upper = self.conditions(pose, reach)
        m = len(upper)
        size = 3 * n
        cost = np.zeros(size)
        limit = self.limits(trust, turning=towards is None)
        bound = np.column_stack((-limit, limit))
        if towards is None:
            if m == 0:
                return None
            # Two more kinds of columns: the smallest gap, and (worth little) each part's own smallest gap.
            size = 4 * n + 1
            all_lines, ones = np.arange(m), np.ones(m)
            line = np.concatenate((line, all_lines, m + line, m + all_lines))
            column = np.concatenate((column, np.full(m, 3 * n), column, 3 * n + 1 + self._owner))
            value = np.concatenate((value, ones, value, ones))
            upper = np.concatenate((upper, upper))
            cost = np.concatenate((cost, [-1.0], np.full(n, -0.02 / n)))
            bound = np.concatenate((bound, np.tile([-self.box_mm, self.box_mm], (n + 1, 1))))
        else:
            cost[0::3], cost[1::3] = -towards[0], -towards[1]
        matrix = csr_array((value, (line, column)), shape=(len(upper), size))
        solved = self.solved(cost, matrix, upper, bound)
        return None if solved is None else solved[0]

    def solved(
        self,
        cost: NDArray[np.float64],
        matrix: Any,
        upper: NDArray[np.float64],
        bounds: NDArray[np.float64],
        *,
        tolerance: float = 1e-9,
        seconds: float | None = None,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
        """A linear programme whose first columns are those of :meth:`conditions`: the moves (n, 3), in mm and radians,
        and the columns behind them; None without an answer.

        Args:
            cost: to be least, where matrix · columns ≤ upper; bounds: (columns, 2).
            seconds: what it may take.
        """
        from scipy.optimize import linprog

        n = len(self.kind)
        answer = linprog(
            cost, A_ub=matrix, b_ub=upper, bounds=bounds, method="highs-ds",
            options={"primal_feasibility_tolerance": tolerance, "time_limit": seconds},
        )  # fmt: skip
        if answer.x is None or answer.status != 0:
            return None
        moves = answer.x[: 3 * n].reshape(n, 3) * np.column_stack((np.ones(n), np.ones(n), 1.0 / self.reach))
        return moves, answer.x[3 * n :]

    def placed(self, pose: NDArray[np.float64]) -> tuple[Placed, ...]:
        """The poses as placed parts."""
        from nestcut.placement.shapes.turning import pose_of

        return tuple(
            Placed(self.used[k], pose_of(self.kit, int(k), row))
            for k, row in zip(self.kind, pose, strict=True)
        )

    def placed_if_good(self, pose: NDArray[np.float64], given: Sequence[Placed]) -> tuple[Placed, ...]:
        """The poses as placed parts if the exact check finds nothing wrong, else what was given."""
        new = self.placed(pose)
        good = lies_well(self.parts, new, self.region, gap_mm=self.gap_mm, obstacles=self.obstacles)
        return new if good else tuple(given)
