"""Compiled inner loop of one paper a pass: whole steps at which two shapes come too near (see :mod:`nestcut.passes.makers.one_paper.one_paper_grid`)."""

from __future__ import annotations

import math

import numpy as np

from nestcut.placement.shapes.compiled import kernel

__all__ = ["mark_steps"]


@kernel
def mark_steps(fixed, first, moving, begin, off_x, off_y, air, hair, low_x, low_y, flags):  # type: ignore[no-untyped-def]
    """Mark the whole steps d at which a moving shape at (off_x, off_y) + d comes nearer than ``air`` to a fixed one.

    Args:
        fixed: corners of its convex parts, each from its lowest, then leftmost corner on, counter-clockwise, (n, 2), mm.
        first: where each part begins, and the number of corners.
        moving, begin: the same of the other shape, reflected through its reference point.
        air: least distance, mm; 0: their insides may not meet.
        hair: by how much too near is still allowed, mm.
        low_x, low_y: the step of ``flags[0, 0]``.
        flags: is written to.
    Source: sums of convex parts (de Berg et al., Computational Geometry, section 13.3), widened by a disc, row by row.
    """
    columns, rows = flags.shape
    ring = np.empty((len(fixed) + len(moving) + 2, 2))
    for one in range(len(first) - 1):
        n = first[one + 1] - first[one]
        for two in range(len(begin) - 1):
            m = begin[two + 1] - begin[two]
            i = j = count = 0
            while i < n or j < m:
                a, b = first[one] + i % n, begin[two] + j % m
                ring[count, 0] = fixed[a, 0] + moving[b, 0] - off_x
                ring[count, 1] = fixed[a, 1] + moving[b, 1] - off_y
                count += 1
                a2, b2 = first[one] + (i + 1) % n, begin[two] + (j + 1) % m
                ux, uy = fixed[a2, 0] - fixed[a, 0], fixed[a2, 1] - fixed[a, 1]
                vx, vy = moving[b2, 0] - moving[b, 0], moving[b2, 1] - moving[b, 1]
                cross = ux * vy - uy * vx
                if i < n and (j == m or cross >= 0.0):
                    if j < m and cross == 0.0:
                        j += 1
                    i += 1
                else:
                    j += 1
            top, bottom = ring[0, 1], ring[0, 1]
            for k in range(count):
                top, bottom = min(top, ring[k, 1]), max(bottom, ring[k, 1])
            row_low = max(0, math.ceil(top - air + hair) - low_y)
            row_high = min(rows - 1, math.floor(bottom + air - hair) - low_y)
            for row in range(row_low, row_high + 1):
                y = float(row + low_y)
                left, right = np.inf, -np.inf
                for k in range(count):
                    px, py = ring[k, 0], ring[k, 1]
                    qx, qy = ring[(k + 1) % count, 0], ring[(k + 1) % count, 1]
                    if air > 0.0 and abs(y - py) <= air:
                        reach = np.sqrt(air * air - (y - py) * (y - py))
                        left, right = min(left, px - reach), max(right, px + reach)
                    length = np.sqrt((qx - px) * (qx - px) + (qy - py) * (qy - py))
                    if length <= 1e-12:
                        continue
                    nx, ny = air * (qy - py) / length, -air * (qx - px) / length
                    sy, ty = py + ny, qy + ny
                    if abs(ty - sy) > 1e-12 and min(sy, ty) <= y <= max(sy, ty):
                        x = px + nx + (y - sy) / (ty - sy) * (qx - px)
                        left, right = min(left, x), max(right, x)
                begin_x = max(0, math.ceil(left + hair) - low_x) if left < right else columns
                end_x = min(columns - 1, math.floor(right - hair) - low_x) if left < right else -1
                for column in range(begin_x, end_x + 1):
                    flags[column, row] = True
