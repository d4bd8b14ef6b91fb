"""Scraps in the box and pieces on the table: where the next paper under a row of dies can come from, and what it costs.

A scrap that goes through the machine is taken as it is. A wider one is opened: slit into alike parts, several ways. A piece that
has been cut stays on the table, with all its cuts, for whichever end can still use it.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass

from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Scrap
from nestcut.passes.common.plate_rules import leaves_half_free
from nestcut.passes.common.slits import Piece
from nestcut.passes.common.trims import Trimming
from nestcut.passes.makers.ends.benches import Made

__all__ = ["OpenedScraps", "Source", "State", "pattern_parts", "patterns"]

MOST_PARTS = 4
"""A scrap is slit into so many parts at most."""
State = tuple[str, bytes, tuple[Made, ...]]
"""Paper, outline and cuts of a piece: those that share it take the same way."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a piece can come from."""

    state: State
    outline: Polygon
    """Of the piece, its box beginning at (0, 0)."""
    trims: int
    """Trims that it adds."""
    area_mm2: float
    """Fresh paper that it takes."""
    count: int
    """How many there are."""
    take: Callable[[], Piece]


class OpenedScraps:
    """Scraps that are not opened yet, and pieces on the table."""

    def __init__(self, batch: Batch) -> None:
        self.fresh: dict[tuple[str, bytes], list[Scrap]] = defaultdict(list)
        for scrap in batch.scraps:
            self.fresh[scrap.paper, scrap.outline.normalize().wkb].append(scrap)
        self.patterns = {key: patterns(batch, own[0]) for key, own in self.fresh.items()}
        self._parts: dict[tuple[str, bytes, tuple[int, int]], tuple[list[Polygon], Polygon]] = {}
        for key, own in self.fresh.items():
            for pattern in self.patterns[key]:
                # Equal scraps have equal parts, which are alike but for a millimetre: the first stands for all.
                if parts := pattern_parts(own[0], pattern):
                    self._parts[*key, pattern] = (parts, Piece(own[0], parts[0], False).in_corner)
        self.lying: dict[State, list[Piece]] = defaultdict(list)

    def copy(self) -> OpenedScraps:
        """The same, to go on from in two ways."""
        other: OpenedScraps = object.__new__(OpenedScraps)
        other.patterns, other._parts = self.patterns, self._parts
        other.fresh = defaultdict(list, {key: list(own) for key, own in self.fresh.items()})
        other.lying = defaultdict(list, {key: list(own) for key, own in self.lying.items()})
        return other

    def put(self, piece: Piece, made: tuple[Made, ...]) -> None:
        """Onto the table, for later."""
        self.lying[piece.scrap.paper, piece.in_corner.wkb, made].append(piece)

    def without(self, gone: Collection[int]) -> dict[State, list[Piece]]:
        """Take these pieces (by their ids) off the table. Returns: what was taken off."""
        found: dict[State, list[Piece]] = {}
        for state, pieces in self.lying.items():
            off = [piece for piece in pieces if id(piece) in gone]
            if off:
                found[state] = off
                self.lying[state] = [piece for piece in pieces if id(piece) not in gone]
        return found

    def put_back(self, pieces: Mapping[State, list[Piece]]) -> None:
        """The reverse."""
        for state, own in pieces.items():
            self.lying[state] += own

    def sources(self, paper: str) -> Iterator[Source]:
        """All there is of a paper: pieces on the table, then scraps in the box with every way to open them."""
        for state, pieces in self.lying.items():
            if state[0] == paper and pieces:
                trims = 0 if state[2] or pieces[0].whole else 1
                yield Source(state, pieces[0].in_corner, trims, 0.0, len(pieces), pieces.pop)
        for key, scraps in self.fresh.items():
            for pattern in self.patterns[key] if key[0] == paper and scraps else ():
                if (*key, pattern) not in self._parts:
                    continue  # a slit would leave loose pieces
                parts, outline = self._parts[*key, pattern]
                yield Source(
                    (paper, outline.wkb, ()),
                    outline,
                    0 if len(parts) == 1 else 1,
                    scraps[0].outline.area / len(parts),
                    len(scraps),
                    lambda key=key, pattern=pattern: self._opened(key, pattern),  # type: ignore[misc]
                )

    def _opened(self, key: tuple[str, bytes], pattern: tuple[int, int]) -> Piece:
        """The first part of a fresh scrap; the others go onto the table."""
        scrap = self.fresh[key].pop(0)
        parts, _ = self._parts[*key, pattern]
        pieces = [Piece(scrap, outline, len(parts) == 1) for outline in parts]
        for piece in pieces[1:]:
            self.put(piece, ())
        return pieces[0]


def patterns(batch: Batch, scrap: Scrap) -> list[tuple[int, int]]:
    """Into how many parts across and down a scrap may be slit, fewest parts first; (1, 1): it lies as it is.

    Parts go through the machine and hang out over one end at most as far as leaves half of the plate free.
    """
    x0, y0, x1, y1 = scrap.outline.bounds
    found = []
    for nx in range(1, MOST_PARTS + 1):
        for ny in range(1, MOST_PARTS // nx + 1):
            short, far = sorted(((x1 - x0) / nx, (y1 - y0) / ny))
            if leaves_half_free(batch.machine, (short, far)):
                found.append((nx, ny))
    if (1, 1) in found or not Trimming.of(batch).allowed:
        return [(1, 1)]
    found.sort(key=lambda one: one[0] * one[1])
    return [one for one in found if one[0] * one[1] <= 2 * found[0][0] * found[0][1]]


def pattern_parts(scrap: Scrap, pattern: tuple[int, int]) -> list[Polygon]:
    """The parts of a scrap, slit on whole millimetres of its box; none where a slit would leave loose pieces."""
    if pattern == (1, 1):
        return [scrap.outline]
    x0, y0, x1, y1 = scrap.outline.bounds

    def marks(low: float, high: float, count: int) -> list[float]:
        return [low, *(low + round((high - low) * k / count) for k in range(1, count)), high]

    parts = []
    for a, b in itertools.pairwise(marks(x0, x1, pattern[0])):
        for c, d in itertools.pairwise(marks(y0, y1, pattern[1])):
            part = scrap.outline.intersection(box(a, c, b, d))
            if not isinstance(part, Polygon) or part.is_empty:
                return []
            parts.append(part)
    return parts
