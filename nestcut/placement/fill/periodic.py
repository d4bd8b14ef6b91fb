"""Compiled: overlap of a few pieces that are repeated endlessly over a lattice."""

from __future__ import annotations

import math

import numpy as np

from nestcut.placement.engine.overlap import _G, _TF, _pair, _world_of
from nestcut.placement.shapes.compiled import exponential, kernel, length_of, sine_cosine

__all__ = ["lattice_energy", "relax_cell"]


@kernel
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
            spread = max(spread, length_of(pose[i, 0] - pose[j, 0], pose[i, 1] - pose[j, 1]))
    for k in range(4):
        cell_grad[k] = 0.0
    far = 2.0 * reach + gap + spread
    p_max = min(int(far * length_of(vx, vy) / area) + 1, 60)
    q_max = min(int(far * length_of(ux, uy) / area) + 1, 60)
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


@kernel
def _cell_of(x, m, area, cell, by_form):
    """Cell vectors of the form variables (logarithm of stretch, shear, rotation), and their derivatives."""
    s, k, f = x[3 * m], x[3 * m + 1], x[3 * m + 2]
    a, root = exponential(s), math.sqrt(area)
    ux, vx, vy = a * root, k * root, root / a
    n, c = sine_cosine(f)
    cell[0], cell[1] = c * ux, n * ux
    cell[2], cell[3] = c * vx - n * vy, n * vx + c * vy
    by_form[0, 0], by_form[0, 1] = cell[0], cell[1]
    by_form[0, 2], by_form[0, 3] = n * vy, -c * vy
    by_form[1, 0], by_form[1, 1] = 0.0, 0.0
    by_form[1, 2], by_form[1, 3] = c * root, n * root
    by_form[2, 0], by_form[2, 1] = -cell[1], cell[0]
    by_form[2, 2], by_form[2, 3] = -cell[3], cell[2]


@kernel
def _value(
    kit, kind, x, scale, angle, reach, free, area, pose, cell, by_form, wv, wp, ov, op, grad, cell_grad, g
):
    """Energy at scaled variables, gradient into g; deepest overlap."""
    m = kind.shape[0]
    y = x * scale
    _cell_of(y, m, area, cell, by_form)
    for i in range(m):
        pose[i, 0], pose[i, 1] = y[3 * i], y[3 * i + 1]
        pose[i, 2] = angle[i] + (y[3 * i + 2] / reach if free else 0.0)
    e, deep = lattice_energy(kit, kind, pose, cell, wv, wp, ov, op, grad, cell_grad)
    for i in range(m):
        g[3 * i], g[3 * i + 1] = grad[i, 0], grad[i, 1]
        g[3 * i + 2] = grad[i, 2] / reach if free else 0.0
    for k in range(3):
        g[3 * m + k] = 0.0
        for d in range(4):
            g[3 * m + k] += cell_grad[d] * by_form[k, d]
    for k in range(g.shape[0]):
        g[k] *= scale[k]
    return e, deep


@kernel
def relax_cell(kit, kind, x, angle, reach, free, area, goal, rounds, wv, wp, ov, op):
    """Push the pieces of a cell of given area apart; x (3 m + 3) is changed in place. Returns deepest overlap.

    Dense BFGS with a backtracking line search; the stretch and shear are kept within bounds (a cell drawn out
    too far has too many images to look at).
    Source: Nocedal and Wright, Numerical Optimization (2006), chapter 6.
    """
    m = kind.shape[0]
    size = x.shape[0]
    scale = np.ones(size)
    for k in range(3):
        scale[3 * m + k] = 1.0 / math.sqrt(area)
    z = x / scale
    pose, grad = np.empty((m, 3)), np.empty((m, 3))
    cell, cell_grad, by_form = np.empty(4), np.empty(4), np.empty((3, 4))
    g, g_new, step, z_new, hy = np.empty(size), np.empty(size), np.empty(size), np.empty(size), np.empty(size)
    H = np.eye(size) * 0.25
    enough = 1e-3 * goal * goal
    e, deep = _value(
        kit, kind, z, scale, angle, reach, free, area, pose, cell, by_form, wv, wp, ov, op, grad, cell_grad, g
    )
    fresh = True
    for _ in range(rounds):
        if e <= enough:
            break
        slope = 0.0
        for a in range(size):
            step[a] = 0.0
            for b in range(size):
                step[a] -= H[a, b] * g[b]
            slope += step[a] * g[a]
        if slope >= 0.0:
            H[:] = np.eye(size) * 0.25
            for a in range(size):
                step[a] = -0.25 * g[a]
            slope = -0.25 * (g * g).sum()
            fresh = True
        if -slope < 1e-16:
            break
        # no step longer than a quarter of a piece
        longest = np.abs(step).max()
        t = min(1.0, 0.25 * reach / longest) if longest > 0.0 else 1.0
        found = False
        e_new = e
        for _try in range(10):
            for a in range(size):
                z_new[a] = z[a] + t * step[a]
            for k in range(2):
                top = (1.8 if k == 0 else 4.0) / scale[3 * m]
                z_new[3 * m + k] = min(max(z_new[3 * m + k], -top), top)
            e_new, deep = _value(
                kit, kind, z_new, scale, angle, reach, free, area, pose, cell, by_form,
                wv, wp, ov, op, grad, cell_grad, g_new,
            )  # fmt: skip
            if e_new <= e + 1e-4 * t * slope:
                found = True
                break
            t *= 0.4
        if not found:
            if fresh:
                break
            H[:] = np.eye(size) * 0.25
            fresh = True
            continue
        sy, yy, yhy = 0.0, 0.0, 0.0
        for a in range(size):
            sy += (z_new[a] - z[a]) * (g_new[a] - g[a])
            yy += (g_new[a] - g[a]) * (g_new[a] - g[a])
        if sy > 1e-14 and yy > 0.0:
            if fresh:
                H[:] = np.eye(size) * (sy / yy)
                fresh = False
            for a in range(size):
                hy[a] = 0.0
                for b in range(size):
                    hy[a] += H[a, b] * (g_new[b] - g[b])
                yhy += hy[a] * (g_new[a] - g[a])
            for a in range(size):
                sa = z_new[a] - z[a]
                for b in range(size):
                    sb = z_new[b] - z[b]
                    H[a, b] += (1.0 + yhy / sy) * sa * sb / sy - (hy[a] * sb + sa * hy[b]) / sy
        gain = e - e_new
        e = e_new
        for a in range(size):
            z[a], g[a] = z_new[a], g_new[a]
        if gain < 1e-7 * max(e, 1e-12):
            break
    e, deep = _value(
        kit, kind, z, scale, angle, reach, free, area, pose, cell, by_form, wv, wp, ov, op, grad, cell_grad, g
    )
    for a in range(size):
        x[a] = z[a] * scale[a]
    return deep
