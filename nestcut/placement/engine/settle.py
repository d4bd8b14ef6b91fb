"""From nearly exact to exact: a few linear programs on the contacts of a layout.

Every close pair of cores gives a linear condition on the small moves and turns of two items (their
signed distance along the separating axis); the program maximises the smallest distance. Each round is a
Newton step for the touching conditions, so a layout that can be made exact is exact after few rounds.

Source: separation and compaction by linear programming (Li and Milenkovic 1995), with turns linearised.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nestcut.placement.shapes.turning import Kit

__all__ = ["World", "settle"]


class World:
    """Arrays that the kernels write turned shapes to, for items of given kinds."""

    def __init__(self, kit: Kit, kind: NDArray[np.int64]) -> None:
        types = kit.arrays[0][kind]
        vertices = types[:, 1] - types[:, 0]
        parts = types[:, 3] - types[:, 2]
        self.ov = np.concatenate(([0], np.cumsum(vertices)[:-1])).astype(np.int64)
        self.op = np.concatenate(([0], np.cumsum(parts)[:-1])).astype(np.int64)
        self.wv = np.zeros((int(vertices.sum()), 4))
        self.wp = np.zeros((int(parts.sum()), 2))

    @property
    def all(self) -> tuple[NDArray, NDArray, NDArray, NDArray]:
        """The four arrays in the kernels' order."""
        return self.wv, self.wp, self.ov, self.op


def settle(
    kit: Kit,
    kind: NDArray[np.int64],
    pose: NDArray[np.float64],
    *,
    rounds: int = 6,
    reach_mm: float = 0.8,
    margin_mm: float = 2e-8,
    movable: NDArray[np.bool_] | None = None,
) -> tuple[NDArray[np.float64], float]:
    """Move a nearly exact layout (overlaps up to about ``reach_mm``) to an exact one if there is one near.

    Args:
        kit, kind, pose: as for the kernels; pose is (n, 3), mm and radians.
        margin_mm: distance beyond the clearances to aim for; less is taken where there is no room.
        movable: items that may move (default all).
    Returns: new poses and the smallest signed distance beyond the clearances (negative: an overlap is left).
    """
    from scipy.optimize import linprog
    from scipy.sparse import csr_matrix

    from nestcut.placement.engine.contacts import contacts

    n = len(kind)
    world = World(kit, kind)
    types, reach = kit.arrays[0], kit.arrays[1][:, 0]
    free = np.ones(n, bool) if movable is None else movable
    can_turn = free & (types[kind, 6] == types[kind, 7]) & (types[kind, 8] == 0)
    best_pose, best = pose.copy(), -np.inf
    now = pose.copy()
    # Turning is linear only nearby, and a linear program likes to go as far as it may: allow little more
    # than what is missing, and more only when that does not do.
    wide = 30.0
    for _ in range(rounds + 1):
        rows = contacts(kit.arrays, kind, now, *world.all, reach_mm)
        worst = float(rows[:, 2].min()) if len(rows) else np.inf
        if worst > best + 1e-9:
            best, best_pose = worst, now.copy()
        else:
            now = best_pose.copy()
            rows = contacts(kit.arrays, kind, now, *world.all, reach_mm)
            wide *= 0.25
        if best >= margin_mm * 0.5 or not len(rows):
            break
        trust = min(reach_mm, max(wide * -best, 1e-7))
        rows = rows[rows[:, 2] < 6.0 * trust]
        m = len(rows)
        # unknowns: dx, dy, (angle × reach) of every item, and the smallest distance s
        i, j = rows[:, 0].astype(int), rows[:, 1].astype(int)
        sep, nx, ny, px, py = rows[:, 2], rows[:, 3], rows[:, 4], rows[:, 5], rows[:, 6]
        other = j >= 0
        jj = np.where(other, j, 0)
        arm_i = (ny * (px - now[i, 0]) - nx * (py - now[i, 1])) / reach[kind[i]]
        arm_j = (ny * (px - now[jj, 0]) - nx * (py - now[jj, 1])) / reach[kind[jj]]
        line = np.arange(m)
        data = np.concatenate((-nx, -ny, -arm_i, nx[other], ny[other], arm_j[other], np.ones(m)))
        row = np.concatenate((line, line, line, line[other], line[other], line[other], line))
        col = np.concatenate(
            (3 * i, 3 * i + 1, 3 * i + 2, 3 * j[other], 3 * j[other] + 1, 3 * j[other] + 2, np.full(m, 3 * n))
        )
        A = csr_matrix((data, (row, col)), shape=(m, 3 * n + 1))
        cost = np.zeros(3 * n + 1)
        cost[-1] = -1.0
        limit = np.repeat(np.where(free, trust, 0.0), 3).reshape(n, 3)
        limit[~can_turn, 2] = 0.0
        bounds = [(-b, b) for b in limit.ravel().tolist()] + [(None, margin_mm)]
        solved = linprog(cost, A_ub=A, b_ub=sep, bounds=bounds, method="highs")
        if solved.x is None:
            break
        if solved.x[-1] < 0.5 * best and trust < reach_mm:
            wide *= 6.0
        step = solved.x[:-1].reshape(n, 3)
        now = now + step * np.column_stack((np.ones(n), np.ones(n), 1.0 / reach[kind]))
    return best_pose, best
