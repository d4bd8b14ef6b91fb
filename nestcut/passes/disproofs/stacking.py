"""A proof that a few dies cannot lie on the plate together, by stacking them along the plate.

Order the dies of a layout by the y of their reference points. Every die i above a die j forces j at least
v(i, j) below it, where v depends only on both turns and on the difference of their x: y drops out of the
search. Turns and x are cut into cells. For a cell of turns, each convex part of a rim is replaced by what
all its turned images have in common, so v, taken over a whole cell, is never too large. If no order and no
choice of cells brings the last die above the plate's end, no layout exists.

Method: own, from no-fit polygons of inner approximations (Minkowski sums of convex parts), interval branch
and bound over turns and x, and a dynamic programme over orders as a bound (Held & Karp 1962).
Everything holds for rims shrunk by 1e-6 mm, gaps reduced by 2e-6 mm and a window grown by 1e-6 mm.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from nestcut.arithmetic import buffered, length_of, sine_cosine, sines_cosines, turn_shape
from nestcut.batch.model import Shape, Turns
from nestcut.batch.turns import TURN_SLACK_DEG
from nestcut.passes.common.plate_rules import TOLERANCE_MM

__all__ = ["Stacker"]

LEVELS = tuple((15.0 / 2**level, 8.0 / 2**level) for level in range(6))
"""(cell of turns, degrees; cell of x, mm) of each level; each halves the one before."""


@dataclass(frozen=True, slots=True)
class _TurnCells:
    """A die at one level: what its rim keeps at every angle of each cell of turns."""

    mids: np.ndarray
    rings: np.ndarray
    """(turns, parts, vertices, 2), counter-clockwise."""
    grown: np.ndarray
    """The same, grown by the gap."""
    sizes: np.ndarray
    grown_sizes: np.ndarray
    box: np.ndarray
    """(turns, 4): how far it reaches to the left, top, right, bottom of its reference point."""
    key: int


def inner_shape(shape: Shape, depth: float) -> Shape:
    """A simpler shape inside the shape, at most about 2·depth smaller.

    (A convex one may reach out of it by rounding errors, far below what cores are shrunk by.)
    """
    if isinstance(shape, Polygon) and shape.convex_hull.area - shape.area <= 1e-9:
        # Some of its own corners: what they span lies inside, and straight sides lose nothing.
        return shape.simplify(0.95 * depth).convex_hull
    for tolerance in (depth, depth / 4):
        small = buffered(shape, -tolerance, 2).simplify(0.95 * tolerance)
        if not small.is_empty and small.is_valid and shape.contains(small):
            return small
    return shape.buffer(-TOLERANCE_MM, join_style="mitre")


def _polygons(shape: Any) -> list[Polygon]:
    if shape.is_empty:
        return []
    if isinstance(shape, Polygon):
        return [shape]
    return [part for part in getattr(shape, "geoms", ()) if isinstance(part, Polygon)]


def ring_of(polygon: Polygon) -> np.ndarray:
    return np.asarray(orient(polygon, 1.0).exterior.coords)[:-1]


def packed(rings: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    most = max(len(ring) for ring in rings)
    out = np.zeros((len(rings), most, 2))
    for index, ring in enumerate(rings):
        out[index, : len(ring)] = ring
    return out, np.array([len(ring) for ring in rings], dtype=np.int64)


def _turned(rings: np.ndarray, mids: np.ndarray) -> np.ndarray:
    angles = np.radians(mids)
    sin, cos = sines_cosines(angles)
    x, y = rings[None, :, :, 0], rings[None, :, :, 1]
    c, s = cos[:, None, None], sin[:, None, None]
    return np.ascontiguousarray(np.stack([c * x - s * y, s * x + c * y], axis=-1))


def symmetry(shape: Shape, most: int = 16) -> tuple[int, float]:
    """(m, how far off): turning by 360°/m about the reference point maps the shape nearly to itself, mm."""
    reach = max(length_of(x, y) for x, y in shapely.get_coordinates(shape))
    for m in range(most, 1, -1):
        off = shape.hausdorff_distance(turn_shape(shape, 360.0 / m))
        if off < 0.004 * reach:
            # Boundaries this near to each other: the turned shape contains the shape shrunk by ``off``.
            return m, off
    return 1, 0.0


class Stacker:
    """Disproofs over the dies of a batch; keeps what it computed about dies and pairs."""

    def __init__(self, rims: Sequence[Shape], turns: Sequence[Turns], window: Polygon, gap_mm: float) -> None:
        left, top, right, bottom = window.bounds
        self.width = right - left + 2 * TOLERANCE_MM
        self.length = bottom - top + 2 * TOLERANCE_MM
        self.across = self.width > self.length
        self.turns: list[Turns] = list(turns)
        self.rims = list(rims)
        if self.across:  # stack along the longer side: look at everything turned by a quarter
            self.width, self.length = self.length, self.width
            self.turns = [t if t == "any" else tuple(deg + 90.0 for deg in t) for t in turns]
        self.gap_mm = max(0.0, gap_mm - 2 * TOLERANCE_MM)
        self._cells: dict[tuple[int, int], _TurnCells | None] = {}
        self._symmetry: dict[int, tuple[int, float]] = {}
        self._tables: dict[tuple[int, int, int], tuple[np.ndarray, np.ndarray]] = {}

    # --- what a die keeps ---------------------------------------------------------------------

    def cells(self, die: int, level: int) -> _TurnCells | None:
        """The die at this level; None if nothing is left of it (then nothing can be proved)."""
        key = (die, level)
        if key not in self._cells:
            self._cells[key] = self._make_cells(die, level)
        return self._cells[key]

    def _make_cells(self, die: int, level: int) -> _TurnCells | None:
        from nestcut.placement.shapes.convex import convex_parts

        cell_deg = LEVELS[level][0]
        turns = self.turns[die]
        if die not in self._symmetry:
            self._symmetry[die] = symmetry(self.rims[die]) if turns == "any" else (1, 0.0)
        fold, off = self._symmetry[die]
        if turns == "any":
            base = max(1, round(360.0 / fold / LEVELS[0][0]))
            count = base * round(LEVELS[0][0] / cell_deg)
            size = 360.0 / fold / count
            mids = (np.arange(count) + 0.5) * size
            half_deg = size / 2
        else:
            mids = np.asarray(turns, dtype=float)
            half_deg = TURN_SLACK_DEG
        reach = max(length_of(x, y) for x, y in shapely.get_coordinates(self.rims[die]))
        shrink = off + reach * (1.0 - sine_cosine(math.radians(half_deg))[1]) + 10 * TOLERANCE_MM
        body = inner_shape(self.rims[die], 0.4 / 2**level)
        rings = []
        for part in convex_parts(body):
            polygon = Polygon(part)
            common = turn_shape(polygon, half_deg).intersection(turn_shape(polygon, -half_deg))
            rings += [p for p in _polygons(common.buffer(-shrink, join_style="mitre")) if p.area > 1e-3]
        if not rings:
            return None
        plain, sizes = packed([ring_of(p.convex_hull) for p in rings])
        if self.gap_mm > 0:
            wide = [buffered(p, self.gap_mm, 2) for p in rings]
            grown, grown_sizes = packed([ring_of(p) for p in wide])
        else:
            grown, grown_sizes = plain, sizes
        turned = _turned(plain, mids)
        real = np.zeros(plain.shape[:2], dtype=bool)
        for index, n in enumerate(sizes):
            real[index, :n] = True
        points = turned[:, real]
        box = np.stack(
            [-points[..., 0].min(1), -points[..., 1].min(1), points[..., 0].max(1), points[..., 1].max(1)],
            axis=1,
        )
        return _TurnCells(mids, turned, _turned(grown, mids), sizes, grown_sizes, box, die)

    def _pair(
        self, a: int, b: int, level: int, use_a: np.ndarray, use_b: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Least offsets a over b and b over a; whole tables are kept, tables of chosen turns are not."""
        from nestcut.passes.disproofs.stacking_kernels import offsets

        key = (a, b, level)
        if key in self._tables:
            return self._tables[key]
        cells_a, cells_b = self.cells(a, level), self.cells(b, level)
        assert cells_a is not None
        assert cells_b is not None
        half = self.half(level)
        ab = np.zeros((len(cells_a.mids), len(cells_b.mids), 2 * half + 1))
        ba = np.zeros((len(cells_b.mids), len(cells_a.mids), 2 * half + 1))
        offsets(
            cells_a.grown,
            cells_a.grown_sizes,
            use_a,
            cells_b.rings,
            cells_b.sizes,
            use_b,
            LEVELS[level][1],
            half,
            ab,
            ba,
        )
        if use_a.all() and use_b.all():
            self._tables[key] = (ab, ba)
        return ab, ba

    def half(self, level: int) -> int:
        """Greatest difference of two cells of x."""
        return math.ceil(self.width / LEVELS[level][1]) + 1

    # --- the proof ----------------------------------------------------------------------------

    def disprove(
        self,
        dies: Sequence[int],
        *,
        levels: int = 3,
        budget: int = 2_000_000,
        work: float = 4e8,
        stop: Callable[[], bool] = lambda: False,
    ) -> Mapping[str, Any] | None:
        """A disproof that these dies (numbers, with repeats) lie on the plate together, or None.

        Args:
            levels: how many refinements are tried.
            budget: states that the depth-first search may look at.
            work: most steps of the dynamic programme at one level.
            stop: asked between steps of a second or so; True gives up.
        """
        from nestcut.passes.disproofs.stacking_kernels import chain, chain_back, search

        k = len(dies)
        kept: list[np.ndarray] | None = None
        for level in range(min(levels, len(LEVELS))):
            cells = [self.cells(die, level) for die in dies]
            if any(c is None for c in cells):
                continue
            states = self._states([c for c in cells if c is not None], level, kept)
            if any(len(s) == 0 for s in states):
                return self._proof(level)
            n = sum(len(s) for s in states)
            if n * n * 2.0**k / 4 > work:
                return None
            die = np.concatenate([np.full(len(s), i, dtype=np.int64) for i, s in enumerate(states)])
            turn = np.concatenate([s[:, 0] for s in states])
            cell = np.concatenate([s[:, 1] for s in states])
            boxes = np.concatenate(
                [c.box[s[:, 0]] for c, s in zip(cells, states, strict=True) if c is not None]
            )
            top, bottom = np.ascontiguousarray(boxes[:, 1]), np.ascontiguousarray(boxes[:, 3])
            joined = self._join(dies, [c for c in cells if c is not None], states, level, stop)
            if joined is None:
                return None
            tables, start, shape_n = joined
            half = self.half(level)
            f = chain(k, die, turn, cell, top, bottom, tables, start, shape_n, half, self.length)
            if not (f[-1] < 1e29).any():
                return self._proof(level)
            if stop():
                return None
            r = chain_back(k, die, turn, cell, bottom, tables, start, shape_n, half, self.length)
            masks = np.arange(1 << k)
            alive = np.zeros(n, dtype=bool)
            for s in range(n):
                having = masks[(masks >> die[s]) & 1 == 1]
                rest = (1 << k) - 1 - having
                alive[s] = bool((f[having, s] + r[rest, s] <= self.length).any())
            chosen = np.flatnonzero(alive)
            if stop():
                return None
            answer, _, _ = search(
                k,
                die[chosen],
                turn[chosen],
                cell[chosen],
                top[chosen],
                tables,
                start,
                shape_n,
                half,
                self.length,
                np.ascontiguousarray(r[:, chosen]),
                budget,
            )
            if answer == 0:
                return self._proof(level)
            kept = [np.stack([turn[chosen], cell[chosen]], axis=1)[die[chosen] == i] for i in range(k)]
        return None

    def _proof(self, level: int) -> Mapping[str, Any]:
        return {"by": "stacking", "turn_deg": LEVELS[level][0], "step_mm": LEVELS[level][1]}

    def _states(
        self, cells: Sequence[_TurnCells], level: int, kept: Sequence[np.ndarray] | None
    ) -> list[np.ndarray]:
        """For each die the (turn, cell of x) that the window allows and the level before left alive."""
        step = LEVELS[level][1]
        found = []
        for index, c in enumerate(cells):
            parents = None
            if kept is not None:
                parents = {(int(t), int(x)) for t, x in kept[index]}
            turned = 1 if self.turns[c.key] != "any" else 2
            rows = []
            for t in range(len(c.mids)):
                low, high = c.box[t, 0], self.width - c.box[t, 2]
                if low > high:
                    continue
                for x in range(math.floor(low / step), math.floor(high / step) + 1):
                    if parents is None or (t // turned, x // 2) in parents:
                        rows.append((t, x))
            found.append(np.array(rows, dtype=np.int64).reshape(-1, 2))
        return found

    def _join(
        self,
        dies: Sequence[int],
        cells: Sequence[_TurnCells],
        states: Sequence[np.ndarray],
        level: int,
        stop: Callable[[], bool],
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
        """All tables in one array, where each begins, and the turns of each die; None if it is to stop."""
        k = len(dies)
        use = []
        for c, s in zip(cells, states, strict=True):
            mask = np.zeros(len(c.mids), dtype=bool)
            mask[s[:, 0]] = True
            use.append(mask)
        start = np.zeros((k, k), dtype=np.int64)
        blocks, at = [], 0
        for i, j in itertools.combinations(range(k), 2):
            if stop():
                return None
            ab, ba = self._pair(dies[i], dies[j], level, use[i], use[j])
            for (p, q), table in (((i, j), ab), ((j, i), ba)):
                start[p, q] = at
                blocks.append(table.ravel())
                at += table.size
        tables = np.concatenate(blocks) if blocks else np.zeros(1)
        return tables, start, np.array([len(c.mids) for c in cells], dtype=np.int64)
