"""Shapes as the search may see them: openings and clefts closed that nothing can ever lie in.

A point nearer than the web to both sides of a cleft is out of bounds for every other piece anyway: a shape
and its closing by a disc of the web's radius keep exactly the same pieces away (the closing grown by the
web is the shape grown by the web). Without the clefts there are fewer convex cores, so all goes faster.

Source: the closing of mathematical morphology and its identity (A • B) ⊕ B = A ⊕ B (Matheron 1975).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from nestcut.batch.model import Shape

from .types import Part

__all__ = ["cleft_free", "closed_from_below", "plugged_parts"]

_ARC = 8
_FINE_ARC = 24


def plugged_parts(parts: Sequence[Part], web_mm: float) -> tuple[Part, ...]:
    """The parts without the openings that no piece fits into with its web.

    A piece that lies in an opening lies in it as a whole, at least the web from its edge: an opening is filled
    if no part's discs, or no part's length, can. Every layout of these is a layout of the parts themselves,
    and where the region has no holes the other way round.
    """
    thick = min((_thickness(part.shape) for part in parts), default=0.0)
    length = min((_length(part.shape) for part in parts), default=0.0)
    return tuple(replace(part, shape=_plugged(part.shape, web_mm, thick, length)) for part in parts)


def _plugged(shape: Shape, web_mm: float, thick_mm: float, length_mm: float) -> Shape:
    """The shape less its openings that are too thin or too short."""
    polygons = []
    for part in shapely.get_parts(shape):
        holes = []
        for ring in part.interiors:
            opening = Polygon(ring)
            x0, y0, x1, y1 = opening.bounds
            long = math.hypot(x1 - x0, y1 - y0) >= length_mm
            if long and _widest(opening) + 0.1 >= thick_mm + web_mm:
                holes.append(ring)
        polygons.append(Polygon(part.exterior, holes))
    if len(polygons) == 1:
        return polygons[0]
    # a filled opening can swallow a part that lay in it
    filled = shapely.union_all(polygons)
    return filled if isinstance(filled, Polygon | MultiPolygon) else shape


def _length(shape: Shape) -> float:
    """A length, from below, of every component of the shape: the longer side of its bounding box."""
    boxes = shapely.bounds(shapely.get_parts(shape))
    return float(np.maximum(boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]).min())


def closed_from_below(shape: Shape, radius_mm: float) -> Shape:
    """A subset of the closing of a shape by a disc, that contains the shape (mm)."""
    if radius_mm <= 0:
        return shape
    # chords of the first arcs lie inside of them; the second go a sagitta deeper, so that theirs do too
    back = radius_mm / math.cos(math.pi / 4 / _FINE_ARC)
    closed = shape.buffer(radius_mm, quad_segs=_FINE_ARC).buffer(-back, quad_segs=_FINE_ARC).union(shape)
    return closed if isinstance(closed, Polygon | MultiPolygon) else shape


def cleft_free(shape: Shape, web_mm: float, coarse_mm: float) -> Shape:
    """The shape with clefts up to twice the web wide filled, simplified: what a search pushes about.

    Args:
        shape: mm; web_mm: least distance between pieces; coarse_mm: how far outlines may be off.
    """
    if web_mm <= 0:
        return shape
    closed = shape.buffer(web_mm, quad_segs=_ARC).buffer(-web_mm, quad_segs=_ARC).simplify(coarse_mm)
    good = isinstance(closed, Polygon | MultiPolygon) and closed.is_valid and not closed.is_empty
    return closed if good else shape


def _widest(shape: Polygon) -> float:
    """Radius of the widest disc in the shape, within 0.05 mm."""
    return float(shapely.maximum_inscribed_circle(shape, tolerance=0.05).length)


def _thickness(shape: Shape) -> float:
    """Radius, from below, of a disc that every component of the shape holds."""
    return max(0.0, min((_widest(part) for part in shapely.get_parts(shape)), default=0.0) - 0.05)
