"""Rims that look the same turned by a fraction of a circle: fewer turns to look at, for certain.

What all turns by 360°/m of a rim have in common lies in the rim at each of these turns. Where it can't fit, the
rim can't, and turned by 360°/m it is the same again. So nothing need be known of the symmetry but how much it costs.
"""

from __future__ import annotations

import numpy as np
import shapely
import shapely.affinity
from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.checks.measures.measure import turn_matrices
from nestcut.checks.measures.safe_side import shrunk

__all__ = ["common_to_folds", "disc_radius_mm"]

HAIR_MM = 1e-7
"""The common part is the same at each of its turns but for rounding errors, far below this."""


def common_to_folds(rim: BaseGeometry, most: int, loss: float) -> tuple[int, BaseGeometry]:
    """(m, common part of all turns by 360°/m about (0, 0)) for the largest m that costs no more than this share of the area.

    (1, the rim) where there is none.
    """
    for fold in range(most, 1, -1):
        common = common_part(rim, fold, (1 - loss) * rim.area)
        if not common.is_empty:
            return fold, common
    return 1, rim


def common_part(rim: BaseGeometry, fold: int, least_mm2: float = 0.0) -> BaseGeometry:
    """What all turns by 360°/fold about (0, 0) have in common, less a hair; empty if it is smaller than asked."""
    common = rim
    for (a, b), (c, d) in turn_matrices(np.arange(1, fold) * 360.0 / fold).tolist():
        turned = shapely.affinity.affine_transform(rim, [a, b, c, d, 0.0, 0.0])
        common = shapely.intersection(common, turned)
        if common.area < least_mm2:
            return Polygon()
    return shrunk(common, HAIR_MM)


def disc_radius_mm(shape: BaseGeometry) -> float:
    """Radius of the largest disc about (0, 0) that lies in the shape; 0 if there is none."""
    middle = Point(0.0, 0.0)
    if shape.is_empty or not shape.contains(middle):
        return 0.0
    return max(0.0, float(shape.boundary.distance(middle)) - 1e-9)
