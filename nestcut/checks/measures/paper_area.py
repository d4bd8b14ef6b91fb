"""Areas of paper for proofs: what a cut takes at least, and what the scraps of a paper give at most."""

from __future__ import annotations

from fractions import Fraction

import shapely
from shapely.geometry import Polygon

from nestcut.batch.model import Batch, Die, Hand
from nestcut.checks.measures.report import TOLERANCE_MM
from nestcut.checks.measures.safe_side import grown_area_mm2, shrunk
from nestcut.plans.model import Plan

__all__ = ["cut_takes", "least_area_mm2", "outline_gives", "paper_gives"]

MOST_CORNERS = 5_000
"""Growing outlines of more corners takes seconds: the plain area, which is smaller, is taken."""


def _grow_mm(hand: Hand) -> float:
    """How far every cut may be grown so that cuts of one stock of paper stay apart.

    Half the web; but cuts in two parts of one scrap are only twice the edge apart.
    """
    return max(0.0, min(hand.web_mm / 2, hand.edge_mm) - 2 * TOLERANCE_MM)


def cut_takes(asked: Plan | Batch, die: Die) -> Fraction:
    """Paper that one cut takes, mm², from below. Openings count only where a web's growth closes them."""
    return Fraction(max(0.0, least_area_mm2(die, _grow_mm(asked.hand)) - 1e-6))


def least_area_mm2(die: Die, grow_mm: float) -> float:
    """Area of the die's cut, grown by this much, from below. (Of a drawing beyond all use: not grown, which takes long.)"""
    cut = shrunk(die.cut, TOLERANCE_MM)
    return grown_area_mm2(cut, grow_mm if shapely.get_num_coordinates(cut) <= MOST_CORNERS else 0.0)


def outline_gives(asked: Plan | Batch, outline: Polygon) -> Fraction:
    """Paper that a scrap of this outline can give, mm², from above."""
    shrink = max(0.0, asked.hand.edge_mm - _grow_mm(asked.hand) - 4 * TOLERANCE_MM)
    # The library may smooth dents by a hundredth of the way: shrink by less, and err upwards.
    return Fraction(shapely.area(outline.buffer(-0.98 * shrink)) * (1 + 1e-9) + 1e-6)


def paper_gives(asked: Plan | Batch, paper: str) -> Fraction:
    """Paper that all scraps of a paper can give, mm², from above."""
    return sum(
        (outline_gives(asked, scrap.outline) for scrap in asked.scraps if scrap.paper == paper), Fraction()
    )
