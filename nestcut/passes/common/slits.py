"""Scraps as they lie on the plate; those that are too wide are slit into straight strips beforehand."""

from __future__ import annotations

import math
from dataclasses import dataclass

from shapely.affinity import translate
from shapely.geometry import Point, Polygon, box

from nestcut.batch.model import Pose, Scrap

__all__ = ["Piece", "slit"]


@dataclass(frozen=True, slots=True)
class Piece:
    """A scrap, or a straight part of it."""

    scrap: Scrap
    outline: Polygon
    """In the scrap's frame."""
    whole: bool

    @property
    def corner(self) -> tuple[float, float]:
        """The upper left corner of its box, in the scrap's frame."""
        x0, y0, _, _ = self.outline.bounds
        return (x0, y0)

    @property
    def in_corner(self) -> Polygon:
        """The outline, its box beginning at (0, 0)."""
        x0, y0 = self.corner
        return translate(self.outline, -x0, -y0)

    def lying(self, deg: float, shift: tuple[float, float], at: tuple[int, int]) -> Pose:
        """The scrap's pose when the piece, turned, begins at a place on the plate.

        Args:
            shift: from the turned outline, its corner in the turning point, to one whose box begins at (0, 0), mm.
        """
        back = Pose(0.0, 0.0, deg).apply(Point(self.corner))
        return Pose(round(at[0] + shift[0] - back.x, 9), round(at[1] + shift[1] - back.y, 9), deg)


def slit(scrap: Scrap, slit_mm: float) -> list[Piece]:
    """The scrap as it is, or strips of it along its longer side where its shorter side is too wide."""
    x0, y0, x1, y1 = scrap.outline.bounds
    w, h = x1 - x0, y1 - y0
    count = math.ceil(min(w, h) / slit_mm - 1e-9)
    if count <= 1:
        return [Piece(scrap, scrap.outline, True)]
    pieces = []
    for k in range(count):
        low, high = (round(min(w, h) * j / count) if j < count else min(w, h) for j in (k, k + 1))
        part = (
            box(x0 + low, y0 - 1, x0 + high, y1 + 1) if w <= h else box(x0 - 1, y0 + low, x1 + 1, y0 + high)
        )
        outline = scrap.outline.intersection(part)
        if not isinstance(outline, Polygon) or outline.is_empty:
            # A slit would leave loose pieces: this scrap is better left as it is.
            return [Piece(scrap, scrap.outline, True)]
        pieces.append(Piece(scrap, outline, False))
    return pieces
