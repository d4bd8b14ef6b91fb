"""Compiled: work on a window of a layout, while everything around it stays where it is.

A window is a small layout of its own: items that may move (``mobile``) and the neighbours that stay. Both
kernels leave places that touch: greedily filled ones for the OR-Tools model to choose from, or overlaps
pushed about until there are none.

Sources: greedy randomised construction (Feo and Resende 1995) with bottom-left-like sliding; guided local
search (Voudouris and Tsang 1999) on overlaps as in :mod:`nestcut.placement.engine.overlap`.
"""

from __future__ import annotations

import numpy as np

from nestcut.placement.engine.overlap import (
    _TF,
    _copy,
    _next,
    _reweigh,
    _squares,
    _turn,
    _world_of,
    energy,
    minimise,
    relocate,
    set_world,
)
from nestcut.placement.shapes.compiled import kernel

__all__ = ["fill_window", "push_window"]

_PARKED = 1e7  # mm: where items wait that have no place (nothing else is there, so nothing feels them)


@kernel
def _slide(kit, kind, pose, i, active, weight, wv, wp, ov, op, dx, dy, tol2):
    """Push item i along (dx, dy), turning and sliding past what it meets, until it is stuck in a corner."""
    step = 0.25 * kit[_TF][kind[i], 0]
    least = 0.004
    while step > least:
        x, y, a = pose[i, 0], pose[i, 1], pose[i, 2]
        pose[i, 0] = x + step * dx
        pose[i, 1] = y + step * dy
        e, _ = minimise(kit, kind, pose, active, weight, wv, wp, ov, op, 10 + 0 * i, tol2)
        gain = (pose[i, 0] - x) * dx + (pose[i, 1] - y) * dy
        if e <= tol2 and gain > 0.2 * step:
            step *= 1.2
        else:
            pose[i, 0], pose[i, 1], pose[i, 2] = x, y, a
            step *= 0.35
    _world_of(kit, kind[i], pose[i, 0], pose[i, 1], pose[i, 2], wv, wp, ov[i], op[i])


@kernel
def fill_window(kit, kind, pose, order, weight, wv, wp, ov, op, samples, dx, dy, state, box, tol, misses):
    """Put the items of ``order`` into the window one by one, each pushed along (dx, dy); others stay.

    Args: items of ``order`` must be parked (far away) before; box (4,): where middles may lie; tol: deepest
        overlap in mm that counts as none; misses: so many kinds in a row may fail before it ends.
    Returns: by item of ``order``, whether it has a place.
    """
    n = kind.shape[0]
    placed = np.zeros(order.shape[0], np.bool_)
    active = np.zeros(n, np.bool_)
    set_world(kit, kind, pose, wv, wp, ov, op)
    failed = 0
    tol2 = tol * tol
    for o in range(order.shape[0]):
        i = order[o]
        if failed >= misses:
            break
        px, py, pa = pose[i, 0], pose[i, 1], pose[i, 2]
        pose[i, 0] = 0.5 * (box[0] + box[2])
        pose[i, 1] = 0.5 * (box[1] + box[3])
        pose[i, 2] = _turn(kit, kind[i], state, pa)
        e = relocate(kit, kind, pose, i, weight, wv, wp, ov, op, samples, state, box)
        if e > tol2:
            pose[i, 0], pose[i, 1], pose[i, 2] = px, py, pa
            _world_of(kit, kind[i], px, py, pa, wv, wp, ov[i], op[i])
            failed += 1
            continue
        active[i] = True
        _slide(kit, kind, pose, i, active, weight, wv, wp, ov, op, dx, dy, tol2)
        active[i] = False
        placed[o] = True
        failed = 0
    return placed


@kernel
def push_window(
    kit,
    kind,
    pose,
    mobile,
    weight,
    wv,
    wp,
    ov,
    op,
    moves,
    samples,
    goal,
    patience,
    state,
    box,
    best,
    best_over,
):
    """Guided search for a layout without overlaps in which only ``mobile`` items move.

    Args: as for :func:`nestcut.placement.engine.overlap.grow`; patience: moves without a better layout before it ends.
    Returns: (moves used, deepest overlap of pose; ≤ goal when found).
    """
    n = kind.shape[0]
    active = np.zeros(n, np.bool_)
    grad = np.empty((n, 3))
    over = np.empty(n)
    e_goal = 0.25 * goal * goal
    TF = kit[_TF]
    set_world(kit, kind, pose, wv, wp, ov, op)
    minimise(kit, kind, pose, mobile, weight, wv, wp, ov, op, 60 + 0 * n, e_goal)
    stuck = 0
    for move in range(moves):
        energy(kit, kind, pose, mobile, weight, wv, wp, ov, op, grad, over)
        top, total = 0.0, 0.0
        for i in range(n):
            if not mobile[i]:
                over[i] = 0.0
                continue
            top = max(top, over[i])
            total += over[i]
        if total < 0.97 * best_over[0]:
            stuck = 0
        else:
            stuck += 1
        if total < best_over[0]:
            best_over[0] = total
            _copy(best, pose)
        if top <= goal:
            return move + 1, top
        if stuck > patience:
            return move + 1, top
        _reweigh(kit, kind, pose, mobile, weight, wv, wp, ov, op)
        u = _next(state) * total
        pick = 0
        for i in range(n):
            u -= over[i]
            if u <= 0.0 and over[i] > 0.0:
                pick = i
                break
        ox, oy = pose[pick, 0], pose[pick, 1]
        kindly = _next(state)
        if kindly < 0.5:
            relocate(kit, kind, pose, pick, weight, wv, wp, ov, op, samples, state, box)
        near = 1.6 + 1.6 * _next(state)
        for j in range(n):
            r = near * (TF[kind[pick], 0] + TF[kind[j], 0])
            d = min(
                _squares(pose[j, 0] - ox, pose[j, 1] - oy),
                _squares(pose[j, 0] - pose[pick, 0], pose[j, 1] - pose[pick, 1]),
            )
            active[j] = mobile[j] and d < r * r
        minimise(kit, kind, pose, active, weight, wv, wp, ov, op, 30 + 0 * n, 0.0)
        if move % 8 == 7:
            minimise(kit, kind, pose, mobile, weight, wv, wp, ov, op, 40 + 0 * n, e_goal)
    return moves, 1e300
