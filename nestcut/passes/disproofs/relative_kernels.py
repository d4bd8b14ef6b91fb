"""Compiled inner loops of the proof by relative places (see :mod:`nestcut.passes.disproofs.relative`).

Everything here errs on the side of "it may fit": forbidden stretches are rounded inwards.
"""

from __future__ import annotations

import math

import numpy as np

from nestcut.passes.disproofs.stacking_kernels import _columns, _sum
from nestcut.placement.shapes.compiled import inner, kernel, sine_cosine

__all__ = ["GAVE_UP", "IMPOSSIBLE", "MAY_FIT", "PAUSED", "refute", "stack_for"]

IMPOSSIBLE, MAY_FIT, GAVE_UP, PAUSED = 0, 1, -1, -2

FAR = 1e30
BEYOND = 1 << 40
NEVER = -1e18
"""Weight of an edge that is not there."""
SAFE = 1e-6
HAIR = 3e-5
"""Taken off a stretch before it is kept in single precision (a unit of it is 1.5e-5 at 150 mm)."""
LEAST_GAIN = 0.03
"""Of a split that brings a child nothing, mm, so that what it brings the other child still counts."""
DEAD_GAIN = 60.0
"""Of a split that ends a child, mm."""


@inner
def _turned(ring, n, deg, sign, out):
    sin, cos = sine_cosine(np.radians(deg))
    sin, cos = sign * sin, sign * cos
    for i in range(n):
        out[i, 0] = cos * ring[i, 0] - sin * ring[i, 1]
        out[i, 1] = sin * ring[i, 0] + cos * ring[i, 1]


@inner
def _joined(lows, highs, n):
    """The longest of n stretches, with all that overlap it and each other."""
    best = 0
    for i in range(1, n):
        if highs[i] - lows[i] > highs[best] - lows[best]:
            best = i
    lo, hi = lows[best], highs[best]
    moved = True
    while moved:
        moved = False
        for i in range(n):
            if lows[i] < hi and highs[i] > lo and (lows[i] < lo or highs[i] > hi):
                lo, hi = min(lo, lows[i]), max(hi, highs[i])
                moved = True
    return lo, hi


@inner
def _forbid(rims, na, nb, first, last, step, room, pool_low, pool_high, where):
    """For every column of x from ``first`` to ``last``: one stretch of y that is forbidden all over it.

    A column c holds the differences of x from c·step to (c + 1)·step. What two convex parts forbid is convex,
    so what both sides of the column have in common is forbidden between them.
    """
    deg, parts, rings, grown, sizes = rims
    low, high, total, a, b, lows, highs, count = room
    for c in range(last - first):
        count[c] = 0
    for p in range(parts[na, 0], parts[na, 1]):
        _turned(grown[p], sizes[p, 1], deg[na], 1.0, a)
        for q in range(parts[nb, 0], parts[nb, 1]):
            _turned(rings[q], sizes[q, 0], deg[nb], -1.0, b)
            n = _sum(a, sizes[p, 1], b, sizes[q, 0], total)
            _columns(total, n, step, first, last, low, high)
            for c in range(last - first):
                lo = max(low[c], low[c + 1]) + SAFE
                hi = min(high[c], high[c + 1]) - SAFE
                if lo < hi:
                    lows[c, count[c]] = lo
                    highs[c, count[c]] = hi
                    count[c] += 1
    for c in range(last - first):
        lo, hi = FAR, -FAR
        if count[c] > 0:
            lo, hi = _joined(lows[c], highs[c], count[c])
        pool_low[where + c] = lo + HAIR
        pool_high[where + c] = hi - HAIR


@inner
def _edge(D, n, i, j, w, margin):
    """y_j ≥ y_i + w, and all that follows. False: a contradiction."""
    if w <= D[i, j]:
        return True
    if w + D[j, i] > margin:
        return False
    for p in range(n):
        to = D[p, i] + w
        if to <= NEVER / 2:
            continue
        for q in range(n):
            if D[j, q] > NEVER / 2 and to + D[j, q] > D[p, q]:
                D[p, q] = to + D[j, q]
    return True


@inner
def _follow(k, way, lo, hi, D, margin):
    """Follow up what is decided, and decide what is left no choice. False: a contradiction."""
    moved = True
    while moved:
        moved = False
        for i in range(k):
            for j in range(i + 1, k):
                if lo[i, j] >= hi[i, j]:
                    continue
                if way[i, j] == 0:
                    after = hi[i, j] + D[j, i] <= margin
                    before = -lo[i, j] + D[i, j] <= margin
                    if not after and not before:
                        return False
                    if after and before:
                        continue
                    way[i, j] = 1 if after else -1
                if way[i, j] == 1:
                    if hi[i, j] > D[i, j] + 1e-9:
                        moved = True
                        if not _edge(D, k + 1, i, j, hi[i, j], margin):
                            return False
                elif -lo[i, j] > D[j, i] + 1e-9:
                    moved = True
                    if not _edge(D, k + 1, j, i, -lo[i, j], margin):
                        return False
    return True


@inner
def _tighten(k, changed, node, x, way, lo, hi, D, plate, box, rims, slots, pool_low, pool_high, tally, room):
    """Bring in what the cells of the changed dies say. 1: may be, 0: a contradiction."""
    width, length, step, margin = plate[0], plate[1], plate[2], plate[3]
    slot, slot_start, nodes, root = slots
    for i in range(k):
        if not changed >> i & 1:
            continue
        at = node[i]
        left, top, right, bottom = box[at, 0], box[at, 1], box[at, 2], box[at, 3]
        x[i, 0] = max(x[i, 0], math.floor(left / step))
        x[i, 1] = min(x[i, 1], math.floor((width - right) / step) + 1)
        if left > width - right or x[i, 0] >= x[i, 1]:
            return 0
        if not _edge(D, k + 1, k, i, top, margin) or not _edge(D, k + 1, i, k, bottom - length, margin):
            return 0
    for i in range(k):
        for j in range(i + 1, k):
            if not (changed >> i & 1 or changed >> j & 1):
                continue
            na, nb = node[i], node[j]
            at = slot_start[i, j] + (na - root[i]) * nodes[j] + nb - root[j]
            first = math.floor(box[nb, 0] / step) - math.floor((width - box[na, 2]) / step) - 1
            if slot[at] < 0:
                last = math.floor((width - box[nb, 2]) / step) + 1 - math.floor(box[na, 0] / step)
                if tally[1] + last - first > len(pool_low):
                    for s in range(len(slot)):
                        slot[s] = -1  # the pool is full: begin anew
                    tally[1] = 0
                _forbid(rims, na, nb, first, last, step, room, pool_low, pool_high, tally[1])
                slot[at] = tally[1]
                tally[0] += 1
                tally[1] += last - first
            where = slot[at] - first
            u, v = -FAR, FAR
            for c in range(where + x[j, 0] - x[i, 1], where + x[j, 1] - x[i, 0]):
                u = max(u, pool_low[c])
                v = min(v, pool_high[c])
            if u < v:
                if lo[i, j] >= hi[i, j]:
                    lo[i, j], hi[i, j] = u, v
                elif u < hi[i, j] and v > lo[i, j]:
                    # The stretch that is known and this one are both forbidden, and they overlap.
                    lo[i, j], hi[i, j] = min(u, lo[i, j]), max(v, hi[i, j])
                elif v - u > hi[i, j] - lo[i, j] and way[i, j] == 0:
                    lo[i, j], hi[i, j] = u, v
    return 1 if _follow(k, way, lo, hi, D, margin) else 0


@inner
def _split(kind, i, j, side, node, child, x, way):
    """Go into one half of a cell, or one of the two ways of a pair. Returns the dies that changed."""
    if kind == 0:
        way[i, j] = 1 - 2 * side
        return 0
    if kind == 1:
        node[i] = child[node[i]] + side
    else:
        x[i, 1 - side] = (x[i, 0] + x[i, 1]) // 2
    return 1 << i


@inner
def _may_split(kind, i, j, node, child, x, way, lo, hi):
    if kind == 0:
        return j > i and way[i, j] == 0 and lo[i, j] < hi[i, j]
    if kind == 1:
        return child[node[i]] >= 0
    return x[i, 1] - x[i, 0] > 1


@inner
def _tightness(k, D):
    """How little the dies can move along the plate, mm: a sum that rises as cells shrink."""
    worth = 0.0
    for i in range(k):
        worth += D[i, k] + D[k, i]
    return worth


@inner
def _copy_cell(k, to, at, Node, X, Way, Lo, Hi, Dist):
    """A cell of k dies of the stack, copied to another place of it."""
    for i in range(k):
        Node[to, i] = Node[at, i]
        X[to, i, 0] = X[at, i, 0]
        X[to, i, 1] = X[at, i, 1]
        for j in range(k):
            Way[to, i, j] = Way[at, i, j]
            Lo[to, i, j] = Lo[at, i, j]
            Hi[to, i, j] = Hi[at, i, j]
    for i in range(k + 1):
        for j in range(k + 1):
            Dist[to, i, j] = Dist[at, i, j]


def stack_for(k):
    """A stack of cells for k dies, not begun: what :func:`refute` goes on from, if it pauses."""
    most, n = 30 * k + 40, k + 1
    return (
        np.zeros((most, k), dtype=np.int64),
        np.zeros((most, k, 2), dtype=np.int64),
        np.zeros((most, k, k), dtype=np.int64),
        np.full((most, k, k), FAR),
        np.full((most, k, k), -FAR),
        np.full((most, n, n), NEVER),
        np.zeros(most, dtype=np.int64),
        # Number of the top cell (−1: not begun), cells looked at, cells tried; pairs made, columns in the pool.
        np.array([-1, 0, 0, 0, 0]),
    )


@kernel
def refute(
    roots, order, plate, box, child, deg, parts, rings, grown, sizes, slot, slot_start, nodes,
    pool_low, pool_high, budget, tree, stack, pause,
):  # fmt: skip
    """Branch and bound over turns, x and which of two dies comes first along the plate.

    Args:
        roots: the node of all turns of each die. A die's nodes follow its root.
        order: (n, 2), the y of the first die is at most that of the second.
        plate: width, length, width of a column of x, and what a contradiction must exceed (all mm).
        box[node]: reach of the core to the left, top, right, bottom of its reference point.
        child[node]: the first of the two halves of the node's turns, −1 if it has none.
        deg[node], parts[node]: middle of the turns; first and last part of the core at 0°.
        rings, grown: (parts, vertices, 2), convex, counter-clockwise, the second grown by the gap; sizes.
        slot[slot_start[i, j] + node of i · nodes[j] + node of j]: where the pair's columns are kept, or −1.
        budget: cells that may be tried (more than are looked at: every split is tried before it is chosen).
        tree: filled with what was split, depth first: (0, –) a contradiction, (1 + kind + 3·(i + k·j), column) a split.
        stack: see :func:`stack_for`.
        pause: cells tried after which it answers PAUSED; called again, it goes on.
    Returns (answer, cells looked at, cells tried, columns' pairs made).
    """
    k = len(roots)
    n = k + 1
    Node, X, Way, Lo, Hi, Dist, dead, state = stack
    columns = 2 * math.ceil(plate[0] / plate[2]) + 8
    widest = 1
    for node in range(parts.shape[0]):
        widest = max(widest, parts[node, 1] - parts[node, 0])
    room = (
        np.empty(columns + 1),
        np.empty(columns + 1),
        np.empty((grown.shape[1] + rings.shape[1] + 2, 2)),
        np.empty((grown.shape[1], 2)),
        np.empty((rings.shape[1], 2)),
        np.empty((columns, widest * widest)),
        np.empty((columns, widest * widest)),
        np.zeros(columns, dtype=np.int64),
    )
    rims = (deg, parts, rings, grown, sizes)
    slots = (slot, slot_start, nodes, roots)
    tally = state[3:]
    top, looked, tried = state[0], state[1], state[2]
    margin = plate[3]

    if top < 0:
        for i in range(k):
            Node[0, i] = roots[i]
            X[0, i, 0] = -BEYOND
            X[0, i, 1] = BEYOND
        for i in range(n):
            Dist[0, i, i] = 0.0
        for o in range(order.shape[0]):
            _edge(Dist[0], n, order[o, 0], order[o, 1], 0.0, margin)
        good = _tighten(
            k, (1 << k) - 1, Node[0], X[0], Way[0], Lo[0], Hi[0], Dist[0],
            plate, box, rims, slots, pool_low, pool_high, tally, room,
        )  # fmt: skip
        top = 0
        dead[0] = 1 - good
    while top >= 0:
        if tried > pause:
            state[0], state[1], state[2] = top, looked, tried
            return PAUSED, looked, tried, tally[0]
        if looked >= len(tree) or tried > budget:
            return GAVE_UP, looked, tried, tally[0]
        if dead[top]:
            tree[looked, 0] = 0
            looked += 1
            top -= 1
            continue
        best, best_kind, best_i, best_j = -1.0, -1, 0, 0
        now = _tightness(k, Dist[top])
        new = top + 1
        for kind in range(3):
            for i in range(k):
                for j in range(k if kind == 0 else 1):
                    if not _may_split(kind, i, j, Node[top], child, X[top], Way[top], Lo[top], Hi[top]):
                        continue
                    gains = 1.0
                    for side in range(2):
                        _copy_cell(k, new, top, Node, X, Way, Lo, Hi, Dist)
                        changed = _split(kind, i, j, side, Node[new], child, X[new], Way[new])
                        tried += 1
                        good = _tighten(
                            k, changed, Node[new], X[new], Way[new], Lo[new], Hi[new], Dist[new],
                            plate, box, rims, slots, pool_low, pool_high, tally, room,
                        )  # fmt: skip
                        gain = DEAD_GAIN if good == 0 else min(DEAD_GAIN, _tightness(k, Dist[new]) - now)
                        gains *= gain + LEAST_GAIN
                    if gains > best:
                        best, best_kind, best_i, best_j = gains, kind, i, j
        if best_kind < 0:
            return MAY_FIT, looked, tried, tally[0]
        tree[looked, 0] = 1 + best_kind + 3 * (best_i + k * best_j)
        tree[looked, 1] = (X[top, best_i, 0] + X[top, best_i, 1]) // 2
        looked += 1
        # The second half goes below the first on the stack: the first is looked at next.
        for side in range(1, -1, -1):
            at = top if side == 1 else new
            if side == 1:
                _copy_cell(k, new, top, Node, X, Way, Lo, Hi, Dist)
            changed = _split(best_kind, best_i, best_j, side, Node[at], child, X[at], Way[at])
            good = _tighten(
                k, changed, Node[at], X[at], Way[at], Lo[at], Hi[at], Dist[at],
                plate, box, rims, slots, pool_low, pool_high, tally, room,
            )  # fmt: skip
            dead[at] = 1 - good
        top = new
    return IMPOSSIBLE, looked, tried, tally[0]
