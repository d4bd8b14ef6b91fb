"""Compiled inner loop of straight cuts (see :mod:`nestcut.passes.parts.straight_cuts`)."""

from __future__ import annotations

import numpy as np

from nestcut.placement.shapes.compiled import kernel, length_of

__all__ = ["best_line"]


@kernel
def best_line(points, first, worth, hair):
    """For the best line along a side of a ring: −1 or 1 for rings beside it, 0 for those that it goes through.

    Args:
        points: corners of all rings, one ring after the other, (n, 2), mm.
        first: where each ring begins, and the number of points.
        worth: what is lost with each ring.
        hair: how far a ring may reach over the line, mm.
    """
    n = len(worth)
    best = np.zeros(n, np.int64)
    sides = np.zeros(n, np.int64)
    best_idle, best_lost, best_larger = 2, np.inf, n + 1
    for ring in range(n):
        for k in range(first[ring], first[ring + 1]):
            after = k + 1 if k + 1 < first[ring + 1] else first[ring]
            ax, ay = points[after, 0] - points[k, 0], points[after, 1] - points[k, 1]
            length = length_of(ax, ay)
            if length <= 1e-9:
                continue
            ax, ay = ax / length, ay / length
            lost = 0.0
            above = below = 0
            for other in range(n):
                low, high = np.inf, -np.inf
                for p in range(first[other], first[other + 1]):
                    off = ax * (points[p, 1] - points[k, 1]) - ay * (points[p, 0] - points[k, 0])
                    low, high = min(low, off), max(high, off)
                    if low < -hair and high > hair:
                        break
                if low >= -hair:
                    sides[other] = 1
                    above += 1
                elif high <= hair:
                    sides[other] = -1
                    below += 1
                else:
                    sides[other] = 0
                    lost += worth[other]
                    if best_idle == 0 and lost > best_lost:
                        break
            larger = max(above, below)
            # A line with all parts on one side only cuts off air; one that halves the rest saves work.
            idle = 1 if larger == n else 0
            if best_idle == 0 and lost > best_lost:
                continue
            if (idle, lost, larger) < (best_idle, best_lost, best_larger):
                best_idle, best_lost, best_larger = idle, lost, larger
                for other in range(n):
                    best[other] = sides[other]
    return best
