"""Proofs that a set of dies cannot lie on the plate together, beyond rim area.

Two methods, the one that settles most first: branch and bound over the dies' places relative to each other
(:mod:`nestcut.passes.relative`), and a dynamic programme that stacks them (:mod:`nestcut.passes.stacking`),
which is better where a few large dies miss the plate by a hair.

The largest dies of a set stand in each other's way first, so they are tried alone, then with the next
largest, and so on; what was proved is cut down to the dies that it needs, since all sets that contain a
disproved one follow.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from shapely.geometry import Polygon

from nestcut.passes.kept import Kept
from nestcut.passes.master import Counts
from nestcut.passes.patterns import PatternBook
from nestcut.passes.relative import EFFORTS, Relative
from nestcut.passes.stacking import LEVELS, TOLERANCE_MM, Stacker

__all__ = ["Disprover"]

MOST_DIES = 6

Proof = Mapping[str, Any]
Method = Callable[[Sequence[int], int], Proof | None]


class Disprover:
    """Disproves sets of dies and notes it in the book; remembers what it tried in vain."""

    def __init__(
        self,
        dies: Sequence[Kept],
        window: Polygon,
        gap_mm: float,
        book: PatternBook,
        *,
        stop: Callable[[], bool] = lambda: False,
    ) -> None:
        """``stop``: asked several times a second; True leaves it at what is proved."""
        self.stop = stop
        self.dies = tuple(dies)
        self.book = book
        about = ([die.rim for die in dies], [die.bound_turns for die in dies], window, gap_mm)
        self.relative = Relative(*about)
        self.stacker = Stacker(*about)
        left, top, right, bottom = window.bounds
        self.size = right - left + 2 * TOLERANCE_MM, bottom - top + 2 * TOLERANCE_MM
        self.tried: dict[tuple[str, Counts], int] = {}
        self.work = 0

    def _counts(self, listed: Sequence[int]) -> Counts:
        counts = [0] * len(self.dies)
        for die in listed:
            counts[die] += 1
        return tuple(counts)

    def attempt(self, listed: Sequence[int], strength: int) -> bool:
        """True if exactly these dies are, or have just been, disproved, by either method."""
        return any(self._attempt(listed, strength, how) for how in (self._by_places, self._by_stacking))

    def _attempt(self, listed: Sequence[int], strength: int, how: Method) -> bool:
        counts = self._counts(listed)
        if self.book.is_disproved(counts):
            return True
        key = (how.__name__, counts)
        if self.book.is_witnessed(counts) or self.tried.get(key, 0) >= strength:
            return False
        if self.stop():
            return False
        self.tried[key] = strength
        self.work += 1
        proof = how(listed, strength)
        if proof is None:
            return False
        if len(listed) == 1 or (len(listed) == 2 and proof["by"] == "stacking"):
            # Proved again by turning alone (DEVELOPERS.md, 'Proof').
            proof = {"by": "turning"}
        self.book.disprove(counts, proof)
        return True

    def _by_places(self, listed: Sequence[int], strength: int) -> Proof | None:
        proof = self.relative.disprove(listed, EFFORTS[min(strength, len(EFFORTS)) - 1], stop=self.stop)
        # The checker draws cores in its own way: near the limit it may not find what was found here.
        if proof is None or (len(listed) > 1 and not self._holds(listed, proof)):
            return None
        return {**proof, "order": [self.dies[die].name for die in listed]}

    def _holds(self, listed: Sequence[int], proof: Proof) -> bool:
        """Whether the checker will believe it."""
        from nestcut.check.relative import places_cannot_fit
        from nestcut.check.safe_side import shrunk
        from nestcut.check.turning import Opponent
        from nestcut.check.turns import ALL_TURNS, SLACK_DEG

        opponents = []
        for die in listed:
            turns = self.dies[die].bound_turns
            angles = ALL_TURNS if turns == "any" else tuple((t - SLACK_DEG, t + SLACK_DEG) for t in turns)
            rim = shrunk(self.dies[die].rim, TOLERANCE_MM)
            if rim.is_empty:
                return False
            opponents.append(Opponent.about_middle(rim, angles))
        return places_cannot_fit(opponents, *self.size, self.relative.gap_mm, proof) is None

    def _by_stacking(self, listed: Sequence[int], strength: int) -> Proof | None:
        return self.stacker.disprove(
            tuple(listed),
            levels=min(2 + strength, len(LEVELS)),
            budget=200_000 * 8 ** (strength - 1),
            work=4e7 * 4.0 ** (strength - 1),
            stop=self.stop,
        )

    def disprove(self, counts: Counts, strength: int) -> bool:
        """Try to disprove the set or a part of it. True if the set is disproved afterwards.

        Args:
            strength: 1 quick (fractions of a second), 2, 3 … finer cells and longer searches.
        """
        if self.book.is_disproved(counts):
            return True
        listed = [die for die, count in enumerate(counts) for _ in range(count)]
        listed.sort(key=lambda die: (-self.dies[die].area_ticks, die))
        for how in (self._by_places, self._by_stacking):
            for size in range(1, min(len(listed), MOST_DIES) + 1):
                if self._attempt(listed[:size], strength, how):
                    self._shorten(listed[:size], strength, how)
                    return True
        return False

    def _shorten(self, listed: Sequence[int], strength: int, how: Method) -> None:
        """Note the smallest part that is still disproved: fewer dies forbid more sets."""
        for index in range(len(listed) - 1):
            rest = [die for at, die in enumerate(listed) if at != index]
            if rest and self._attempt(rest, strength, how):
                self._shorten(rest, strength, how)
                return
