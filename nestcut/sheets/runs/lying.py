"""The papers of one pass as they lie: boxes, outlines that are alike, and how scraps move from pass to pass."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from shapely.geometry import Polygon

from nestcut.plans.model import PaperOnPlate, Pass
from nestcut.sheets.drawings.view import Bounds

__all__ = ["LyingPaper", "LyingShapes", "laid_in", "near", "usual_steps"]

_SAME_MM = 0.02
"""Boxes nearer to each other are the same to a hand with a ruler."""


@dataclass(frozen=True, slots=True)
class LyingPaper:
    """A paper of one pass: its box on the plate and a key that equal outlines share."""

    paper: PaperOnPlate
    colour: str
    slots: tuple[int, ...]
    box: Bounds
    key: tuple[object, ...]

    @property
    def corner(self) -> tuple[float, float]:
        return self.box[0], self.box[1]

    def shift_from(self, last: LyingPaper) -> tuple[float, float]:
        """How far the box has moved since ``last``, mm."""
        return self.box[0] - last.box[0], self.box[1] - last.box[1]

    def turned_from(self, last: LyingPaper) -> bool:
        """True where it lies at another turn than ``last``."""
        return abs(self.paper.pose.deg - last.paper.pose.deg) > 1e-6


class LyingShapes:
    """Boxes and outline keys of papers on the plate; each scrap and turn is looked at once."""

    def __init__(self, pieces: Mapping[str, tuple[str, Polygon]]):
        self.pieces = pieces
        self._seen: dict[tuple[str, float, bool], tuple[Bounds, tuple[object, ...]]] = {}

    def lying(self, paper: PaperOnPlate, slots: tuple[int, ...]) -> LyingPaper:
        colour, outline = self.pieces[paper.scrap]
        wanted = (paper.scrap, paper.pose.deg, paper.flipped)
        if wanted not in self._seen:
            turned = type(paper.pose)(0.0, 0.0, paper.pose.deg).apply(outline, flipped=paper.flipped)
            box = turned.bounds
            rings = [turned.exterior, *turned.interiors]
            # Rounding may tell equal outlines apart (a longer table), never the other way round.
            points = tuple(
                tuple(
                    sorted({(round(x - box[0], 1) + 0.0, round(y - box[1], 1) + 0.0) for x, y in ring.coords})
                )
                for ring in rings
            )
            self._seen[wanted] = box, (colour, round(turned.area, 0), points)
        box, key = self._seen[wanted]
        x, y = paper.pose.x_mm, paper.pose.y_mm
        return LyingPaper(paper, colour, slots, (box[0] + x, box[1] + y, box[2] + x, box[3] + y), key)


def laid_in(one: Pass, shapes: LyingShapes) -> list[LyingPaper]:
    cut_by: dict[str, list[int]] = {}
    for cut in one.cuts:
        cut_by.setdefault(cut.scrap, []).append(cut.slot)
    return [shapes.lying(paper, tuple(sorted(cut_by.get(paper.scrap, ())))) for paper in one.papers]


def usual_steps(all_laid: Sequence[Sequence[LyingPaper]]) -> dict[str, tuple[float, float]]:
    """Scrap → the shift that it makes most often from one pass to the next without being turned."""
    counts: dict[str, Counter[tuple[float, float]]] = {}
    for before, after in pairwise(all_laid):
        old = {one.paper.scrap: one for one in before}
        for one in after:
            last = old.get(one.paper.scrap)
            if last is not None and not one.turned_from(last):
                shift = one.shift_from(last)
                counts.setdefault(one.paper.scrap, Counter())[round(shift[0], 2), round(shift[1], 2)] += 1
    return {scrap: found.most_common(1)[0][0] for scrap, found in counts.items()}


def near(one: tuple[float, float], two: tuple[float, float], within_mm: float = _SAME_MM) -> bool:
    """True where two places or shifts are the same, each way within so many mm."""
    return abs(one[0] - two[0]) <= within_mm and abs(one[1] - two[1]) <= within_mm
