"""No-fit and inner-fit regions: where a part's origin must not, and may, lie.

Both are exact up to :data:`HAIR_MM`. A part is *moving* by translation only; turn it first.

Source: the no-fit polygon is the Minkowski sum of the fixed shape and the moving one reflected through
its origin (Art 1966; Bennell & Oliveira 2008, a tutorial); for non-convex shapes, the union of the sums
of their convex parts.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import GeometryCollection, LineString, MultiPolygon, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from nestcut.arithmetic import lengths_of, sine_cosine, turn_points
from nestcut.batch.model import Shape
from nestcut.placement.shapes.convex import Points, convex_parts, convex_sum

__all__ = ["HAIR_MM", "InnerFits", "inner_fit", "no_fit", "no_fit_of_parts"]

HAIR_MM = 1e-7
"""Depth to which a sum is shrunk before the union, mm. A slot that a part fits into exactly is a line of
zero width in the no-fit region, and a union of closed regions would close it. Shrunk by a hair it stays
open, and a part that uses it overlaps by no more than a hair, a tenth of the tolerance 1e-6 mm."""


def no_fit(fixed: Shape, moving: Shape) -> Shape:
    """Positions of the moving shape's origin at which its inside meets the fixed shape's inside.

    Args:
        fixed: where it lies, mm.
        moving: in its own frame, mm; its origin is the point (0, 0) of that frame.
    Returns: the closure of an open region, mm; all components and holes are kept (a hole is an opening or a
        slot into which the moving shape fits; an exact fit shows as a hole up to 2 hairs wide).
    """
    return no_fit_of_parts(convex_parts(fixed), convex_parts(moving))


def no_fit_of_parts(fixed: list[Points], moving: list[Points], *, hair_mm: float = HAIR_MM) -> Shape:
    """:func:`no_fit` of shapes that are already cut into convex parts (mm)."""
    sums = []
    for part in moving:
        reflected = -part
        for other in fixed:
            sums.append(Polygon(_shrink(convex_sum(other, reflected), hair_mm)))
    if not sums:
        return Polygon()
    if len(sums) == 1:
        return sums[0]
    union = shapely.union_all(sums)
    return _polygons_of(union)


def _polygons_of(geometry: BaseGeometry) -> Shape:
    if isinstance(geometry, Polygon | MultiPolygon):
        return geometry
    return MultiPolygon([g for g in shapely.get_parts(geometry) if isinstance(g, Polygon) and not g.is_empty])


def _shrink(ring: Points, hair_mm: float) -> Points:
    """Shrink a convex ring towards its middle so that no edge moves by more than a hair (and none by 0)."""
    if hair_mm <= 0:
        return ring
    middle = ring.mean(axis=0)
    reach = float(lengths_of(ring - middle).max())
    if reach <= hair_mm:
        return ring
    return middle + (ring - middle) * (1.0 - hair_mm / reach)


def inner_fit(region: Shape, moving: Shape) -> BaseGeometry:
    """Positions of the moving shape's origin at which it lies in the region (touching allowed).

    Args:
        region: polygon or multipolygon, holes allowed, mm.
        moving: in its own frame, mm.
    Returns: polygons, and lines or points where the moving shape fits exactly; empty where it does not fit.
        A position that is returned leaves the region by no more than a hair.
    """
    if region.is_empty:
        return Polygon()
    rx0, ry0, rx1, ry1 = region.bounds
    mx0, my0, mx1, my1 = moving.bounds
    frame = _span_box(rx0 - mx0, ry0 - my0, rx1 - mx1, ry1 - my1)
    if frame.is_empty:
        return frame
    # What is not region, as far out as the moving shape can reach from the frame.
    far = max(mx1 - mx0, my1 - my0) + 1.0
    outside = box(rx0 - far, ry0 - far, rx1 + far, ry1 + far).difference(region)
    outside = _polygons_of(outside)
    if _is_box(region):
        return frame
    forbidden = no_fit(outside, moving)
    return _merge_thin(frame.difference(forbidden))


class InnerFits:
    """:func:`inner_fit` of one shape at many turns about its origin: both are cut into convex parts only once."""

    def __init__(self, region: Shape, shape: Shape) -> None:
        self.region, self.shape, self.parts = region, shape, convex_parts(shape)
        self.box = region.is_empty or _is_box(region)
        if not self.box:
            x0, y0, x1, y1 = region.bounds
            far = 2 * float(lengths_of(shapely.get_coordinates(shape)).max()) + 1.0
            around = box(x0 - far, y0 - far, x1 + far, y1 + far)
            self.outside = convex_parts(_polygons_of(around.difference(region)))

    def at(self, angle: float) -> BaseGeometry:
        """Positions of the origin at a turn (radians)."""
        parts = [turn_points(part, *sine_cosine(angle)) for part in self.parts]
        if self.region.is_empty:
            return Polygon()
        rx0, ry0, rx1, ry1 = self.region.bounds
        points = np.concatenate(parts)
        (mx0, my0), (mx1, my1) = points.min(axis=0), points.max(axis=0)
        frame = _span_box(rx0 - mx0, ry0 - my0, rx1 - mx1, ry1 - my1)
        if frame.is_empty or self.box:
            return frame
        return _merge_thin(frame.difference(no_fit_of_parts(self.outside, parts)))


def _is_box(region: Shape) -> bool:
    return isinstance(region, Polygon) and region.equals(box(*region.bounds))


def _span_box(x0: float, y0: float, x1: float, y1: float) -> BaseGeometry:
    """The box of allowed positions; a line or a point where it has no width or no height."""
    if x1 - x0 < -HAIR_MM or y1 - y0 < -HAIR_MM:
        return Polygon()
    flat_x, flat_y = x1 - x0 <= HAIR_MM, y1 - y0 <= HAIR_MM
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    if flat_x and flat_y:
        return Point(cx, cy)
    if flat_x:
        return LineString([(cx, y0), (cx, y1)])
    if flat_y:
        return LineString([(x0, cy), (x1, cy)])
    return box(x0, y0, x1, y1)


def _merge_thin(geometry: BaseGeometry) -> BaseGeometry:
    """Turn boxes of two hairs' width into the lines or points in their middle; leave the rest alone."""
    kept: list[BaseGeometry] = []
    for part in shapely.get_parts(geometry):
        if part.is_empty:
            continue
        if not isinstance(part, Polygon) or part.area > 4 * HAIR_MM * part.length:
            kept.append(part)
            continue
        x0, y0, x1, y1 = part.bounds
        wide, high = x1 - x0, y1 - y0
        if wide <= 4 * HAIR_MM and high <= 4 * HAIR_MM:
            kept.append(Point((x0 + x1) / 2, (y0 + y1) / 2))
        elif wide <= 4 * HAIR_MM:
            x = (x0 + x1) / 2
            kept.append(LineString([(x, y0), (x, y1)]))
        elif high <= 4 * HAIR_MM:
            y = (y0 + y1) / 2
            kept.append(LineString([(x0, y), (x1, y)]))
        else:
            kept.append(part)
    if not kept:
        return Polygon()
    if len(kept) == 1:
        return kept[0]
    if all(isinstance(part, Polygon) for part in kept):
        return MultiPolygon(kept)
    return GeometryCollection(kept)
