"""Compiled inner loops of the stacking disproof (see :mod:`nestcut.passes.disproofs.stacking`).

Everything here errs on the side of "it may fit": offsets are rounded down.
"""

from __future__ import annotations

import math

import numpy as np

from nestcut.placement.shapes.compiled import inner, kernel

__all__ = ["chain", "chain_back", "offsets", "search"]

FAR = 1e30
SAFE = 1e-6


@inner
def _lowest(ring, n):
    """Number of the lowest vertex, the leftmost of equals."""
    best = 0
    for i in range(1, n):
        if ring[i, 1] < ring[best, 1] or (ring[i, 1] == ring[best, 1] and ring[i, 0] < ring[best, 0]):
            best = i
    return best


@inner
def _sum(a, na, b, nb, out):
    """Minkowski sum of two convex counter-clockwise rings into ``out``; returns its vertices."""
    ia, ib = _lowest(a, na), _lowest(b, nb)
    i = j = n = 0
    while i < na or j < nb:
        p, q = (ia + i) % na, (ib + j) % nb
        out[n, 0] = a[p, 0] + b[q, 0]
        out[n, 1] = a[p, 1] + b[q, 1]
        n += 1
        if i >= na:
            j += 1
        elif j >= nb:
            i += 1
        else:
            p1, q1 = (p + 1) % na, (q + 1) % nb
            cross = (a[p1, 0] - a[p, 0]) * (b[q1, 1] - b[q, 1]) - (a[p1, 1] - a[p, 1]) * (b[q1, 0] - b[q, 0])
            if cross > 0:
                i += 1
            elif cross < 0:
                j += 1
            else:
                i += 1
                j += 1
    return n


@inner
def _columns(ring, n, step, first, last, low, high):
    """Least and greatest y of a convex ring at x = m·step, m = first … last; none: low > high."""
    for m in range(last - first + 1):
        low[m] = FAR
        high[m] = -FAR
    for i in range(n):
        k = (i + 1) % n
        x0, y0, x1, y1 = ring[i, 0], ring[i, 1], ring[k, 0], ring[k, 1]
        if x1 < x0:
            x0, y0, x1, y1 = x1, y1, x0, y0
        begin = max(first, math.ceil(x0 / step - 1e-12))
        end = min(last, math.floor(x1 / step + 1e-12))
        for m in range(begin, end + 1):
            if x1 - x0 < 1e-12:
                ya, yb = min(y0, y1), max(y0, y1)
            else:
                ya = y0 + (y1 - y0) * min(1.0, max(0.0, (m * step - x0) / (x1 - x0)))
                yb = ya
            low[m - first] = min(low[m - first], ya)
            high[m - first] = max(high[m - first], yb)


@inner
def _first_free(lows, highs, n):
    """Least y ≥ 0 that lies inside none of the n open stretches."""
    y = 0.0
    moved = True
    while moved:
        moved = False
        for i in range(n):
            if lows[i] <= y < highs[i]:
                y = highs[i]
                moved = True
    return y


@kernel
def offsets(rings_a, sizes_a, use_a, rings_b, sizes_b, use_b, step, half, ab, ba):
    """Least y by which b must lie below a (``ab``) and a below b (``ba``), for each pair of turns.

    Args:
        rings_a, rings_b: (turns, parts, vertices, 2), convex parts, counter-clockwise, a grown by the gap.
        sizes_a, sizes_b: vertices of each part; use_a, use_b: turns that matter.
        step: width of a cell of x, mm; differences of two cells d·step reach (d − 1)·step … (d + 1)·step.
        ab[ta, tb, d + half], ba[tb, ta, d + half]: filled; d is the cell of the lower one less the upper's.
    """
    parts_a, parts_b = len(sizes_a), len(sizes_b)
    total = np.empty((rings_a.shape[2] + rings_b.shape[2] + 2, 2))
    minus = np.empty((rings_b.shape[2], 2))
    width = 2 * half + 3
    low = np.empty(width)
    high = np.empty(width)
    lows = np.empty((2 * half + 1, parts_a * parts_b))
    highs = np.empty((2 * half + 1, parts_a * parts_b))
    flip_low = np.empty(parts_a * parts_b)
    flip_high = np.empty(parts_a * parts_b)
    count = np.zeros(2 * half + 1, dtype=np.int64)
    for ta in range(rings_a.shape[0]):
        if not use_a[ta]:
            continue
        for tb in range(rings_b.shape[0]):
            if not use_b[tb]:
                continue
            for d in range(2 * half + 1):
                count[d] = 0
            for pa in range(parts_a):
                for pb in range(parts_b):
                    nb = sizes_b[pb]
                    for i in range(nb):
                        minus[i, 0] = -rings_b[tb, pb, i, 0]
                        minus[i, 1] = -rings_b[tb, pb, i, 1]
                    n = _sum(rings_a[ta, pa], sizes_a[pa], minus, nb, total)
                    _columns(total, n, step, -half - 1, half + 1, low, high)
                    for d in range(2 * half + 1):
                        # Lines d − 1 and d + 1 of the cell difference d (shifted by one: d, d + 2).
                        if low[d] <= high[d] and low[d + 2] <= high[d + 2]:
                            lo = max(low[d], low[d + 2]) + SAFE
                            hi = min(high[d], high[d + 2]) - SAFE
                            if lo < hi:
                                lows[d, count[d]] = lo
                                highs[d, count[d]] = hi
                                count[d] += 1
            for d in range(2 * half + 1):
                n = count[d]
                ab[ta, tb, d] = _first_free(lows[d], highs[d], n)
                for i in range(n):
                    flip_low[i] = -highs[d, i]
                    flip_high[i] = -lows[d, i]
                ba[tb, ta, 2 * half - d] = _first_free(flip_low, flip_high, n)


@inner
def _step(tables, start, half, shape_n, a, ta, xa, b, tb, xb):
    """Least offset from state (a, ta, xa) down to (b, tb, xb)."""
    d = xb - xa
    if d < -half or d > half:
        return 0.0
    return tables[start[a, b] + (ta * shape_n[b] + tb) * (2 * half + 1) + d + half]


@kernel
def chain(k, die, turn, cell, top, bottom, tables, start, shape_n, half, length):
    """f[S, s]: least y of state s as the last of the dies S, stacked; FAR where it can't end in time."""
    n = len(die)
    f = np.full((1 << k, n), FAR)
    for s in range(n):
        if top[s] + bottom[s] <= length:
            f[1 << die[s], s] = top[s]
    for done in range(1, 1 << k):
        for s in range(n):
            y = f[done, s]
            if y >= FAR:
                continue
            for t in range(n):
                if done >> die[t] & 1:
                    continue
                z = max(
                    top[t],
                    y
                    + _step(tables, start, half, shape_n, die[s], turn[s], cell[s], die[t], turn[t], cell[t]),
                )
                if z + bottom[t] <= length and z < f[done | 1 << die[t], t]:
                    f[done | 1 << die[t], t] = z
    return f


@kernel
def chain_back(k, die, turn, cell, bottom, tables, start, shape_n, half, length):
    """r[S, s]: least length needed below state s when the dies S still follow, s not among them."""
    n = len(die)
    r = np.full((1 << k, n), FAR)
    for s in range(n):
        r[0, s] = bottom[s]
    for rest in range(1, 1 << k):
        for t in range(n):
            if not rest >> die[t] & 1:
                continue
            tail = r[rest & ~(1 << die[t]), t]
            if tail >= FAR:
                continue
            for s in range(n):
                if rest >> die[s] & 1:
                    continue
                z = tail + _step(
                    tables, start, half, shape_n, die[s], turn[s], cell[s], die[t], turn[t], cell[t]
                )
                if z <= length and z < r[rest, s]:
                    r[rest, s] = z
    return r


@kernel
def search(k, die, turn, cell, top, tables, start, shape_n, half, length, back, budget):
    """Depth-first over orders and states with all offsets kept. 1: it may fit, 0: it can't, −1: gave up.

    Returns (answer, states looked at, chosen states).
    """
    n = len(die)
    at = np.full(k, -1, dtype=np.int64)
    y = np.zeros(k)
    depth = 0
    done = 0
    looked = 0
    full = (1 << k) - 1
    while depth >= 0:
        if at[depth] >= 0:
            done &= ~(1 << die[at[depth]])
        s = at[depth] + 1
        found = False
        while s < n:
            looked += 1
            if not done >> die[s] & 1:
                rest = full & ~done & ~(1 << die[s])
                z = top[s]
                tail = back[rest, s]
                if z + tail <= length:
                    good = True
                    for p in range(depth):
                        q = at[p]
                        z = max(
                            z,
                            y[p]
                            + _step(
                                tables,
                                start,
                                half,
                                shape_n,
                                die[q],
                                turn[q],
                                cell[q],
                                die[s],
                                turn[s],
                                cell[s],
                            ),
                        )
                        if z + tail > length:
                            good = False
                            break
                    if good:
                        found = True
                        break
            s += 1
        if looked > budget:
            return -1, looked, at
        if not found:
            at[depth] = -1
            depth -= 1
            continue
        at[depth] = s
        y[depth] = z
        done |= 1 << die[s]
        if depth == k - 1:
            return 1, looked, at
        depth += 1
        at[depth] = -1
    return 0, looked, at
