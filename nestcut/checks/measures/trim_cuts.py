"""How many cuts it takes to trim a scrap, counted with code of its own.

The words are those of docs/plan-json.md: straight cuts go right through the piece in hand, along a side of 5 mm or more,
through no part, with paper on both sides; of the directions that have such lines the one with fewest first, of equal ones the one
whose normal has the smallest angle; scissors for what is left. Lines within 0.01 mm are one line, widths within 0.07 mm one setting.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

__all__ = ["trim_cuts"]

LONG_MM = 5.0
LINE_MM = 0.01
SETTING_MM = 0.07
WHOLE_MM2 = 1e-3
FAR_MM = 1e5

Normal = tuple[float, float]


def trim_cuts(scrap: Polygon, parts: Sequence[Polygon]) -> tuple[int, int, float]:
    """Straight cuts at new settings, straight cuts at settings that the scrap has had, mm cut with scissors."""
    widths: list[float] = []
    scissors_mm = _take_in_hand(scrap, list(parts), widths)
    widths.sort()
    new = 0
    reference = -math.inf
    for width in widths:
        if width > reference + SETTING_MM:
            reference = width
            new += 1
    return new, len(widths) - new, scissors_mm


def _take_in_hand(piece: BaseGeometry, parts: list[Polygon], widths: list[float]) -> float:
    """Cut a piece up; the widths of what is cut off go into the list. Returns: what scissors must cut, mm."""
    normals = {normal for part in parts for normal, _ in _long_sides(part)}
    best: tuple[int, float, Normal, list[float]] | None = None
    for normal in normals:
        lines = _free_lines(piece, parts, normal)
        rated = (len(lines), math.atan2(normal[1], normal[0]))
        if lines and (best is None or rated < best[:2]):
            best = (*rated, normal, lines)
    if best is None:
        return sum(_by_scissors(piece, part) for part in parts)
    _, _, normal, lines = best
    scissors_mm = 0.0
    rest, left = piece, parts
    for line in lines:
        widths.append(line - _span(rest, normal)[0])
        off = shapely.intersection(rest, _half_plane(normal, line, -1.0))
        rest = shapely.intersection(rest, _half_plane(normal, line, 1.0))
        own = [part for part in left if sum(_span(part, normal)) / 2.0 < line]
        left = [part for part in left if sum(_span(part, normal)) / 2.0 >= line]
        if own:
            scissors_mm += _take_in_hand(off, own, widths)
    return scissors_mm + (_take_in_hand(rest, left, widths) if left else 0.0)


def _long_sides(part: Polygon) -> Iterable[tuple[Normal, float]]:
    """(normal in the upper half plane, how far along it) of each side that a trimmer can follow."""
    corners = shapely.get_coordinates(part.exterior)
    for start, end in pairwise(corners):
        along = end - start
        length = math.hypot(*along)
        if length >= LONG_MM:
            x, y = round(-float(along[1]) / length, 6) + 0.0, round(float(along[0]) / length, 6) + 0.0
            if y < 0 or (y == 0 and x < 0):
                x, y = 0.0 - x, 0.0 - y
            yield (x, y), x * float(start[0]) + y * float(start[1])


def _span(shape: BaseGeometry, normal: Normal) -> tuple[float, float]:
    along = shapely.get_coordinates(shape) @ np.array(normal)
    return float(along.min()), float(along.max())


def _free_lines(piece: BaseGeometry, parts: list[Polygon], normal: Normal) -> list[float]:
    begin, end = _span(piece, normal)
    spans = [_span(part, normal) for part in parts]
    found: list[float] = []
    for line in sorted(at for part in parts for own, at in _long_sides(part) if own == normal):
        inside = begin + LINE_MM < line < end - LINE_MM
        crossing = any(low < line - LINE_MM and high > line + LINE_MM for low, high in spans)
        if inside and not crossing and not (found and line <= found[-1] + LINE_MM):
            found.append(line)
    return found


def _half_plane(normal: Normal, line: float, side: float) -> Polygon:
    across = np.array(normal)
    middle, along = across * line, np.array([-across[1], across[0]]) * FAR_MM
    deep = across * side * FAR_MM
    return Polygon([middle - along, middle + along, middle + along + deep, middle - along + deep])


def _by_scissors(piece: BaseGeometry, part: Polygon) -> float:
    if shapely.area(piece) - part.area <= WHOLE_MM2:
        return 0.0
    at_edge = shapely.boundary(piece).buffer(2 * LINE_MM, cap_style="square", join_style="mitre")
    rings = [part.exterior, *part.interiors]
    return sum(float(shapely.length(shapely.difference(ring, at_edge))) for ring in rings)
