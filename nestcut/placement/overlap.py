"""Compiled kernels: overlap of turned convex parts, and its minimisation over places and angles.

A shape is a set of convex *cores*, each with a radius: a core is a convex polygon, or one point (a disc
is a point with its radius). Two cores must keep a distance c = gap + radius + radius; what is missing,
f = c − (signed distance), is the overlap of the pair, and the energy of a layout is Σ w·f² over all
pairs, over the obstacles and over the straight sides of the region. It has a gradient nearly everywhere
(separating axis or nearest points), so that all places and angles move together.

Sources: separating axes of convex polygons (Gottschalk, Lin and Manocha 1996); limited-memory
quasi-Newton steps (Liu and Nocedal 1989); weights on pairs that stay in conflict, guided local search
(Voudouris and Tsang 1999); the quasi-physical view of packing (Huang and Ye 2011).

Lengths in mm, angles in radians. ``kit`` is the tuple of arrays that
:func:`nestcut.placement.turning.make_kit` builds. Nothing here decides what is exact: every layout is
checked again by :mod:`nestcut.placement.layout`.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = ["energy", "minimise", "search", "set_world"]

# places of the arrays in a kit (see turning.make_kit)
_T, _TF, _P, _PF, _V, _H, _A, _R, _S, _SW, _SF, _G = range(12)
# (Written "12 + 0 * n" where a kernel calls another with a constant: a bare constant would be compiled in
# as a special case, once more.)
_HISTORY = 7  # steps that the quasi-Newton method remembers


@njit(cache=True)
def _next(state):
    """Uniform number in [0, 1): the splitmix64 generator (Steele, Lea and Flood 2014)."""
    state[0] += np.uint64(0x9E3779B97F4A7C15)
    z = state[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return float(z >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@njit(cache=True)
def _world_of(kit, t, x, y, a, wv, wp, ov, op):
    """Vertices, edge normals (wv: rows x, y, nx, ny) and part centres (wp) of type t at a pose."""
    c, s = math.cos(a), math.sin(a)
    T, PF, V = kit[_T], kit[_PF], kit[_V]
    for k in range(T[t, 1] - T[t, 0]):
        g = T[t, 0] + k
        wv[ov + k, 0] = c * V[g, 0] - s * V[g, 1] + x
        wv[ov + k, 1] = s * V[g, 0] + c * V[g, 1] + y
        wv[ov + k, 2] = c * V[g, 2] - s * V[g, 3]
        wv[ov + k, 3] = s * V[g, 2] + c * V[g, 3]
    for k in range(T[t, 3] - T[t, 2]):
        g = T[t, 2] + k
        wp[op + k, 0] = c * PF[g, 0] - s * PF[g, 1] + x
        wp[op + k, 1] = s * PF[g, 0] + c * PF[g, 1] + y


@njit(cache=True)
def set_world(kit, kind, pose, wv, wp, ov, op):
    """World coordinates of all items."""
    for i in range(kind.shape[0]):
        _world_of(kit, kind[i], pose[i, 0], pose[i, 1], pose[i, 2], wv, wp, ov[i], op[i])


@njit(cache=True)
def _near_segment(px, py, ax, ay, bx, by):
    """Nearest point of a segment to p, and the squared distance."""
    dx, dy = bx - ax, by - ay
    length2 = dx * dx + dy * dy
    t = 0.0
    if length2 > 0.0:
        t = ((px - ax) * dx + (py - ay) * dy) / length2
        if t < 0.0:
            t = 0.0
        elif t > 1.0:
            t = 1.0
    qx, qy = ax + t * dx, ay + t * dy
    return qx, qy, (px - qx) ** 2 + (py - qy) ** 2


@njit(cache=True)
def _depth(A, a0, a1, B, b0, b1, c):
    """Overlap f = c − signed distance of two convex cores, the axis from B to A, and where it acts."""
    na, nb = a1 - a0, b1 - b0
    best = -1e300
    nx, ny, px, py = 0.0, 0.0, 0.0, 0.0
    side = 0
    edge = -1
    vert = -1
    if na > 1:
        for i in range(a0, a1):
            ex, ey = A[i, 2], A[i, 3]
            off = ex * A[i, 0] + ey * A[i, 1]
            low = 1e300
            lj = b0
            for j in range(b0, b1):
                d = ex * B[j, 0] + ey * B[j, 1]
                if d < low:
                    low = d
                    lj = j
                    if low - off <= best:
                        break
            s = low - off
            if s > best:
                if s >= c:
                    return 0.0, 0.0, 0.0, 0.0, 0.0
                best = s
                side = 1
                edge = i
                vert = lj
    if nb > 1:
        for i in range(b0, b1):
            ex, ey = B[i, 2], B[i, 3]
            off = ex * B[i, 0] + ey * B[i, 1]
            low = 1e300
            lj = a0
            for j in range(a0, a1):
                d = ex * A[j, 0] + ey * A[j, 1]
                if d < low:
                    low = d
                    lj = j
                    if low - off <= best:
                        break
            s = low - off
            if s > best:
                if s >= c:
                    return 0.0, 0.0, 0.0, 0.0, 0.0
                best = s
                side = 2
                edge = i
                vert = lj
    if side == 1:
        nx, ny, px, py = -A[edge, 2], -A[edge, 3], B[vert, 0], B[vert, 1]
    elif side == 2:
        nx, ny, px, py = B[edge, 2], B[edge, 3], A[vert, 0], A[vert, 1]
    if best > 0.0 or (na == 1 and nb == 1):
        # The cores are apart: the axis of an edge may understate the distance of two corners.
        if c <= 0.0:
            return 0.0, 0.0, 0.0, 0.0, 0.0
        d2 = 1e300
        qx, qy, rx, ry = 0.0, 0.0, 0.0, 0.0
        for i in range(a0, a1):
            for j in range(b0, b1):
                k = j + 1 if j + 1 < b1 else b0
                x, y, e2 = _near_segment(A[i, 0], A[i, 1], B[j, 0], B[j, 1], B[k, 0], B[k, 1])
                if e2 < d2:
                    d2, qx, qy, rx, ry = e2, A[i, 0], A[i, 1], x, y
        if na > 1:
            for j in range(b0, b1):
                for i in range(a0, a1):
                    k = i + 1 if i + 1 < a1 else a0
                    x, y, e2 = _near_segment(B[j, 0], B[j, 1], A[i, 0], A[i, 1], A[k, 0], A[k, 1])
                    if e2 < d2:
                        d2, qx, qy, rx, ry = e2, x, y, B[j, 0], B[j, 1]
        if d2 >= c * c:
            return 0.0, 0.0, 0.0, 0.0, 0.0
        d = math.sqrt(d2)
        if d > 1e-12:
            return c - d, (qx - rx) / d, (qy - ry) / d, 0.5 * (qx + rx), 0.5 * (qy + ry)
        if side == 0:
            return c, 1.0, 0.0, qx, qy
        return c, nx, ny, qx, qy
    return c - best, nx, ny, px, py


@njit(cache=True)
def _pair(kit, ti, tj, wv, wp, ovi, opi, ovj, opj, xi, yi, xj, yj, limit):
    """Σ f² over the cores of two items; gradient (x, y, angle of i, angle of j); deepest f."""
    T, TF, P, PF, gap = kit[_T], kit[_TF], kit[_P], kit[_PF], kit[_G][0]
    e, gx, gy, gi, gj, deep = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for p in range(T[ti, 2], T[ti, 3]):
        ip = opi + p - T[ti, 2]
        a0 = ovi + P[p, 0] - T[ti, 0]
        a1 = ovi + P[p, 1] - T[ti, 0]
        # whole item j against this core, by bounding circles
        dx, dy = wp[ip, 0] - xj, wp[ip, 1] - yj
        r = TF[tj, 0] + PF[p, 2] + PF[p, 3] + gap
        if dx * dx + dy * dy >= r * r:
            continue
        for q in range(T[tj, 2], T[tj, 3]):
            jq = opj + q - T[tj, 2]
            c = gap + PF[p, 3] + PF[q, 3]
            r = PF[p, 2] + PF[q, 2] + c
            dx, dy = wp[ip, 0] - wp[jq, 0], wp[ip, 1] - wp[jq, 1]
            if dx * dx + dy * dy >= r * r:
                continue
            b0 = ovj + P[q, 0] - T[tj, 0]
            b1 = ovj + P[q, 1] - T[tj, 0]
            f, nx, ny, px, py = _depth(wv, a0, a1, wv, b0, b1, c)
            if f > 0.0:
                e += f * f
                if f > deep:
                    deep = f
                gx -= 2.0 * f * nx
                gy -= 2.0 * f * ny
                gi -= 2.0 * f * (ny * (px - xi) - nx * (py - yi))
                gj += 2.0 * f * (ny * (px - xj) - nx * (py - yj))
                if e > limit:
                    return e, gx, gy, gi, gj, deep
    return e, gx, gy, gi, gj, deep


@njit(cache=True)
def _fixed(kit, t, wv, wp, ov, op, x, y, limit):
    """Σ f² of an item against the region's sides and the obstacles; gradient; deepest f."""
    T, TF, P, PF, H, R = kit[_T], kit[_TF], kit[_P], kit[_PF], kit[_H], kit[_R]
    e, gx, gy, ga, deep = 0.0, 0.0, 0.0, 0.0, 0.0
    for h in range(R.shape[0]):
        if R[h, 0] * x + R[h, 1] * y + TF[t, 0] <= R[h, 2]:
            continue
        top = -1e300
        ti = 0
        for k in range(T[t, 4], T[t, 5]):
            v = ov + H[k] - T[t, 0]
            d = R[h, 0] * wv[v, 0] + R[h, 1] * wv[v, 1] + TF[t, 1]
            if d > top:
                top = d
                ti = v
        f = top - R[h, 2]
        if f > 0.0:
            e += f * f
            if f > deep:
                deep = f
            gx += 2.0 * f * R[h, 0]
            gy += 2.0 * f * R[h, 1]
            ga += 2.0 * f * (R[h, 1] * (wv[ti, 0] - x) - R[h, 0] * (wv[ti, 1] - y))
            if e > limit:
                return e, gx, gy, ga, deep
    S, SW, SF = kit[_S], kit[_SW], kit[_SF]
    for s in range(S.shape[0]):
        r = TF[t, 0] + SF[s, 4]
        if x + r <= SF[s, 0] or x - r >= SF[s, 2] or y + r <= SF[s, 1] or y - r >= SF[s, 3]:
            continue
        for p in range(T[t, 2], T[t, 3]):
            ip = op + p - T[t, 2]
            c = SF[s, 4] + PF[p, 3]
            r = PF[p, 2] + c
            cx, cy = wp[ip, 0], wp[ip, 1]
            if cx + r <= SF[s, 0] or cx - r >= SF[s, 2] or cy + r <= SF[s, 1] or cy - r >= SF[s, 3]:
                continue
            a0 = ov + P[p, 0] - T[t, 0]
            a1 = ov + P[p, 1] - T[t, 0]
            f, nx, ny, px, py = _depth(wv, a0, a1, SW, S[s, 0], S[s, 1], c)
            if f > 0.0:
                e += f * f
                if f > deep:
                    deep = f
                gx -= 2.0 * f * nx
                gy -= 2.0 * f * ny
                ga -= 2.0 * f * (ny * (px - x) - nx * (py - y))
                if e > limit:
                    return e, gx, gy, ga, deep
    return e, gx, gy, ga, deep


@njit(cache=True)
def energy(kit, kind, pose, active, weight, wv, wp, ov, op, grad, over):
    """Weighted energy of the active items, gradient (n × 3), deepest overlap of each item (over).

    weight is (n, n + 1): pairs, and in the last column the item against everything fixed.
    """
    n = kind.shape[0]
    TF, gap = kit[_TF], kit[_G][0]
    e = 0.0
    for i in range(n):
        over[i] = 0.0
        grad[i, 0] = 0.0
        grad[i, 1] = 0.0
        grad[i, 2] = 0.0
        if active[i]:
            _world_of(kit, kind[i], pose[i, 0], pose[i, 1], pose[i, 2], wv, wp, ov[i], op[i])
    for i in range(n):
        if not active[i]:
            continue
        x, y, reach = pose[i, 0], pose[i, 1], TF[kind[i], 0] + gap
        f, gx, gy, ga, deep = _fixed(kit, kind[i], wv, wp, ov[i], op[i], x, y, 1e300)
        if f > 0.0:
            w = weight[i, n]
            e += w * f
            grad[i, 0] += w * gx
            grad[i, 1] += w * gy
            grad[i, 2] += w * ga
            over[i] = max(over[i], deep)
        for j in range(n):
            if j == i or (j < i and active[j]):
                continue
            dx, dy = x - pose[j, 0], y - pose[j, 1]
            r = reach + TF[kind[j], 0]
            if dx * dx + dy * dy >= r * r:
                continue
            f, gx, gy, gi, gj, deep = _pair(
                kit, kind[i], kind[j], wv, wp, ov[i], op[i], ov[j], op[j], x, y, pose[j, 0], pose[j, 1], 1e300
            )
            if f > 0.0:
                w = weight[i, j]
                e += w * f
                grad[i, 0] += w * gx
                grad[i, 1] += w * gy
                grad[i, 2] += w * gi
                grad[j, 0] -= w * gx
                grad[j, 1] -= w * gy
                grad[j, 2] += w * gj
                over[i] = max(over[i], deep)
                over[j] = max(over[j], deep)
    return e


@njit(cache=True)
def _item_energy(kit, kind, pose, i, x, y, a, weight, wv, wp, ov, op, limit):
    """Weighted energy of one item at a trial pose against all others (whose world is set)."""
    n = kind.shape[0]
    TF, gap = kit[_TF], kit[_G][0]
    t = kind[i]
    _world_of(kit, t, x, y, a, wv, wp, ov[i], op[i])
    w = weight[i, n]
    e = w * _fixed(kit, t, wv, wp, ov[i], op[i], x, y, limit / w)[0]
    if e > limit:
        return e
    for j in range(n):
        if j == i:
            continue
        dx, dy = x - pose[j, 0], y - pose[j, 1]
        r = TF[t, 0] + TF[kind[j], 0] + gap
        if dx * dx + dy * dy >= r * r:
            continue
        w = weight[i, j]
        e += w * _pair(
            kit, t, kind[j], wv, wp, ov[i], op[i], ov[j], op[j], x, y, pose[j, 0], pose[j, 1], (limit - e) / w
        )[0]  # fmt: skip
        if e > limit:
            return e
    return e


@njit(cache=True)
def _dot(rows, h, v):
    total = 0.0
    for k in range(v.shape[0]):
        total += rows[h, k] * v[k]
    return total


@njit(cache=True)
def _add(v, factor, rows, h):
    for k in range(v.shape[0]):
        v[k] += factor * rows[h, k]


@njit(cache=True)
def _copy(target, source):
    for i in range(source.shape[0]):
        for k in range(source.shape[1]):
            target[i, k] = source[i, k]


@njit(cache=True)
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


@njit(cache=True)
def _turn(kit, t, state, old):
    """A random allowed angle of type t."""
    T = kit[_T]
    a, b = T[t, 6], T[t, 7]
    if b > a:
        return kit[_A][a + int(_next(state) * (b - a))]
    if T[t, 8]:
        return old
    return 2.0 * math.pi * _next(state)


@njit(cache=True)
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


@njit(cache=True)
def _reweigh(kit, kind, pose, weight, wv, wp, ov, op, pull):
    """Guided local search: pairs that still overlap gain weight, the others forget."""
    n = kind.shape[0]
    TF, gap = kit[_TF], kit[_G][0]
    depth = np.zeros((n, n + 1))
    top = 1e-12
    for i in range(n):
        depth[i, n] = _fixed(kit, kind[i], wv, wp, ov[i], op[i], pose[i, 0], pose[i, 1], 1e300)[4]
        top = max(top, depth[i, n])
        for j in range(i + 1, n):
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
        for j in range(i + 1, n + 1):
            if depth[i, j] > 0.0:
                weight[i, j] = min(weight[i, j] + pull * depth[i, j] / top, 60.0)
            else:
                weight[i, j] = max(1.0, weight[i, j] * 0.9)
            if j < n:
                weight[j, i] = weight[i, j]


@njit(cache=True)
def _reset(weight):
    for i in range(weight.shape[0]):
        for j in range(weight.shape[1]):
            weight[i, j] = 1.0


@njit(cache=True)
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
        _reweigh(kit, kind, pose, weight, wv, wp, ov, op, 1.0)
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
                (pose[j, 0] - ox) ** 2 + (pose[j, 1] - oy) ** 2,
                (pose[j, 0] - pose[pick, 0]) ** 2 + (pose[j, 1] - pose[pick, 1]) ** 2,
            )
            active[j] = d < r * r
        minimise(kit, kind, pose, active, weight, wv, wp, ov, op, 30 + 0 * n, 0.0)
    return moves, 1e300


@njit(cache=True)
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
        _reweigh(kit, kind, pose, weight, wv, wp, ov, op, 1.0)
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


@njit(cache=True)
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
