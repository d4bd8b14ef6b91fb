"""Compiled kernels of the squeeze search: depth of overlap of pairs, and the planes that part them.

Lengths are in the search's own unit (the strip is 1000 wide); see :mod:`nestcut.placement.strip.tables` for the
arrays. A *variant* is a part's outline at one of its turns, its box's lower left corner at (0, 0); a piece
lies at (x, y) = where that corner is.

Source: depth inside the no-fit polygon as the measure of overlap (Umetani et al. 2009; Imamichi, Yagiura &
Nagamochi 2009).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nestcut.placement.shapes.compiled import inner, kernel

__all__ = ["Tables", "depth_of", "fill_cells", "measure", "planes", "sample_depth"]

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
    count: I8  # type: ignore[assignment]
    """(n) how many variants the piece has."""
    scale: F8
    """(V, V) what a depth of overlap between two variants counts."""
    pair: I8
    """(V, V) row of the pair's cell grid; the same for (u, v) and (v, u)."""
    grid: F8
    """(P, 5) x0, y0, cells per unit, half a cell's diagonal, 0."""
    grid_n: I8
    """(P, 4) columns, rows, first cell, 0."""
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
    """samples of the depth times its scale, 0 outside."""
    step: float
    """distance of samples."""


@inner
def _next(state):  # type: ignore[no-untyped-def]
    # xorshift64*: small, fast and the same everywhere (Vigna 2016).
    s = state[0]
    s ^= s >> np.uint64(12)
    s ^= s << np.uint64(25)
    s ^= s >> np.uint64(27)
    state[0] = s
    return np.float64((s * np.uint64(2685821657736338717)) >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@inner
def from_edge(edges, e, px, py):  # type: ignore[no-untyped-def]
    """Squared distance of a point from edge e, on which side it lies (inside: above 0), and the way from the nearest point."""
    rx, ry = px - edges[e, 0], py - edges[e, 1]
    ux, uy = edges[e, 2], edges[e, 3]
    t = rx * ux + ry * uy
    side = ux * ry - uy * rx
    if t < 0.0:
        return rx * rx + ry * ry, side, rx, ry
    if t > edges[e, 4]:
        rx -= ux * edges[e, 4]
        ry -= uy * edges[e, 4]
        return rx * rx + ry * ry, side, rx, ry
    return side * side, side, -uy * side, ux * side


@inner
def nearer(d2, side, best, best_side):  # type: ignore[no-untyped-def]
    """Whether an edge tells better than the best so far where a point lies.

    Two edges are equally near at their common vertex: the one seen less edge-on knows the side.
    """
    return d2 < best * (1.0 - 1e-9) or (d2 <= best * (1.0 + 1e-9) and abs(side) > abs(best_side))


@inner
def _edge_depth(edges, first, last, px, py):  # type: ignore[no-untyped-def]
    """Signed depth of a point by brute force over edges[first:last]."""
    best = 1e300
    best_side = 0.0
    for e in range(first, last):
        d2, side, _, _ = from_edge(edges, e, px, py)
        if nearer(d2, side, best, best_side):
            best_side = side
            best = min(best, d2)
    d = math.sqrt(best)
    return d if best_side > 0.0 else -d


@kernel
def fill_cells(edges, x0, y0, size, nx, ny, reach, depth, counts, near, fill):  # type: ignore[no-untyped-def]
    """Signed depth at each cell's middle, and which edges can be the nearest to a point of the cell.

    Called twice: first to count (``fill`` False), then to fill ``near``. Cells that lie outside by more than
    ``reach`` get no list.
    """
    half = size * math.sqrt(0.5)
    n = edges.shape[0]
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


@kernel
def depth_of(wide, high, pair, grid, grid_n, cell_list, near, edges, u, v, dx, dy):  # type: ignore[no-untyped-def]
    """Depth of overlap of variant v at (dx, dy) from variant u, 0 when apart.

    Takes the arrays one by one: handing on the tuple of tables costs several times the work itself.
    """
    if dx >= wide[u] or dy >= high[u] or dx <= -wide[v] or dy <= -high[v]:
        return 0.0
    if u > v:
        dx, dy = -dx, -dy
    p = pair[u, v]
    fx = (dx - grid[p, 0]) * grid[p, 2]
    fy = (dy - grid[p, 1]) * grid[p, 2]
    nx, ny = grid_n[p, 0], grid_n[p, 1]
    if fx < 0.0 or fy < 0.0 or fx >= nx or fy >= ny:
        return 0.0
    c = grid_n[p, 2] + int(fy) * nx + int(fx)
    a, b = cell_list[c], cell_list[c + 1]
    if a == b:
        return 0.0
    best = 1e300
    best_side = 0.0
    for k in range(a, b):
        e = near[k]
        d2, side, _, _ = from_edge(edges, e, dx, dy)
        if nearer(d2, side, best, best_side):
            best_side = side
            best = min(best, d2)
    return math.sqrt(best) if best_side > 0.0 else 0.0


@kernel
def sample_depth(edges, flip, x0, y0, h, nx, ny, factor, out):  # type: ignore[no-untyped-def]
    """Sample the depth of a region (0 outside), turned about the origin when ``flip``, times a factor."""
    n = edges.shape[0]
    for i in range(nx):
        for j in range(ny):
            x, y = x0 + i * h, y0 + j * h
            s = _edge_depth(edges, 0, n, -x, -y) if flip else _edge_depth(edges, 0, n, x, y)
            out[i * ny + j] = max(s, 0.0) * factor


@kernel
def measure(T, x, y, v, D):  # type: ignore[no-untyped-def]
    """Depths of all pairs into D (n, n); returns their sum."""
    wide, high, pair, grid, grid_n = T.wide, T.high, T.pair, T.grid, T.grid_n
    cell_list, near, edges = T.cell_list, T.near, T.edges
    n = len(x)
    total = 0.0
    for i in range(n):
        D[i, i] = 0.0
        for j in range(i + 1, n):
            d = depth_of(
                wide, high, pair, grid, grid_n, cell_list, near, edges, v[i], v[j], x[j] - x[i], y[j] - y[i]
            )
            D[i, j] = d
            D[j, i] = d
            total += d
    return total


@kernel
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
