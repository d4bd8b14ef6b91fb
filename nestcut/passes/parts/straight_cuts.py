"""Which parts of a scrap a paper trimmer can make: straight cuts, each right through the piece in hand.

A line along a side of some part that goes through no other part may be cut first; it never stands in the way of
another cut. Where every such line goes through parts, the line that loses least is taken and what it goes through is
given up. A part with a dent or a hole can be made where the scrap has it already. Otherwise pieces are taken as convex: a
notched scrap may fall apart in more ways than are seen here, never in fewer.
Source: guillotine cutting (Gilmore & Gomory 1965), with any angle.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from nestcut.arithmetic import dot, length_of

__all__ = ["parts_of_straight_cuts"]

SPECK_MM2 = 1e-6
"""What rounding leaves of an area."""
HAIR_MM = 5e-7
"""Parts that touch are apart; half of what the checker allows."""


def parts_of_straight_cuts(
    parts: Sequence[Polygon], worth: Sequence[float], outline: Polygon | None = None
) -> list[int]:
    """Numbers of the parts that straight cuts make together, in rising order.

    Args:
        parts: outlines that do not overlap, mm.
        worth: what is lost with each.
        outline: the scrap's. Where it is not known, a part that is not convex can't be made.
    """
    makeable = [number for number, part in enumerate(parts) if _makeable(part, outline)]
    rings = {number: shapely.get_coordinates(parts[number].exterior)[:-1] for number in makeable}
    kept = []
    todo = [makeable]
    while todo:
        own = todo.pop()
        if len(own) == 1:
            kept += own
        if len(own) < 2:
            continue
        sides = _best_line([rings[number] for number in own], np.array([worth[number] for number in own]))
        todo += [[number for number, side in zip(own, sides, strict=True) if side == s] for s in (-1, 1)]
    return sorted(kept)


def _makeable(part: Polygon, outline: Polygon | None) -> bool:
    """Whether cuts along all sides of the part that do not run into it leave just the part."""
    # A box that is hardly larger than its part does not count as a dent.
    if not part.interiors and part.convex_hull.area - part.area <= SPECK_MM2:
        return True
    if outline is None:
        return False
    inside = part.representative_point()
    piece = outline
    reach = 4.0 * (outline.length + 1.0)
    corners = shapely.get_coordinates(part.exterior)
    for start, end in pairwise(corners):
        along = (end - start) / max(length_of(*(end - start)), HAIR_MM)
        across = np.array([-along[1], along[0]])
        offs = dot(corners - start, across[0], across[1])
        if offs.min() < -HAIR_MM and offs.max() > HAIR_MM:
            continue  # runs into the part
        ahead, aside = reach * along, reach * (across if offs.min() >= -HAIR_MM else -across)
        half = Polygon([start - ahead, start + ahead, start + ahead + aside, start - ahead + aside])
        bits = shapely.get_parts(shapely.intersection(piece, half))
        own = [bit for bit in bits if isinstance(bit, Polygon) and bit.contains(inside)]
        if not own:
            return False
        piece = own[0]
    return piece.area - part.area <= SPECK_MM2


def _best_line(rings: Sequence[NDArray[np.float64]], worth: NDArray[np.float64]) -> NDArray[np.int64]:
    """For the best line along a side of a part: −1 or 1 for parts beside it, 0 for those that it goes through."""
    from nestcut.passes.parts.straight_kernels import best_line

    first = np.cumsum([0, *(len(ring) for ring in rings)])
    return np.asarray(best_line(np.concatenate(rings), first, worth, HAIR_MM))
