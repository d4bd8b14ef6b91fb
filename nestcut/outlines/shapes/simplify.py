"""Fewer vertices on the safe side: a ring that contains the given one and stays close to it.

A ring has its solid on the left. Where it bulges outward, some of its edge lines are kept and
prolonged until they meet; where it is hollow, some of its vertices are kept and joined. Both only
add to the solid. As few as the tolerance allows are picked along each run of one curvature, farthest
first, as in H. Imai and M. Iri, "Computational-geometric methods for polygonal approximations of a
curve" (1986). Points are complex numbers here: conj(a)·b holds dot and cross product at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from nestcut.arithmetic import angles_of, lengths_of

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
        repeated = lengths_of(ahead) < 1e-9
        if repeated.any():
            # Point k and its follower are one: the follower's edge is the one that counts.
            points, straight = points[~repeated], straight[~repeated]
            continue
        behind = np.roll(ahead, 1, axis=0)
        size = lengths_of(ahead) + lengths_of(behind)
        bend = np.abs(behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0])
        # About the height of the triangle over its longest side; below 1e-10 mm the vertex says nothing.
        flat = (bend < 1e-10 * size) & ((behind * ahead).sum(axis=1) > 0)
        # Never two neighbours at once: many nearly flat vertices may add up to a bend.
        runs = np.flatnonzero(flat).tolist()
        keep_from: list[int] = []
        for k in runs:
            if not keep_from or k != keep_from[-1] + 1:
                keep_from.append(k)
        if keep_from and keep_from[0] == 0 and keep_from[-1] == len(points) - 1:
            keep_from.pop()
        if not keep_from:
            break
        straight = straight.copy()
        for k in keep_from:
            straight[k - 1] |= straight[k]
        points, straight = np.delete(points, keep_from, axis=0), np.delete(straight, keep_from)
    return points, straight


def simplify_ring(points: Floats, straight: Flags, tolerance_mm: float) -> Floats:
    """Fewest vertices (nearly) for a ring whose solid, on its left, may grow but not shrink.

    Args:
        points: (n, 2), mm, closed without repeating the first point, solid on the left.
        straight: (n,), whether the edge from each point to the next must stay on its line.
        tolerance_mm: farthest the new ring may lie from the old one, mm.
    Returns: (k, 2), mm. May cross itself where the ring nearly touches itself: check, and use less tolerance.
    """
    points, straight = drop_collinear(points, straight)
    if len(points) <= 4 or straight.all():
        return points
    ring = _Ring(points, straight)
    corners = _merge(_pick_runs(ring, tolerance_mm), ring, tolerance_mm)
    return np.array([(c.at.real, c.at.imag) for c in corners])


class _Ring:
    """The given ring, beginning where a run of one curvature begins."""

    def __init__(self, points: Floats, straight: Flags) -> None:
        z = points[:, 0] + 1j * points[:, 1]
        edge = np.roll(z, -1) - z
        # written out: products of complex arrays may be fused, which moves the last bit
        came = np.roll(edge, 1)
        cross = came.real * edge.imag - came.imag * edge.real
        bulges = cross > 0
        changes = np.flatnonzero(bulges != np.roll(bulges, 1))
        self.closed = not len(changes)
        if len(changes):
            first = int(changes[0])
        else:
            # All of one curvature: begin after a straight edge, if there is one.
            first = int(np.flatnonzero(straight)[0] + 1) % len(z) if straight.any() else 0
        self.n = len(z)
        self.v: list[complex] = np.roll(z, -first).tolist()
        self.edge: list[complex] = np.roll(edge, -first).tolist()
        self.size: list[float] = np.roll(
            np.sqrt(edge.real * edge.real + edge.imag * edge.imag), -first
        ).tolist()
        self.straight: list[bool] = np.roll(straight, -first).tolist()
        self.bulges: list[bool] = np.roll(bulges, -first).tolist()
        bend = np.abs(angles_of(cross, came.real * edge.real + came.imag * edge.imag))
        # How far the ring has turned, without regard to the side, up to vertex k; twice round.
        self.turned: list[float] = np.cumsum(np.tile(np.roll(bend, -first), 2)).tolist()

    def turn(self, lo: int, hi: int) -> float:
        """Radians turned at the vertices lo + 1 .. hi, of one curvature."""
        n = self.n
        lo, hi = (lo, hi) if lo >= 0 else (lo + n, hi + n)
        return self.turned[hi] - self.turned[lo]

    def to_arc(self, p: complex, lo: int, hi: int) -> float:
        """As to_chain for a point outside an arc of one curvature: the foot is found by halving.

        Any point of the chain bounds the distance from above, so a foot that was missed costs a vertex, no more.
        """
        n, v, edges = self.n, self.v, self.edge
        low, high = lo, hi - 1
        while low < high:
            middle = (low + high + 1) // 2
            # Past the start of this edge: the foot is on it or further on.
            if (edges[middle % n].conjugate() * (p - v[middle % n])).real > 0:
                low = middle
            else:
                high = middle - 1
        return _to_segment(p, v[low % n], v[(low + 1) % n])

    def height(self, lo: int, hi: int) -> float:
        """Farthest that a vertex of an arc of one curvature, turning by less than half a turn, lies from its chord."""
        n, v, edges = self.n, self.v, self.edge
        chord = v[hi % n] - v[lo % n]
        side = (edges[lo % n].conjugate() * chord).imag
        low, high = lo + 1, hi
        while low < high:
            middle = (low + high) // 2
            # The arc still leaves the chord along this edge.
            if (edges[middle % n].conjugate() * chord).imag * side > 0:
                low = middle + 1
            else:
                high = middle
        return _to_segment(v[low % n], v[lo % n], v[hi % n])

    def to_chain(self, p: complex, lo: int, hi: int) -> float:
        """Distance from p to the polyline through the vertices lo..hi (numbers may exceed n)."""
        n, v, edges, sizes = self.n, self.v, self.edge, self.size
        best = abs(p - v[lo % n])
        for k in range(lo, hi):
            k %= n
            edge, size = edges[k], sizes[k]
            along = edge.conjugate() * (p - v[k])
            if along.real <= 0:
                continue
            away = abs(along.imag) / size if along.real < size * size else abs(p - v[(k + 1) % n])
            best = min(best, away)
        return best

    def off_line(self, lo: int, hi: int, path: tuple[complex, ...], limit: float = math.inf) -> float:
        """Farthest that one of the vertices lo..hi lies from a polyline; the search ends once ``limit`` is passed."""
        n, v = self.n, self.v
        legs = tuple(pairwise(path))
        worst = 0.0
        middle = (lo + hi) // 2
        # The middle of a curve is farthest from its chord: begin there, so that a miss shows at once.
        for k in (*range(middle, hi + 1), *range(lo, middle)):
            p = v[k % n]
            away = _to_segment(p, *legs[0])
            for leg in legs[1:]:
                if away <= worst:
                    break
                away = min(away, _to_segment(p, *leg))
            if away > worst:
                worst = away
                if worst > limit:
                    return worst
        return worst


@dataclass(slots=True)
class _Corner:
    """A vertex of the new ring, the vertices lo..hi (numbers may exceed n) of the old one that it
    stands for, and whether the new edge that leaves it must stay."""

    at: complex
    lo: int
    hi: int
    fixed: bool


def _pick_runs(ring: _Ring, tolerance: float) -> list[_Corner]:
    corners: list[_Corner] = []
    k = 0
    while k < ring.n:
        end = k
        while end + 1 < ring.n and ring.bulges[end + 1] == ring.bulges[k]:
            end += 1
        corners += (_bulge if ring.bulges[k] else _hollow)(ring, k, end, tolerance)
        k = end + 1
    return corners


def _bulge(ring: _Ring, a: int, b: int, tolerance: float) -> list[_Corner]:
    """Vertices a..b bulge: keep some of the lines of the edges a−1..b, the first and the last included."""
    n, v, edge = ring.n, ring.v, ring.edge
    found: list[_Corner] = []
    # A straight edge ends one part and begins the next.
    stops = [a - 1, *(k for k in range(a, b) if ring.straight[k]), b]

    def meet(i: int, j: int) -> complex | None:
        return _meeting(v[(i + 1) % n], edge[i % n], v[j % n], edge[j % n]) if j > i + 1 else v[j % n]

    def apart(i: int, j: int, limit: float) -> float:
        point = meet(i, j)
        if point is None:
            return math.inf
        if j <= i + 1:
            return 0.0
        # The tip is farthest of all: the distance to a convex arc grows along both legs up to there, and
        # each point of the arc is the foot of a point of the legs.
        return ring.to_arc(point, i + 1, j)

    for lo, hi in pairwise(stops):
        picks = _fewest(lo, hi, apart, tolerance)
        for i, j in pairwise(picks):
            point = meet(i, j)
            assert point is not None
            found.append(_Corner(point, i + 1, j, ring.straight[j % n]))
    return found


def _hollow(ring: _Ring, a: int, b: int, tolerance: float) -> list[_Corner]:
    """Vertices a..b are hollow: keep some of them, the first and the last included."""
    n, v = ring.n, ring.v
    last = b + 1 if ring.closed else b
    ends = {k for e in range(a, last) if ring.straight[e % n] for k in (e, e + 1) if a < k < last}
    found: list[_Corner] = []

    def apart(i: int, j: int, limit: float) -> float:
        if j <= i + 1:
            return 0.0
        if ring.turn(i, j - 1) < 2.5:
            return ring.height(i, j)
        return ring.off_line(i + 1, j - 1, (v[i % n], v[j % n]), limit)

    for lo, hi in pairwise([a, *sorted(ends), last]):
        picks = _fewest(lo, hi, apart, tolerance)
        found += [_Corner(v[k % n], k, k, ring.straight[k % n] and j == k + 1) for k, j in pairwise(picks)]
    if not ring.closed:
        found.append(_Corner(v[b], b, b, ring.straight[b]))
    return found


def _fewest(lo: int, hi: int, apart: Callable[[int, int, float], float], tolerance: float) -> list[int]:
    """Numbers lo < … < hi, as few as possible with apart(i, j, …) ≤ tolerance for neighbours, evenly spread."""
    if hi <= lo + 1:
        return [lo, hi] if hi > lo else [lo]

    def greedy(limit: float, most: int) -> list[int] | None:
        picks, step = [lo], 4
        while picks[-1] < hi:
            if len(picks) > most:
                return None
            i = picks[-1]
            # Steps along a curve are alike: look around the last one.
            low, high = i + 1, hi
            guess = min(hi, i + step)
            if guess > low and apart(i, guess, limit) <= limit:
                low, grow = guess, max(1, step // 4)
                while low < hi:
                    guess = min(hi, low + grow)
                    if apart(i, guess, limit) > limit:
                        high = guess - 1
                        break
                    low, grow = guess, grow * 2
            else:
                high = max(low, guess - 1)
            while low < high:
                middle = (low + high + 1) // 2
                if apart(i, middle, limit) <= limit:
                    low = middle
                else:
                    high = middle - 1
            step = low - i
            picks.append(low)
        return picks

    best = greedy(tolerance, hi - lo + 1)
    assert best is not None
    if len(best) > 2:
        small, large = 0.0, tolerance
        for _ in range(4):
            middle = (small + large) / 2
            picks = greedy(middle, len(best) - 1)
            if picks is not None and len(picks) <= len(best):
                best, large = picks, middle
            else:
                small = middle
    return best


def _merge(corners: list[_Corner], ring: _Ring, tolerance: float) -> list[_Corner]:
    """Drop hollow corners, and edges between two bulging ones, where the tolerance still allows it."""
    n = ring.n
    for share in (0.4, 0.7, 1.0):
        limit = share * tolerance
        k, tried = 0, 0
        while tried < len(corners) and len(corners) > 4:
            m = len(corners)
            k %= m
            t, u, c, w, x = (corners[(k + d) % m] for d in (-2, -1, 0, 1, 2))
            before, after, later = c.at - u.at, w.at - c.at, x.at - w.at
            bend, next_bend = (before.conjugate() * after).imag, (after.conjugate() * later).imag
            done = False
            # Both ways: the old vertices must stay near the new line, and the new line near the old one.
            if bend <= 0 and not u.fixed and not c.fixed:
                lo, hi = u.lo, _after(w.hi, u.lo, n)
                done = ring.off_line(lo, hi, (t.at, u.at, w.at, x.at), limit) <= limit and all(
                    ring.to_chain(u.at + q * (w.at - u.at), lo, hi) <= limit
                    for q in (0.1, 0.3, 0.5, 0.7, 0.9)
                )
                if done:
                    del corners[k]
            elif bend > 0 and next_bend > 0 and not c.fixed and after:
                point = _meeting(c.at, before, w.at, later)
                hi = _after(w.hi, c.lo, n)
                if (
                    point is not None
                    and ring.to_chain(point, c.lo, hi) <= limit
                    and ring.off_line(c.lo, hi, (u.at, point, x.at), limit) <= limit
                ):
                    corners[k] = _Corner(point, c.lo, hi, w.fixed)
                    del corners[(k + 1) % m]
                    done = True
            if done:
                k, tried = k - 2, 0
            else:
                k, tried = k + 1, tried + 1
    return corners


def _to_segment(p: complex, a: complex, b: complex) -> float:
    d = b - a
    size = abs(d)
    along = d.conjugate() * (p - a)
    if along.real <= 0 or size == 0:
        return abs(p - a)
    return abs(along.imag) / size if along.real < size * size else abs(p - b)


def _after(number: int, start: int, n: int) -> int:
    """The number of the same vertex, counted on round the ring from ``start``."""
    return start + (number - start) % n


def _meeting(p: complex, d: complex, q: complex, e: complex) -> complex | None:
    """Where the line from p along d meets the line that leaves q along e; None if not ahead of p and behind q."""
    bend = (d.conjugate() * e).imag
    if bend <= 1e-12 * abs(d) * abs(e):
        return None
    off = q - p
    ahead = (off.conjugate() * e).imag / bend
    behind = (off.conjugate() * d).imag / bend
    if ahead < 0 or behind > 0:
        return None
    return p + ahead * d
