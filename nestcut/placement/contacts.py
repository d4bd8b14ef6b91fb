"""Compiled: the close pairs of cores of a layout, as linear conditions for :mod:`.settle`."""

from __future__ import annotations

import numpy as np
from numba import njit

from .overlap import _depth, set_world

__all__ = ["contacts"]


@njit(cache=True)
def contacts(kit, kind, pose, wv, wp, ov, op, reach):
    """Rows (i, j, distance beyond the clearance, axis to i, where) of all pairs nearer than ``reach`` mm.

    j = −1 for the region's sides and obstacles. Deep overlaps are rows with negative distance.
    """
    set_world(kit, kind, pose, wv, wp, ov, op)
    n = kind.shape[0]
    tv0, tp0, pv0, pr, rho = kit[0], kit[1], kit[2], kit[9], kit[10]
    th0, hidx, hrho, tr = kit[11], kit[12], kit[13], kit[14]
    hx, hy, hc = kit[17], kit[18], kit[19]
    sv0, sw, sbox, sclear = kit[20], kit[21], kit[22], kit[23]
    gap = kit[27][0]
    rows = np.empty((64, 7))
    m = 0
    for i in range(n):
        t = kind[i]
        x, y = pose[i, 0], pose[i, 1]
        for h in range(hx.shape[0]):
            if hx[h] * x + hy[h] * y + tr[t] + reach <= hc[h]:
                continue
            for k in range(th0[t], th0[t + 1]):
                v = ov[i] + hidx[k] - tv0[t]
                sep = hc[h] - hx[h] * wv[v, 0] - hy[h] * wv[v, 1] - hrho[k]
                if sep < reach:
                    if m == rows.shape[0]:
                        rows = np.concatenate((rows, np.empty_like(rows)))
                    rows[m, 0], rows[m, 1], rows[m, 2] = i, -1, sep
                    rows[m, 3], rows[m, 4], rows[m, 5], rows[m, 6] = -hx[h], -hy[h], wv[v, 0], wv[v, 1]
                    m += 1
        for s in range(sv0.shape[0] - 1):
            for p in range(tp0[t], tp0[t + 1]):
                ip = op[i] + p - tp0[t]
                c = sclear[s] + rho[p] + reach
                r = pr[p] + c
                cx, cy = wp[ip, 0], wp[ip, 1]
                if cx + r <= sbox[s, 0] or cx - r >= sbox[s, 2]:
                    continue
                if cy + r <= sbox[s, 1] or cy - r >= sbox[s, 3]:
                    continue
                a0 = ov[i] + pv0[p] - tv0[t]
                a1 = ov[i] + pv0[p + 1] - tv0[t]
                f, nx, ny, px, py = _depth(wv, a0, a1, sw, sv0[s], sv0[s + 1], c)
                if f > 0.0:
                    if m == rows.shape[0]:
                        rows = np.concatenate((rows, np.empty_like(rows)))
                    rows[m, 0], rows[m, 1], rows[m, 2] = i, -1, reach - f
                    rows[m, 3], rows[m, 4], rows[m, 5], rows[m, 6] = nx, ny, px, py
                    m += 1
        for j in range(i + 1, n):
            u = kind[j]
            dx, dy = x - pose[j, 0], y - pose[j, 1]
            r = tr[t] + tr[u] + gap + reach
            if dx * dx + dy * dy >= r * r:
                continue
            for p in range(tp0[t], tp0[t + 1]):
                ip = op[i] + p - tp0[t]
                a0 = ov[i] + pv0[p] - tv0[t]
                a1 = ov[i] + pv0[p + 1] - tv0[t]
                for q in range(tp0[u], tp0[u + 1]):
                    jq = op[j] + q - tp0[u]
                    c = gap + rho[p] + rho[q] + reach
                    r = pr[p] + pr[q] + c
                    dx, dy = wp[ip, 0] - wp[jq, 0], wp[ip, 1] - wp[jq, 1]
                    if dx * dx + dy * dy >= r * r:
                        continue
                    b0 = ov[j] + pv0[q] - tv0[u]
                    b1 = ov[j] + pv0[q + 1] - tv0[u]
                    f, nx, ny, px, py = _depth(wv, a0, a1, wv, b0, b1, c)
                    if f > 0.0:
                        if m == rows.shape[0]:
                            rows = np.concatenate((rows, np.empty_like(rows)))
                        rows[m, 0], rows[m, 1], rows[m, 2] = i, j, reach - f
                        rows[m, 3], rows[m, 4], rows[m, 5], rows[m, 6] = nx, ny, px, py
                        m += 1
    return rows[:m]
