"""Compiled: guided search on the overlaps of turned convex parts (:mod:`nestcut.placement.engine.cores`), over places and angles.

Sources: weights on pairs that stay in conflict, guided local search (Voudouris and Tsang 1999); the
quasi-physical view of packing (Huang and Ye 2011).

Nothing here decides what is exact: every layout is checked again by :mod:`nestcut.placement.shapes.layout`.
"""

from __future__ import annotations

import math

import numpy as np

from nestcut.placement.engine.cores import (
    _A,
    _G,
    _T,
    _TF,
    _fixed,
    _item_energy,
    _next,
    _pair,
    _world_of,
    energy,
    set_world,
)
from nestcut.placement.engine.downhill import _copy, minimise
from nestcut.placement.shapes.compiled import inner, kernel

__all__ = ["energy", "grow", "minimise", "relocate", "search", "set_world"]

# (Written "12 + 0 * n" where a kernel calls another with a constant: a bare constant would be compiled in
# as a special case, once more.)


@inner
def _squares(x, y):
    return x * x + y * y


@inner
def _turn(kit, t, state, old):
    """A random allowed angle of type t."""
    T = kit[_T]
    a, b = T[t, 6], T[t, 7]
    if b > a:
        return kit[_A][a + int(_next(state) * (b - a))]
    if T[t, 8]:
        return old
    return 2.0 * math.pi * _next(state)


@kernel
def relocate(kit, kind, pose, i, weight, wv, wp, ov, op, samples, state, box):
    """Put item i where the weighted overlap is least: samples, the best three refined. Returns energy."""
    n = kind.shape[0]
    t = kind[i]
    keep = 3
    best_e = np.empty(keep)
    best_p = np.empty((keep, 3))
    for k in range(keep):
        best_e[k] = 1e300
    ox, oy, oa = pose[i, 0], pose[i, 1], pose[i, 2]
    for s in range(samples):
        if s < samples // 8:
            # near where it lies now
            x = ox + (_next(state) - 0.5) * kit[_TF][t, 0]
            y = oy + (_next(state) - 0.5) * kit[_TF][t, 0]
            a = _turn(kit, t, state, oa)
        else:
            x = box[0] + (box[2] - box[0]) * _next(state)
            y = box[1] + (box[3] - box[1]) * _next(state)
            a = _turn(kit, t, state, oa)
        e = _item_energy(kit, kind, pose, i, x, y, a, weight, wv, wp, ov, op, best_e[keep - 1])
        if e < best_e[keep - 1]:
            k = keep - 1
            while k > 0 and best_e[k - 1] > e:
                best_e[k] = best_e[k - 1]
                best_p[k, 0], best_p[k, 1], best_p[k, 2] = (
                    best_p[k - 1, 0],
                    best_p[k - 1, 1],
                    best_p[k - 1, 2],
                )
                k -= 1
            best_e[k] = e
            best_p[k, 0], best_p[k, 1], best_p[k, 2] = x, y, a
    active = np.zeros(n, np.bool_)
    active[i] = True
    win_e = 1e300
    wx, wy, wa = ox, oy, oa
    for k in range(keep):
        if best_e[k] >= 1e300:
            continue
        pose[i, 0], pose[i, 1], pose[i, 2] = best_p[k, 0], best_p[k, 1], best_p[k, 2]
        e, _ = minimise(kit, kind, pose, active, weight, wv, wp, ov, op, 12 + 0 * n, 0.0)
        if e < win_e:
            win_e = e
            wx, wy, wa = pose[i, 0], pose[i, 1], pose[i, 2]
        if e <= 0.0:
            break
    pose[i, 0], pose[i, 1], pose[i, 2] = wx, wy, wa
    _world_of(kit, t, pose[i, 0], pose[i, 1], pose[i, 2], wv, wp, ov[i], op[i])
    return win_e


@kernel
def _reweigh(kit, kind, pose, mobile, weight, wv, wp, ov, op):
    """Guided local search: pairs that still overlap gain weight, the others forget; only pairs that can change."""
    n = kind.shape[0]
    TF, gap = kit[_TF], kit[_G][0]
    depth = np.zeros((n, n + 1))
    top = 1e-12
    for i in range(n):
        if not mobile[i]:
            continue
        depth[i, n] = _fixed(kit, kind[i], wv, wp, ov[i], op[i], pose[i, 0], pose[i, 1], 1e300)[4]
        top = max(top, depth[i, n])
        for j in range(n):
            if j == i or (mobile[j] and j < i):
                continue
            dx, dy = pose[i, 0] - pose[j, 0], pose[i, 1] - pose[j, 1]
            r = TF[kind[i], 0] + TF[kind[j], 0] + gap
            if dx * dx + dy * dy >= r * r:
                continue
            depth[i, j] = _pair(
                kit, kind[i], kind[j], wv, wp, ov[i], op[i], ov[j], op[j],
                pose[i, 0], pose[i, 1], pose[j, 0], pose[j, 1], 1e300,
            )[5]  # fmt: skip
            top = max(top, depth[i, j])
    for i in range(n):
        if not mobile[i]:
            continue
        for j in range(n + 1):
            if j == i or (j < n and mobile[j] and j < i):
                continue
            if depth[i, j] > 0.0:
                weight[i, j] = min(weight[i, j] + depth[i, j] / top, 60.0)
            else:
                weight[i, j] = max(1.0, weight[i, j] * 0.9)
            if j < n:
                weight[j, i] = weight[i, j]


@inner
def _reset(weight):
    for i in range(weight.shape[0]):
        for j in range(weight.shape[1]):
            weight[i, j] = 1.0


@kernel
def grow(kit, kind, pose, weight, wv, wp, ov, op, moves, samples, goal, state, box, best, best_over):
    """Guided search with local steps, for many items: pushes a few overlaps about until they are gone.

    pose, weight, state, best (n × 3) and best_over (1,) carry the search from call to call. Ends when every
    overlap is ≤ ``goal`` mm. Returns (moves used, deepest overlap of pose).
    """
    n = kind.shape[0]
    everyone = np.ones(n, np.bool_)
    active = np.zeros(n, np.bool_)
    grad = np.empty((n, 3))
    over = np.empty(n)
    e_goal = 0.25 * goal * goal
    TF = kit[_TF]
    for move in range(moves):
        if move % 12 == 0:
            minimise(kit, kind, pose, everyone, weight, wv, wp, ov, op, 30 + 0 * n, e_goal)
        energy(kit, kind, pose, everyone, weight, wv, wp, ov, op, grad, over)
        top, total = 0.0, 0.0
        for i in range(n):
            top = max(top, over[i])
            total += over[i]
        if total < best_over[0]:
            best_over[0] = total
            _copy(best, pose)
        if top <= goal:
            return move + 1, top
        _reweigh(kit, kind, pose, everyone, weight, wv, wp, ov, op)
        u = _next(state) * total
        pick = 0
        for i in range(n):
            u -= over[i]
            if u <= 0.0 and over[i] > 0.0:
                pick = i
                break
        ox, oy = pose[pick, 0], pose[pick, 1]
        if _next(state) < 0.6:
            relocate(kit, kind, pose, pick, weight, wv, wp, ov, op, samples, state, box)
        near = 1.6 + 1.6 * _next(state)
        for j in range(n):
            r = near * (TF[kind[pick], 0] + TF[kind[j], 0])
            d = min(
                _squares(pose[j, 0] - ox, pose[j, 1] - oy),
                _squares(pose[j, 0] - pose[pick, 0], pose[j, 1] - pose[pick, 1]),
            )
            active[j] = d < r * r
        minimise(kit, kind, pose, active, weight, wv, wp, ov, op, 30 + 0 * n, 0.0)
    return moves, 1e300


@kernel
def search(kit, kind, pose, weight, wv, wp, ov, op, moves, samples, goal, state, box, best, best_over, stuck):
    """Guided basin hopping over all items. Ends when every overlap is ≤ ``goal`` mm, or after ``moves``.

    pose, weight, state, best (n × 3), best_over (1,) and stuck (1,) carry the search from call to call.
    Returns (moves used, deepest overlap of pose).
    """
    n = kind.shape[0]
    active = np.ones(n, np.bool_)
    grad = np.empty((n, 3))
    over = np.empty(n)
    e_goal = 0.25 * goal * goal
    for move in range(moves):
        minimise(kit, kind, pose, active, weight, wv, wp, ov, op, 120 + 0 * n, e_goal)
        energy(kit, kind, pose, active, weight, wv, wp, ov, op, grad, over)
        top = 0.0
        total = 0.0
        for i in range(n):
            top = max(top, over[i])
            total += over[i]
        if total < best_over[0] * 0.999:
            best_over[0] = total
            _copy(best, pose)
            stuck[0] = 0
        else:
            stuck[0] += 1
        if top <= goal:
            return move + 1, top
        _reweigh(kit, kind, pose, active, weight, wv, wp, ov, op)
        if stuck[0] > 40 + 4 * n:
            # start anew: half the time from the best layout with some items exchanged, else at random
            stuck[0] = 0
            _reset(weight)
            if _next(state) < 0.5:
                _copy(pose, best)
                for _ in range(1 + n // 4):
                    i = int(_next(state) * n)
                    j = int(_next(state) * n)
                    pose[i, 0], pose[i, 1], pose[j, 0], pose[j, 1] = (
                        pose[j, 0], pose[j, 1], pose[i, 0], pose[i, 1],
                    )  # fmt: skip
                    pose[i, 2] = _turn(kit, kind[i], state, pose[i, 2])
            else:
                best_over[0] = 1e300
                for i in range(n):
                    pose[i, 0] = box[0] + (box[2] - box[0]) * _next(state)
                    pose[i, 1] = box[1] + (box[3] - box[1]) * _next(state)
                    pose[i, 2] = _turn(kit, kind[i], state, pose[i, 2])
            continue
        # one item that overlaps, more likely one that overlaps much, moves to where it hurts least
        u = _next(state) * total
        pick = 0
        for i in range(n):
            u -= over[i]
            if u <= 0.0:
                pick = i
                break
        if n > 1 and _next(state) < 0.25:
            other = int(_next(state) * n)
            if other != pick:
                pose[pick, 0], pose[pick, 1], pose[other, 0], pose[other, 1] = (
                    pose[other, 0], pose[other, 1], pose[pick, 0], pose[pick, 1],
                )  # fmt: skip
                set_world(kit, kind, pose, wv, wp, ov, op)
                relocate_turn(kit, kind, pose, pick, weight, wv, wp, ov, op, state)
                relocate_turn(kit, kind, pose, other, weight, wv, wp, ov, op, state)
                continue
        relocate(kit, kind, pose, pick, weight, wv, wp, ov, op, samples, state, box)
    return moves, 1e300


@inner
def relocate_turn(kit, kind, pose, i, weight, wv, wp, ov, op, state):
    """Turn item i where it lies to the least weighted overlap."""
    t = kind[i]
    best = 1e300
    angle = pose[i, 2]
    for s in range(16):
        a = pose[i, 2] if s == 0 else _turn(kit, t, state, pose[i, 2])
        e = _item_energy(kit, kind, pose, i, pose[i, 0], pose[i, 1], a, weight, wv, wp, ov, op, best)
        if e < best:
            best = e
            angle = a
    pose[i, 2] = angle
    _world_of(kit, t, pose[i, 0], pose[i, 1], angle, wv, wp, ov[i], op[i])
