"""Scraps that are too wide or too long for a field, slit into straight parts before the evening."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Sequence

from nestcut.batch.model import Batch, Die, Scrap
from nestcut.passes.common.plate_rules import places_of
from nestcut.passes.common.slits import Piece
from nestcut.passes.makers.one_paper.one_paper_stock import marks_along, may_hold, slit_at

__all__ = ["slit_pieces"]


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
        pieces = slit_at(batch, scrap, marks_along(x0, w, a, even), marks_along(y0, h, b, even))
        if not pieces or any(_same(pieces, other) for _, other in found):
            continue
        lost = sum(not any(may_hold(piece, die, batch.hand.edge_mm) for piece in pieces) for die in dies)
        area = round(sum(piece.outline.area for piece in pieces))
        found.append(((lost, -area, len(pieces) * 10 + number), pieces))
    found.sort(key=lambda one: one[0])
    return found[way % len(found)][1] if found else []


def _same(some: Sequence[Piece], others: Sequence[Piece]) -> bool:
    return [piece.outline.wkb for piece in some] == [piece.outline.wkb for piece in others]
