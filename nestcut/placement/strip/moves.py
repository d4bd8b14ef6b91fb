"""Compiled: one piece goes to the best place found over the whole strip.

Two steps: a map of the weighted depth at the points of a grid (sampled depth fields, added up), then descents
from the map's lowest points. A depth is, nearly everywhere, a linear function of the place, so a descent goes
from corner to corner: the depths near the place are replaced by half-planes, the sum is minimised over the
crossings of their edges within a box, and the box shrinks where the true cost disagrees. It ends in exact
contacts, where a walk in small steps ends near them.

Sources: least weighted depth over all places of one piece as the move (Egeblad, Nielsen & Odgaard 2007;
Umetani et al. 2009); the corner descent is a trust-region method on a piecewise linear model (the idea of
sequential linear programming, Fletcher & Sainz de la Maza 1989), own work in this form.
"""

from __future__ import annotations

import math

import numpy as np

from nestcut.placement.shapes.compiled import kernel
from nestcut.placement.strip.kernels import _next, depth_of, from_edge, nearer

__all__ = ["place"]

_MOST_LINES = 10
"""Half-planes that a descent looks at; the rest are far away when the box is small."""


@kernel
def depth_map(wide, high, raster_at, raster_n, raster, h, k, vk, x, y, v, wrow, length, width, phx, phy, out):  # type: ignore[no-untyped-def]
    """Weighted depth of piece k as variant vk at positions (phx + i·h, phy + j·h); returns (nx, ny)."""
    nx = int((length - wide[vk] - phx) / h) + 1
    ny = int((width - high[vk] - phy) / h) + 1
    nx = max(1, min(nx, out.shape[0]))
    ny = max(1, min(ny, out.shape[1]))
    for i in range(nx):
        for j in range(ny):
            out[i, j] = 0.0
    kinds = wide.shape[0]
    for u in range(x.shape[0]):
        if u == k:
            continue
        q = v[u] * kinds + vk
        # The nearest sample will do: the phase of the grid is drawn anew for every map, and descents follow.
        si = math.floor((phx - x[u] - raster_at[q, 0]) / h + 0.5)
        sj = math.floor((phy - y[u] - raster_at[q, 1]) / h + 0.5)
        rnx, rny, start = raster_n[q, 0], raster_n[q, 1], raster_n[q, 2]
        i0, i1 = max(0, -si), min(nx, rnx - si)
        j0, j1 = max(0, -sj), min(ny, rny - sj)
        if j1 <= j0 or i1 <= i0:
            continue
        w = np.float32(wrow[u])
        many = j1 - j0
        for i in range(i0, i1):
            a = start + (i + si) * rny + j0 + sj
            to = out[i, j0:j1]
            add = raster[a : a + many]
            for j in range(many):
                to[j] += w * add[j]
    return nx, ny


@kernel
def look(  # type: ignore[no-untyped-def]
    wide, high, scale, pair, grid, grid_n, cell_list, near, edges, vk, px, py, x, y, v, wrow, close, n_close, reach,
    line, limit,
):  # fmt: skip
    """Weighted depth at one position, and the half-planes of what overlaps or is within ``reach``.

    line: rows (weight, signed depth, its gradient x, y). Returns (cost, rows written); stops above ``limit``.
    """
    cost = 0.0
    m = 0
    wk, hk = wide[vk], high[vk]
    for a in range(n_close):
        u = close[a]
        dx, dy = px - x[u], py - y[u]
        vu = v[u]
        if dx >= wide[vu] + reach or dy >= high[vu] + reach or dx <= -wk - reach or dy <= -hk - reach:
            continue
        p = pair[vu, vk]
        sign = 1.0
        if vu > vk:
            sign = -1.0
            dx, dy = -dx, -dy
        fx, fy = (dx - grid[p, 0]) * grid[p, 2], (dy - grid[p, 1]) * grid[p, 2]
        nx = grid_n[p, 0]
        if fx < 0.0 or fy < 0.0 or fx >= nx or fy >= grid_n[p, 1]:
            continue
        c = grid_n[p, 2] + int(fy) * nx + int(fx)
        first, last = cell_list[c], cell_list[c + 1]
        if first == last:
            continue
        best = 1e300
        best_side = 0.0
        gx, gy = 0.0, 0.0
        for b in range(first, last):
            e = near[b]
            d2, side, rx, ry = from_edge(edges, e, dx, dy)
            if nearer(d2, side, best, best_side):
                best_side = side
                best = min(best, d2)
                if d2 > 1e-18:
                    gx, gy = rx, ry
                else:
                    gx, gy = -edges[e, 3], edges[e, 2]
        d = math.sqrt(best)
        s = d if best_side > 0.0 else -d
        if s <= -reach:
            continue
        w = wrow[u] * scale[vu, vk]
        if s > 0.0:
            cost += w * s
            if cost >= limit:
                return cost, m
        # r points from the nearest point to here: the depth grows that way inside, falls that way outside.
        r = math.sqrt(gx * gx + gy * gy)
        if r > 0.0:
            turn = sign / r if s > 0.0 or d <= 1e-9 else -sign / r
            at = m
            if m == line.shape[0]:
                # Full: drop the half-plane that is farthest from mattering.
                at = 0
                for q in range(1, m):
                    if line[q, 1] < line[at, 1]:
                        at = q
                if line[at, 1] >= s:
                    continue
            else:
                m += 1
            line[at, 0] = w
            line[at, 1] = s
            line[at, 2] = gx * turn
            line[at, 3] = gy * turn
    return cost, m


@kernel
def corner(line, m, x0, x1, y0, y1, limit):  # type: ignore[no-untyped-def]
    """Where in the box Σ w·max(0, s + g·δ) is least: returns (least, δx, δy), or (limit, 0, 0) if not below it.

    The sum is convex and linear between the lines s + g·δ = 0, so a crossing of two of them, of one with a
    side of the box, or a corner of the box will do; all are tried.
    """
    best = limit
    bx, by = 0.0, 0.0
    slack = 1e-9
    for a in range(m + 4):
        if a < m:
            ax, ay, ac = line[a, 2], line[a, 3], -line[a, 1]
        elif a == m:
            ax, ay, ac = 1.0, 0.0, x0
        elif a == m + 1:
            ax, ay, ac = 1.0, 0.0, x1
        elif a == m + 2:
            ax, ay, ac = 0.0, 1.0, y0
        else:
            ax, ay, ac = 0.0, 1.0, y1
        for b in range(a):
            if b < m:
                qx, qy, qc = line[b, 2], line[b, 3], -line[b, 1]
            elif b == m:
                qx, qy, qc = 1.0, 0.0, x0
            elif b == m + 1:
                qx, qy, qc = 1.0, 0.0, x1
            else:
                qx, qy, qc = 0.0, 1.0, y0
            det = ax * qy - ay * qx
            if abs(det) < 1e-7:
                continue
            dx = (ac * qy - qc * ay) / det
            dy = (ax * qc - qx * ac) / det
            if dx < x0 - slack or dx > x1 + slack or dy < y0 - slack or dy > y1 + slack:
                continue
            total = 0.0
            for c in range(m):
                s = line[c, 1] + line[c, 2] * dx + line[c, 3] * dy
                if s > 1e-9:
                    total += line[c, 0] * s
                    if total >= best:
                        break
            if total < best:
                best, bx, by = total, dx, dy
    return best, bx, by


@kernel
def descend(  # type: ignore[no-untyped-def]
    wide, high, scale, pair, grid, grid_n, cell_list, near, edges, k, vk, px, py, x, y, v, wrow, length, width,
    trust, least, rounds, limit, close, line,
):  # fmt: skip
    """Walk downhill from (px, py) from corner to corner. Returns (cost, x, y).

    Gives up where the model says that nothing below ``limit`` is near.
    """
    hi_x, hi_y = max(0.0, length - wide[vk]), max(0.0, width - high[vk])
    px, py = min(max(px, 0.0), hi_x), min(max(py, 0.0), hi_y)
    reach = 3.0 * trust
    n_close = 0
    for u in range(x.shape[0]):
        if u != k:
            dx, dy = px - x[u], py - y[u]
            w, h = wide[v[u]], high[v[u]]
            if dx < w + reach and dy < h + reach and dx > -wide[vk] - reach and dy > -high[vk] - reach:
                close[n_close] = u
                n_close += 1
    x0, y0 = px, py
    cost, m = look(
        wide, high, scale, pair, grid, grid_n, cell_list, near, edges, vk, px, py, x, y, v, wrow, close, n_close,
        1.5 * trust, line, 1e300,
    )  # fmt: skip
    for _ in range(rounds):
        if cost <= 0.0 or trust < least:
            break
        model, dx, dy = corner(
            line, m,
            max(-trust, -px), min(trust, hi_x - px), max(-trust, -py), min(trust, hi_y - py),
            min(cost, limit) - 1e-9,
        )  # fmt: skip
        if model >= min(cost, limit) - 1e-9:
            break
        nx, ny = min(max(px + dx, 0.0), hi_x), min(max(py + dy, 0.0), hi_y)
        if abs(nx - x0) > reach or abs(ny - y0) > reach:
            break
        new, m_new = look(
            wide, high, scale, pair, grid, grid_n, cell_list, near, edges, vk, nx, ny, x, y, v, wrow, close, n_close,
            1.5 * trust, line, 1e300,
        )  # fmt: skip
        if new < cost - 1e-9:
            gain = cost - new
            promised = cost - model
            cost, px, py, m = new, nx, ny, m_new
            if gain < 0.25 * promised:
                trust *= 0.5
        else:
            trust = 0.35 * min(trust, max(abs(dx), abs(dy)))
            if trust < least:
                break
            cost, m = look(
                wide, high, scale, pair, grid, grid_n, cell_list, near, edges, vk, px, py, x, y, v, wrow, close,
                n_close, 1.5 * trust, line, 1e300,
            )  # fmt: skip
    return cost, px, py


@kernel
def place(T, k, x, y, v, D, weight, length, width, keep, map_, close, line, top, state):  # type: ignore[no-untyped-def]
    """Move piece k to the best place found over the whole strip, in any of its turns; returns its cost there.

    map_, close (n), line (lines, 4) and top (keep, 4) are room to work in.
    """
    wide, high, scale, pair = T.wide, T.high, T.scale, T.pair
    grid, grid_n, cell_list, near, edges = T.grid, T.grid_n, T.cell_list, T.near, T.edges
    raster_at, raster_n, raster = T.raster_at, T.raster_n, T.raster
    n = x.shape[0]
    h = T.step
    wrow = weight[k]
    best_v = v[k]
    best, best_x, best_y = descend(
        wide, high, scale, pair, grid, grid_n, cell_list, near, edges, k, best_v, x[k], y[k], x, y, v, wrow,
        length, width, 0.6 * h, 1e-4 * h, 16, 1e300, close, line,
    )  # fmt: skip
    if best > 0.0:
        m = 0
        for c in range(T.count[k]):
            vk = T.first[k] + c
            hi_x, hi_y = max(0.0, length - wide[vk]), max(0.0, width - high[vk])
            phx, phy = min(_next(state) * h, hi_x), min(_next(state) * h, hi_y)
            nx, ny = depth_map(
                wide,
                high,
                raster_at,
                raster_n,
                raster,
                h,
                k,
                vk,
                x,
                y,
                v,
                wrow,
                length,
                width,
                phx,
                phy,
                map_,
            )
            for i in range(nx):
                for j in range(ny):
                    a = map_[i, j]
                    if m == keep and a >= top[m - 1, 0]:
                        continue
                    if i > 0 and map_[i - 1, j] < a:
                        continue
                    if i + 1 < nx and map_[i + 1, j] < a:
                        continue
                    if j > 0 and map_[i, j - 1] < a:
                        continue
                    if j + 1 < ny and map_[i, j + 1] < a:
                        continue
                    # Ties are broken at random: where several places are free, any of them will do.
                    cost = a + 1e-3 * h * _next(state)
                    if m == keep and cost >= top[m - 1, 0]:
                        continue
                    q = m if m < keep else keep - 1
                    while q > 0 and top[q - 1, 0] > cost:
                        top[q] = top[q - 1]
                        q -= 1
                    top[q, 0], top[q, 1], top[q, 2], top[q, 3] = cost, phx + i * h, phy + j * h, vk
                    if m < keep:
                        m += 1
        for q in range(m):
            vk = int(top[q, 3])
            cost, px, py = descend(
                wide, high, scale, pair, grid, grid_n, cell_list, near, edges, k, vk, top[q, 1], top[q, 2], x, y, v,
                wrow, length, width, 0.75 * h, 1e-4 * h, 16, best, close, line,
            )  # fmt: skip
            if cost < best:
                best, best_x, best_y, best_v = cost, px, py, vk
                if best <= 0.0:
                    break
    x[k], y[k], v[k] = best_x, best_y, best_v
    for u in range(n):
        d = 0.0
        if u != k:
            d = depth_of(
                wide,
                high,
                pair,
                grid,
                grid_n,
                cell_list,
                near,
                edges,
                v[u],
                best_v,
                best_x - x[u],
                best_y - y[u],
            )
        D[k, u] = d
        D[u, k] = d
    return best
