"""Fewer vertices on the safe side: a polygon that contains the given one and stays close to it.

A ring has its solid on the left. Where it bulges outward, some of its edge lines are kept and
prolonged until they meet; where it is hollow, some of its vertices are kept and joined. Both only
add to the solid. Picking as few as the tolerance allows along a run of one curvature is greedy, as in
H. Imai and M. Iri, "Computational-geometric methods for polygonal approximations of a curve" (1986).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["drop_collinear", "simplify_ring"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def drop_collinear(points: Floats, straight: Flags) -> tuple[Floats, Flags]:
    """A ring without repeated points and without vertices in the middle of a straight run.

    Args:
        points: (n, 2), mm, closed without repeating the first point.
        straight: (n,), whether the edge from each point to the next must stay where it is.
    """
    while len(points) > 3:
        ahead = np.roll(points, -1, axis=0) - points
        repeated = np.hypot(*ahead.T) < 1e-9
        if repeated.any():
            # Point k and its follower are one: the follower's edge is the one that counts.
            keep = ~repeated
            points, straight = points[keep], straight[keep]
            continue
        behind = np.roll(ahead, 1, axis=0)
        size = np.hypot(*ahead.T) + np.hypot(*behind.T)
        bend = np.abs(behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0])
        # Height of the triangle over its longest side; below 1e-10 mm the vertex says nothing.
        flat = (bend < 1e-10 * size) & ((behind * ahead).sum(axis=1) > 0)
        # Never two neighbours at once: many nearly flat vertices may add up to a bend.
        flat &= ~np.roll(flat, 1) | (np.arange(len(points)) % 2 == 0)
        flat &= ~(np.roll(flat, 1) & (np.arange(len(points)) > 0))
        if not flat.any():
            break
        for k in np.flatnonzero(flat):
            straight[k - 1] |= straight[k]
        points, straight = points[~flat], straight[~flat]
    return points, straight


def simplify_ring(points: Floats, straight: Flags, tolerance_mm: float) -> Floats:
    """Fewest vertices (nearly) for a ring whose solid, on its left, may grow but not shrink.

    Args:
        points: (n, 2), mm, closed without repeating the first point, solid on the left.
        straight: (n,), whether the edge from each point to the next must stay on its line.
        tolerance_mm: farthest the new ring may lie from the old one, mm.
    Returns: (k, 2), mm. May cross itself where the ring nearly touches itself: check, and use less tolerance.
    """
    points, straight = drop_collinear(points.copy(), straight.copy())
    if len(points) <= 4 or straight.all():
        return points
    chosen = _pick_runs(points, straight, tolerance_mm)
    chosen = _merge(chosen, points, tolerance_mm)
    return np.array([c.at for c in chosen])


@dataclass(slots=True)
class _Corner:
    """A vertex of the new ring, the vertices lo..hi (unwrapped numbers) of the old one that it stands
    for, and whether the new edge that leaves it must stay."""

    at: Floats
    lo: int
    hi: int
    fixed: bool


def _pick_runs(v: Floats, straight: Flags, tolerance: float) -> list[_Corner]:
    n = len(v)
    edge = np.roll(v, -1, axis=0) - v
    before = np.roll(edge, 1, axis=0)
    bulges = before[:, 0] * edge[:, 1] - before[:, 1] * edge[:, 0] > 0
    # Begin where a run begins, else at a straight edge, else anywhere.
    changes = np.flatnonzero(bulges != np.roll(bulges, 1))
    if len(changes):
        first = int(changes[0])
    else:
        first = int(np.flatnonzero(straight)[0] + 1) % n if straight.any() else 0
    closed = not len(changes)
    v, straight, bulges = (np.roll(a, -first, axis=0) for a in (v, straight, bulges))
    edge = np.roll(edge, -first, axis=0)
    size = np.hypot(*edge.T)
    unit = edge / size[:, None]
    corners: list[_Corner] = []
    k = 0
    while k < n:
        end = k
        while end + 1 < n and bulges[end + 1] == bulges[k]:
            end += 1
        if bulges[k]:
            corners += _bulge(v, unit, straight, k, end, tolerance)
        else:
            corners += _hollow(v, straight, k, end, tolerance, closed)
        k = end + 1
    for corner in corners:
        corner.lo += first
        corner.hi += first
    return corners


def _bulge(v: Floats, unit: Floats, straight: Flags, a: int, b: int, tolerance: float) -> list[_Corner]:
    """Vertices a..b bulge: keep some of the lines of the edges a−1..b, the first and the last included."""
    n = len(v)
    found: list[_Corner] = []
    # A straight edge ends one part and begins the next.
    stops = [a - 1, *(k for k in range(a, b) if straight[k]), b]
    for lo, hi in zip(stops, stops[1:], strict=False):

        def meet(i: int, j: int) -> Floats | None:
            return _meeting(v[(i + 1) % n], unit[i % n], v[j % n], unit[j % n]) if j > i + 1 else v[j % n]

        def apart(i: int, j: int) -> float:
            point = meet(i, j)
            if point is None:
                return np.inf
            return _to_chain(point[None], v[np.arange(i + 1, j + 1) % n]).max()

        picks = _fewest(lo, hi, apart, tolerance)
        for i, j in zip(picks, picks[1:], strict=False):
            point = meet(i, j)
            assert point is not None
            found.append(_Corner(point, i + 1, j, bool(straight[j % n])))
    return found


def _hollow(v: Floats, straight: Flags, a: int, b: int, tolerance: float, closed: bool) -> list[_Corner]:
    """Vertices a..b are hollow: keep some of them, the first and the last included."""
    n = len(v)
    last = b + 1 if closed else b
    kept = [
        a,
        *sorted({k for e in range(a, last) if straight[e % n] for k in (e, e + 1) if a < k < last}),
        last,
    ]
    found: list[_Corner] = []
    for lo, hi in zip(kept, kept[1:], strict=False):

        def apart(i: int, j: int) -> float:
            inner = v[np.arange(i, j + 1) % n]
            return _to_segment(inner, inner[0], inner[-1]).max()

        picks = _fewest(lo, hi, apart, tolerance)
        found += [_Corner(v[k % n], k, k, bool(straight[k % n] and j == k + 1)) for k, j in
                  zip(picks, picks[1:], strict=False)]  # fmt: skip
    if not closed:
        found.append(_Corner(v[b], b, b, bool(straight[b])))
    return found


def _fewest(lo: int, hi: int, apart: Callable[[int, int], float], tolerance: float) -> list[int]:
    """Numbers lo < … < hi, as few as possible with apart(i, j) ≤ tolerance for neighbours, evenly spread."""

    def greedy(limit: float) -> list[int]:
        picks = [lo]
        while picks[-1] < hi:
            i = picks[-1]
            step = 1
            while i + step * 2 <= hi and apart(i, i + step * 2) <= limit:
                step *= 2
            low, high = i + step, min(hi, i + step * 2)
            while low < high:
                middle = (low + high + 1) // 2
                if apart(i, middle) <= limit:
                    low = middle
                else:
                    high = middle - 1
            picks.append(low)
        return picks

    best = greedy(tolerance)
    if len(best) > 2:
        small, large = 0.0, tolerance
        for _ in range(6):
            middle = (small + large) / 2
            picks = greedy(middle)
            if len(picks) <= len(best):
                best, large = picks, middle
            else:
                small = middle
    return best


def _merge(corners: list[_Corner], v: Floats, tolerance: float) -> list[_Corner]:
    """Drop hollow corners, and edges between two bulging ones, where the tolerance still allows it."""
    n = len(v)

    def chain(lo: int, hi: int) -> Floats:
        hi += n * (hi < lo)
        return v[np.arange(lo, hi + 1) % n]

    for share in (0.4, 0.7, 1.0):
        limit = share * tolerance
        k, tried = 0, 0
        while tried < len(corners) and len(corners) > 4:
            m = len(corners)
            k %= m
            u, c, w, x = (corners[(k + d) % m] for d in (-1, 0, 1, 2))
            before, after, later = c.at - u.at, w.at - c.at, x.at - w.at
            turn, next_turn = _cross(before, after), _cross(after, later)
            done = False
            if turn <= 0 and not u.fixed and not c.fixed:
                old = chain(u.lo, w.hi)
                done = (
                    _to_segment(chain(u.hi, w.lo), u.at, w.at).max() <= limit
                    and _to_chain(u.at + np.linspace(0.05, 0.95, 10)[:, None] * (w.at - u.at), old).max()
                    <= limit
                )
                if done:
                    del corners[k]
            elif turn > 0 and next_turn > 0 and not c.fixed:
                point = _meeting(c.at, before, w.at, later)
                if point is not None and _to_chain(point[None], chain(c.lo, w.hi)).max() <= limit:
                    corners[k] = _Corner(point, c.lo, w.hi + n * (w.hi < c.lo), w.fixed)
                    del corners[(k + 1) % m]
                    done = True
            if done:
                k, tried = k - 2, 0
            else:
                k, tried = k + 1, tried + 1
    return corners


def _meeting(p: Floats, d: Floats, q: Floats, e: Floats) -> Floats | None:
    """Where the line from p along d meets the line that comes to q along e; None if not ahead and behind."""
    bend = _cross(d, e)
    if bend <= 1e-12 * float(np.hypot(*d) * np.hypot(*e)):
        return None
    ahead = _cross(q - p, e) / bend
    behind = _cross(q - p, d) / bend
    if ahead < 0 or behind > 0:
        return None
    return p + ahead * d


def _cross(a: Floats, b: Floats) -> float:
    return float(a[0] * b[1] - a[1] * b[0])


def _to_segment(points: Floats, a: Floats, b: Floats) -> Floats:
    d = b - a
    square = float(d @ d)
    t = np.clip((points - a) @ d / square, 0.0, 1.0) if square > 0 else np.zeros(len(points))
    return np.hypot(*(points - a - t[:, None] * d).T)


def _to_chain(points: Floats, chain: Floats) -> Floats:
    """Distances from points (m, 2) to the polyline through chain (k, 2)."""
    if len(chain) == 1:
        return np.hypot(*(points - chain[0]).T)
    a, d = chain[:-1], np.diff(chain, axis=0)
    square = np.maximum((d * d).sum(axis=1), 1e-300)
    off = points[:, None, :] - a[None]
    t = np.clip((off * d[None]).sum(axis=2) / square, 0.0, 1.0)
    away = off - t[..., None] * d[None]
    return np.sqrt((away**2).sum(axis=2)).min(axis=1)
