"""Compiled inner loops of the slab packer (see :mod:`nestcut.passes.parts.slabs`).

A region is kept as rows one slab high; each row holds its free stretches as [left, right] in mm. A
part is kept the same way, as the stretches it needs. Everything is conservative over the height of a
slab, so parts that are apart here are apart on the paper.
Source: semi-discrete representation, after Akunuru & Babu (2013), "Semi-discrete geometric
representation for nesting problems"; bottom-left rule after Baker, Coffman & Rivest (1980).
"""

from __future__ import annotations

import math

import numpy as np

from nestcut.placement.shapes.compiled import inner, kernel

__all__ = ["place_all", "rows_between", "rows_covered"]

_NEVER = 1e30
_NARROW_MM = 0.01
"""Free stretches that are no wider are not kept."""


@kernel
def _row_spans(edges, y0, slab, rows):
    """Per slab: x-ranges of the edges in it, merged; how many; whether the gap after each is inside the shape."""
    n = np.zeros(rows, np.int64)
    n_cross = np.zeros(rows, np.int64)
    fill = 0
    # Counted first, then filled in.
    for step in range(2):
        if step:
            most, most_cross = 1, 1
            for row in range(rows):
                most = max(most, n[row])
                most_cross = max(most_cross, n_cross[row])
            low = np.zeros((rows, most))
            high = np.zeros((rows, most))
            cross = np.zeros((rows, most_cross))
            for row in range(rows):
                n[row] = 0
                n_cross[row] = 0
            fill = 1
        else:
            low = np.zeros((1, 1))
            high = np.zeros((1, 1))
            cross = np.zeros((1, 1))
        for k in range(len(edges)):
            ax, ay, bx, by = edges[k, 0], edges[k, 1], edges[k, 2], edges[k, 3]
            if ay == by:
                # A level edge inside a slab blocks it; on the line between two slabs it blocks neither.
                place = (ay - y0) / slab
                row = math.floor(place)
                if abs(place - round(place)) > 1e-7 and 0 <= row < rows:
                    if fill:
                        low[row, n[row]] = min(ax, bx)
                        high[row, n[row]] = max(ax, bx)
                    n[row] += 1
                continue
            if ay > by:
                ax, ay, bx, by = bx, by, ax, ay
            first = max(0, math.floor((ay - y0) / slab + 1e-9))
            last = min(rows - 1, math.ceil((by - y0) / slab - 1e-9) - 1)
            slope = (bx - ax) / (by - ay)
            for row in range(first, last + 1):
                top = y0 + row * slab
                bottom = top + slab
                xa = ax + slope * (max(ay, top) - ay)
                xb = ax + slope * (min(by, bottom) - ay)
                if fill:
                    low[row, n[row]] = min(xa, xb)
                    high[row, n[row]] = max(xa, xb)
                n[row] += 1
                middle = top + slab / 2
                if ay <= middle < by:
                    if fill:
                        cross[row, n_cross[row]] = ax + slope * (middle - ay)
                    n_cross[row] += 1
    inside = np.zeros((rows, low.shape[1]), np.bool_)
    for row in range(rows):
        # Few of them, and mostly in order: each moves to the left until it is in place.
        for k in range(1, n[row]):
            a, b = low[row, k], high[row, k]
            j = k
            while j and low[row, j - 1] > a:
                low[row, j] = low[row, j - 1]
                high[row, j] = high[row, j - 1]
                j -= 1
            low[row, j] = a
            high[row, j] = b
        kept = 0
        for k in range(n[row]):
            if kept and low[row, k] <= high[row, kept - 1] + 1e-9:
                high[row, kept - 1] = max(high[row, kept - 1], high[row, k])
            else:
                low[row, kept] = low[row, k]
                high[row, kept] = high[row, k]
                kept += 1
        n[row] = kept
        for k in range(kept):
            # Parity of the crossings left of the gap after this span.
            passed = 0
            for c in range(n_cross[row]):
                if cross[row, c] <= high[row, k] + 1e-12:
                    passed += 1
            inside[row, k] = passed % 2 == 1
    return low, high, n, inside


@kernel
def rows_between(edges, y0, slab, free_l, free_r, n_free):
    """Fill in the stretches of each row inside the shape, off all its edges; the widest where there are too many."""
    rows, most = free_l.shape
    low, high, n, inside = _row_spans(edges, y0, slab, rows)
    for row in range(rows):
        kept = 0
        for k in range(n[row] - 1):
            a, b = high[row, k], low[row, k + 1]
            if not inside[row, k] or b - a <= _NARROW_MM:
                continue
            if kept == most:
                # The narrowest goes, the last of equals.
                narrowest = -1
                for j in range(kept):
                    if narrowest < 0 or (
                        free_r[row, j] - free_l[row, j] <= free_r[row, narrowest] - free_l[row, narrowest]
                    ):
                        narrowest = j
                if b - a <= free_r[row, narrowest] - free_l[row, narrowest]:
                    continue
                for j in range(narrowest, kept - 1):
                    free_l[row, j] = free_l[row, j + 1]
                    free_r[row, j] = free_r[row, j + 1]
                kept -= 1
            free_l[row, kept] = a
            free_r[row, kept] = b
            kept += 1
        n_free[row] = kept


@kernel
def rows_covered(edges, y0, slab, rows):
    """(left, right, how many, the most of them) of the stretches of each row that the shape needs."""
    low, high, n, inside = _row_spans(edges, y0, slab, rows)
    most = 1
    for row in range(rows):
        kept = 0
        for k in range(n[row]):
            if k and inside[row, k - 1]:
                high[row, kept - 1] = high[row, k]
            else:
                low[row, kept] = low[row, k]
                high[row, kept] = high[row, k]
                kept += 1
        n[row] = kept
        most = max(most, kept)
    return low, high, n, most


@inner
def leftmost(free_l, free_r, n_free, occ_l, occ_r, n_occ, rows, row, x):
    """Least x' ≥ x at which every stretch of the part lies in a free stretch, or _NEVER."""
    settled = 0
    i = 0
    while settled < rows:
        r = row + i
        moved = False
        for j in range(n_occ[i]):
            low = occ_l[i, j]
            high = occ_r[i, j]
            found = False
            for k in range(n_free[r]):
                if free_r[r, k] < x + high - 1e-9:
                    continue
                if free_l[r, k] > x + low + 1e-9:
                    x = free_l[r, k] - low
                    moved = True
                    if free_r[r, k] < x + high - 1e-9:
                        continue
                found = True
                break
            if not found:
                return _NEVER
        settled = 0 if moved else settled + 1
        i += 1
        if i == rows:
            i = 0
    return x


@inner
def find_from(free_l, free_r, n_free, height, occ_l, occ_r, n_occ, rows, row, x):
    """First place in row-major order from (row, x) on: (row, x) or (-1, 0)."""
    for r in range(row, height - rows + 1):
        start = x if r == row else -_NEVER
        if n_free[r] == 0:
            continue
        found = leftmost(free_l, free_r, n_free, occ_l, occ_r, n_occ, rows, r, start)
        if found < _NEVER:
            return r, found
    return -1, 0.0


@inner
def take(free_l, free_r, n_free, occ_l, occ_r, n_occ, rows, row, x):
    """Take the part's stretches out of the free ones."""
    most = free_l.shape[1]
    for i in range(rows):
        r = row + i
        for j in range(n_occ[i]):
            low = x + occ_l[i, j]
            high = x + occ_r[i, j]
            k = 0
            while k < n_free[r]:
                a = free_l[r, k]
                b = free_r[r, k]
                if b <= low or a >= high:
                    k += 1
                    continue
                left = low - a
                right = b - high
                if left > 0.01 and right > 0.01 and n_free[r] < most:
                    for m in range(n_free[r], k + 1, -1):
                        free_l[r, m] = free_l[r, m - 1]
                        free_r[r, m] = free_r[r, m - 1]
                    free_r[r, k] = low
                    free_l[r, k + 1] = high
                    free_r[r, k + 1] = b
                    n_free[r] += 1
                    k += 2
                elif left > 0.01 and left >= right:
                    free_r[r, k] = low
                    k += 1
                elif right > 0.01:
                    free_l[r, k] = high
                    k += 1
                else:
                    for m in range(k, n_free[r] - 1):
                        free_l[r, m] = free_l[r, m + 1]
                        free_r[r, m] = free_r[r, m + 1]
                    n_free[r] -= 1


@kernel
def place_all(free_l, free_r, n_free, height, occ_l, occ_r, n_occ, rows, first, last, want, deepest, laid):
    """Lay up to ``want`` parts, each in the best of the orientations first … last − 1.

    The orientation whose place ends in the highest row wins, then the one furthest left. With
    ``deepest`` the start row decides instead. ``laid`` (n, 3) gets (orientation, row, x); returns how
    many were laid.
    """
    count = 0
    many = last - first
    at_row = np.zeros(many, np.int64)
    at_x = np.full(many, -_NEVER)
    dead = np.zeros(many, np.bool_)
    while count < want and count < laid.shape[0]:
        best = -1
        best_end = 0.0
        for o in range(many):
            if dead[o]:
                continue
            s = first + o
            r, x = find_from(
                free_l, free_r, n_free, height, occ_l[s], occ_r[s], n_occ[s], rows[s], at_row[o], at_x[o]
            )
            if r < 0:
                dead[o] = True
                continue
            at_row[o] = r
            at_x[o] = x
            end = r if deepest else r + rows[s]
            # A hair of x settles ties between orientations that end in the same row.
            score = end + 1e-6 * x
            if best < 0 or score < best_end:
                best = o
                best_end = score
        if best < 0:
            break
        s = first + best
        take(free_l, free_r, n_free, occ_l[s], occ_r[s], n_occ[s], rows[s], at_row[best], at_x[best])
        laid[count, 0] = s
        laid[count, 1] = at_row[best]
        laid[count, 2] = at_x[best]
        count += 1
    return count
