"""Scraps that are too wide or too long for a field, slit into straight parts before the evening."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Sequence

import shapely
from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Die, Scrap
from nestcut.passes.common.slits import Piece, places_of

__all__ = ["slit_pieces"]

SMALLEST_MM2 = 60.0
"""Smaller parts are offcuts."""


def slit_pieces(batch: Batch, scrap: Scrap, dies: Collection[Die], way: int) -> list[Piece]:
    """The scrap as it is where the field takes it; else straight parts of it, if it may be trimmed.

    Args:
        batch: as if the field were all of the plate.
        way: 0: the way that loses least in fewest parts; the next best for 1, 2, …, from the first again where there are no more.
    """
    x0, y0, x1, y1 = scrap.outline.bounds
    w, h = x1 - x0, y1 - y0
    if any(places_of(batch.machine, size) for size in ((w, h), (h, w))):
        return [Piece(scrap, scrap.outline, True)]
    if batch.hand.trims == "none":
        return []
    left, top, right, bottom = batch.machine.paper_field.bounds
    wide, long = right - left, bottom - top
    found: list[tuple[tuple[int, int, int], list[Piece]]] = []
    for number, ((a, b), even) in enumerate(itertools.product(((wide, long), (long, wide)), (True, False))):
        pieces = _slit(batch, scrap, _marks(x0, w, a, even), _marks(y0, h, b, even))
        if not pieces or any(_same(pieces, other) for _, other in found):
            continue
        lost = sum(not any(_may_hold(piece, die, batch.hand.edge_mm) for piece in pieces) for die in dies)
        area = round(sum(piece.outline.area for piece in pieces))
        found.append(((lost, -area, len(pieces) * 10 + number), pieces))
    found.sort(key=lambda one: one[0])
    return found[way % len(found)][1] if found else []


def _same(some: Sequence[Piece], others: Sequence[Piece]) -> bool:
    return [piece.outline.wkb for piece in some] == [piece.outline.wkb for piece in others]


def _marks(low: float, side: float, most: float, even: bool) -> list[float]:
    """Where to slit a side so that no part is longer than ``most``: in even parts, or in full ones and a rest."""
    count = max(1, math.ceil(side / most - 1e-9))
    step = side / count if even else max(1.0, math.floor(most))
    return [low, *(low + math.floor(k * step) for k in range(1, math.ceil(side / step - 1e-9))), low + side]


def _slit(batch: Batch, scrap: Scrap, across: Sequence[float], down: Sequence[float]) -> list[Piece]:
    """The parts of a scrap between these lines; none where the trims that are allowed can't make them."""
    from nestcut.checks.rules.trimming import straight_cuts_make

    outlines = []
    for (a, b), (c, d) in itertools.product(itertools.pairwise(across), itertools.pairwise(down)):
        for part in shapely.get_parts(scrap.outline.intersection(box(a, c, b, d))):
            if isinstance(part, Polygon) and part.area >= SMALLEST_MM2 and part.is_valid:
                outlines.append(part)
    if batch.hand.trims == "straight" and not straight_cuts_make(scrap.outline, outlines):
        return []
    pieces = [Piece(scrap, outline, False) for outline in outlines]
    sizes = [piece.in_corner.bounds[2:] for piece in pieces]
    return [
        piece
        for piece, (w, h) in zip(pieces, sizes, strict=True)
        if places_of(batch.machine, (w, h)) or places_of(batch.machine, (h, w))
    ]


def _may_hold(piece: Piece, die: Die, edge_mm: float) -> bool:
    """A glance: whether the die's area and narrowest side are small enough for the piece."""
    x0, y0, x1, y1 = piece.outline.bounds
    a0, b0, a1, b1 = die.cut.bounds
    low, high = sorted((a1 - a0 + 2 * edge_mm, b1 - b0 + 2 * edge_mm))
    short, long = sorted((x1 - x0, y1 - y0))
    return low <= short + 1e-6 and high <= long + 1e-6
