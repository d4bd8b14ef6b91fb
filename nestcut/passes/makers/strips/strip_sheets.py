"""What is left of the scraps of one paper while strips are cut out of them; equal scraps, cut alike so far, are one pile.

Rectangular scraps are kept as their largest free rectangles; others as a grid of places between the corners.
Source: maximal rectangles (Jylänki 2010, "A thousand ways to pack the bin").
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import accumulate, groupby

import numpy as np
import shapely
from shapely.geometry import box

from nestcut.batch.model import Batch, Scrap
from nestcut.passes.common.plate_rules import HAIR_MM
from nestcut.passes.parts.papers import scraps_by_paper

__all__ = ["Box", "Pile", "Piles", "StripSheet", "piles_by_paper"]


Box = tuple[float, float, float, float]


@dataclass
class StripSheet:
    """What is left of a scrap: free rectangles, or places on a grid where it is no rectangle."""

    scrap: Scrap
    """One of those that look so."""
    free: list[Box] | None = None
    taken: list[Box] = field(default_factory=list)
    xs: list[float] = field(default_factory=list)
    ys: list[float] = field(default_factory=list)

    @staticmethod
    def fresh(scrap: Scrap) -> StripSheet:
        bounds = scrap.outline.bounds
        if scrap.outline.equals(box(*bounds)):
            return StripSheet(scrap, [bounds])
        points = np.asarray(shapely.get_coordinates(scrap.outline))
        xs = sorted({round(float(x), 6) for x in points[:, 0]})[:60]
        ys = sorted({round(float(y), 6) for y in points[:, 1]})[:60]
        x0, y0, x1, y1 = bounds
        if len(points) > 5:  # slanted or round sides: a few places between the corners, too
            xs = sorted({*xs, *(x0 + (x1 - x0) * k / 12 for k in range(12))})
            ys = sorted({*ys, *(y0 + (y1 - y0) * k / 12 for k in range(12))})
        shapely.prepare(scrap.outline)
        return StripSheet(scrap, None, [], xs, ys)

    def copy(self) -> StripSheet:
        free = None if self.free is None else list(self.free)
        return StripSheet(self.scrap, free, list(self.taken), self.xs, self.ys)

    def place(self, width: float, height: float, snug: bool) -> Box | None:
        """Where a strip lies: nearest the upper left corner (y first), or where least is left beside it."""
        if self.free is None:
            return self._place_on_grid(width, height)
        best: tuple[float, float, float] | None = None
        for x0, y0, x1, y1 in self.free:
            dx, dy = x1 - x0 - width, y1 - y0 - height
            if dx >= -HAIR_MM and dy >= -HAIR_MM:
                rated = (min(dx, dy) if snug else 0.0, y0, x0)
                if best is None or rated < best:
                    best = rated
        return None if best is None else (best[2], best[1], best[2] + width, best[1] + height)

    def take(self, strip: Box) -> None:
        """The strip's room is no longer free."""
        self.taken.append(strip)
        if self.free is None:
            return
        a, b, c, d = strip
        cut: list[Box] = []
        for x0, y0, x1, y1 in self.free:
            if a >= x1 - HAIR_MM or c <= x0 + HAIR_MM or b >= y1 - HAIR_MM or d <= y0 + HAIR_MM:
                cut.append((x0, y0, x1, y1))
                continue
            if a > x0 + HAIR_MM:
                cut.append((x0, y0, a, y1))
            if c < x1 - HAIR_MM:
                cut.append((c, y0, x1, y1))
            if b > y0 + HAIR_MM:
                cut.append((x0, y0, x1, b))
            if d < y1 - HAIR_MM:
                cut.append((x0, d, x1, y1))
        cut = list(dict.fromkeys(cut))
        self.free = [
            one
            for one in cut
            if not any(
                one is not o and o[0] <= one[0] and o[1] <= one[1] and o[2] >= one[2] and o[3] >= one[3]
                for o in cut
            )
        ]

    def _place_on_grid(self, width: float, height: float) -> Box | None:
        xs = np.asarray(sorted({*self.xs, *(t[2] for t in self.taken)}))
        ys = np.asarray(sorted({*self.ys, *(t[3] for t in self.taken)}))
        grid_y, grid_x = np.meshgrid(ys, xs, indexing="ij")
        x, y = grid_x.ravel(), grid_y.ravel()
        _, _, x1, y1 = self.scrap.outline.bounds
        keep = (x + width <= x1 + HAIR_MM) & (y + height <= y1 + HAIR_MM)
        for a, b, c, d in self.taken:
            keep &= (
                (x + width <= a + HAIR_MM)
                | (x >= c - HAIR_MM)
                | (y + height <= b + HAIR_MM)
                | (y >= d - HAIR_MM)
            )
        x, y = x[keep], y[keep]
        if not len(x):
            return None
        covered = shapely.covers(self.scrap.outline, shapely.box(x, y, x + width, y + height))
        hits = np.flatnonzero(covered)
        if not len(hits):
            return None
        k = hits[0]
        return float(x[k]), float(y[k]), float(x[k] + width), float(y[k] + height)


@dataclass(frozen=True, slots=True)
class Pile:
    """Scraps that have the same left. A sheet that lies in a pile is never changed."""

    scraps: Sequence[Scrap]
    sheet: StripSheet


class Piles:
    """The scraps of one paper in the order in which they are looked through, equal neighbours as one pile."""

    def __init__(self, piles: Sequence[Pile]) -> None:
        self._piles = list(piles)
        self._count()

    @staticmethod
    def fresh(scraps: Sequence[Scrap]) -> Piles:
        """Small ones first."""
        # All at once: there may be scraps by the ten thousand.
        outlines = np.array([scrap.outline for scrap in scraps], dtype=object)
        areas, bounds = shapely.area(outlines).tolist(), shapely.bounds(outlines).reshape(-1, 4).tolist()
        looks = zip(areas, bounds, shapely.to_wkb(outlines), strict=True)
        own = sorted(
            (
                (area, own, scrap.id, look, scrap)
                for (area, own, look), scrap in zip(looks, scraps, strict=True)
            ),
            key=lambda entry: entry[:3],
        )
        alike = (
            [scrap for *_, scrap in group]
            for _, group in groupby(own, lambda entry: (entry[0], entry[1], entry[3]))
        )
        return Piles([Pile(group, StripSheet.fresh(group[0])) for group in alike])

    def __iter__(self) -> Iterator[Pile]:
        return iter(self._piles)

    def __len__(self) -> int:
        """Scraps in all piles."""
        return self._first[-1]

    def turned_round(self) -> Piles:
        """The same, the last scrap first."""
        return Piles([Pile(pile.scraps[::-1], pile.sheet) for pile in reversed(self._piles)])

    def copy(self) -> Piles:
        """The same, to be cut another way."""
        return Piles(self._piles)

    def at(self, number: int) -> Pile:
        """The pile that begins with the scrap of this number."""
        return self._piles[bisect_right(self._first, number) - 1]

    def cut(self, number: int, many: int, sheet: StripSheet) -> None:
        """The first ``many`` scraps of the pile that begins with this number now look like the sheet."""
        k = bisect_right(self._first, number) - 1
        pile = self._piles[k]
        parts = [Pile(pile.scraps[:many], sheet), Pile(pile.scraps[many:], pile.sheet)]
        self._piles[k : k + 1] = [part for part in parts if part.scraps]
        self._count()

    def _count(self) -> None:
        self._first = [0, *accumulate(len(pile.scraps) for pile in self._piles)]


def piles_by_paper(batch: Batch) -> dict[str, Piles]:
    """The scraps of each paper, none cut yet."""
    return {paper: Piles.fresh(own) for paper, own in scraps_by_paper(batch).items()}
