"""The exact check behind every layout that the placement room hands out.

Works on the shapes as given (not on what a search made of them), with shapely. Tolerance: 1e-6 mm is
what the whole house allows; layouts are held to a tenth of that.
"""

from __future__ import annotations

from collections.abc import Sequence

import shapely
from shapely.geometry import MultiPolygon, Polygon

from nestcut.batch.model import Shape
from nestcut.placement.shapes.types import Part, Placed

__all__ = ["SLACK_MM", "apart", "inside", "lies_well", "shapes_of"]

SLACK_MM = 1e-7
"""What an exact layout may miss of a distance through rounding, mm."""


def shapes_of(parts: Sequence[Part], placed: Sequence[Placed]) -> list[Shape]:
    """The placed shapes in the region's frame."""
    return [one.pose.apply(parts[one.part].shape) for one in placed]


def inside(shape: Shape, room: Polygon | MultiPolygon) -> bool:
    """Does the shape lie in ``room``, already grown by the slack (see :func:`lies_well`)?"""
    return bool(room.covers(shape))


def apart(a: Shape, b: Shape, gap_mm: float) -> bool:
    """Are two shapes at least ``gap_mm`` apart, their insides disjoint, within 1e-7 mm?"""
    if gap_mm > SLACK_MM:
        return a.distance(b) >= gap_mm - SLACK_MM
    if not a.intersects(b):
        return True
    # Touching is allowed: what is left of a without a skin of the slack must not meet b.
    core = a.buffer(-SLACK_MM, join_style="mitre", mitre_limit=10.0)
    return not core.intersects(b) and not _same_place(a, b)


def _same_place(a: Shape, b: Shape) -> bool:
    """Guards against slivers thinner than the slack, whose core is empty: they may not lie in each other."""
    smaller = min(a.area, b.area)
    return smaller > 0.0 and a.intersection(b).area > 0.5 * smaller


def lies_well(
    parts: Sequence[Part],
    placed: Sequence[Placed],
    region: Polygon | MultiPolygon,
    *,
    gap_mm: float,
    obstacles: Sequence[Shape] = (),
    grown: bool = False,
) -> bool:
    """Is the layout exact: all shapes in the region, at least ``gap_mm`` from each other and from obstacles?

    ``grown`` says that the region has been grown by the slack already. Angles are not checked here.
    """
    room = region if grown else region.buffer(SLACK_MM, join_style="mitre")
    shapes = shapes_of(parts, placed)
    shapely.prepare(room)
    if not all(room.covers(shape) for shape in shapes):
        return False
    reach = gap_mm + SLACK_MM
    tree = shapely.STRtree(shapes)
    for i, shape in enumerate(shapes):
        x0, y0, x1, y1 = shape.bounds
        near = shapely.box(x0 - reach, y0 - reach, x1 + reach, y1 + reach)
        for j in tree.query(near):
            if j > i and not apart(shape, shapes[j], gap_mm):
                return False
        if any(not apart(shape, other, gap_mm) for other in obstacles if near.intersects(other)):
            return False
    return True
