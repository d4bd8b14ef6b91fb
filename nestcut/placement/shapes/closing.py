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

from nestcut.arithmetic import buffered, length_of, lengths_of, sine_cosine
from nestcut.batch.model import Shape
from nestcut.placement.shapes.turning import Cores, cores_of
from nestcut.placement.shapes.types import Part

__all__ = ["cleft_free", "closed_from_below", "plugged_parts", "rough_cores"]

_ARC = 8
_FINE_ARC = 24


def plugged_parts(parts: Sequence[Part], web_mm: float, obstacles: Sequence[Shape] = ()) -> tuple[Part, ...]:
    """The parts without the openings that no piece fits into with its web.

    A piece that lies in an opening lies in it as a whole, at least the web from its edge: an opening is filled
    if every part is too thick or too long for it. Every layout of these is a layout of the parts themselves,
    and the other way round where no hole of the region and nothing else fits into the opening either.

    Args:
        obstacles: holes of the region, and what else lies there.
    """
    sizes = [(_thickness(part.shape) + web_mm, _length(part.shape)) for part in parts]
    # Of several pieces of an obstacle one may lie in an opening and the others beside it.
    sizes += [(_thickness(one), _length(one)) for shape in obstacles for one in shapely.get_parts(shape)]
    return tuple(replace(part, shape=_plugged(part.shape, sizes)) for part in parts)


def _plugged(shape: Shape, sizes: Sequence[tuple[float, float]]) -> Shape:
    """The shape less its openings that are too thin or too short for all (disc radius, length), mm."""
    polygons = []
    for part in shapely.get_parts(shape):
        holes = []
        for ring in part.interiors:
            opening = Polygon(ring)
            x0, y0, x1, y1 = opening.bounds
            wide, long = _widest(opening) + 0.1, length_of(x1 - x0, y1 - y0)
            if any(radius <= wide and length <= long for radius, length in sizes):
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
    back = radius_mm / sine_cosine(math.pi / 4 / _FINE_ARC)[1]
    closed = buffered(buffered(shape, radius_mm, _FINE_ARC), -back, _FINE_ARC).union(shape)
    return closed if isinstance(closed, Polygon | MultiPolygon) else shape


def cleft_free(shape: Shape, web_mm: float, coarse_mm: float) -> Shape:
    """The shape with clefts up to twice the web wide filled, simplified: what a search pushes about.

    Args:
        shape: mm; web_mm: least distance between pieces; coarse_mm: how far outlines may be off.
    """
    if web_mm <= 0:
        return shape
    closed = buffered(buffered(shape, web_mm, _ARC), -web_mm, _ARC).simplify(coarse_mm)
    good = isinstance(closed, Polygon | MultiPolygon) and closed.is_valid and not closed.is_empty
    return closed if good else shape


def rough_cores(shape: Shape, web_mm: float, coarse_mm: float) -> Cores:
    """Cores of the cleft-free, simplified shape around the shape's own middle, so that poses mean the same.

    Where closing makes nothing simpler, the shape's own cores, simplified.
    """
    plain = cores_of(shape, coarse_mm=coarse_mm)
    if plain.disc:
        return plain
    cores = cores_of(cleft_free(shape, web_mm, coarse_mm), coarse_mm=coarse_mm)
    if cores.disc or _vertices(cores) > _vertices(plain):
        return plain
    shift = np.subtract(cores.middle, plain.middle)
    rings = tuple(ring + shift for ring in cores.rings)
    reach = max(float(lengths_of(ring).max()) for ring in rings)
    return replace(cores, middle=plain.middle, rings=rings, reach_mm=reach)


def _vertices(cores: Cores) -> int:
    return sum(len(ring) for ring in cores.rings)


def _widest(shape: Polygon) -> float:
    """Radius of the widest disc in the shape, within 0.05 mm."""
    return float(shapely.maximum_inscribed_circle(shape, tolerance=0.05).length)


def _thickness(shape: Shape) -> float:
    """Radius, from below, of a disc that every component of the shape holds."""
    return max(0.0, min((_widest(part) for part in shapely.get_parts(shape)), default=0.0) - 0.05)
