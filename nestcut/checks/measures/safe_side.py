"""Growing and shrinking with the error on the known side: what a proof may lean on.

A library's buffer draws arcs as chords and smooths small dents (by a hundredth of the distance), on
whichever side is handy. So shrinking is measured afterwards, and growing is built up from parts that lie
inside the true growth.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.checks.measures.measure import polygons_in

__all__ = ["grown_area_mm2", "shrunk"]

DISC_SIDES = 64
"""Sides of the polygon that stands for a disc: it errs by a thousandth of the radius."""
HAIR = 1e-9
"""Relative; above the rounding errors of areas and distances."""


def shrunk(shape: BaseGeometry, by_mm: float) -> BaseGeometry:
    """A shape all of whose points lie at least ``by_mm`` inside the given one, nearly as large as can be.

    May be empty. Source: distance measured between the result and the boundary, so sound by itself.
    """
    if by_mm <= 0.0:
        return shape
    boundary = shape.boundary
    for more in (1.0015, 1.012, 1.1):
        inner = shape.buffer(-by_mm * more, quad_segs=16)
        if inner.is_empty:
            return inner
        if shapely.distance(inner, boundary) >= by_mm * (1 + HAIR) and shape.covers(inner):
            return inner
    return Polygon()


def grown_area_mm2(shape: BaseGeometry, by_mm: float) -> float:
    """Area of the shape with every point grown to a disc of radius ``by_mm``: a little too small.

    The union of the shape, a rectangle along each side and a polygon inscribed in a disc at each corner.
    """
    if shape.is_empty or by_mm <= 0.0:
        return float(shape.area) * (1 - HAIR)
    angle = np.arange(DISC_SIDES) * (2 * np.pi / DISC_SIDES)
    disc = by_mm * np.column_stack([np.cos(angle), np.sin(angle)])
    pieces: list[BaseGeometry] = [shape]
    for polygon in polygons_in(shape):
        for ring in (polygon.exterior, *polygon.interiors):
            corners = shapely.get_coordinates(ring)
            start, along = corners[:-1], np.diff(corners, axis=0)
            length = np.hypot(*along.T)
            start, along, length = start[length > 0], along[length > 0], length[length > 0]
            out = along[:, ::-1] * (1.0, -1.0) / length[:, None] * by_mm
            quads = np.stack([start - out, start + along - out, start + along + out, start + out], axis=1)
            pieces += list(shapely.polygons(quads)) + list(shapely.polygons(start[:, None, :] + disc))
    return float(shapely.union_all(pieces).area) * (1 - HAIR)
