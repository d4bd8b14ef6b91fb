"""Compiled kernels of the squeeze search: depth of overlap, maps of a piece's best places, guided sweeps.

Lengths are in the search's own unit (the strip is 1000 wide); see :mod:`nestcut.placement.tables` for the
arrays. A *variant* is a part's outline at one of its turns, its box's lower left corner at (0, 0); a piece
lies at (x, y) = where that corner is.

Sources: depth inside the no-fit polygon as the measure of overlap (Umetani et al. 2009; Imamichi, Yagiura &
Nagamochi 2009); weights that grow where overlaps stay (guided local search, Voudouris & Tsang 1999; Egeblad,
Nielsen & Odgaard 2007).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["Tables", "fill_cells", "fill_raster", "measure", "planes", "signed_depth", "sweeps"]

F8 = NDArray[np.float64]
F4 = NDArray[np.float32]
I8 = NDArray[np.int64]
I4 = NDArray[np.int32]


class Tables(NamedTuple):
    """All that the kernels know of a job. V variants, n pieces, P unordered variant pairs (u ≤ v)."""

    wide: F8
    """(V) box size along the strip."""
    high: F8
    """(V) box size across the strip."""
    first: I8
    """(n) first variant of the piece; its variants follow each other."""
    count: I8
    """(n) how many variants the piece has."""
    scale: F8
    """(V, V) what a depth of overlap between two variants counts."""
    pair: I8
    """(V, V) row of the pair's cell grid; the same for (u, v) and (v, u)."""
    grid: F8
    """(P, 5) x0, y0, cells per unit, half a cell's diagonal, 0."""
    grid_n: I8
    """(P, 4) columns, rows, first cell, 0."""
    cell_depth: F4
    """signed depth at the middle of each cell (inside positive)."""
    cell_list: I4
    """(cells + 1) where each cell's list of near edges starts."""
    near: I4
    """numbers of edges."""
    edges: F8
    """(E, 5) start x, y, unit direction x, y, length; inside lies to the left."""
    raster_at: F8
    """(V·V, 2) position of the first sample of the depth field of (fixed, moving)."""
    raster_n: I8
    """(V·V, 3) columns, rows, first sample."""
    raster: F4
    """samples, signed depth, not below −step."""
    step: float
    """distance of samples."""


@njit(cache=True)
def _next(state):  # type: ignore[no-untyped-def]
    # xorshift64*: small, fast and the same everywhere (Vigna 2016).
    s = state[0]
    s ^= s >> np.uint64(12)
    s ^= s << np.uint64(25)
    s ^= s >> np.uint64(27)
    state[0] = s
    return np.float64((s * np.uint64(2685821657736338717)) >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@njit(cache=True, fastmath=True)
def _edge_depth(edges, first, last, px, py):  # type: ignore[no-untyped-def]
    """Signed depth of a point by brute force over edges[first:last]."""
    best = 1e300
    best_side = 0.0
    for e in range(first, last):
        rx, ry = px - edges[e, 0], py - edges[e, 1]
        ux, uy = edges[e, 2], edges[e, 3]
        t = rx * ux + ry * uy
        side = ux * ry - uy * rx
        if t < 0.0:
            d2 = rx * rx + ry * ry
        elif t > edges[e, 4]:
            ex, ey = rx - ux * edges[e, 4], ry - uy * edges[e, 4]
            d2 = ex * ex + ey * ey
        else:
            d2 = side * side
        # Two edges are equally near at their common vertex: the one seen less edge-on knows the side.
        if d2 < best * (1.0 - 1e-9) or (d2 <= best * (1.0 + 1e-9) and abs(side) > abs(best_side)):
            best_side = side
            best = min(best, d2)
    d = math.sqrt(best)
    return d if best_side > 0.0 else -d


@njit(cache=True, fastmath=True)
def fill_cells(edges, x0, y0, size, nx, ny, reach, depth, counts, near, fill):  # type: ignore[no-untyped-def]
    """Signed depth at each cell's middle, and which edges can be the nearest to a point of the cell.

    Called twice: first to count (``fill`` False), then to fill ``near``. Cells that lie outside by more than
    ``reach`` get no list.
    """
    half = size * math.sqrt(0.5)
    n = edges.shape[0]
    np.empty(n)
    at = 0
    for iy in range(ny):
        for ix in range(nx):
            cx, cy = x0 + (ix + 0.5) * size, y0 + (iy + 0.5) * size
            c = iy * nx + ix
            s = _edge_depth(edges, 0, n, cx, cy)
            depth[c] = s
            if s < -half - reach:
                counts[c] = 0
                continue
            limit = abs(s) + 2.0 * half + 1e-9
            k = 0
            for e in range(n):
                rx, ry = cx - edges[e, 0], cy - edges[e, 1]
                ux, uy = edges[e, 2], edges[e, 3]
                t = min(max(rx * ux + ry * uy, 0.0), edges[e, 4])
                ex, ey = rx - ux * t, ry - uy * t
                if ex * ex + ey * ey <= limit * limit:
                    if fill:
                        near[at] = e
                    at += 1
                    k += 1
            counts[c] = k
    return at


@njit(cache=True, fastmath=True)
def signed_depth(T, p, px, py):  # type: ignore[no-untyped-def]
    """Signed depth of a relative position in pair p's no-fit region; −1e30 where it is surely outside."""
    fx = (px - T.grid[p, 0]) * T.grid[p, 2]
    fy = (py - T.grid[p, 1]) * T.grid[p, 2]
    nx, ny = T.grid_n[p, 0], T.grid_n[p, 1]
    if fx < 0.0 or fy < 0.0 or fx >= nx or fy >= ny:
        return -1e30
    c = T.grid_n[p, 2] + int(fy) * nx + int(fx)
    a, b = T.cell_list[c], T.cell_list[c + 1]
    if a == b:
        return -1e30
    edges = T.edges
    best = 1e300
    best_side = 0.0
    for k in range(a, b):
        e = T.near[k]
        rx, ry = px - edges[e, 0], py - edges[e, 1]
        ux, uy = edges[e, 2], edges[e, 3]
        t = rx * ux + ry * uy
        side = ux * ry - uy * rx
        if t < 0.0:
            d2 = rx * rx + ry * ry
        elif t > edges[e, 4]:
            ex, ey = rx - ux * edges[e, 4], ry - uy * edges[e, 4]
            d2 = ex * ex + ey * ey
        else:
            d2 = side * side
        if d2 < best * (1.0 - 1e-9) or (d2 <= best * (1.0 + 1e-9) and abs(side) > abs(best_side)):
            best_side = side
            best = min(best, d2)
    d = math.sqrt(best)
    return d if best_side > 0.0 else -d


@njit(cache=True)
def _depth(T, u, v, dx, dy):  # type: ignore[no-untyped-def]
    """Depth of overlap of variant v at (dx, dy) from variant u, 0 when apart."""
    if dx >= T.wide[u] or dy >= T.high[u] or dx <= -T.wide[v] or dy <= -T.high[v]:
        return 0.0
    if u <= v:
        s = signed_depth(T, T.pair[u, v], dx, dy)
    else:
        s = signed_depth(T, T.pair[u, v], -dx, -dy)
    return s if s > 0.0 else 0.0


@njit(cache=True)
def fill_raster(T, p, flip, x0, y0, nx, ny, out):  # type: ignore[no-untyped-def]
    """Sample the signed depth field of pair p (turned about the origin when ``flip``), not below −step."""
    h = T.step
    for i in range(nx):
        for j in range(ny):
            x, y = x0 + i * h, y0 + j * h
            s = signed_depth(T, p, -x, -y) if flip else signed_depth(T, p, x, y)
            out[i * ny + j] = max(s, -h)


@njit(cache=True)
def measure(T, x, y, v, D):  # type: ignore[no-untyped-def]
    """Depths of all pairs into D (n, n); returns their sum."""
    n = len(x)
    total = 0.0
    for i in range(n):
        D[i, i] = 0.0
        for j in range(i + 1, n):
            d = _depth(T, v[i], v[j], x[j] - x[i], y[j] - y[i])
            D[i, j] = d
            D[j, i] = d
            total += d
    return total


@njit(cache=True, fastmath=True)
def _add_field(row_map, raster, a0, a1, n, w00, w01, w10, w11):  # type: ignore[no-untyped-def]
    r0 = raster[a0 : a0 + n + 1]
    r1 = raster[a1 : a1 + n + 1]
    for j in range(n):
        s = w00 * r0[j] + w01 * r0[j + 1] + w10 * r1[j] + w11 * r1[j + 1]
        row_map[j] += max(s, np.float32(0.0))


@njit(cache=True, fastmath=True)
def _map(T, k, vk, x, y, v, weight, length, width, phx, phy, out):  # type: ignore[no-untyped-def]
    """Weighted depth of piece k as variant vk at positions (phx + i·step, phy + j·step); returns (nx, ny)."""
    h = T.step
    nx = int((length - T.wide[vk] - phx) / h) + 1
    ny = int((width - T.high[vk] - phy) / h) + 1
    nx = max(1, min(nx, out.shape[0]))
    ny = max(1, min(ny, out.shape[1]))
    for i in range(nx):
        out[i, :ny] = 0.0
    V = len(T.wide)
    for u in range(len(x)):
        if u == k:
            continue
        q = v[u] * V + vk
        sx = (phx - x[u] - T.raster_at[q, 0]) / h
        sy = (phy - y[u] - T.raster_at[q, 1]) / h
        si, sj = math.floor(sx), math.floor(sy)
        fx, fy = sx - si, sy - sj
        rnx, rny, start = T.raster_n[q, 0], T.raster_n[q, 1], T.raster_n[q, 2]
        i0, i1 = max(0, -si), min(nx - 1, rnx - 2 - si)
        j0, j1 = max(0, -sj), min(ny - 1, rny - 2 - sj)
        n = j1 - j0 + 1
        if n <= 0 or i1 < i0:
            continue
        w = weight[k, u] * T.scale[v[u], vk]
        w00 = np.float32(w * (1 - fx) * (1 - fy))
        w01 = np.float32(w * (1 - fx) * fy)
        w10 = np.float32(w * fx * (1 - fy))
        w11 = np.float32(w * fx * fy)
        for i in range(i0, i1 + 1):
            a0 = start + (i + si) * rny + j0 + sj
            _add_field(out[i, j0 : j1 + 1], T.raster, a0, a0 + rny, n, w00, w01, w10, w11)
    return nx, ny


@njit(cache=True, fastmath=True)
def _cost(T, vk, px, py, x, y, v, near, n_near, wrow, limit):  # type: ignore[no-untyped-def]
    """Weighted depth at one position against the near pieces; stops above ``limit``."""
    total = 0.0
    for a in range(n_near):
        u = near[a]
        d = _depth(T, v[u], vk, px - x[u], py - y[u])
        if d > 0.0:
            total += wrow[u] * T.scale[v[u], vk] * d
            if total >= limit:
                return total
    return total


@njit(cache=True)
def _descend(T, k, vk, px, py, x, y, v, wrow, length, width, step, least, near, state):  # type: ignore[no-untyped-def]
    """Walk downhill from (px, py) in randomly turned crosses of shrinking size. Returns (cost, x, y)."""
    hi_x, hi_y = max(0.0, length - T.wide[vk]), max(0.0, width - T.high[vk])
    px, py = min(max(px, 0.0), hi_x), min(max(py, 0.0), hi_y)
    reach = 4.0 * step
    m = 0
    for u in range(len(x)):
        if u != k:
            dx, dy = px - x[u], py - y[u]
            w, h = T.wide[v[u]], T.high[v[u]]
            if dx < w + reach and dy < h + reach and dx > -T.wide[vk] - reach and dy > -T.high[vk] - reach:
                near[m] = u
                m += 1
    x0, y0 = px, py
    cost = _cost(T, vk, px, py, x, y, v, near, m, wrow, 1e300)
    for _ in range(200):
        if step <= least or cost <= 0.0:
            break
        r = _next(state)
        if r < 0.5:
            ca, sa = 1.0, 0.0
        else:
            angle = r * 2.0 * math.pi
            ca, sa = math.cos(angle), math.sin(angle)
        moved = False
        for q in range(4):
            if q == 0:
                ex, ey = ca, sa
            elif q == 1:
                ex, ey = -sa, ca
            elif q == 2:
                ex, ey = -ca, -sa
            else:
                ex, ey = sa, -ca
            nx = min(max(px + step * ex, 0.0), hi_x)
            ny = min(max(py + step * ey, 0.0), hi_y)
            if abs(nx - x0) > reach or abs(ny - y0) > reach or (nx == px and ny == py):
                continue
            c = _cost(T, vk, nx, ny, x, y, v, near, m, wrow, cost)
            if c < cost - 1e-7:
                cost, px, py = c, nx, ny
                moved = True
                break
        if moved:
            step *= 1.2
        else:
            step *= 0.55
    return cost, px, py


@njit(cache=True)
def _place(T, k, x, y, v, D, weight, length, width, keep, map_, near, state):  # type: ignore[no-untyped-def]
    """Move piece k to the best place found over the whole strip, in any of its turns."""
    n = len(x)
    h = T.step
    wrow = weight[k]
    best_v, best_x, best_y = v[k], x[k], y[k]
    # First downhill from where it lies.
    best, best_x, best_y = _descend(
        T, k, v[k], x[k], y[k], x, y, v, wrow, length, width, 0.5 * h, 0.002 * h, near, state
    )
    if best > 0.0:
        top_c = np.empty(keep)
        top_x = np.empty(keep)
        top_y = np.empty(keep)
        top_v = np.empty(keep, np.int64)
        m = 0
        for c in range(T.count[k]):
            vk = T.first[k] + c
            hi_x, hi_y = max(0.0, length - T.wide[vk]), max(0.0, width - T.high[vk])
            phx, phy = min(_next(state) * h, hi_x), min(_next(state) * h, hi_y)
            nx, ny = _map(T, k, vk, x, y, v, weight, length, width, phx, phy, map_)
            for i in range(nx):
                for j in range(ny):
                    a = map_[i, j]
                    if m == keep and a >= top_c[m - 1]:
                        continue
                    if i > 0 and map_[i - 1, j] < a:
                        continue
                    if i + 1 < nx and map_[i + 1, j] < a:
                        continue
                    if j > 0 and map_[i, j - 1] < a:
                        continue
                    if j + 1 < ny and map_[i, j + 1] < a:
                        continue
                    a = a + 1e-3 * h * _next(state)
                    if m == keep and a >= top_c[m - 1]:
                        continue
                    q = m if m < keep else keep - 1
                    while q > 0 and top_c[q - 1] > a:
                        top_c[q], top_x[q], top_y[q], top_v[q] = (
                            top_c[q - 1],
                            top_x[q - 1],
                            top_y[q - 1],
                            top_v[q - 1],
                        )
                        q -= 1
                    top_c[q], top_x[q], top_y[q], top_v[q] = a, phx + i * h, phy + j * h, vk
                    if m < keep:
                        m += 1
        # Coarse descents from all of them, then fine ones from those that can still win.
        for q in range(m):
            top_c[q], top_x[q], top_y[q] = _descend(
                T,
                k,
                top_v[q],
                top_x[q],
                top_y[q],
                x,
                y,
                v,
                wrow,
                length,
                width,
                0.5 * h,
                0.1 * h,
                near,
                state,
            )
        for _ in range(min(m, 2)):
            q = 0
            for p in range(1, m):
                if top_c[p] < top_c[q]:
                    q = p
            if top_c[q] > 2.0 * best:
                break
            c, px, py = _descend(
                T,
                k,
                top_v[q],
                top_x[q],
                top_y[q],
                x,
                y,
                v,
                wrow,
                length,
                width,
                0.1 * h,
                0.002 * h,
                near,
                state,
            )
            top_c[q] = 1e300
            if c < best:
                best, best_x, best_y, best_v = c, px, py, top_v[q]
                if best <= 0.0:
                    break
    x[k], y[k], v[k] = best_x, best_y, best_v
    for u in range(n):
        d = 0.0
        if u != k:
            d = _depth(T, v[u], best_v, best_x - x[u], best_y - y[u])
        D[k, u] = d
        D[u, k] = d
    return best


@njit(cache=True)
def sweeps(  # type: ignore[no-untyped-def]
    T,
    x,
    y,
    v,
    D,
    weight,
    length,
    width,
    best_x,
    best_y,
    best_v,
    best_total,
    rounds,
    patience,
    target,
    keep,
    grow_least,
    grow,
    additive,
    decay,
    map_,
    state,
):
    """Guided sweeps: every overlapping piece, in random order, goes to its best place; then weights change.

    Runs until the sum of depths is at most ``target``, or ``patience`` sweeps brought no better sum, or
    ``rounds`` sweeps are done. x, y, v, D, weight are the state; best_* keeps the best seen.
    Returns (best sum, sweeps without a better one, moves, sweeps).
    """
    n = len(x)
    near = np.empty(n, np.int64)
    order = np.empty(n, np.int64)
    eps = 1e-9 * width
    stale = 0
    moves = 0
    done = 0
    for _ in range(rounds):
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
                _place(T, k, x, y, v, D, weight, length, width, keep, map_, near, state)
                moves += 1
        total = 0.0
        worst = 0.0
        for i in range(n):
            for j in range(i + 1, n):
                d = D[i, j]
                total += d
                worst = max(worst, d * T.scale[v[i], v[j]])
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
                    share = grow_least + (grow - grow_least) * d * T.scale[v[i], v[j]] / worst
                    if additive > 0.0:
                        weight[i, j] += additive * share
                    else:
                        weight[i, j] *= 1.0 + share
                else:
                    weight[i, j] = max(1.0, 1.0 + (weight[i, j] - 1.0) * decay)
                weight[j, i] = weight[i, j]
    return best_total, stale, moves, done


@njit(cache=True)
def planes(sum_start, plane_start, plane, pair, wide, high, x, y, v, reach, out_i, out_j, out_n, out_c):  # type: ignore[no-untyped-def]
    """For each near pair of pieces and each convex sum, the half-plane that separates best.

    The half-plane is n·(p_j − p_i) ≥ c. Returns how many were written (−1 when there is no room).
    """
    m = 0
    n = len(x)
    for i in range(n):
        for j in range(n):
            if i == j:
                continue
            u, w = v[i], v[j]
            if u > w or (u == w and i > j):
                continue
            dx, dy = x[j] - x[i], y[j] - y[i]
            if (
                dx >= wide[u] + reach
                or dy >= high[u] + reach
                or dx <= -wide[w] - reach
                or dy <= -high[w] - reach
            ):
                continue
            p = pair[u, w]
            for s in range(sum_start[p], sum_start[p + 1]):
                best = -1e300
                at = 0
                for q in range(plane_start[s], plane_start[s + 1]):
                    sep = plane[q, 0] * dx + plane[q, 1] * dy - plane[q, 2]
                    if sep > best:
                        best = sep
                        at = q
                if best < reach:
                    if m >= len(out_i):
                        return -1
                    out_i[m], out_j[m] = i, j
                    out_n[m, 0], out_n[m, 1], out_c[m] = plane[at, 0], plane[at, 1], plane[at, 2]
                    m += 1
    return m
