"""Some rims that can't lie in a rectangle together, by stacking them along its longer side.

In any layout, order the rims by the y of their reference points. A rim below another is at least so far
below it as both turns and their difference of x make it (:mod:`nestcut.checks.measures.offsets`), so y drops out of
the search: what is left are orders, turns and x. Turns and x are cut into cells; in a cell of turns a rim
counts with its core only, what it covers at every turn of the cell. If no order and no choice of cells
brings all above the window's end, no layout exists. Cells that take part in no such choice are dropped,
the others halved, and all is tried again.
Source: dynamic programme over sets (Held & Karp, 1962), then depth-first search with all pairs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
import shapely.affinity
from numpy.typing import NDArray

from nestcut.checks.measures.convex_cover import convex_cover, grown_hull
from nestcut.checks.measures.measure import turn_matrices
from nestcut.checks.measures.offsets import least_offsets
from nestcut.checks.measures.patience import ENDLESS, Patience, Undecided
from nestcut.checks.measures.safe_side import shrunk
from nestcut.checks.measures.symmetry import common_to_folds
from nestcut.checks.measures.turns import ALL_TURNS, Interval
from nestcut.checks.proof.turning import Opponent, too_many_corners

__all__ = ["stack_cannot_fit"]

Floats = NDArray[np.float64]
FIRST_TURN_DEG = 15.0
"""Cells of turns at the first level; each level halves them."""
FIRST_STEP_MM = 8.0
"""Cells of places at the first level; each level halves them."""
LEVELS = 5
"""Beyond that the pairs of states are more than can be gone through."""
MARGIN_MM = 1e-5
"""Cores are shrunk by this, far above all rounding errors in what follows."""
MOST_WORK = 1e9
"""Pairs of states gone through at one level before giving up (which refuses nothing): half a minute."""
BLOCK = 300_000
"""Pairs of states looked up at a time: fits the processor's cache."""
MOST_LOOKS = 40_000
"""Steps of the depth-first search at one level."""
MOST_DIES = 6
"""Orders of more dies are too many."""
MOST_FOLD = 16
"""How often a rim may come onto itself in a turn: beyond that it is as good as round."""
LOST_TO_FOLDS = 0.02
"""Share of its area that a rim may lose when it is cut down to what its turns have in common."""
MOST_NUMBERS = 30_000_000
"""In the tables of all pairs of rims at one level: 240 MB."""
MOST_AT_ONCE = 8_000_000
"""For one pair of turns of two rims."""


@dataclass(frozen=True, slots=True)
class _TurnedRim:
    """A rim with its turns; a rim that looks the same turned by a fraction needs only that many turns."""

    opponent: Opponent
    cells: tuple[Interval, ...]


@dataclass(slots=True)
class _Stage:
    """One rim at one level: its cells of turns, its core at each, and its states (cell of turn, cell of x)."""

    cells: list[Interval]
    parts: list[list[Floats]]
    """For each group of cells of one width: convex parts of the core at turn 0."""
    grown: list[list[Floats]]
    group: NDArray[np.int64]
    turns: Floats
    boxes: Floats
    """(cells, 4): left, top, right, bottom of the core at each turn."""
    states: NDArray[np.int64] = field(default_factory=lambda: np.zeros((0, 2), dtype=np.int64))


def stack_cannot_fit(
    rims: Sequence[Opponent],
    width_mm: float,
    length_mm: float,
    gap_mm: float,
    *,
    levels: int = LEVELS,
    work: float = MOST_WORK,
    patience: Patience = ENDLESS,
) -> str | None:
    """Whether these rims can't all lie in the window, the gap apart, at any allowed turns. None: proved.

    Args:
        levels: how often cells are halved at most, less one.
        work: pairs of states gone through at one level before it gives up.
        patience: raises TooLongError when it ends.
    """
    if len(rims) > MOST_DIES:
        return f"more than {MOST_DIES} dies are not tried"
    why = too_many_corners(*rims)
    if why is not None:
        return why
    if width_mm > length_mm:
        rims = [quarter(rim) for rim in rims]
        width_mm, length_mm = length_mm, width_mm
    folded = [_folded(_centred(rim)) for rim in rims]
    alive: list[list[tuple[Interval, int]]] | None = None
    for level in range(levels):
        step = FIRST_STEP_MM / 2**level
        parents = [None] * len(folded) if alive is None else [{cell for cell, _ in one} for one in alive]
        stages = [_stage(rim, gap_mm, level, some) for rim, some in zip(folded, parents, strict=True)]
        found = [stage for stage in stages if stage is not None]
        if len(found) < len(stages):
            return "a rim is too thin to tell"
        if _is_too_large(found, 2 * math.ceil(width_mm / step) + 5):
            return Undecided("there are too many turns and places to go through")
        tower = _Tower(found, width_mm, length_mm, step, alive, work, patience)
        answer = tower.answer()
        if answer != "":
            return answer
        alive = tower.alive
    return "they can't be shown to be in each other's way"


def _is_too_large(stages: Sequence[_Stage], columns: int) -> bool:
    """Whether the tables of these rims would take too much memory; asked before anything is laid out."""
    turns = [len(stage.cells) for stage in stages]
    pairs = sum(2 * turns[i] * turns[j] for i in range(len(stages)) for j in range(i))
    sides = max(len(ring) for stage in stages for covered in stage.grown for ring in covered)
    parts = max(len(covered) for stage in stages for covered in stage.grown)
    # A pair of turns needs a number for every side and column, and for every pair of parts.
    each = 2 * sides * max(columns, 2 * sides), parts * parts * columns
    return columns * max(pairs, *turns) > MOST_NUMBERS or max(each) > MOST_AT_ONCE


def _centred(rim: Opponent) -> Opponent:
    """The same rim with its reference point in the middle of its box.

    The answer is the same wherever the reference point lies, but the order of reference points tells which rim
    is above which only where they lie in their rims.
    """
    left, top, right, bottom = rim.rim.bounds
    middle = (-(left + right) / 2, -(top + bottom) / 2)
    return Opponent(shapely.affinity.translate(rim.rim, *middle), rim.turns)


def quarter(rim: Opponent) -> Opponent:
    """The same rim seen with the plate turned by a quarter."""
    return Opponent(rim.rim, tuple((lo + 90.0, hi + 90.0) for lo, hi in rim.turns))


def _folded(rim: Opponent) -> _TurnedRim:
    """What all turns by a fraction of a circle have in common serves for the rim, if little is lost."""
    if rim.turns == ALL_TURNS:
        fold, common = common_to_folds(rim.rim, MOST_FOLD, LOST_TO_FOLDS)
        if fold > 1:
            return _TurnedRim(Opponent(common, rim.turns), ((0.0, 360.0 / fold),))
    return _TurnedRim(rim, rim.turns)


def _split(cells: Sequence[Interval], most_deg: float) -> list[Interval]:
    found = []
    for lo, hi in cells:
        steps = max(1, math.ceil((hi - lo) / most_deg - 1e-9)) if hi - lo > 1.5 else 1
        found += [(lo + (hi - lo) * i / steps, lo + (hi - lo) * (i + 1) / steps) for i in range(steps)]
    return found


def _stage(rim: _TurnedRim, gap_mm: float, level: int, parents: set[Interval] | None = None) -> _Stage | None:
    """Cells and cores at this level; None when nothing is left of the rim."""
    cells = _split(sorted(parents) if parents is not None else rim.cells, FIRST_TURN_DEG / 2**level)
    widths = sorted({round(hi - lo, 9) for lo, hi in cells})
    parts = []
    for width in widths:
        core = shrunk(rim.opponent.core((-width / 2, width / 2)), MARGIN_MM)
        covered = convex_cover(core)
        if not covered:
            return None
        parts.append(covered)
    group = np.array([widths.index(round(hi - lo, 9)) for lo, hi in cells], dtype=int)
    turns = np.array([(lo + hi) / 2 for lo, hi in cells])
    boxes = np.zeros((len(cells), 4))
    for number, covered in enumerate(parts):
        corners = np.concatenate([shapely.get_coordinates(part) for part in covered])
        chosen = np.flatnonzero(group == number)
        moved = np.einsum("tij,vj->tvi", turn_matrices(turns[chosen]), corners)
        boxes[chosen] = np.concatenate([moved.min(axis=1), moved.max(axis=1)], axis=1)
    return _Stage(
        cells=cells,
        parts=[[grown_hull(part, 0.0) for part in covered] for covered in parts],
        grown=[[grown_hull(part, gap_mm) for part in covered] for covered in parts],
        group=group,
        turns=turns,
        boxes=boxes,
    )


class _Tower:
    """All rims at one level, and the search for an order and states that reach no farther than the window."""

    def __init__(
        self,
        stages: Sequence[_Stage],
        width_mm: float,
        length_mm: float,
        step_mm: float,
        parents: Sequence[Sequence[tuple[Interval, int]]] | None,
        work: float,
        patience: Patience,
    ) -> None:
        self.work, self.patience = work, patience
        self.stages, self.step, self.length = stages, step_mm, length_mm
        self.half = math.ceil(width_mm / step_mm) + 1
        self.count = len(stages)
        self.full = (1 << self.count) - 1
        for number, stage in enumerate(stages):
            stage.states = self._states(stage, width_mm, None if parents is None else parents[number])
        self.alive: list[list[tuple[Interval, int]]] = []
        self.tables: dict[tuple[int, int], Floats] = {}
        self.looks = 0

    def _states(
        self, stage: _Stage, width_mm: float, parents: Sequence[tuple[Interval, int]] | None
    ) -> NDArray[np.int64]:
        allowed: set[tuple[int, int]] | None = None
        if parents is not None:
            # A cell of the level before became one or two; its cell of x became two.
            inside: dict[Interval, list[int]] = {}
            for cell in {cell for cell, _ in parents}:
                inside[cell] = [
                    i
                    for i, (lo, hi) in enumerate(stage.cells)
                    if cell[0] - 1e-9 <= lo and hi <= cell[1] + 1e-9
                ]
            allowed = {(i, 2 * x + half) for cell, x in parents for i in inside[cell] for half in (0, 1)}
        rows = []
        for turn, (left, _, right, _) in enumerate(stage.boxes.tolist()):
            low, high = -left, width_mm - right
            if low > high:
                continue
            for x in range(math.floor(low / self.step), math.floor(high / self.step) + 1):
                if allowed is None or (turn, x) in allowed:
                    rows.append((turn, x))
        return np.array(rows, dtype=np.int64).reshape(-1, 2)

    def _top(self, number: int) -> Floats:
        stage = self.stages[number]
        return -stage.boxes[stage.states[:, 0], 1]

    def _bottom(self, number: int) -> Floats:
        stage = self.stages[number]
        return stage.boxes[stage.states[:, 0], 3]

    def _make_tables(self) -> None:
        for i in range(self.count):
            for j in range(i + 1, self.count):
                a, b = self.stages[i], self.stages[j]
                ab = np.zeros((len(a.turns), len(b.turns), 2 * self.half + 1))
                ba = np.zeros((len(b.turns), len(a.turns), 2 * self.half + 1))
                for p in range(len(a.parts)):
                    for q in range(len(b.parts)):
                        self.patience.ask()
                        rows, columns = np.flatnonzero(a.group == p), np.flatnonzero(b.group == q)
                        below, above = least_offsets(
                            a.grown[p], a.turns[rows], b.parts[q], b.turns[columns], self.step, self.half
                        )
                        ab[np.ix_(rows, columns)] = below
                        ba[np.ix_(columns, rows)] = above
                self.tables[i, j], self.tables[j, i] = ab, ba

    def _drop(self, i: int, states_i: NDArray[np.int64], j: int, states_j: NDArray[np.int64]) -> Floats:
        """Least offsets from states of rim i down to states of rim j, (states i, states j)."""
        table = self.tables[i, j]
        across = 2 * self.half + 1
        # Place in the flat table: (turn i · turns j + turn j) · across + (x j − x i + half).
        row = states_i[:, 0] * (table.shape[1] * across) - states_i[:, 1] + self.half
        column = states_j[:, 0] * across + states_j[:, 1]
        drop = np.take(table.ravel(), row[:, None] + column[None, :], mode="clip")
        apart = (states_j[:, 1].min() - states_i[:, 1].max(), states_j[:, 1].max() - states_i[:, 1].min())
        if apart[0] < -self.half or apart[1] > self.half:
            far = np.abs(states_j[:, 1][None, :] - states_i[:, 1][:, None]) > self.half
            drop = np.where(far, 0.0, drop)
        return drop

    def answer(self) -> str | None:
        """None: nothing fits. "": something may fit at this level, ``alive`` says what. Else: gave up."""
        sizes = [len(stage.states) for stage in self.stages]
        if min(sizes) == 0:
            return None
        if sum(sizes) ** 2 * 2.0**self.count / 4 > self.work:
            return Undecided("there are too many turns and places to go through")
        self._make_tables()
        forward = self._forward()
        backward = self._backward()
        keep = []
        for i in range(self.count):
            alive = np.zeros(sizes[i], dtype=bool)
            for done in range(1, self.full + 1):
                if done >> i & 1:
                    alive |= forward[done][i] + backward[self.full & ~done][i] <= self.length
            keep.append(alive)
        if not all(alive.any() for alive in keep):
            return None
        for i, alive in enumerate(keep):
            self.stages[i].states = self.stages[i].states[alive]
            for rest in range(self.full + 1):
                if not rest >> i & 1:
                    backward[rest][i] = backward[rest][i][alive]
        self.looks = 0
        if not self._reaches([], self.full, backward):
            return None
        self.alive = [[(stage.cells[turn], x) for turn, x in stage.states.tolist()] for stage in self.stages]
        return ""

    def _forward(self) -> list[dict[int, Floats]]:
        """forward[done][i]: least y of each state of rim i when it is the last of the rims ``done``."""
        found: list[dict[int, Floats]] = [{} for _ in range(self.full + 1)]
        for done in range(1, self.full + 1):
            for j in range(self.count):
                if not done >> j & 1:
                    continue
                top, bottom = self._top(j), self._bottom(j)
                before = done & ~(1 << j)
                best = np.full(len(top), np.inf) if before else top.copy()
                for i in range(self.count):
                    if before >> i & 1:
                        best = np.minimum(best, self._after(found[before][i], i, j))
                best = np.maximum(best, top)
                found[done][j] = np.where(best + bottom <= self.length, best, np.inf)
        return found

    def _after(self, y: Floats, i: int, j: int) -> Floats:
        """Least y of rim j's states right below rim i's states at y."""
        best = np.full(len(self.stages[j].states), np.inf)
        reached = np.flatnonzero(np.isfinite(y))
        block = max(1, BLOCK // max(1, len(best)))
        for start in range(0, len(reached), block):
            self.patience.ask()
            some = reached[start : start + block]
            drop = self._drop(i, self.stages[i].states[some], j, self.stages[j].states)
            best = np.minimum(best, (y[some][:, None] + drop).min(axis=0))
        return best

    def _backward(self) -> list[dict[int, Floats]]:
        """backward[rest][i]: least length needed below a state of rim i when the rims ``rest`` still follow."""
        found: list[dict[int, Floats]] = [{} for _ in range(self.full + 1)]
        for rest in range(self.full + 1):
            for i in range(self.count):
                if rest >> i & 1:
                    continue
                if rest == 0:
                    found[rest][i] = self._bottom(i)
                    continue
                best = np.full(len(self.stages[i].states), np.inf)
                for j in range(self.count):
                    if rest >> j & 1:
                        tail = found[rest & ~(1 << j)][j]
                        best = np.minimum(best, self._before(tail, i, j))
                found[rest][i] = best
        return found

    def _before(self, tail: Floats, i: int, j: int) -> Floats:
        """Least length below rim i's states when rim j's states follow, which need ``tail`` below them."""
        states = self.stages[i].states
        best = np.full(len(states), np.inf)
        reached = np.flatnonzero(np.isfinite(tail))
        if len(reached) == 0:
            return best
        block = max(1, BLOCK // len(reached))
        for start in range(0, len(states), block):
            self.patience.ask()
            drop = self._drop(i, states[start : start + block], j, self.stages[j].states[reached])
            best[start : start + block] = (drop + tail[reached][None, :]).min(axis=1)
        return best

    def _reaches(
        self, above: list[tuple[int, int, float]], rest: int, backward: Sequence[dict[int, Floats]]
    ) -> bool:
        """Whether the rims of ``rest`` can follow those above (rim, state, y), all pairs kept apart.

        True as well when the search grew too long.
        """
        if rest == 0:
            return True
        for j in range(self.count):
            if not rest >> j & 1:
                continue
            self.looks += 1
            self.patience.ask()
            if self.looks > MOST_LOOKS:
                return True
            after = rest & ~(1 << j)
            y = self._top(j)
            for i, state, y_i in above:
                drop = self._drop(i, self.stages[i].states[state : state + 1], j, self.stages[j].states)[0]
                y = np.maximum(y, y_i + drop)
            fits = np.flatnonzero(y + backward[after][j] <= self.length)
            for state in fits.tolist():
                if self._reaches([*above, (j, state, float(y[state]))], after, backward):
                    return True
        return False
