"""Compiled: which places cannot be taken together, decided on the convex cores of the shapes.

Discs settle most pairs (apart for certain, or overlapping for certain); the rest is measured core by core,
as the search does it. What this calls apart is apart within :data:`EXACT_MM`; a layout chosen from such
places is still measured with shapely before it is handed out.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Point

from nestcut.batch.model import Shape
from nestcut.placement.engine.overlap import _G, _TF, _fixed, _pair, set_world
from nestcut.placement.shapes.compiled import kernel
from nestcut.placement.shapes.turning import Cores, Kit

__all__ = ["EXACT_MM", "inner_radius", "meeting_pairs", "places_inside"]

EXACT_MM = 5e-8
"""Deepest overlap that still counts as touching, mm."""


def inner_radius(shape: Shape, cores: Cores) -> float:
    """Radius, from below, of the disc around the shape's middle that lies in the shape, mm (0: none)."""
    middle = Point(cores.middle)
    if not shape.contains(middle):
        return 0.0
    return float(shapely.distance(middle, shape.boundary))


def meeting_pairs(
    kit: Kit, inner: NDArray[np.float64], kind: NDArray[np.int64], pose: NDArray[np.float64]
) -> NDArray[np.int64]:
    """All pairs (i, j), i < j, of places nearer to each other than the kit's gap.

    Args:
        inner: by kind, the radius that :func:`inner_radius` gives.
        kind, pose: the places, poses as (n, 3): middle x, y in mm, radians.
    Returns: (m, 2).
    """
    if len(kind) < 2:
        return np.empty((0, 2), np.int64)
    from nestcut.placement.engine.settle import World

    world = World(kit, kind)
    set_world(kit.arrays, kind, pose, *world.all)
    order = np.argsort(pose[:, 0], kind="stable")
    pairs = _meeting(kit.arrays, inner, kind, pose, order, *world.all, EXACT_MM)
    return np.sort(pairs, axis=1)


def places_inside(kit: Kit, kind: NDArray[np.int64], pose: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which places lie in the kit's region and keep the gap to its obstacles, within :data:`EXACT_MM`."""
    if len(kind) == 0:
        return np.zeros(0, np.bool_)
    from nestcut.placement.engine.settle import World

    world = World(kit, kind)
    set_world(kit.arrays, kind, pose, *world.all)
    return _inside(kit.arrays, kind, pose, *world.all, EXACT_MM)


@kernel
def _meeting(kit, inner, kind, pose, order, wv, wp, ov, op, exact):
    TF, gap = kit[_TF], kit[_G][0]
    n = kind.shape[0]
    widest = 0.0
    for k in range(TF.shape[0]):
        widest = max(widest, TF[k, 0])
    found = np.empty((256, 2), np.int64)
    m = 0
    for a in range(n):
        i = order[a]
        x, y, reach = pose[i, 0], pose[i, 1], TF[kind[i], 0] + gap
        for b in range(a + 1, n):
            j = order[b]
            dx = pose[j, 0] - x
            if dx >= reach + widest:
                break
            dy = pose[j, 1] - y
            d2 = dx * dx + dy * dy
            r = reach + TF[kind[j], 0]
            if d2 >= r * r:
                continue
            r = inner[kind[i]] + inner[kind[j]] + gap - 2.0 * exact
            meets = r > 0.0 and d2 < r * r
            if not meets:
                f, _, _, _, _, deep = _pair(
                    kit, kind[i], kind[j], wv, wp, ov[i], op[i], ov[j], op[j],
                    x, y, pose[j, 0], pose[j, 1], exact * exact,
                )  # fmt: skip
                meets = f > 0.0 and deep > exact
            if meets:
                if m == found.shape[0]:
                    found = np.concatenate((found, np.empty_like(found)))
                found[m, 0] = i
                found[m, 1] = j
                m += 1
    return found[:m]


@kernel
def _inside(kit, kind, pose, wv, wp, ov, op, exact):
    n = kind.shape[0]
    good = np.ones(n, np.bool_)
    for i in range(n):
        f, _, _, _, deep = _fixed(kit, kind[i], wv, wp, ov[i], op[i], pose[i, 0], pose[i, 1], exact * exact)
        good[i] = not (f > 0.0 and deep > exact)
    return good
