"""Compiled: guided sweeps over the pieces that overlap.

Source: weights that grow where overlaps stay (guided local search, Voudouris & Tsang 1999; Egeblad, Nielsen &
Odgaard 2007; Umetani et al. 2009).
"""

from __future__ import annotations

import numpy as np

from nestcut.placement.shapes.compiled import kernel
from nestcut.placement.strip.kernels import _next
from nestcut.placement.strip.moves import _MOST_LINES, place

__all__ = ["sweeps"]


@kernel
def sweeps(  # type: ignore[no-untyped-def]
    T, x, y, v, D, weight, length, width, best_x, best_y, best_v, best_total, stale, most_moves, patience, target, keep,
    grow_least, grow, decay, map_, state,
):  # fmt: skip
    """Guided sweeps: every overlapping piece, in random order, goes to its best place; then weights change.

    Runs until the sum of depths is at most ``target``, or ``patience`` sweeps brought no better sum, or
    ``most_moves`` moves are done (after the sweep that reaches them). x, y, v, D, weight and stale (sweeps
    without a better sum so far) are the state, so that it does not matter how the work is cut into calls;
    best_* keeps the best seen. Returns (best sum, stale, moves, sweeps).
    """
    n = len(x)
    # Taken out once: reaching into the tuple costs more than the arithmetic in the loops below.
    scale = T.scale
    close = np.empty(n, np.int64)
    order = np.empty(n, np.int64)
    line = np.empty((_MOST_LINES, 4))
    top = np.empty((keep, 4))
    eps = 1e-9 * width
    moves = 0
    done = 0
    while moves < most_moves:
        m = 0
        for i in range(n):
            worst = 0.0
            for j in range(n):
                worst = max(worst, D[i, j])
            if worst > eps:
                order[m] = i
                m += 1
        for i in range(m - 1, 0, -1):
            j = int(_next(state) * (i + 1))
            order[i], order[j] = order[j], order[i]
        for a in range(m):
            k = order[a]
            worst = 0.0
            for j in range(n):
                worst = max(worst, D[k, j])
            if worst > eps:
                place(T, k, x, y, v, D, weight, length, width, keep, map_, close, line, top, state)
                moves += 1
        total = 0.0
        worst = 0.0
        for i in range(n):
            for j in range(i + 1, n):
                d = D[i, j]
                if d > 0.0:
                    total += d
                    worst = max(worst, d * scale[v[i], v[j]])
        done += 1
        if total < best_total:
            stale = 0 if total < 0.98 * best_total else stale + 1
            best_total = total
            best_x[:] = x
            best_y[:] = y
            best_v[:] = v
        else:
            stale += 1
        if total <= target or stale >= patience:
            break
        for i in range(n):
            for j in range(i + 1, n):
                d = D[i, j]
                if d > eps:
                    share = grow_least + (grow - grow_least) * d * scale[v[i], v[j]] / worst
                    weight[i, j] *= 1.0 + share
                elif weight[i, j] > 1.0:
                    weight[i, j] = 1.0 + (weight[i, j] - 1.0) * decay
                weight[j, i] = weight[i, j]
    return best_total, stale, moves, done
