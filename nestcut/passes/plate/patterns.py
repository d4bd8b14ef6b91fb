"""The book of patterns: which sets of dies are known to fit on the plate together, and which known not to.

A set is *witnessed* (an exactly checked layout is stored; all its subsets follow), *disproved* (all sets
that contain it follow) or *undecided*. A search that finds nothing is never a disproof: failed tries are
only counted, so that effort is not spent twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from nestcut.batch.model import Pose
from nestcut.passes.plate.master import Counts

__all__ = ["Layout", "PatternBook", "contains"]

Layout = tuple[tuple[int, Pose], ...]
"""(die number, pose) of every die on the plate."""


def contains(big: Counts, small: Counts) -> bool:
    """True if ``small`` is a part of ``big``."""
    return all(b >= s for b, s in zip(big, small, strict=True))


def counts_of(layout: Layout, dies: int) -> Counts:
    """How many copies of each die lie in the layout."""
    counts = [0] * dies
    for die, _ in layout:
        counts[die] += 1
    return tuple(counts)


@dataclass(slots=True)
class PatternBook:
    """Witnesses, disproofs and failed tries over ``dies`` dies."""

    dies: int
    witnesses: dict[Counts, Layout] = field(default_factory=dict)
    """Largest witnessed sets only."""
    disproofs: dict[Counts, Mapping[str, Any]] = field(default_factory=dict)
    """Smallest disproved sets only, each with what recomputes the disproof."""
    effort: dict[Counts, float] = field(default_factory=dict)
    """Largest effort that was spent on a set in vain."""
    version: int = 0

    def is_witnessed(self, counts: Counts) -> bool:
        return any(contains(big, counts) for big in self.witnesses)

    def is_disproved(self, counts: Counts) -> bool:
        return any(contains(counts, small) for small in self.disproofs)

    def layout(self, counts: Counts) -> Layout | None:
        """A layout of exactly this set, taken from the smallest witness that holds it."""
        found = [big for big in self.witnesses if contains(big, counts)]
        if not found:
            return None
        whole = self.witnesses[min(found, key=lambda big: (sum(big), big))]
        left = list(counts)
        layout = []
        for die, pose in whole:
            if left[die] > 0:
                left[die] -= 1
                layout.append((die, pose))
        return tuple(layout)

    def witness(self, layout: Layout) -> bool:
        """Note a checked layout. True if it is news. Raises ValueError if it was disproved: a fault of ours."""
        counts = counts_of(layout, self.dies)
        if self.is_disproved(counts):
            raise ValueError(f"a set that was disproved has a layout: {counts}")
        if self.is_witnessed(counts):
            return False
        for small in [known for known in self.witnesses if contains(counts, known)]:
            del self.witnesses[small]
        self.witnesses[counts] = layout
        self.version += 1
        return True

    def disprove(self, counts: Counts, proof: Mapping[str, Any]) -> bool:
        """Note a disproof. True if it is news. Raises ValueError if a layout is known: a fault of ours."""
        if self.is_witnessed(counts):
            raise ValueError(f"a set that has a layout was disproved: {counts}")
        if self.is_disproved(counts):
            return False
        for big in [known for known in self.disproofs if contains(known, counts)]:
            del self.disproofs[big]
        self.disproofs[counts] = proof
        self.version += 1
        return True

    def failed(self, counts: Counts, effort: float) -> None:
        """Note that a search of this effort found no layout."""
        self.effort[counts] = max(effort, self.effort.get(counts, 0.0))

    def tried(self, counts: Counts, effort: float) -> bool:
        """True if this set, or a part of it, was tried in vain with at least this effort."""
        return any(spent >= effort and contains(counts, small) for small, spent in self.effort.items())

    def known_masks(self, universe: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(witnessed, disproved) for each row of an (N, dies) array of counts."""
        return _below_any(universe, self.witnesses), _above_any(universe, self.disproofs)


def _below_any(universe: np.ndarray, sets: Iterable[Counts]) -> np.ndarray:
    mask = np.zeros(len(universe), dtype=bool)
    for counts in sets:
        mask |= (universe <= np.asarray(counts, dtype=universe.dtype)).all(axis=1)
    return mask


def _above_any(universe: np.ndarray, sets: Iterable[Counts]) -> np.ndarray:
    mask = np.zeros(len(universe), dtype=bool)
    for counts in sets:
        mask |= (universe >= np.asarray(counts, dtype=universe.dtype)).all(axis=1)
    return mask
