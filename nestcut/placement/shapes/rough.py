"""What the squeeze search is given instead of the parts: outlines of few corners, and a list of turns.

No-fit regions grow with the square of the corners and of the turns, so real dies are handed over with fewer
corners, on the safe side (the outline handed over contains the part), and "any" turn as a list that the time
allows for. What that costs in length is won back afterwards by :func:`nestcut.placement.engine.tighten.tighten`, which
goes by the true outlines and turns continuously.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from shapely.affinity import translate
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.polygon import orient

from nestcut.arithmetic import buffered, sine_cosine, turn_shape
from nestcut.batch.model import Shape, Turns
from nestcut.outlines.shapes.simplify import simplify_ring
from nestcut.placement.shapes.convex import convex_parts

__all__ = ["fewer_corners", "fold", "grown_roughly", "search_turns"]

_ARC_STEPS = 8
UNION_S, PAIR_S = 1.5e-4, 2e-3
"""Seconds for one sum of convex parts, and for the tables of one pair of turned shapes (measured, a slow core)."""
PLAIN_CORNERS = 24
"""Outlines with no more corners are left as they are."""
_SHARES = (0.002, 0.005, 0.01, 0.018)
"""Tolerances that are tried, shares of the square root of the area."""


def grown_roughly(shape: Shape, by_mm: float) -> Shape:
    """A shape with few corners that contains every point within ``by_mm`` of the given one."""
    if by_mm > 0:
        # buffer() draws arcs as chords inside the true arc: lengthen the radius until they are outside.
        shape = buffered(shape, by_mm / sine_cosine(3 * math.pi / (8 * _ARC_STEPS))[1], _ARC_STEPS)
    return fewer_corners(shape)


def fewer_corners(shape: Shape) -> Shape:
    """A shape with few corners that contains the given one, at most 1.8 % of its size (√area) away from it."""
    size = math.sqrt(shape.area)
    best = shape
    for share in _SHARES:
        if shapely.get_num_coordinates(best) <= PLAIN_CORNERS + 1:
            break
        found = _simplified(shape, share * size)
        if found is not None:
            best = found
    return best


def _simplified(shape: Shape, tolerance_mm: float) -> Shape | None:
    polygons = []
    for polygon in shape.geoms if isinstance(shape, MultiPolygon) else [shape]:
        turned = orient(polygon, 1.0)
        rings = []
        for ring in (turned.exterior, *turned.interiors):
            xy = np.asarray(ring.coords)[:-1, :2]
            new = simplify_ring(xy, np.zeros(len(xy), bool), tolerance_mm)
            rings.append(new if len(new) >= 3 else xy)
        polygons.append(Polygon(rings[0], rings[1:]))
    made = polygons[0] if len(polygons) == 1 else MultiPolygon(polygons)
    # A hair is nothing here: layouts are checked, and finished, by the true outlines.
    return made if made.is_valid and made.buffer(1e-6, join_style="mitre").covers(shape) else None


def fold(shape: Shape) -> int:
    """By how many turns of 360° ÷ n the shape looks the same, to 1 % of its size: 1 for most, 5 for many flowers."""
    size = math.sqrt(shape.area)
    simple = shape.simplify(0.002 * size)
    x, y = simple.centroid.x, simple.centroid.y
    for n in (12, 10, 9, 8, 7, 6, 5, 4, 3, 2):
        again = translate(turn_shape(translate(simple, -x, -y), 360.0 / n), x, y)
        if simple.symmetric_difference(again).area <= 0.005 * size * simple.length:
            return n
    return 1


def search_turns(
    shapes: Sequence[Shape], allowed: Sequence[Turns], seconds: float
) -> list[tuple[float, ...]]:
    """The turns that the search goes through, for each shape, degrees.

    Args:
        shapes: as the search will see them.
        allowed: "any", or a list that turns are taken from (all of it, if the time allows).
        seconds: what preparing the turns may take about; an estimate, so that the answer depends on nothing else.
    """
    pieces = [len(convex_parts(shape)) for shape in shapes]
    folds = [fold(shape) if turns == "any" else 1 for shape, turns in zip(shapes, allowed, strict=True)]
    made: list[tuple[float, ...]] = []
    for most in (24, 16, 12, 8, 6, 4, 3, 2, 1):
        made = [_spaced(turns, n, most) for turns, n in zip(allowed, folds, strict=True)]
        if _estimate(pieces, [len(turns) for turns in made]) <= seconds:
            break
    return made


def _spaced(allowed: Turns, n: int, most: int) -> tuple[float, ...]:
    if allowed == "any":
        many = 1 if n >= 12 else max(min(2, most), math.ceil(most / n))
        return tuple(k * 360.0 / n / many for k in range(many))
    if len(allowed) <= max(most, 4):
        return tuple(float(a) for a in allowed)
    step = len(allowed) / max(most, 4)
    return tuple(float(allowed[int(k * step)]) for k in range(max(most, 4)))


def _estimate(pieces: Sequence[int], turns: Sequence[int]) -> float:
    """Seconds that the tables take, from the number of convex pieces and turns of each shape."""
    total = 0.0
    for i, (a, m) in enumerate(zip(pieces, turns, strict=True)):
        for b, n in zip(pieces[: i + 1], turns[: i + 1], strict=True):
            # A relative turn is worked out once; with the same spacing there are few of them.
            total += max(m, n) * a * b * UNION_S
    variants = sum(turns)
    return total + 0.5 * variants * variants * PAIR_S
