"""A proof that a few dies cannot lie on the plate together, by their places relative to each other.

A *cell* gives each die an interval of turns and one of x. In a cell, each die counts with its core: what its
rim covers at every turn of the interval. Two cores forbid a stretch of y between the dies' reference points,
so one die comes first along the plate by at least one end of the stretch, or the other by the other end. Such
differences add up from the plate's one end to the other: a cell in which they are too much for the plate, for
either way of every pair, holds no layout. Other cells are split: in the turns or the x of a die, or in the
two ways of a pair. Each possible split is tried, and the one taken that leaves the dies least room along the
plate (strong branching), which makes the tree small: that tree is the proof, and the checker goes through it.

Source: interval branch and bound (Moore 1966) over no-fit regions of cores; the disjunctive graph for the
ways of pairs (Roy & Sussmann 1964), with the closure of all differences at hand; strong branching (Applegate,
Bixby, Chvátal & Cook 1995). Everything holds for rims shrunk by 1e-6 mm, gaps reduced by 2e-6 mm and a window
grown by 1e-6 mm.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.affinity import translate
from shapely.geometry import Point, Polygon

from nestcut.arithmetic import buffered, lengths_of, sine_cosine, sines_cosines, turn_shape
from nestcut.batch.model import Shape, Turns
from nestcut.passes.disproofs.inner_parts import inner_parts
from nestcut.passes.disproofs.stacking import (
    TOLERANCE_MM,
    TURN_SLACK_DEG,
    inner_shape,
    packed,
    ring_of,
    symmetry,
)

__all__ = ["EFFORTS", "Relative"]

MOST_DIES = 7
"""As many letters as a proof has for turns."""
DISC_ABOVE_DEG, DISC_ONLY_ABOVE_DEG = 5.0, 22.5
"""Cells of turns, to either side: wider ones keep a disc about the reference point, and nothing but that."""
SLACK_HALVES = 3
"""How often the slack about a listed turn may be halved."""
LISTED_LEVEL = 4
"""Listed turns have little slack: their cores are as fine as those of the fourth halving."""
ROUND_MM = 0.02
"""A rim is called round when no point lies farther than this outside its inner disc: then it need not turn."""
ROUND_SEGMENTS = 24
"""Sides of a quarter of it."""
LEAST_COMMON = 0.98
"""Of a rim's area that must be left of it when it is cut down to what its turns have in common."""
MARGIN_MM = 0.05
"""A contradiction must exceed this: the checker draws cores in its own way and is to find it as well."""
SPLITS = "abcdefg", "ABCDEFG", "hijklmnopqrstuvwxyzHI"
"""Letters of a proof: the turns of a die are halved, its x is split (at a column), one of two dies comes first."""


@dataclass(frozen=True, slots=True)
class Effort:
    """How hard a proof is tried."""

    step_mm: float
    """Width of a column of x."""
    fine_mm: float
    """Turns are halved until the farthest point moves by less, to either side."""
    tries: int
    """Cells that may be tried."""


EFFORTS = (
    Effort(1.0, 0.5, 30_000),
    Effort(0.5, 0.25, 300_000),
    Effort(0.25, 0.12, 3_000_000),
    Effort(0.25, 0.06, 30_000_000),
)
LONGEST = 100_000
"""Most steps of a proof: so many the checker still goes through, in half a minute."""
STEPS = 10_000
"""Cells that are tried without asking whether to go on, about a fifth of a second."""
POOL = 20_000_000
"""Columns of pairs that are kept at a time."""


@dataclass(slots=True)
class _Turning:
    """Cells of turns of a die, as a binary tree: the root comes first."""

    deg: np.ndarray
    child: np.ndarray
    box: np.ndarray
    parts: np.ndarray
    rings: list[np.ndarray]
    grown: list[np.ndarray]


class Relative:
    """Disproofs over the dies of a batch; keeps what it computed about dies."""

    def __init__(self, rims: Sequence[Shape], turns: Sequence[Turns], window: Polygon, gap_mm: float) -> None:
        left, top, right, bottom = window.bounds
        self.width = right - left + 2 * TOLERANCE_MM
        self.length = bottom - top + 2 * TOLERANCE_MM
        self.turns: list[Turns] = list(turns)
        if (
            self.width > self.length
        ):  # differences along the longer side: look at everything turned by a quarter
            self.width, self.length = self.length, self.width
            self.turns = [t if t == "any" else tuple(deg + 90.0 for deg in t) for t in turns]
        # About its centroid a rim that has a symmetry has it, and reaches least far.
        self.rims = [translate(rim, -rim.centroid.x, -rim.centroid.y) for rim in rims]
        self.gap_mm = max(0.0, gap_mm - 2 * TOLERANCE_MM)
        self._covers: dict[int, list[Polygon]] = {}
        self._bodies: dict[int, tuple[int, Shape]] = {}
        self._rounds: dict[int, bool] = {}
        self._turnings: dict[tuple[int, float], _Turning] = {}

    # --- what a die keeps ---------------------------------------------------------------------

    def _core(
        self, die: int, half_deg: float, level: int
    ) -> tuple[list[np.ndarray], list[np.ndarray], np.ndarray]:
        """Convex parts of the core for turns of ±half_deg, the same grown by the gap, and corners that
        lie in the rim's hull at all these turns (the window bounds the hull as it bounds the rim).
        """
        rim = self._body(die)[1]
        hull = rim.convex_hull
        common, bounds = [], [Polygon()]
        is_round = self._is_round(die)
        if half_deg > DISC_ABOVE_DEG or is_round:
            segments = ROUND_SEGMENTS if is_round else 6
            common.append(_disc(rim, segments))
            bounds.append(_disc(hull, segments))
        if half_deg <= DISC_ONLY_ABOVE_DEG and not is_round:
            reach = float(lengths_of(shapely.get_coordinates(hull)).max())
            shrink = reach * (1.0 - sine_cosine(math.radians(half_deg))[1]) + 10 * TOLERANCE_MM

            def kept(part: Polygon) -> Any:
                both = turn_shape(part, half_deg).intersection(turn_shape(part, -half_deg))
                return both.buffer(-shrink, join_style="mitre")

            if die not in self._covers:
                self._covers[die] = inner_parts(inner_shape(rim, 0.04))
            common += [kept(part.simplify(0.2 / 2**level)) for part in self._covers[die]]
            bounds.append(kept(hull))
        whole = [
            p for part in common for p in shapely.get_parts(part) if isinstance(p, Polygon) and p.area > 1e-3
        ]
        rings = [ring_of(p.convex_hull) for p in whole]
        grown = [ring_of(buffered(p, self.gap_mm, 2)) for p in whole] if self.gap_mm > 0 else rings
        return rings, grown, np.concatenate([shapely.get_coordinates(part) for part in bounds])

    def _is_round(self, die: int) -> bool:
        """Whether the rim turns freely and looks the same at every turn."""
        if die not in self._rounds:
            rim = self.rims[die]
            reach = float(lengths_of(shapely.get_coordinates(rim)).max())
            middle = Point(0.0, 0.0)
            inner = middle.distance(rim.boundary) if rim.contains(middle) else 0.0
            self._rounds[die] = self.turns[die] == "any" and reach - inner <= ROUND_MM
        return self._rounds[die]

    def _body(self, die: int) -> tuple[int, Shape]:
        """(m, shape): what all turns of the rim by 360°/m have in common, where that leaves fewer turns and costs little.

        The shape lies in the rim at all its turns, and turned by 360°/m it is the same (but for rounding errors,
        far below what cores are shrunk by).
        """
        if die not in self._bodies:
            rim, turns = self.rims[die], self.turns[die]
            m = 1 if self._is_round(die) else symmetry(rim)[0]
            if turns != "any" and len(_listed_turns(turns, m)) == len(_listed_turns(turns, 1)):
                m = 1
            common: Any = rim
            for k in range(1, m):
                common = common.intersection(turn_shape(rim, 360.0 * k / m))
            if common.is_empty or common.area < LEAST_COMMON * rim.area:
                m, common = 1, rim
            self._bodies[die] = m, common
        return self._bodies[die]

    def _turning(self, die: int, fine_mm: float) -> _Turning:
        key = (die, fine_mm)
        if key not in self._turnings:
            turns = self.turns[die]
            self._turnings[key] = self._any(die, fine_mm) if turns == "any" else self._listed(die, turns)
        return self._turnings[key]

    def _any(self, die: int, fine_mm: float) -> _Turning:
        """Halves of halves of all turns."""
        fold, body = self._body(die)
        reach = float(lengths_of(shapely.get_coordinates(body)).max())
        size = 360.0 / fold
        found = _Turning(*(np.zeros(0),) * 4, [], [])
        deg, child, box, parts = [], [], [], []
        level = 0
        while True:
            count = 2**level
            half = size / count / 2
            last = self._is_round(die) or (level > 0 and math.radians(half) * reach < fine_mm)
            rings, grown, bounds = self._core(die, half, level)
            mids = (np.arange(count) + 0.5) * size / count
            deg.append(mids)
            begin = 2**level - 1  # cells of coarser levels
            child.append(np.full(count, -1) if last else begin + count + 2 * np.arange(count))
            box.append(_reaches(bounds, mids))
            parts.append(np.tile([len(found.rings), len(found.rings) + len(rings)], (count, 1)))
            found.rings += rings
            found.grown += grown
            if last:
                break
            level += 1
        found.deg, found.child = np.concatenate(deg), np.concatenate(child).astype(np.int64)
        found.box, found.parts = np.concatenate(box), np.concatenate(parts).astype(np.int64)
        return found

    def _listed(self, die: int, turns: Sequence[float]) -> _Turning:
        """Halves of the list, then of a turn's slack; only single turns count with more than a disc."""
        angles = _listed_turns(turns, self._body(die)[0])
        wide = self._core(die, 360.0, 0)
        rings, grown = list(wide[0]), list(wide[1])
        # What the slack of a listed turn leaves open is halved like free turns: three dies one above the other
        # may miss the plate by less than the slack of each lets the next one in.
        narrow = []
        for level in range(SLACK_HALVES + 1):
            core = self._core(die, TURN_SLACK_DEG / 2**level, LISTED_LEVEL)
            narrow.append((len(rings), len(rings) + len(core[0]), core[2]))
            rings += core[0]
            grown += core[1]
        cells: list[tuple[int, int, float, int]] = [(0, len(angles), 0.0, 0)]
        deg, child, box, parts = [], [], [], []
        at = 0
        while at < len(cells):
            first, end, off, level = cells[at]
            at += 1
            turn = angles[first] + off
            deg.append(turn)
            if end - first == 1:
                begin, stop, corners = narrow[level]
                parts.append((begin, stop))
                box.append(_reaches(corners, np.array([turn]))[0])
                if level == SLACK_HALVES:
                    child.append(-1)
                    continue
                child.append(len(cells))
                aside = TURN_SLACK_DEG / 2 ** (level + 1)
                cells += [(first, end, off - aside, level + 1), (first, end, off + aside, level + 1)]
            else:
                child.append(len(cells))
                middle = (first + end) // 2
                cells += [(first, middle, 0.0, 0), (middle, end, 0.0, 0)]
                parts.append((0, len(wide[0])))
                box.append(_reaches(wide[2], np.array([0.0]))[0])
        return _Turning(
            np.array(deg), np.array(child, dtype=np.int64), np.array(box), np.array(parts), rings, grown
        )

    # --- the proof ----------------------------------------------------------------------------

    def disprove(
        self, dies: Sequence[int], effort: Effort, *, stop: Callable[[], bool] = lambda: False
    ) -> Mapping[str, Any] | None:
        """A disproof that these dies (numbers, with repeats) lie on the plate together, or None.

        Args:
            stop: asked several times a second; True gives up.
        """
        answer, tree, _ = self.refute(dies, effort, stop=stop)
        if answer != 0:
            return None
        folds = [self._body(die)[0] for die in dies]
        return {
            "by": "relative",
            "step_mm": effort.step_mm,
            "folds": folds,
            "splits": spelled(tree, len(dies)),
        }

    def refute(
        self, dies: Sequence[int], effort: Effort, *, stop: Callable[[], bool] = lambda: False
    ) -> tuple[int, np.ndarray, int]:
        """(answer, what was split, cells tried); see :func:`nestcut.passes.disproofs.relative_kernels.refute`."""
        from nestcut.passes.disproofs.relative_kernels import GAVE_UP, PAUSED, refute, stack_for

        if not 1 <= len(dies) <= MOST_DIES:
            return GAVE_UP, np.zeros((0, 2), dtype=np.int64), 0
        names = sorted(set(dies))
        turnings = [self._turning(die, effort.fine_mm) for die in names]
        starts = np.cumsum([0, *(len(t.deg) for t in turnings)])
        first_part = np.cumsum([0, *(len(t.rings) for t in turnings)])
        which = [names.index(die) for die in dies]
        k = len(dies)
        nodes = np.array([len(turnings[w].deg) for w in which], dtype=np.int64)
        slot_start = np.zeros((k, k), dtype=np.int64)
        total = 0
        for i in range(k):
            for j in range(i + 1, k):
                slot_start[i, j] = total
                total += nodes[i] * nodes[j]
        child = [
            np.where(t.child < 0, -1, t.child + start) for t, start in zip(turnings, starts, strict=False)
        ]
        rings, ring_sizes = packed([ring for t in turnings for ring in t.rings])
        grown, grown_sizes = packed([ring for t in turnings for ring in t.grown])
        tree = np.zeros((min(effort.tries, LONGEST), 2), dtype=np.int64)
        pool = np.empty((2, min(POOL, 200 * effort.tries)), dtype=np.float32)
        stack = stack_for(k)
        about = (
            starts[which],
            self._order(dies),
            np.array([self.width, self.length, effort.step_mm, MARGIN_MM]),
            np.concatenate([t.box for t in turnings]),
            np.concatenate(child),
            np.concatenate([t.deg for t in turnings]),
            np.concatenate([t.parts + first for t, first in zip(turnings, first_part, strict=False)]),
            rings,
            grown,
            np.stack([ring_sizes, grown_sizes], axis=1),
            np.full(max(1, total), -1, dtype=np.int64),
            slot_start,
            nodes,
            pool[0],
            pool[1],
            effort.tries,
            tree,
            stack,
        )
        answer, looked, tried, _ = refute(*about, STEPS)
        while answer == PAUSED:
            if stop():
                return GAVE_UP, tree[:0], int(tried)
            answer, looked, tried, _ = refute(*about, tried + STEPS)
        return int(answer), tree[:looked], int(tried)

    def _order(self, dies: Sequence[int]) -> np.ndarray:
        """Pairs whose first comes no later along the plate, without loss.

        A layout turned by half a circle is a layout, where dies turn freely: then two dies may be named that
        come in this order. Copies of a die may change names, but both at once would be too much of a choice.
        """
        pairs = []
        single = [at for at, die in enumerate(dies) if list(dies).count(die) == 1]
        if len(single) >= 2 and all(self.turns[die] == "any" for die in dies):
            pairs.append((single[0], single[1]))
        last: dict[int, int] = {}
        for at, die in enumerate(dies):
            if die in last:
                pairs.append((last[die], at))
            last[die] = at
        return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def _listed_turns(turns: Sequence[float], fold: int) -> list[float]:
    """Listed turns of a shape that a turn by 360°/fold does not change: each once, in order, as the checker has them."""
    period = 360.0 / fold
    return sorted({round(deg % period, 6) % period: deg % period for deg in turns})


def _disc(shape: Shape, segments: int) -> Polygon:
    """A polygon in the largest disc about the reference point that the shape holds: it lies there at any turn."""
    centre = Point(0.0, 0.0)
    if not shape.contains(centre):
        return Polygon()
    reach = centre.distance(shape.boundary) - 10 * TOLERANCE_MM
    return buffered(centre, reach, segments) if reach > 0 else Polygon()


def _reaches(points: np.ndarray, mids: np.ndarray) -> np.ndarray:
    """How far the points reach to the left, top, right and bottom at each turn; nothing is said of none."""
    if len(points) == 0:
        return np.zeros((len(mids), 4))
    sin, cos = (part[:, None] for part in sines_cosines(np.radians(mids)))
    x, y = cos * points[:, 0] - sin * points[:, 1], sin * points[:, 0] + cos * points[:, 1]
    return np.stack([-x.min(1), -y.min(1), x.max(1), y.max(1)], axis=1)


def spelled(tree: np.ndarray, k: int) -> str:
    """The tree in letters (see :data:`SPLITS`), depth first; "." is a contradiction."""
    pairs = {
        (i, j): number for number, (i, j) in enumerate((i, j) for i in range(k) for j in range(i + 1, k))
    }
    letters = {0: "."}
    for i in range(k):
        letters[1 + 1 + 3 * i] = SPLITS[0][i]
        letters[1 + 2 + 3 * i] = SPLITS[1][i]
        for j in range(i + 1, k):
            letters[1 + 3 * (i + k * j)] = SPLITS[2][pairs[i, j]]
    in_x = {1 + 2 + 3 * i for i in range(k)}
    return "".join(letters[code] + (str(column) if code in in_x else "") for code, column in tree.tolist())
