"""Compiled: all places and angles of a layout move downhill together.

Source: limited-memory quasi-Newton steps (Liu and Nocedal 1989).
"""

from __future__ import annotations

import numpy as np

from nestcut.placement.engine.cores import _T, _TF, _world_of, energy
from nestcut.placement.shapes.compiled import inner, kernel

__all__ = ["minimise"]

_HISTORY = 7  # steps that the quasi-Newton method remembers


@inner
def _dot(rows, h, v):
    total = 0.0
    for k in range(v.shape[0]):
        total += rows[h, k] * v[k]
    return total


@inner
def _add(v, factor, rows, h):
    for k in range(v.shape[0]):
        v[k] += factor * rows[h, k]


@inner
def _copy(target, source):
    for i in range(source.shape[0]):
        for k in range(source.shape[1]):
            target[i, k] = source[i, k]


@kernel
def minimise(kit, kind, pose, active, weight, wv, wp, ov, op, rounds, goal):
    """Move the active items downhill (L-BFGS); stops at ``goal`` energy. Returns energy, evaluations."""
    n = kind.shape[0]
    m = 0
    item = np.empty(n, np.int64)
    for i in range(n):
        if active[i]:
            item[m] = i
            m += 1
    size = 3 * m
    T, TF = kit[_T], kit[_TF]
    scale = np.empty(size)
    for k in range(m):
        t = kind[item[k]]
        scale[3 * k] = 1.0
        scale[3 * k + 1] = 1.0
        # angle × radius is a length too; items with listed turns keep their angle
        scale[3 * k + 2] = 0.0 if T[t, 7] > T[t, 6] or T[t, 8] else 1.0 / max(TF[t, 0] * 0.7, 1e-9)
    grad = np.empty((n, 3))
    over = np.empty(n)
    g = np.empty(size)
    g_new = np.empty(size)
    x = np.empty(size)
    step = np.empty(size)
    S = np.zeros((_HISTORY, size))
    Y = np.zeros((_HISTORY, size))
    R = np.zeros(_HISTORY)
    alpha = np.zeros(_HISTORY)
    e = energy(kit, kind, pose, active, weight, wv, wp, ov, op, grad, over)
    used = 1
    for k in range(m):
        for d in range(3):
            x[3 * k + d] = pose[item[k], d]
            g[3 * k + d] = grad[item[k], d] * scale[3 * k + d]
    stored = 0
    for _ in range(rounds):
        if e <= goal:
            break
        for k in range(size):
            step[k] = -g[k]
        first = max(0, stored - _HISTORY)
        for h in range(stored - 1, first - 1, -1):
            hh = h % _HISTORY
            alpha[hh] = R[hh] * _dot(S, hh, step)
            _add(step, -alpha[hh], Y, hh)
        if stored > 0:
            hh = (stored - 1) % _HISTORY
            factor = 1.0 / (R[hh] * _dot(Y, hh, Y[hh]))
        else:
            factor = 0.25  # f² has curvature 2 along its axis, and most items feel two neighbours
        for k in range(size):
            step[k] *= factor
        for h in range(first, stored):
            hh = h % _HISTORY
            b = R[hh] * _dot(Y, hh, step)
            _add(step, alpha[hh] - b, S, hh)
        slope = 0.0
        for k in range(size):
            slope += g[k] * step[k]
        if slope >= 0.0:
            slope = 0.0
            for k in range(size):
                step[k] = -0.25 * g[k]
                slope += g[k] * step[k]
            stored = 0
        if -slope < 1e-18:
            break
        t = 1.0
        ok = False
        e_new = e
        for _try in range(8):
            for k in range(m):
                for d in range(3):
                    pose[item[k], d] = x[3 * k + d] + t * step[3 * k + d] * scale[3 * k + d]
            e_new = energy(kit, kind, pose, active, weight, wv, wp, ov, op, grad, over)
            used += 1
            if e_new <= e + 1e-4 * t * slope:
                ok = True
                break
            t *= 0.4
        if not ok:
            for k in range(m):
                for d in range(3):
                    pose[item[k], d] = x[3 * k + d]
                _world_of(
                    kit, kind[item[k]], pose[item[k], 0], pose[item[k], 1], pose[item[k], 2], wv, wp,
                    ov[item[k]], op[item[k]],
                )  # fmt: skip
            if stored > 0:
                stored = 0
                e = energy(kit, kind, pose, active, weight, wv, wp, ov, op, grad, over)
                used += 1
                continue
            break
        for k in range(m):
            for d in range(3):
                g_new[3 * k + d] = grad[item[k], d] * scale[3 * k + d]
        sy = 0.0
        hh = stored % _HISTORY
        for k in range(size):
            S[hh, k] = t * step[k]
            Y[hh, k] = g_new[k] - g[k]
            sy += S[hh, k] * Y[hh, k]
        for k in range(m):
            for d in range(3):
                x[3 * k + d] = pose[item[k], d]
        gain = e - e_new
        e = e_new
        for k in range(size):
            g[k] = g_new[k]
        if sy > 1e-14:
            R[hh] = 1.0 / sy
            stored += 1
        if gain < 1e-4 * e and gain < 1e-3:
            break
    return e, used
