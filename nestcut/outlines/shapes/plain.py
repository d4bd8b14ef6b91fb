"""Plain shapes that need no drawing: circle, oval, rectangle."""

from __future__ import annotations

import math
from typing import Literal

from shapely.geometry import Polygon

from nestcut.arithmetic import angle_of, sine_cosine
from nestcut.errors import OutlineError
from nestcut.outlines.shapes.curves import Arc, Curve, Line
from nestcut.outlines.shapes.flatten import flatten_loop
from nestcut.outlines.shapes.types import FLATTEN_MM, Side

__all__ = ["PlainKind", "ellipse_curves", "plain_shape", "rounded_curves"]

PlainKind = Literal["circle", "oval", "rectangle"]


def plain_shape(
    kind: PlainKind,
    width_mm: float,
    height_mm: float | None = None,
    *,
    corner_radius_mm: float = 0.0,
    side: Side = "outside",
) -> Polygon:
    """A circle, oval or rectangle as a polygon, its bounding box's centre at (0, 0).

    Args:
        kind: "circle" (of diameter ``width_mm``), "oval" (an ellipse) or "rectangle".
        width_mm: size across, mm; the diameter of a circle.
        height_mm: size down, mm; None for as wide as high.
        corner_radius_mm: of a rectangle, at most half its shorter side.
        side: "outside" for cuts and rims (contains the true shape), "inside" for scraps and openings.
    Returns: polygon, mm, within 0.05 mm of the true shape; straight edges are exact.
    Raises: OutlineError when a size is not above 0 or the corners don't fit.
    """
    height_mm = width_mm if height_mm is None else height_mm
    for name, size in (("width", width_mm), ("height", height_mm)):
        if not (math.isfinite(size) and 0.05 <= size <= 10_000):
            raise OutlineError(f"a {kind} of {name} {size:g} mm", mend="give a size from 0.05 mm to 10 m")
    if not 0 <= corner_radius_mm <= min(width_mm, height_mm) / 2 + 1e-9:
        raise OutlineError(
            f"a corner radius of {corner_radius_mm:g} mm on a rectangle of {width_mm:g} × {height_mm:g} mm",
            mend=f"give a radius from 0 to {min(width_mm, height_mm) / 2:g} mm",
        )
    if kind != "rectangle" and corner_radius_mm:
        raise OutlineError(
            f"a corner radius on a {kind}", mend="only a rectangle has corners; leave the radius out"
        )
    grows = side == "outside"
    if kind == "rectangle":
        r = corner_radius_mm
        curves = rounded_curves(-width_mm / 2, -height_mm / 2, width_mm, height_mm, r, r)
        return flatten_loop(curves, grows=grows)
    if kind == "circle" and height_mm != width_mm:
        raise OutlineError(
            f"a circle of {width_mm:g} × {height_mm:g} mm", mend="give one diameter, or an oval"
        )
    if kind == "circle":
        return _circle(width_mm / 2, grows)
    return flatten_loop(ellipse_curves(0.0, 0.0, width_mm / 2, height_mm / 2), grows=grows)


def _circle(radius_mm: float, grows: bool) -> Polygon:
    """A regular polygon around or in the circle, with the fewest corners that stay within 0.05 mm."""
    ratio = radius_mm / (radius_mm + FLATTEN_MM) if grows else max(-1.0, 1 - FLATTEN_MM / radius_mm)
    corners = max(6, math.ceil(math.pi / angle_of(math.sqrt(1 - ratio * ratio), ratio)))
    # A multiple of 4 lays an edge (or a corner) on each side of the bounding box.
    corners += -corners % 4
    if grows:
        reach, first = radius_mm / sine_cosine(math.pi / corners)[1], math.pi / corners
    else:
        reach, first = radius_mm, 0.0
    angles = [first + 2 * math.pi * k / corners for k in range(corners)]
    return Polygon([(reach * cos, reach * sin) for sin, cos in map(sine_cosine, angles)])


def ellipse_curves(cx: float, cy: float, rx: float, ry: float) -> list[Curve]:
    """A whole ellipse as two arcs, beginning at its right end."""
    right, left = (cx + rx, cy), (cx - rx, cy)
    u, v = (rx, 0.0), (0.0, ry)
    return [
        Arc((cx, cy), u, v, 0.0, math.pi, right, left),
        Arc((cx, cy), u, v, math.pi, math.pi, left, right),
    ]


def rounded_curves(x: float, y: float, w: float, h: float, rx: float, ry: float) -> list[Curve]:
    """A rectangle from its upper left corner, size and corner radii, clockwise on the page."""
    if rx <= 0 or ry <= 0:
        corners = [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]
        return [Line(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    quarter = math.pi / 2
    u, v = (rx, 0.0), (0.0, ry)
    top = ((x + rx, y), (x + w - rx, y))
    right = ((x + w, y + ry), (x + w, y + h - ry))
    bottom = ((x + w - rx, y + h), (x + rx, y + h))
    left = ((x, y + h - ry), (x, y + ry))
    return [
        Line(*top),
        Arc((x + w - rx, y + ry), u, v, -quarter, quarter, top[1], right[0]),
        Line(*right),
        Arc((x + w - rx, y + h - ry), u, v, 0.0, quarter, right[1], bottom[0]),
        Line(*bottom),
        Arc((x + rx, y + h - ry), u, v, quarter, quarter, bottom[1], left[0]),
        Line(*left),
        Arc((x + rx, y + ry), u, v, 2 * quarter, quarter, left[1], top[0]),
    ]
