"""Some rims that can't lie in a rectangle together: a proof by their places relative to each other, gone through.

The proof says how the cases are told apart; every case is worked out here anew. A case gives each rim an
interval of turns and one of x. What a rim covers at every turn of its interval (its core) stands in the
others' way: for two cores and an interval of differences of x there is a stretch of differences of y that is
forbidden. So one of the two comes first along the window by at least the stretch's one end, or the other by
its other end. These least differences add up from the window's one end to the other; where they need more
than there is, whichever of two comes first, the case is impossible. Splitting a case at any place leaves none
out, so nothing in the proof need be believed.
Source: disjunctive graph (Roy & Sussmann, 1964), interval branch and bound (Moore, 1966).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nestcut.checks.measures.patience import ENDLESS, Patience, TooMuchError, Undecided
from nestcut.checks.measures.turns import ALL_TURNS, Interval
from nestcut.checks.proof.cores import HAIR_MM, Rim, folded, forbidden_columns, turned_rings
from nestcut.checks.proof.stacking import quarter
from nestcut.checks.proof.turning import Opponent, too_many_corners

__all__ = ["places_cannot_fit"]

Floats = NDArray[np.float64]
MOST_DIES = 7
"""As many letters as a proof has for turns."""
MOST_FOLD = 16
"""How often a rim may come onto itself in a turn: beyond that it is as good as round."""
MOST_STEPS = 150_000
"""Cases gone through before giving up (which refuses the proof): about a minute."""
MOST_EXTRA = 200
"""Cases more than the proof lists, and as many again: where a core here is a hair smaller than the prover's."""
FINER = 4
"""Columns here to one of the proof."""
MOST_DEEP = 10
"""Splits below a case that the proof calls impossible."""
LEAST_STEP_MM = 0.05
"""Finer columns than that are no step of a proof: the memory they take has no end."""
MOST_AT_ONCE = 10_000_000
"""Numbers for one pair of cells of turns: columns, for every pair of convex parts. Some hundred MB with what follows."""
MOST_KEPT = 25_000_000
"""Numbers kept of pairs gone through: 200 MB. Beyond that they are worked out anew."""
NOTHING = -np.inf
"""Where no distance is known yet."""

_STEP = re.compile(r"\.|[a-g]|[A-G]-?\d{1,5}|[h-z]|[HI]")
_TURNS, _PLACES, _PAIRS = "abcdefg", "ABCDEFG", "hijklmnopqrstuvwxyzHI"


class _OpenError(Exception):
    """What the proof calls impossible may be possible; its words are for people."""


@dataclass(slots=True)
class _Case:
    """Turns (cells of the list, or an interval) and x of each rim; what follows for the ways of pairs and for y."""

    turns: list[tuple[Interval, ...]]
    x: list[tuple[float, float]]
    way: dict[tuple[int, int], int]
    """1: the second comes after the first, −1: before it."""
    stretch: dict[tuple[int, int], tuple[float, float]]
    least: Floats
    """least[p, q]: y of q less y of p is at least this; the last row and column stand for the window."""

    def copy(self) -> _Case:
        return _Case(list(self.turns), list(self.x), dict(self.way), dict(self.stretch), self.least.copy())


def places_cannot_fit(
    rims: Sequence[Opponent],
    width_mm: float,
    length_mm: float,
    gap_mm: float,
    proof: Mapping[str, Any],
    *,
    patience: Patience = ENDLESS,
) -> str | None:
    """Whether the proof shows that these rims can't all lie in the window, the gap apart. None: it does.

    Args:
        rims: in the order of the proof.
        proof: its keys ``splits``, ``step_mm`` and ``folds`` (docs/proof.md).
        patience: raises TooLongError when it ends.
    """
    if not 1 <= len(rims) <= MOST_DIES:
        return f"it is about more than {MOST_DIES} dies"
    step, folds, splits = proof.get("step_mm"), proof.get("folds"), proof.get("splits")
    if not isinstance(step, int | float) or isinstance(step, bool) or not LEAST_STEP_MM <= step <= 1000.0:
        return "its step is no length"
    if not isinstance(folds, list) or len(folds) != len(rims):
        return "its folds don't belong to its dies"
    if not all(isinstance(m, int) and not isinstance(m, bool) and 1 <= m <= MOST_FOLD for m in folds):
        return "its folds don't belong to its dies"
    if not isinstance(splits, str) or len(splits) > 8 * MOST_STEPS:
        return "its splits are no text, or too long"
    why = too_many_corners(*rims)
    if why is not None:
        return why
    if width_mm > length_mm:
        rims = [quarter(rim) for rim in rims]
        width_mm, length_mm = length_mm, width_mm
    same = _same(rims)
    middled: list[Rim] = []
    for i, (rim, fold) in enumerate(zip(rims, folds, strict=True)):
        shared = same[i] < i and folds[same[i]] == fold
        middled.append(middled[same[i]] if shared else folded(rim, fold, gap_mm))
    if any(rim.opponent.rim.is_empty for rim in middled):
        return "a rim is too thin to tell"
    try:
        _Reader(middled, width_mm, length_mm, float(step), splits, patience).run(
            same, all(rim.turns == ALL_TURNS for rim in rims)
        )
    except _OpenError as reason:
        return str(reason)
    except TooMuchError as reason:
        return Undecided(reason)
    return None


def _same(rims: Sequence[Opponent]) -> list[int]:
    """For each rim the number of the first that is the same die (it is then the same object's rim)."""
    return [next(j for j in range(i + 1) if rims[j].rim.equals_exact(rim.rim, 0.0) and rims[j].turns == rim.turns)
            for i, rim in enumerate(rims)]  # fmt: skip


def _width(cells: tuple[Interval, ...]) -> tuple[float, float]:
    """(middle, half) of turns: of an interval, or all turns where a list is not yet down to one."""
    if len(cells) > 1:
        return 0.0, 180.0
    lo, hi = cells[0]
    return (lo + hi) / 2, (hi - lo) / 2


class _Reader:
    """Goes through a proof, case by case."""

    def __init__(
        self,
        rims: Sequence[Rim],
        width_mm: float,
        length_mm: float,
        step_mm: float,
        splits: str,
        patience: Patience,
    ) -> None:
        self.patience = patience
        self.rims, self.width, self.length = list(rims), width_mm, length_mm
        # Columns here are finer than the proof's, for splits of our own.
        self.unit, self.step = step_mm, step_mm / FINER
        self.count = len(rims)
        self.pairs = [(i, j) for i in range(self.count) for j in range(i + 1, self.count)]
        self.splits, self.at = splits, 0
        self.steps = self.extra = 0
        self.reach = max(rim.opponent.radius for rim in rims)
        self.half = math.ceil((width_mm + 2 * self.reach) / self.step) + 2
        # Before anything is laid out in memory.
        if 2 * self.half * max(len(rim.core(0.0)[0]) + 1 for rim in rims) ** 2 > MOST_AT_ONCE:
            raise TooMuchError("its columns are too many to go through")
        self.columns: dict[
            tuple[int, int, tuple[float, float], tuple[float, float]], tuple[Floats, Floats]
        ] = {}

    def run(self, same: Sequence[int], free: bool) -> None:
        """All cases. Raises _OpenError where the proof has a hole.

        Args:
            same: for each rim the first of its kind.
            free: whether all of them turn freely.
        """
        least = np.full((self.count + 1, self.count + 1), NOTHING)
        np.fill_diagonal(least, 0.0)
        case = _Case(
            [rim.cells for rim in self.rims],
            [(-self.reach, self.width + self.reach)] * self.count,
            {},
            {},
            least,
        )
        # A layout turned by half a circle is one, too, where all turn freely: of two dies that are alone of their
        # kind the first comes first. Copies may change names: the one named first comes first.
        alone = [i for i in range(self.count) if list(same).count(same[i]) == 1]
        ordered = [(alone[0], alone[1])] if free and len(alone) > 1 else []
        for i in range(self.count):
            ordered += [(i, j) for j in range(i + 1, self.count) if same[j] == same[i]][:1]
        for i, j in ordered:
            self._edge(case, i, j, 0.0)
        todo = [(case, self._renew(case, range(self.count)))]
        while todo:
            case, possible = todo.pop()
            self.steps += 1
            self.patience.ask()
            if self.steps > MOST_STEPS:
                raise TooMuchError("it is too long to go through")
            step = _STEP.match(self.splits, self.at)
            if step is None:
                raise _OpenError("its splits end, or can't be read")
            self.at = step.end()
            word = step.group()
            if word == ".":
                if possible:
                    self._close(case, MOST_DEEP)
                continue
            todo += self._split(case, word, possible)[::-1]
        if self.at != len(self.splits):
            raise _OpenError("its splits go on after the last case")

    def _split(self, case: _Case, word: str, possible: bool) -> list[tuple[_Case, bool]]:
        """The two halves of a case."""
        halves = [case.copy(), case.copy()]
        if word[0] in _PAIRS:
            number = _PAIRS.index(word[0])
            if number >= len(self.pairs):
                raise _OpenError("its splits name a pair that is not there")
            pair = self.pairs[number]
            if possible and (pair not in case.stretch or pair in case.way):
                # Decided already, or nothing known to be decided: both halves are the whole case.
                return [(half, possible) for half in halves]
            halves[0].way[pair], halves[1].way[pair] = 1, -1
            return [(half, possible and self._renew(half, ())) for half in halves]
        letters = _TURNS if word[0] in _TURNS else _PLACES
        die = letters.index(word[0])
        if die >= self.count:
            raise _OpenError("its splits name a die that is not there")
        if letters is _TURNS:
            cells = case.turns[die]
            if len(cells) > 1:
                parts = [cells[: len(cells) // 2], cells[len(cells) // 2 :]]
            else:
                (lo, hi) = cells[0]
                parts = [((lo, (lo + hi) / 2),), (((lo + hi) / 2, hi),)]
            halves[0].turns[die], halves[1].turns[die] = parts
        else:
            low, high = case.x[die]
            place = min(
                max(
                    (
                        float(int(word[1:-1])) * self.step
                        if word[-1] == "/"
                        else float(int(word[1:])) * self.unit
                    ),
                    low,
                ),
                high,
            )
            halves[0].x[die], halves[1].x[die] = (low, place), (place, high)
        return [(half, possible and self._renew(half, (die,))) for half in halves]

    def _close(self, case: _Case, depth: int) -> None:
        """Show a case to be impossible that the proof calls so, by splits of our own. Raises _OpenError."""
        self.extra += 1
        self.patience.ask()
        if depth == 0 or self.extra > MOST_EXTRA + self.steps:
            raise _OpenError(
                "they can't be shown to be in each other's way in a case that it calls impossible"
            )
        # The split that takes most room from the dies: x at a whole column, or turns.
        best: list[tuple[_Case, bool]] = []
        most = -1.0
        words = [_TURNS[i] for i in range(self.count) if _width(case.turns[i])[1] > 0.05]
        for i in range(self.count):
            first, last = math.ceil(case.x[i][0] / self.step), math.floor(case.x[i][1] / self.step)
            if last > first:
                words.append(f"{_PLACES[i]}{(first + last) // 2 + (0 if last - first > 1 else 1)}/")
        words += [
            _PAIRS[n] for n, pair in enumerate(self.pairs) if pair in case.stretch and pair not in case.way
        ]
        for word in words:
            halves = self._split(case, word, True)
            worth = math.prod(
                0.01 + (50.0 if not possible else min(50.0, _room(case) - _room(half)))
                for half, possible in halves
            )
            if worth > most:
                best, most = halves, worth
        if not best:
            raise _OpenError(
                "they can't be shown to be in each other's way in a case that it calls impossible"
            )
        for half, possible in best:
            if possible:
                self._close(half, depth - 1)

    # --- what follows from a case -------------------------------------------------------------

    def _edge(self, case: _Case, i: int, j: int, more: float) -> bool:
        """y of j is at least y of i and ``more``. False: impossible."""
        least = case.least
        if more <= least[i, j]:
            return True
        if more + least[j, i] > HAIR_MM:
            return False
        np.maximum(least, least[:, i, None] + (more + least[None, j, :]), out=least)
        return True

    def _renew(self, case: _Case, changed: Sequence[int]) -> bool:
        """Work out anew what the cells of these rims say. False: the case is impossible."""
        for i in changed:
            middle, half = _width(case.turns[i])
            corners = self.rims[i].core(half)[2]
            if len(corners) == 0:
                continue
            turned = turned_rings([corners], middle)[0]
            (left, top), (right, bottom) = turned.min(axis=0), turned.max(axis=0)
            low, high = case.x[i]
            case.x[i] = max(low, -left - HAIR_MM), min(high, self.width - right + HAIR_MM)
            if case.x[i][0] > case.x[i][1]:
                return False
            if not (
                self._edge(case, self.count, i, -top)
                and self._edge(case, i, self.count, bottom - self.length)
            ):
                return False
        for pair in self.pairs:
            if pair[0] in changed or pair[1] in changed:
                self._look_up(case, pair)
        return self._follow(case)

    def _look_up(self, case: _Case, pair: tuple[int, int]) -> None:
        """The stretch of y that the pair's cells forbid, joined to the one that is known."""
        i, j = pair
        key = (i, j, _width(case.turns[i]), _width(case.turns[j]))
        if key not in self.columns:
            if (len(self.columns) + 1) * 4 * self.half > MOST_KEPT:
                self.columns.clear()
            self.columns[key] = forbidden_columns(
                self.rims[i], key[2], self.rims[j], key[3], self.step, self.half
            )
        low, high = self.columns[key]
        first = math.floor((case.x[j][0] - case.x[i][1]) / self.step - 1e-9) + self.half
        last = math.ceil((case.x[j][1] - case.x[i][0]) / self.step + 1e-9) + self.half
        first, last = max(0, first), min(len(low), last)
        if first >= last:
            return
        u, v = float(low[first:last].max()), float(high[first:last].min())
        if u >= v:
            return
        known = case.stretch.get(pair)
        if known is None:
            case.stretch[pair] = (u, v)
        elif u < known[1] and v > known[0]:
            case.stretch[pair] = min(u, known[0]), max(v, known[1])
        elif v - u > known[1] - known[0] and pair not in case.way:
            case.stretch[pair] = (u, v)

    def _follow(self, case: _Case) -> bool:
        """Decide pairs that have one way left, and add what is decided. False: the case is impossible."""
        moved = True
        while moved:
            moved = False
            for (i, j), (low, high) in case.stretch.items():
                way = case.way.get((i, j), 0)
                if way == 0:
                    after, before = high + case.least[j, i] <= HAIR_MM, -low + case.least[i, j] <= HAIR_MM
                    if not after and not before:
                        return False
                    if after and before:
                        continue
                    way = case.way[i, j] = 1 if after else -1
                first, second, more = (i, j, high) if way == 1 else (j, i, -low)
                if more > case.least[first, second] + 1e-9:
                    moved = True
                    if not self._edge(case, first, second, more):
                        return False
        return True


def _room(case: _Case) -> float:
    """How far all the rims together can move along the window, mm."""
    return -float((case.least[:-1, -1] + case.least[-1, :-1]).sum())
