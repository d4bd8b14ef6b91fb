"""Compiled: the Minkowski sums of all convex parts of one shape with all those of another, at once.

The same sums as :func:`nestcut.placement.shapes.convex.convex_sum`, without a trip through Python for each: real dies
fall into a dozen convex parts, and a pair of them into a hundred sums, for every relative turn.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from nestcut.arithmetic import lengths_of
from nestcut.batch.model import Shape
from nestcut.placement.shapes.compiled import kernel
from nestcut.placement.shapes.convex import Points
from nestcut.placement.shapes.nofit import _polygons_of

__all__ = ["Sums"]


class Sums:
    """Sums of the fixed parts with the reflected moving parts: one ring after the other.

    Attributes: ``points`` (m, 2), ``start`` (k + 1) where each ring begins.
    """

    def __init__(self, fixed: Sequence[Points], moving: Sequence[Points]) -> None:
        a, a_start = _packed(fixed)
        b, b_start = _packed([-ring for ring in moving])
        room = len(a) * len(moving) + len(b) * len(fixed)
        self.points = np.empty((room, 2))
        self.start = np.zeros(len(fixed) * len(moving) + 1, np.int64)
        _sums(a, a_start, b, b_start, self.points, self.start)

    def region(self, hair: float) -> Shape:
        """Union of the sums, each shrunk by a hair (see :data:`nestcut.placement.shapes.nofit.HAIR_MM`)."""
        number = np.repeat(np.arange(len(self.start) - 1), np.diff(self.start))
        many = np.diff(self.start)[:, None]
        middle = (np.add.reduceat(self.points, self.start[:-1], axis=0) / many)[number]
        out = self.points - middle
        reach = np.maximum.reduceat(lengths_of(out), self.start[:-1])[number]
        share = np.where(reach > hair, 1.0 - hair / np.maximum(reach, 1e-300), 1.0)
        shrunk = middle + out * share[:, None]
        # Rings are closed by their first point.
        last = self.start[1:]
        closed = np.insert(shrunk, last, shrunk[self.start[:-1]], axis=0)
        rings = shapely.linearrings(closed, indices=np.insert(number, last, number[self.start[:-1]]))
        return _polygons_of(shapely.union_all(shapely.polygons(rings)))

    def planes(self) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Outward unit normals and offsets of all edges, (m, 3), and where each ring's rows end."""
        after = np.arange(1, len(self.points) + 1)
        after[self.start[1:] - 1] = self.start[:-1]
        edge = self.points[after] - self.points
        length = lengths_of(edge)
        keep = length > 1e-9
        normal = np.column_stack((edge[keep, 1], -edge[keep, 0])) / length[keep, None]
        offset = (normal * self.points[keep]).sum(axis=1)
        ends = np.asarray(np.cumsum(keep)[self.start[1:] - 1], dtype=np.int64)
        return np.column_stack((normal, offset)), ends


def _packed(rings: Sequence[Points]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    return np.concatenate(rings), np.concatenate(([0], np.cumsum([len(r) for r in rings]))).astype(np.int64)


@kernel
def _lowest(a, first, last):  # type: ignore[no-untyped-def]
    at = first
    for k in range(first + 1, last):
        if a[k, 1] < a[at, 1] or (a[k, 1] == a[at, 1] and a[k, 0] < a[at, 0]):
            at = k
    return at


@kernel
def _sums(a, a_start, b, b_start, out, start):  # type: ignore[no-untyped-def]
    """Merge the edges of every two rings by direction (de Berg et al., Computational Geometry, section 13.3)."""
    m = 0
    ring = 0
    for i in range(len(a_start) - 1):
        a0, a1 = a_start[i], a_start[i + 1]
        na = a1 - a0
        pa = _lowest(a, a0, a1)
        for j in range(len(b_start) - 1):
            b0, b1 = b_start[j], b_start[j + 1]
            nb = b1 - b0
            pb = _lowest(b, b0, b1)
            x, y = a[pa, 0] + b[pb, 0], a[pa, 1] + b[pb, 1]
            s, t = 0, 0
            for _ in range(na + nb):
                out[m, 0], out[m, 1] = x, y
                m += 1
                p, q = a0 + (pa - a0 + s) % na, a0 + (pa - a0 + s + 1) % na
                ux, uy = a[q, 0] - a[p, 0], a[q, 1] - a[p, 1]
                p, q = b0 + (pb - b0 + t) % nb, b0 + (pb - b0 + t + 1) % nb
                vx, vy = b[q, 0] - b[p, 0], b[q, 1] - b[p, 1]
                take_a = t >= nb
                if s < na and t < nb:
                    # Upward edges come before downward ones, then the one that turns less.
                    up_u, up_v = uy > 0.0 or (uy == 0.0 and ux > 0.0), vy > 0.0 or (vy == 0.0 and vx > 0.0)
                    if up_u != up_v:
                        take_a = up_u
                    else:
                        take_a = ux * vy - uy * vx >= 0.0
                if take_a:
                    s += 1
                    x, y = x + ux, y + uy
                else:
                    t += 1
                    x, y = x + vx, y + vy
            ring += 1
            start[ring] = m
