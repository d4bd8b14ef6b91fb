"""Compiled: the close pairs of cores of a layout, as linear conditions for :mod:`nestcut.placement.engine.settle`."""

from __future__ import annotations

import numpy as np

from nestcut.placement.engine.cores import _G, _H, _P, _PF, _R, _S, _SF, _SW, _T, _TF, _depth, set_world
from nestcut.placement.shapes.compiled import inner, kernel

__all__ = ["contacts"]


@kernel
def _with_room(rows, m):
    """The rows, or twice as many with the same m to begin with where all are taken."""
    if m < rows.shape[0]:
        return rows
    more = np.empty((2 * m, 7))
    for k in range(m):
        for c in range(7):
            more[k, c] = rows[k, c]
    return more


@inner
def _write(rows, m, i, j, sep, ax, ay, x, y):
    rows[m, 0], rows[m, 1], rows[m, 2] = i, j, sep
    rows[m, 3], rows[m, 4], rows[m, 5], rows[m, 6] = ax, ay, x, y


@kernel
def contacts(kit, kind, pose, wv, wp, ov, op, reach):
    """Rows (i, j, distance beyond the clearance, axis to i, where) of all pairs nearer than ``reach`` mm.

    j = −1 for the region's sides and obstacles. Deep overlaps are rows with negative distance.
    """
    set_world(kit, kind, pose, wv, wp, ov, op)
    n = kind.shape[0]
    T, TF, P, PF, H, R = kit[_T], kit[_TF], kit[_P], kit[_PF], kit[_H], kit[_R]
    S, SW, SF = kit[_S], kit[_SW], kit[_SF]
    gap = kit[_G][0]
    rows = np.empty((64, 7))
    m = 0
    for i in range(n):
        t = kind[i]
        x, y = pose[i, 0], pose[i, 1]
        for h in range(R.shape[0]):
            if R[h, 0] * x + R[h, 1] * y + TF[t, 0] + reach <= R[h, 2]:
                continue
            for k in range(T[t, 4], T[t, 5]):
                v = ov[i] + H[k] - T[t, 0]
                sep = R[h, 2] - R[h, 0] * wv[v, 0] - R[h, 1] * wv[v, 1] - TF[t, 1]
                if sep < reach:
                    rows = _with_room(rows, m)
                    _write(rows, m, i, -1, sep, -R[h, 0], -R[h, 1], wv[v, 0], wv[v, 1])
                    m += 1
        for s in range(S.shape[0]):
            for p in range(T[t, 2], T[t, 3]):
                ip = op[i] + p - T[t, 2]
                c = SF[s, 4] + PF[p, 3] + reach
                r = PF[p, 2] + c
                cx, cy = wp[ip, 0], wp[ip, 1]
                if cx + r <= SF[s, 0] or cx - r >= SF[s, 2]:
                    continue
                if cy + r <= SF[s, 1] or cy - r >= SF[s, 3]:
                    continue
                a0 = ov[i] + P[p, 0] - T[t, 0]
                a1 = ov[i] + P[p, 1] - T[t, 0]
                f, nx, ny, px, py = _depth(wv, a0, a1, SW, S[s, 0], S[s, 1], c)
                if f > 0.0:
                    rows = _with_room(rows, m)
                    _write(rows, m, i, -1, reach - f, nx, ny, px, py)
                    m += 1
        for j in range(i + 1, n):
            u = kind[j]
            dx, dy = x - pose[j, 0], y - pose[j, 1]
            r = TF[t, 0] + TF[u, 0] + gap + reach
            if dx * dx + dy * dy >= r * r:
                continue
            for p in range(T[t, 2], T[t, 3]):
                ip = op[i] + p - T[t, 2]
                a0 = ov[i] + P[p, 0] - T[t, 0]
                a1 = ov[i] + P[p, 1] - T[t, 0]
                for q in range(T[u, 2], T[u, 3]):
                    jq = op[j] + q - T[u, 2]
                    c = gap + PF[p, 3] + PF[q, 3] + reach
                    r = PF[p, 2] + PF[q, 2] + c
                    dx, dy = wp[ip, 0] - wp[jq, 0], wp[ip, 1] - wp[jq, 1]
                    if dx * dx + dy * dy >= r * r:
                        continue
                    b0 = ov[j] + P[q, 0] - T[u, 0]
                    b1 = ov[j] + P[q, 1] - T[u, 0]
                    f, nx, ny, px, py = _depth(wv, a0, a1, wv, b0, b1, c)
                    if f > 0.0:
                        rows = _with_room(rows, m)
                        _write(rows, m, i, j, reach - f, nx, ny, px, py)
                        m += 1
    return rows[:m]
