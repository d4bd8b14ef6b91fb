"""Compiled kernels: overlap of turned convex parts, and its gradient over places and angles.

A shape is a set of convex *cores*, each with a radius: a core is a convex polygon, or one point (a disc
is a point with its radius). Two cores must keep a distance c = gap + radius + radius; what is missing,
f = c − (signed distance), is the overlap of the pair, and the energy of a layout is Σ w·f² over all
pairs, over the obstacles and over the straight sides of the region. It has a gradient nearly everywhere
(separating axis or nearest points), so that all places and angles move together.

Source: separating axes of convex polygons (Gottschalk, Lin and Manocha 1996).

Lengths in mm, angles in radians. ``kit`` is the tuple of arrays that
:func:`nestcut.placement.shapes.turning.make_kit` builds. Nothing here decides what is exact: every layout is
checked again by :mod:`nestcut.placement.shapes.layout`.
"""

from __future__ import annotations

import math

import numpy as np

from nestcut.placement.shapes.compiled import inner, kernel, sine_cosine

__all__ = ["energy", "set_world"]

# places of the arrays in a kit (see turning.make_kit)
_T, _TF, _P, _PF, _V, _H, _A, _R, _S, _SW, _SF, _G = range(12)


@inner
def _next(state):
    """Uniform number in [0, 1): the splitmix64 generator (Steele, Lea and Flood 2014)."""
    state[0] += np.uint64(0x9E3779B97F4A7C15)
    z = state[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return float(z >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@inner
def _world_of(kit, t, x, y, a, wv, wp, ov, op):
    """Vertices, edge normals (wv: rows x, y, nx, ny) and part centres (wp) of type t at a pose."""
    s, c = sine_cosine(a)
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


@kernel
def set_world(kit, kind, pose, wv, wp, ov, op):
    """World coordinates of all items."""
    for i in range(kind.shape[0]):
        _world_of(kit, kind[i], pose[i, 0], pose[i, 1], pose[i, 2], wv, wp, ov[i], op[i])


@inner
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
    return qx, qy, (px - qx) * (px - qx) + (py - qy) * (py - qy)


@inner
def _best_axis(A, a0, a1, B, b0, b1, best, c):
    """The edge of A that parts the cores best, if by more than ``best``, and the vertex of B nearest to its line.

    Returns (how far apart, edge, vertex), as soon as they are c apart; edge −1 where none is better.
    """
    edge = vert = -1
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
        if low - off > best:
            best, edge, vert = low - off, i, lj
            if best >= c:
                break
    return best, edge, vert


@inner
def _depth(A, a0, a1, B, b0, b1, c):
    """Overlap f = c − signed distance of two convex cores, the axis from B to A, and where it acts."""
    na, nb = a1 - a0, b1 - b0
    best = -1e300
    nx, ny, px, py = 0.0, 0.0, 0.0, 0.0
    side = 0
    edge = -1
    vert = -1
    if na > 1:
        best, edge, vert = _best_axis(A, a0, a1, B, b0, b1, best, c)
        if best >= c:
            return 0.0, 0.0, 0.0, 0.0, 0.0
        side = 1 if edge >= 0 else 0
    if nb > 1:
        best, other, there = _best_axis(B, b0, b1, A, a0, a1, best, c)
        if best >= c:
            return 0.0, 0.0, 0.0, 0.0, 0.0
        if other >= 0:
            side, edge, vert = 2, other, there
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


@inner
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


@inner
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


@inner
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


@inner
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
