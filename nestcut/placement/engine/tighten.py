"""Shorten a strip by moving and turning all parts at once: the finishing where any angle is allowed.

The search goes through a list of angles; this refines them continuously. Each round is a linear programme
on the contacts of the layout with turns linearised, then a few Newton-like rounds that make the layout
exact again (turning is linear only nearby), and is kept only if the strip got shorter.

Source: compaction by linear programming (Li & Milenkovic 1995), with turns linearised.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import box

from nestcut.placement.engine.spread import LayoutTable
from nestcut.placement.shapes.layout import lies_well
from nestcut.placement.shapes.types import Part, Placed, StopCheck

__all__ = ["tighten"]


def tighten(
    parts: Sequence[Part],
    placed: Sequence[Placed],
    width_mm: float,
    *,
    gap_mm: float = 0.0,
    edge_mm: float = 0.0,
    rounds: int = 60,
    stop: StopCheck | None = None,
    seconds: float | None = None,
) -> tuple[Placed, ...]:
    """A layout in a strip (x along its length), made shorter if moves and turns nearby allow it.

    Args:
        parts, placed: an exact layout; parts with ``turns`` "any" may turn, all may move.
        width_mm, gap_mm, edge_mm: as for :func:`nestcut.placement.strip.strip.least_length`.
        rounds: most linear programmes.
        stop: asked before each of them.
        seconds: what a single one of them may take.
    Returns: the shortest exact layout found; the one given where nothing helps.
    """
    from nestcut.placement.engine.settle import settle

    length = max(one.pose.apply(parts[one.part].shape).bounds[2] for one in placed)
    region = box(edge_mm, edge_mm, 2 * length + 2 * edge_mm, width_mm - edge_mm)
    table = LayoutTable(parts, placed, region, gap_mm, ())
    pose, trust = table.pose, width_mm / 40
    for _ in range(rounds):
        if trust < 1e-5 or (stop is not None and stop()):
            break
        step = _shorter(table, pose, trust, seconds)
        if step is None:
            break
        new = pose + step
        if table.slack(new) < 0.0:
            new, _ = settle(table.kit, table.kind, new, reach_mm=max(2 * trust, 1e-3))
        reached = _right(table, new)
        if table.slack(new) >= -5e-8 and reached < length - 1e-7:
            gain = length - reached
            pose, length = new, reached
            trust = min(trust * 1.3, width_mm / 20) if gain > 0.05 * trust else trust * 0.7
        else:
            trust *= 0.35
    good = table.placed(pose)
    return good if lies_well(parts, good, region, gap_mm=gap_mm) else tuple(placed)


def _outlines(table: LayoutTable, pose: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Hull corners of all placed parts."""
    return [
        np.asarray(one.pose.apply(table.parts[one.part].shape).convex_hull.exterior.coords)[:-1]
        for one in table.placed(pose)
    ]


def _right(table: LayoutTable, pose: NDArray[np.float64]) -> float:
    return float(max(hull[:, 0].max() for hull in _outlines(table, pose)))


def _shorter(
    table: LayoutTable, pose: NDArray[np.float64], trust: float, seconds: float | None
) -> NDArray[np.float64] | None:
    """Moves (n, 3) within the trust region after which the strip is shortest, to first order."""
    from scipy.sparse import csr_array

    n = len(pose)
    line, column, value, upper = table.conditions(pose, 4 * trust)
    m = len(upper)
    lines, columns, values, uppers = [line], [column], [value], [upper]
    for i, hull in enumerate(_outlines(table, pose)):
        # Corners that stay behind whatever is done need no condition.
        near = hull[hull[:, 0] > hull[:, 0].max() - 3 * trust]
        k = m + np.arange(len(near))
        m += len(near)
        lines += [k, k, k]
        columns += [np.full(len(k), 3 * i), np.full(len(k), 3 * i + 2), np.full(len(k), 3 * n)]
        values += [np.ones(len(k)), -(near[:, 1] - pose[i, 1]) / table.reach[i], -np.ones(len(k))]
        uppers.append(-near[:, 0])
    matrix = csr_array(
        (np.concatenate(values), (np.concatenate(lines), np.concatenate(columns))), shape=(m, 3 * n + 1)
    )
    limit = table.limits(trust, turning=True)
    bound = np.concatenate((np.column_stack((-limit, limit)), [[0.0, np.inf]]))
    cost = np.zeros(3 * n + 1)
    cost[0 : 3 * n : 3] = 1e-4 / n
    cost[-1] = 1.0
    solved = table.solved(cost, matrix, np.concatenate(uppers), bound, seconds=seconds)
    return None if solved is None else solved[0]
