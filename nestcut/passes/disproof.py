"""Proofs that a set of dies cannot lie on the plate together, beyond rim area.

The largest dies of a set stand in each other's way first, so they are tried alone, then with the next
largest, and so on; what was proved is cut down to the dies that it needs, since all sets that contain a
disproved one follow.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from shapely.geometry import Polygon

from nestcut.passes.kept import Kept
from nestcut.passes.master import Counts
from nestcut.passes.patterns import PatternBook
from nestcut.passes.stacking import LEVELS, Stacker

__all__ = ["Disprover"]

MOST_DIES = 6


class Disprover:
    """Disproves sets of dies by stacking and notes it in the book; remembers what it tried in vain."""

    def __init__(self, dies: Sequence[Kept], window: Polygon, gap_mm: float, book: PatternBook) -> None:
        self.dies = tuple(dies)
        self.book = book
        self.stacker = Stacker([die.rim for die in dies], [die.bound_turns for die in dies], window, gap_mm)
        self.tried: dict[Counts, int] = {}
        self.work = 0

    def _counts(self, listed: Sequence[int]) -> Counts:
        counts = [0] * len(self.dies)
        for die in listed:
            counts[die] += 1
        return tuple(counts)

    def attempt(self, listed: Sequence[int], strength: int) -> bool:
        """True if exactly these dies are, or have just been, disproved."""
        counts = self._counts(listed)
        if self.book.is_disproved(counts):
            return True
        if self.book.is_witnessed(counts) or self.tried.get(counts, 0) >= strength:
            return False
        self.tried[counts] = strength
        self.work += 1
        proof: Mapping[str, Any] | None = self.stacker.disprove(
            tuple(listed),
            levels=min(2 + strength, len(LEVELS)),
            budget=200_000 * 8**strength,
            work=4e7 * 4.0**strength,
        )
        if proof is None:
            return False
        # One die, or two, are proved again by turning alone (DEVELOPERS.md, 'Proof').
        kind = {**proof, "by": "turning"} if len(listed) <= 2 else proof
        self.book.disprove(counts, kind)
        return True

    def disprove(self, counts: Counts, strength: int) -> bool:
        """Try to disprove the set or a part of it. True if the set is disproved afterwards.

        Args:
            strength: 1 quick (fractions of a second), 2, 3 … finer cells and longer searches.
        """
        if self.book.is_disproved(counts):
            return True
        listed = [die for die, count in enumerate(counts) for _ in range(count)]
        listed.sort(key=lambda die: (-self.dies[die].area_ticks, die))
        for size in range(1, min(len(listed), MOST_DIES) + 1):
            if self.attempt(listed[:size], strength):
                self._shorten(listed[:size], strength)
                return True
        return False

    def _shorten(self, listed: Sequence[int], strength: int) -> None:
        """Note the smallest part that is still disproved: fewer dies forbid more sets."""
        for index in range(len(listed) - 1):
            rest = [die for at, die in enumerate(listed) if at != index]
            if rest and self.attempt(rest, strength):
                self._shorten(rest, strength)
                return
