"""Scraps on the table: the places that their kinds can take, those that have been cut, and where one lies in a pass."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from nestcut.passes.common.slits import Piece
from nestcut.passes.makers.whole.shifts import Mask
from nestcut.passes.parts.chips import Site

__all__ = ["CutScrap", "ScrapKind", "ScrapUse"]

OVER_MM = 0.01
"""Boxes that share less than this across or along are taken to be apart."""


@dataclass(slots=True)
class ScrapKind:
    """Scraps of one paper and outline at one turn: the places they can take, and where each die may cut."""

    paper: str
    group: tuple[str, bytes]
    """Which scraps: their paper and outline."""
    deg: float
    outline: Polygon
    """Turned, its box beginning at (0, 0)."""
    shift: tuple[float, float]
    """From the turned outline, with its corner in the turning point, to ``outline``, mm."""
    size: tuple[float, float]
    y0: int
    """The first place along the feed, mm; the first across is 0."""
    shape: tuple[int, int]
    """Places across and along."""
    masks: dict[tuple[int, int], Mask] = field(default_factory=dict)
    """(station, slot) → places at which the die's cut lies well in the fresh scrap."""
    together: dict[int, NDArray[np.float64]] = field(default_factory=dict)
    """Station → which slots can cut it from one and the same place: a row of 0 and 1 for each such set."""


@dataclass(slots=True)
class CutScrap:
    """A scrap that has been cut, at the turn that it keeps."""

    piece: Piece
    kind: ScrapKind
    cuts: list[tuple[int, int, tuple[int, int]]] = field(default_factory=list)
    """(station, slot, place) of every cut so far."""
    masks: dict[tuple[int, int], Mask] = field(default_factory=dict)
    spent: set[tuple[int, int]] = field(default_factory=set)
    """Masks with no place left: nothing that is gone comes back."""
    together: dict[int, NDArray[np.float64]] = field(default_factory=dict)
    """As of a kind; forgotten with every cut."""


@dataclass(slots=True)
class ScrapUse:
    """Where a scrap lies in a pass, and which dies cut it."""

    sheet: CutScrap | None
    kind: ScrapKind
    at: tuple[int, int]
    slots: list[int]

    def lies_over(self, site: Site) -> bool:
        """Whether a scrap's box reaches under a die: no other scrap can be cut by it then."""
        x, y = self.at[0], self.at[1] + self.kind.y0
        w, h = self.kind.size
        x0, y0, x1, y1 = site.cut.bounds
        return x0 < x + w - OVER_MM and x1 > x + OVER_MM and y0 < y + h - OVER_MM and y1 > y + OVER_MM
