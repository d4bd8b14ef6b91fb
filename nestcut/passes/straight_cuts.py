"""Which parts of a scrap a paper trimmer can make: straight cuts, each right through the piece in hand.

A line along a side of some part that goes through no other part may be cut first; it never stands in the way of
another cut. Where every such line goes through parts, the line that loses least is taken and what it goes through is
given up. Pieces are taken as convex: a notched scrap may fall apart in more ways than are seen here, never in fewer.
Source: guillotine cutting (Gilmore & Gomory 1965), with any angle.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

__all__ = ["parts_of_straight_cuts"]

HAIR_MM = 5e-7
"""Parts that touch are apart; half of what the checker allows."""


def parts_of_straight_cuts(parts: Sequence[Polygon], worth: Sequence[float]) -> list[int]:
    """Numbers of the parts that straight cuts make together, in rising order.

    Args:
        parts: outlines that do not overlap, mm. One that is not convex can't be made.
        worth: what is lost with each.
    """
    # A box that is hardly larger than its part does not count as a dent.
    convex = [
        number
        for number, part in enumerate(parts)
        if not part.interiors and part.convex_hull.area - part.area <= 1e-6
    ]
    rings = {number: shapely.get_coordinates(parts[number].exterior)[:-1] for number in convex}
    kept = []
    todo = [convex]
    while todo:
        own = todo.pop()
        if len(own) == 1:
            kept += own
        if len(own) < 2:
            continue
        sides = _best_line([rings[number] for number in own], np.array([worth[number] for number in own]))
        todo += [[number for number, side in zip(own, sides, strict=True) if side == s] for s in (-1, 1)]
    return sorted(kept)


def _best_line(rings: Sequence[NDArray[np.float64]], worth: NDArray[np.float64]) -> NDArray[np.int64]:
    """For the best line along a side of a part: −1 or 1 for parts beside it, 0 for those that it goes through."""
    from nestcut.passes.straight_kernels import best_line

    first = np.cumsum([0, *(len(ring) for ring in rings)])
    return np.asarray(best_line(np.concatenate(rings), first, worth, HAIR_MM))
