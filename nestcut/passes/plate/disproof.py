"""Proofs that a set of dies cannot lie on the plate together, beyond rim area.

Nothing is noted as disproved but what the checker, asked at once, believes: it draws shapes in its own way, and near
the limit it may not find what was found here. Then the set stays open, and the bound does without.

Two methods, the one that settles most first: branch and bound over the dies' places relative to each other
(:mod:`nestcut.passes.disproofs.relative`), and a dynamic programme that stacks them (:mod:`nestcut.passes.disproofs.stacking`),
which is better where a few large dies miss the plate by a hair.

The largest dies of a set stand in each other's way first, so they are tried alone, then with the next
largest, and so on; what was proved is cut down to the dies that it needs, since all sets that contain a
disproved one follow.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from shapely.geometry import Polygon

from nestcut.passes.common.plate_rules import TOLERANCE_MM
from nestcut.passes.disproofs.relative import EFFORTS, Relative
from nestcut.passes.disproofs.stacking import LEVELS, Stacker
from nestcut.passes.plate.footprints import DieFootprint
from nestcut.passes.plate.master import Counts
from nestcut.passes.plate.patterns import PatternBook

if TYPE_CHECKING:
    from nestcut.checks.proof.turning import Opponent

__all__ = ["Disprover"]

MOST_DIES = 6
"""Largest part of a set that is looked for to disprove it."""
GLANCE_TESTS, MOST_TESTS = 2_000, 100_000
"""Positions of a pair that the checker tests: a fraction of a second, some ten seconds."""
MOST_PAIRS = 2e8
"""Pairs of states that the checker stacks at one level: some seconds."""

Proof = Mapping[str, Any]
Method = Callable[[Sequence[int], int], Proof | None]


class Disprover:
    """Disproves sets of dies and notes it in the book; remembers what it tried in vain."""

    def __init__(
        self,
        dies: Sequence[DieFootprint],
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
        return any(self._attempt(listed, strength, how) for how in self._methods())

    def _methods(self) -> tuple[Method, ...]:
        return self._by_middles, self._by_places, self._by_stacking

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
        self.book.disprove(counts, proof)
        return True

    def _by_middles(self, listed: Sequence[int], strength: int) -> Proof | None:
        """One or two dies by what the checker sees at once: a die too large alone, or two round ones."""
        if len(listed) > 2:
            return None
        return self._believed(listed, ({"by": "turning"},), tests=GLANCE_TESTS)

    def _by_places(self, listed: Sequence[int], strength: int) -> Proof | None:
        proof = self.relative.disprove(listed, EFFORTS[min(strength, len(EFFORTS)) - 1], stop=self.stop)
        if proof is None:
            return None
        named = {**proof, "order": [self.dies[die].name for die in listed]}
        return self._believed(listed, ({"by": "turning"},) if len(listed) == 1 else (named,))

    def _believed(
        self, listed: Sequence[int], proofs: Sequence[Proof], *, tests: int = MOST_TESTS
    ) -> Proof | None:
        """The first of these proofs that the checker believes, asked for each; None: none of them.

        The limits are of work, so that the same seed asks and hears the same on every machine.
        """
        from nestcut.checks.measures.patience import Patience, TooLongError
        from nestcut.checks.proof.relative import places_cannot_fit
        from nestcut.checks.proof.stacking import stack_cannot_fit
        from nestcut.checks.proof.turning import pair_cannot_fit, single_cannot_fit

        rims = [self._opponent(die) for die in listed]
        if any(rim.rim.is_empty for rim in rims):
            return None
        gap_mm = self.relative.gap_mm
        patience = Patience(stop=self.stop)
        try:
            for proof in proofs:
                if len(rims) == 1:
                    why = single_cannot_fit(rims[0], *self.size, patience=patience)
                elif proof["by"] == "relative":
                    why = places_cannot_fit(rims, *self.size, gap_mm, proof, patience=patience)
                elif proof["by"] == "stacking":
                    why = stack_cannot_fit(rims, *self.size, gap_mm, work=MOST_PAIRS, patience=patience)
                else:
                    why = pair_cannot_fit(
                        rims[0], rims[1], *self.size, gap_mm, tests=tests, patience=patience
                    )
                if why is None:
                    return proof
        except TooLongError:
            pass
        return None

    def _opponent(self, die: int) -> Opponent:
        """The die as the checker sees it."""
        from nestcut.checks.measures.safe_side import shrunk
        from nestcut.checks.measures.turns import ALL_TURNS, SLACK_DEG
        from nestcut.checks.proof.turning import Opponent

        turns = self.dies[die].bound_turns
        angles = ALL_TURNS if turns == "any" else tuple((t - SLACK_DEG, t + SLACK_DEG) for t in turns)
        rim = shrunk(self.dies[die].rim, TOLERANCE_MM)
        return Opponent(rim, angles) if rim.is_empty else Opponent.about_middle(rim, angles)

    def _by_stacking(self, listed: Sequence[int], strength: int) -> Proof | None:
        proof = self.stacker.disprove(
            tuple(listed),
            levels=min(2 + strength, len(LEVELS)),
            budget=200_000 * 8 ** (strength - 1),
            work=4e7 * 4.0 ** (strength - 1),
            stop=self.stop,
        )
        if proof is None:
            return None
        return self._believed(listed, (proof, {"by": "turning"}) if len(listed) == 2 else (proof,))

    def disprove(self, counts: Counts, strength: int) -> bool:
        """Try to disprove the set or a part of it. True if the set is disproved afterwards.

        Args:
            strength: 1 quick (fractions of a second), 2, 3 … finer cells and longer searches.
        """
        if self.book.is_disproved(counts):
            return True
        listed = [die for die, count in enumerate(counts) for _ in range(count)]
        listed.sort(key=lambda die: (-self.dies[die].area_ticks, die))
        for how in self._methods():
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
