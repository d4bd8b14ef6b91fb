"""How far below one rim another must lie, for all turns of both and all differences of x at once.

For convex parts P and Q the shifts at which Q meets P are the polygon P ⊕ (−Q): the half-planes across its
sides have the normals of P's and of −Q's sides, each as far out as both shapes reach that way. For a fixed
difference of x they leave a stretch of y. Its upper end is concave in x and its lower end convex, so what
both ends of a cell of x have in common is forbidden all over the cell.
Source: Minkowski sums of convex polygons by their support functions (textbook).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nestcut.checks.measures.measure import turn_matrices

__all__ = ["least_offsets"]

Floats = NDArray[np.float64]
LEVEL = 1e-12
"""A normal with less y than this stands on an upright side."""
MOST_NUMBERS = 4_000_000
"""Numbers in one array: keeps the memory small."""


def least_offsets(
    parts_a: Sequence[Floats],
    turns_a: Floats,
    parts_b: Sequence[Floats],
    turns_b: Floats,
    step_mm: float,
    half: int,
) -> tuple[Floats, Floats]:
    """Least y ≥ 0 by which b must lie below a, and a below b.

    Args:
        parts_a, parts_b: convex parts, (corners, 2) counter-clockwise, mm; one of them grown by the gap.
        turns_a, turns_b: degrees.
        step_mm: width of a cell of x. Two cells d apart differ by (d − 1)·step … (d + 1)·step.
        half: greatest d.
    Returns: (turns a, turns b, 2·half + 1) for b below a, d = cell of b less cell of a; and (turns b,
        turns a, 2·half + 1) for a below b, d = cell of a less cell of b.
    """
    shape = (len(turns_a), len(turns_b), 2 * half + 1)
    below, above = np.zeros(shape), np.zeros(shape)
    # What one pair of turns takes: lines for every side, and every side's normal with every corner.
    each = len(parts_a) * len(parts_b) * (2 * half + 3)
    for a in parts_a:
        for b in parts_b:
            each = max(each, (len(a) + len(b)) * (2 * half + 3), (len(a) + len(b)) ** 2)
    across = max(1, min(shape[1], MOST_NUMBERS // each))
    down = max(1, MOST_NUMBERS // (each * across))
    for first_a in range(0, shape[0], down):
        for first_b in range(0, shape[1], across):
            some = slice(first_a, first_a + down), slice(first_b, first_b + across)
            stretches = [
                _forbidden(a, turns_a[some[0]], b, turns_b[some[1]], step_mm, half)
                for a in parts_a
                for b in parts_b
            ]
            low = np.stack([low for low, _ in stretches])
            high = np.stack([high for _, high in stretches])
            below[some] = _first_free(low, high)
            above[some] = _first_free(-high, -low)
    return below, np.ascontiguousarray(np.swapaxes(above, 0, 1)[:, :, ::-1])


def _forbidden(
    a: Floats, turns_a: Floats, b: Floats, turns_b: Floats, step_mm: float, half: int
) -> tuple[Floats, Floats]:
    """Stretch of y forbidden all over each cell of x, (turns a, turns b, cells); low > high where none."""
    at_a = np.einsum("tij,vj->tvi", turn_matrices(turns_a), a)
    at_b = -np.einsum("tij,vj->tvi", turn_matrices(turns_b), b)
    normals_a, normals_b = _normals(at_a), _normals(at_b)
    reach_ab = np.einsum("sei,svi->sev", normals_a, at_a).max(axis=2)[:, None, :] + np.einsum(
        "sei,tvi->stev", normals_a, at_b
    ).max(axis=3)
    reach_ba = np.einsum("tei,tvi->tev", normals_b, at_b).max(axis=2)[None, :, :] + np.einsum(
        "tei,svi->stev", normals_b, at_a
    ).max(axis=3)
    reach = np.concatenate([reach_ab, reach_ba], axis=2)[..., None]
    count = (len(turns_a), len(turns_b))
    normals = np.concatenate(
        [
            np.broadcast_to(normals_a[:, None], (*count, *normals_a.shape[1:])),
            np.broadcast_to(normals_b[None], (*count, *normals_b.shape[1:])),
        ],
        axis=2,
    )
    nx, ny = normals[..., 0][..., None], normals[..., 1][..., None]
    x = step_mm * np.arange(-half - 1, half + 2)
    left = reach - nx * x
    with np.errstate(divide="ignore", invalid="ignore"):
        y = left / ny
    high = np.where(ny > LEVEL, y, np.inf).min(axis=2)
    low = np.where(ny < -LEVEL, y, -np.inf).max(axis=2)
    beside = ((np.abs(ny) <= LEVEL) & (left < 0.0)).any(axis=2)
    high = np.where(beside, -np.inf, high)
    low = np.where(beside, np.inf, low)
    # Nothing at one end of the cell: nothing common to the whole cell.
    common_low = np.maximum(low[..., :-2], low[..., 2:])
    common_high = np.minimum(high[..., :-2], high[..., 2:])
    none = (low > high)[..., :-2] | (low > high)[..., 2:] | (common_low > common_high)
    return np.where(none, np.inf, common_low), np.where(none, -np.inf, common_high)


def _normals(corners: Floats) -> Floats:
    """Outward normals of counter-clockwise rings, (turns, sides, 2)."""
    along = np.roll(corners, -1, axis=1) - corners
    normals = np.stack([along[..., 1], -along[..., 0]], axis=-1)
    return normals / np.hypot(normals[..., 0], normals[..., 1])[..., None]


def _first_free(low: Floats, high: Floats) -> Floats:
    """Least y ≥ 0 in none of the stretches (first axis)."""
    y = np.zeros(low.shape[1:])
    for _ in range(len(low)):
        inside = (low <= y) & (y < high)
        further = np.where(inside, high, y).max(axis=0)
        if (further == y).all():
            break
        y = further
    return y
