"""How far apart placed parts lie, measured by shapely."""

from __future__ import annotations

import math
from collections.abc import Sequence

from nestcut.batch.model import Shape
from nestcut.placement import Part, Placed

__all__ = ["smallest_gap"]


def smallest_gap(
    parts: Sequence[Part], placed: Sequence[Placed], region: Shape, obstacles: Sequence[Shape] = ()
) -> float:
    """Smallest distance, mm, among placed parts, obstacles and the region's edge."""
    shapes = [one.pose.apply(parts[one.part].shape) for one in placed]
    gap = math.inf
    for i, shape in enumerate(shapes):
        gap = min(gap, shape.distance(region.boundary))
        for other in (*shapes[i + 1 :], *obstacles):
            gap = min(gap, shape.distance(other))
    return gap
