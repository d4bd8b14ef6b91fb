"""Dies as they will lie in rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from nestcut.batch.model import Die

__all__ = ["RowItem"]


@dataclass(frozen=True, slots=True)
class RowItem:
    """One copy of a die, turned as it will lie, with its cuts by paper."""

    die: Die
    deg: float
    bounds: tuple[float, float, float, float]
    """Of the turned rim about the die's reference point: left, top, right, bottom, mm."""
    cuts: Mapping[str, int]

    @property
    def width(self) -> float:
        """Across the feed, mm."""
        return self.bounds[2] - self.bounds[0]

    @property
    def depth(self) -> float:
        """Along the feed, mm."""
        return self.bounds[3] - self.bounds[1]
