"""Shorten a layout, or free it of small overlaps, by linear programmes.

For each near pair of pieces and each pair of their convex parts one separating half-plane is chosen; with
the half-planes fixed, moving all pieces at once so that the strip gets as short as possible is a linear
programme. It is solved within a trust region and repeated with newly chosen half-planes.

Source: compaction and separation by linear programming (Li & Milenkovic 1995; Gomes & Oliveira 2006).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nestcut.placement.strip.tables import StripJob

__all__ = ["Layout", "compact", "overlap"]


@dataclass(frozen=True, slots=True)
class Layout:
    """Positions of all pieces, search units."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    v: NDArray[np.int64]
    length: float


def overlap(job: StripJob, x: NDArray[np.float64], y: NDArray[np.float64], v: NDArray[np.int64]) -> float:
    """Deepest overlap of two convex parts, search units (0 when nothing overlaps): exact, no tables."""
    c = _constraints(job, x, y, v, 1e-3)
    if c is None or not len(c[0]):
        return 0.0
    i, j, normal, offset = c
    gap = normal[:, 0] * (x[j] - x[i]) + normal[:, 1] * (y[j] - y[i]) - offset
    return float(max(0.0, -gap.min()))


def _constraints(job, x, y, v, reach):  # type: ignore[no-untyped-def]
    from nestcut.placement.strip import kernels

    room = 200 * len(x) + 4096
    tables = job.tables
    while room < 4_000_000:
        out_i, out_j = np.empty(room, np.int64), np.empty(room, np.int64)
        out_n, out_c = np.empty((room, 2)), np.empty(room)
        m = kernels.planes(
            job.planes.sum_start, job.planes.plane_start, job.planes.plane, tables.pair, tables.wide, tables.high,
            x, y, v, reach, out_i, out_j, out_n, out_c,
        )  # fmt: skip
        if m >= 0:
            return out_i[:m], out_j[:m], out_n[:m], out_c[:m]
        room *= 4
    return None


def compact(
    job: StripJob,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    v: NDArray[np.int64],
    length: float,
    *,
    rounds: int = 8,
    trust: float = 25.0,
    give_up_above: float | None = None,
    time_left: Callable[[], float] | None = None,
) -> Layout | None:
    """The layout made exact and as short as linear programmes get it, or None when they find no way.

    Args:
        x, y, v: positions and variants (search units); small overlaps are allowed.
        length: length of the strip, only a start.
        rounds: most linear programmes.
        trust: how far a piece may move in each of them.
        give_up_above: after the first feasible round, stop when the length is above this.
        time_left: seconds that a linear programme may take; none is started when there are none.
    """
    from scipy.optimize import linprog
    from scipy.sparse import csr_array

    n = len(x)
    wide, high = job.tables.wide[v], job.tables.high[v]  # type: ignore[attr-defined]
    x, y = x.copy(), y.copy()
    best: Layout | None = None
    top = np.maximum(job.width - high, 0.0)
    for _ in range(rounds):
        left = time_left() if time_left is not None else None
        if left is not None and left <= 0.0:
            return best
        c = _constraints(job, x, y, v, 2.9 * trust)
        if c is None:
            return best
        i, j, normal, offset = c
        m = len(i)
        rows = np.concatenate((np.tile(np.arange(m), 4), m + np.arange(n), m + np.arange(n)))
        cols = np.concatenate((i, j, n + i, n + j, np.arange(n), np.full(n, 2 * n)))
        data = np.concatenate(
            (normal[:, 0], -normal[:, 0], normal[:, 1], -normal[:, 1], np.ones(n), -np.ones(n))
        )
        slack = normal[:, 0] * (x[j] - x[i]) + normal[:, 1] * (y[j] - y[i]) - offset
        upper = np.concatenate((slack, -x - wide))
        matrix = csr_array((data, (rows, cols)), shape=(m + n, 2 * n + 1))
        lower_bound = np.concatenate((np.maximum(-trust, -x), np.maximum(-trust, -y), [0.0]))
        upper_bound = np.concatenate((np.full(n, trust), np.minimum(trust, top - y), [np.inf]))
        upper_bound = np.maximum(upper_bound, lower_bound)
        objective = np.concatenate((np.full(n, 1e-4 / n), np.zeros(n), [1.0]))
        answer = linprog(
            objective, A_ub=matrix, b_ub=upper, bounds=np.column_stack((lower_bound, upper_bound)),
            method="highs-ds", options={"primal_feasibility_tolerance": 1e-9, "presolve": True, "time_limit": left},
        )  # fmt: skip
        if answer.status != 0 or answer.x is None:
            return best
        x = np.maximum(x + answer.x[:n], 0.0)
        y = np.clip(y + answer.x[n : 2 * n], 0.0, top)
        new = float((x + wide).max())
        gain = (best.length if best is not None else length) - new
        was = best
        if best is None or new < best.length:
            best = Layout(x.copy(), y.copy(), v.copy(), new)
        if was is not None and gain < 1e-6 * new:
            break
        if give_up_above is not None and new > give_up_above and was is not None and gain < 0.002 * new:
            break
    return best
