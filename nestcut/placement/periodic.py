"""Compiled: overlap of a few pieces that are repeated endlessly over a lattice."""

from __future__ import annotations

import math

from numba import njit

from .overlap import _G, _TF, _pair, _world_of

__all__ = ["lattice_energy"]


@njit(cache=True)
def lattice_energy(kit, kind, pose, cell, wv, wp, ov, op, grad, cell_grad):
    """Energy of one cell against itself and all its images, with gradients.

    Args: cell is (ux, uy, vx, vy), mm; the world tables hold every item twice, the second time for its images. grad (n × 3) and cell_grad (4) are filled.
    Returns: energy, deepest overlap in mm.
    """
    n = kind.shape[0]
    TF, gap = kit[_TF], kit[_G][0]
    ux, uy, vx, vy = cell[0], cell[1], cell[2], cell[3]
    area = abs(ux * vy - uy * vx)
    reach = 0.0
    spread = 0.0
    for i in range(n):
        grad[i, 0] = 0.0
        grad[i, 1] = 0.0
        grad[i, 2] = 0.0
        reach = max(reach, TF[kind[i], 0])
        _world_of(kit, kind[i], pose[i, 0], pose[i, 1], pose[i, 2], wv, wp, ov[i], op[i])
        for j in range(i):
            spread = max(spread, math.hypot(pose[i, 0] - pose[j, 0], pose[i, 1] - pose[j, 1]))
    for k in range(4):
        cell_grad[k] = 0.0
    far = 2.0 * reach + gap + spread
    p_max = min(int(far * math.hypot(vx, vy) / area) + 1, 60)
    q_max = min(int(far * math.hypot(ux, uy) / area) + 1, 60)
    e, deep = 0.0, 0.0
    # each unordered pair of copies once: images in the upper half, and within the cell i < j
    for q in range(q_max + 1):
        for p in range(-p_max, p_max + 1):
            if q == 0 and p < 0:
                continue
            own = p == 0 and q == 0
            tx, ty = p * ux + q * vx, p * uy + q * vy
            for j in range(n):
                xj, yj = pose[j, 0] + tx, pose[j, 1] + ty
                placed = False
                for i in range(n):
                    if own and i >= j:
                        break
                    dx, dy = pose[i, 0] - xj, pose[i, 1] - yj
                    r = TF[kind[i], 0] + TF[kind[j], 0] + gap
                    if dx * dx + dy * dy >= r * r:
                        continue
                    if not placed:
                        _world_of(kit, kind[j], xj, yj, pose[j, 2], wv, wp, ov[n + j], op[n + j])
                        placed = True
                    f, gx, gy, gi, gj, d = _pair(
                        kit, kind[i], kind[j], wv, wp, ov[i], op[i], ov[n + j], op[n + j],
                        pose[i, 0], pose[i, 1], xj, yj, 1e300,
                    )  # fmt: skip
                    if f > 0.0:
                        e += f
                        deep = max(deep, d)
                        grad[i, 0] += gx
                        grad[i, 1] += gy
                        grad[i, 2] += gi
                        grad[j, 0] -= gx
                        grad[j, 1] -= gy
                        grad[j, 2] += gj
                        cell_grad[0] -= p * gx
                        cell_grad[1] -= p * gy
                        cell_grad[2] -= q * gx
                        cell_grad[3] -= q * gy
    return e, deep
