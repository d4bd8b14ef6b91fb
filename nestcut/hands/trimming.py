"""How many cuts it takes to trim a scrap: on a paper trimmer as far as that goes, with scissors what is left.

A straight cut goes right through the piece in hand, along a side (of 5 mm or more) of one part or more, through none of them,
with paper on both sides. Of the directions in which there are such lines the one with fewest is cut first, of equal ones the
one whose normal has the smallest angle; all its lines, then each slab that holds parts is taken in hand. What no straight cut
frees is cut with scissors along the part's outline, as far as that is not the edge of the piece in hand already.

The setting of a cut is the width of the slab that it takes off. Further cuts at a setting that the scrap has had are quicker.
Source: guillotine cutting (Gilmore & Gomory 1965); which cuts count half is judgement.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.arithmetic import dot, length_of

__all__ = ["TrimWork", "work_of_trim"]

STRAIGHT_MM = 5.0
"""A shorter side is not laid against the trimmer: scissors go round it."""
HAIR_MM = 0.01
"""Lines nearer than this are one line, and less paper than this is none: no trimmer cuts finer."""
SETTING_MM = 0.07
"""Widths that differ by less are one setting."""
DIGITS = 6
"""Normals that agree to so many digits are one direction: 0.2 µm over the length of a sheet."""
REACH_MM = 1e5
SPECK_MM2 = 1e-3
"""A piece larger than its part by less is the part."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TrimWork:
    """Straight cuts, those among them at a setting that was made before, and the length cut with scissors, mm."""

    cuts: int
    again: int
    scissors_mm: float


def work_of_trim(outline: Polygon, parts: Sequence[Polygon]) -> TrimWork:
    """What it takes to cut these parts out of a scrap.

    Args:
        outline: the scrap, mm.
        parts: outlines in the scrap's frame that do not overlap.
    """
    return _work(outline.wkb, tuple(part.wkb for part in parts))


# Drafts of one search share most of their trimmed scraps.
@lru_cache(maxsize=20_000)
def _work(outline: bytes, parts: tuple[bytes, ...]) -> TrimWork:
    shapes: list[Polygon] = list(shapely.from_wkb(np.array(parts, dtype=object)))
    rings = [shapely.get_coordinates(shape.exterior) for shape in shapes]
    sides = [_sides(ring) for ring in rings]
    widths: list[float] = []
    scissors_mm = 0.0
    todo: list[tuple[BaseGeometry, list[int]]] = [(shapely.from_wkb(outline), list(range(len(shapes))))]
    while todo:
        piece, own = todo.pop()
        found = _lines(piece, own, rings, sides)
        if found is None:
            scissors_mm += sum(_left_to_cut(piece, shapes[number]) for number in own)
            continue
        normal, lines, ends = found
        bounds = [ends[0], *lines, ends[1]]
        widths += [line - before for before, line in pairwise(bounds[:-1])]
        middles = [_middle(rings[number], normal) for number in own]
        for low, high in pairwise(bounds):
            held = [number for number, middle in zip(own, middles, strict=True) if low < middle < high]
            if held:
                todo.append((shapely.intersection(piece, _slab(normal, low, high)), held))
    settings = 0
    first = -REACH_MM
    for width in sorted(widths):
        if width - first > SETTING_MM:
            settings, first = settings + 1, width
    return TrimWork(len(widths), len(widths) - settings, scissors_mm)


def _sides(ring: Floats) -> dict[tuple[float, float], list[float]]:
    """Normal of each straight side, turned into the upper half plane → how far along it the sides lie, mm."""
    found: dict[tuple[float, float], list[float]] = {}
    for (x0, y0), (x1, y1) in pairwise(ring.tolist()):
        long = length_of(x1 - x0, y1 - y0)
        if long < STRAIGHT_MM:
            continue
        across = (round((y0 - y1) / long, DIGITS) + 0.0, round((x1 - x0) / long, DIGITS) + 0.0)
        if across[1] < 0 or (across[1] == 0 and across[0] < 0):
            across = (0.0 - across[0], 0.0 - across[1])
        found.setdefault(across, []).append(x0 * across[0] + y0 * across[1])
    return found


def _lines(
    piece: BaseGeometry,
    own: Sequence[int],
    rings: Sequence[Floats],
    sides: Sequence[dict[tuple[float, float], list[float]]],
) -> tuple[tuple[float, float], list[float], tuple[float, float]] | None:
    """The direction to cut next, as (normal, where its lines lie along it, the piece's ends); None where there is none."""
    corners = shapely.get_coordinates(piece)
    best = None
    # By angle from the x axis: in the upper half plane that is falling x.
    for normal in sorted({one for number in own for one in sides[number]}, key=lambda n: (-n[0], n[1])):
        along = dot(corners, *normal)
        ends = (float(along.min()), float(along.max()))
        spans = [(float(off.min()), float(off.max())) for off in (dot(rings[n], *normal) for n in own)]
        lines: list[float] = []
        for line in sorted(one for number in own for one in sides[number].get(normal, ())):
            if not ends[0] + HAIR_MM < line < ends[1] - HAIR_MM or (lines and line - lines[-1] <= HAIR_MM):
                continue
            if all(high <= line + HAIR_MM or low >= line - HAIR_MM for low, high in spans):
                lines.append(line)
        if lines and (best is None or len(lines) < len(best[1])):
            best = (normal, lines, ends)
    return best


def _middle(ring: Floats, normal: tuple[float, float]) -> float:
    along = dot(ring, *normal)
    return float(along.min() + along.max()) / 2.0


def _slab(normal: tuple[float, float], low: float, high: float) -> Polygon:
    """All between two parallel lines."""
    (x, y), far = normal, REACH_MM
    return Polygon(
        [
            (x * low - y * far, y * low + x * far),
            (x * low + y * far, y * low - x * far),
            (x * high + y * far, y * high - x * far),
            (x * high - y * far, y * high + x * far),
        ]
    )


def _left_to_cut(piece: BaseGeometry, part: Polygon) -> float:
    """How much of a part's outline is not the edge of the piece in hand, mm."""
    if piece.area - part.area <= SPECK_MM2:
        return 0.0
    edge = shapely.buffer(piece.boundary, 2 * HAIR_MM, cap_style="square", join_style="mitre")
    return float(shapely.difference(part.boundary, edge).length)
