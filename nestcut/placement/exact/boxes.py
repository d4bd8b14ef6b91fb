"""Rectangles in rectilinear rooms: an exact model of intervals, for sets that are small.

Each copy is a pair of intervals (its shadow on x and on y) that is present or not; no two may overlap in both
(OR-Tools' NoOverlap2D), and along each axis the copies under one another may not be wider together than the
room (cumulative; Simonis and O'Sullivan 2008). A rectangle need only begin where others end one after another
(normal patterns: Herz 1972; Christofides and Whitlock 1977), for any layout can be pushed to the lower left.
Without a gap the model is the problem itself, so its bound is a proof. With a gap, rectangles are taken longer
by it on both sides, which keeps corners farther apart than asked: a layout, no proof.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from shapely.geometry import MultiPolygon, Polygon, box

from nestcut.arithmetic import angle_of
from nestcut.batch.model import Pose
from nestcut.placement.exact.candidates import common_pitch, is_rectilinear, rings_of
from nestcut.placement.exact.model import add_sets, limited_solver, stopping, value_ticks
from nestcut.placement.shapes.types import Part, Placed

__all__ = ["BoxFilling", "fill_with_boxes"]

_MOST_COPIES = 40
"""More rectangles make the model too large to be solved in seconds."""
_MOST_BLOCKED = 60
"""As for copies: each blocked rectangle is one more that none may overlap."""
_MOST_TICKS = 100_000
"""Positions along a side are listed up to here; beyond, any whole tick is allowed."""
_FINE_MM = 1e-4
"""A tick where sizes have no common measure."""
_HAIR = 1e-6  # of a tick: what rounding may have made of a whole number


@dataclass(frozen=True, slots=True)
class BoxFilling:
    """A layout (may be empty), and an upper bound on the value of any layout (infinite: none was found)."""

    placed: tuple[Placed, ...]
    bound: float


@dataclass(frozen=True, slots=True)
class _Way:
    """A way to lay a part: its turn, the lower left of its box in its own frame (mm), the box in ticks."""

    deg: float
    low_mm: tuple[float, float]
    size: tuple[int, int]


@dataclass(frozen=True, slots=True)
class _Setting:
    """The room as a box of ticks less blocked boxes (x0, y0, x1, y1), and what may lie in it how often."""

    tick_mm: float
    gap: int
    """Ticks by which the boxes of the parts are longer than the parts."""
    low_mm: tuple[float, float]
    size: tuple[int, int]
    blocked: tuple[tuple[int, int, int, int], ...]
    ways: tuple[tuple[_Way, ...], ...]
    copies: tuple[int, ...]
    exact: bool
    """Is it the problem itself, neither narrowed nor rounded?"""


def fill_with_boxes(
    parts: Sequence[Part],
    room: Polygon | MultiPolygon,
    *,
    gap_mm: float,
    everything: bool,
    seconds: float,
    steps: int | None = None,
    seed: int = 0,
    proportions: tuple[int, ...] | None = None,
    stop: Callable[[], bool] | None = None,
) -> BoxFilling | None:
    """Lay rectangles in a rectilinear room, worth as much as possible.

    Args:
        room: where parts must lie, mm.
        gap_mm: least distance between two parts.
        everything: only asks whether all that is wanted fits: far easier, where the room is tight.
        steps: if given, a deterministic limit instead of ``seconds``.
        proportions: whole numbers per part; see :class:`nestcut.placement.exact.model.Wish`.
    Returns: the best layout found; None where a part is no rectangle that can lie along the axes, the room is
        not rectilinear, or there are too many copies; with ``everything`` also where that surely does not fit.
    """
    setting = _setting_of(parts, room, gap_mm)
    if setting is None:
        return None
    if not everything:
        placed, bound = _BoxModel(parts, setting, proportions).solve(seconds, steps, seed, stop)
        return BoxFilling(placed, bound if setting.exact else math.inf)
    needed = [
        n * way[0].size[0] * way[0].size[1] for n, way in zip(setting.copies, setting.ways, strict=True) if n
    ]
    all_wanted = all(n == part.most for n, part in zip(setting.copies, parts, strict=True))
    if not all_wanted or proportions is not None or sum(needed) > _free_ticks(setting.size, setting.blocked):
        return None
    placed, _ = _BoxModel(parts, setting, None, everything=True).solve(seconds, steps, seed, stop)
    return BoxFilling(placed, math.inf)


def _free_ticks(size: tuple[int, int], blocked: Sequence[tuple[int, int, int, int]]) -> int:
    return size[0] * size[1] - sum((x1 - x0) * (y1 - y0) for x0, y0, x1, y1 in blocked)


def _setting_of(parts: Sequence[Part], room: Polygon | MultiPolygon, gap_mm: float) -> _Setting | None:
    if room.is_empty or not is_rectilinear(room):
        return None
    x0, y0, x1, y1 = room.bounds
    upright = [_upright(part) for part in parts]
    if not all(upright):
        return None
    exact = gap_mm <= 0 and all(
        part.turns != "any" and len(found) == len(part.turns)
        for part, found in zip(parts, upright, strict=True)
    )
    lengths = [ring - (x0, y0) for ring in rings_of(room)]
    lengths += [np.array([[b[2] - b[0], b[3] - b[1]]]) for found in upright for _, b in found]
    if gap_mm > 0:
        lengths.append(np.full((1, 2), gap_mm))
    pitch = common_pitch(np.concatenate(lengths).ravel())
    tick = _FINE_MM if pitch is None else pitch

    def up(mm: float) -> int:
        return math.ceil(mm / tick - _HAIR)

    def down(mm: float) -> int:
        return math.floor(mm / tick + _HAIR)

    size = (down(x1 - x0 + gap_mm), down(y1 - y0 + gap_mm))
    ways = []
    for found in upright:
        own: dict[tuple[int, int], _Way] = {}
        for deg, b in found:
            extent = (up(b[2] - b[0] + gap_mm), up(b[3] - b[1] + gap_mm))
            if extent[0] <= size[0] and extent[1] <= size[1]:
                own.setdefault(extent, _Way(deg, (b[0], b[1]), extent))
        ways.append(tuple(own.values()))
    blocked = tuple(
        (down(bx0 - x0), down(by0 - y0), up(bx1 - x0), up(by1 - y0)) for bx0, by0, bx1, by1 in _blocked(room)
    )
    free = _free_ticks(size, blocked) if pitch is not None and gap_mm <= 0 else size[0] * size[1]
    copies = []
    for part, own_ways in zip(parts, ways, strict=True):
        fit = free // math.prod(own_ways[0].size) if own_ways and (part.value > 0 or part.least > 0) else 0
        copies.append(fit if part.most is None else min(fit, part.most))
    if not 0 < sum(copies) <= _MOST_COPIES or len(blocked) > _MOST_BLOCKED:
        return None
    return _Setting(
        tick, down(gap_mm), (x0, y0), size, blocked, tuple(ways), tuple(copies), exact and pitch is not None
    )


def _upright(part: Part) -> list[tuple[float, tuple[float, float, float, float]]]:
    """Allowed turns (degrees) in which the part is a rectangle along the axes, each with its box; may be none."""
    if not isinstance(part.shape, Polygon) or part.shape.interiors or part.shape.is_empty:
        return []
    turns: tuple[float, ...]
    if part.turns == "any":
        (ax, ay), (bx, by) = np.asarray(part.shape.exterior.coords)[:2, :2].tolist()
        lean = math.degrees(angle_of(by - ay, bx - ax)) % 90.0
        turns = (-lean, 90.0 - lean)
    else:
        turns = tuple(float(turn) for turn in part.turns)
    found = []
    for deg in turns:
        turned = Pose(0.0, 0.0, deg).apply(part.shape)
        if turned.area >= box(*turned.bounds).area * (1 - 1e-9):
            found.append((deg, turned.bounds))
    return found


def _blocked(room: Polygon | MultiPolygon) -> list[tuple[float, float, float, float]]:
    """What of the room's box is not room, as boxes side by side."""
    _, y0, _, y1 = room.bounds
    cuts = sorted({float(x) for ring in rings_of(room) for x in ring[:, 0]})
    made = []
    for left, right in pairwise(cuts):
        gone = box(left, y0, right, y1).difference(room)
        made += [g.bounds for g in getattr(gone, "geoms", [gone]) if g.area > 0]
    return made


class _BoxModel:
    """The set as a CP-SAT model."""

    def __init__(
        self,
        parts: Sequence[Part],
        setting: _Setting,
        shares: tuple[int, ...] | None,
        *,
        everything: bool = False,
    ) -> None:
        from ortools.sat.python import cp_model

        self.setting, self.parts = setting, parts
        self.model = model = cp_model.CpModel()
        self.laid: list[tuple[int, _Way, Any, Any, Any]] = []
        """Part, way, whether it is taken, x and y."""
        copies = [k for k, n in enumerate(setting.copies) for _ in range(n)]
        largest = max(copies, key=lambda k: math.prod(setting.ways[k][0].size))
        lone = setting.copies[largest] == 1 and not setting.blocked
        by_part: list[list[Any]] = [[] for _ in parts]
        x_spans, y_spans = [], []
        last: tuple[int, Any, Any] | None = None
        for number, k in enumerate(copies):
            x, y = (self._position(copies, number, axis) for axis in (0, 1))
            taken = [model.new_bool_var("") for _ in setting.ways[k]]
            there = sum(taken)
            if everything:
                model.add_exactly_one(taken)
            else:
                model.add_at_most_one(taken)
            for way, var in zip(setting.ways[k], taken, strict=True):
                w, h = way.size
                x_spans.append(model.new_optional_fixed_size_interval_var(x, w, var, ""))
                y_spans.append(model.new_optional_fixed_size_interval_var(y, h, var, ""))
                # mirrored layouts: the largest in the lower left quarter (pushing to the left keeps it there)
                halved = 2 if lone and k == largest else 1
                model.add(halved * x <= setting.size[0] - w).only_enforce_if(var)
                model.add(halved * y <= setting.size[1] - h).only_enforce_if(var)
                self.laid.append((k, way, var, x, y))
            by_part[k] += taken
            if last is not None and last[0] == k:
                # equal copies from left to right, those that are left out last
                model.add(there <= last[1])
                model.add(last[2] <= x)
            last = (k, there, x)
        across = [way.size[1] for _, way, *_ in self.laid]
        along = [way.size[0] for _, way, *_ in self.laid]
        if not setting.gap:
            self._block(x_spans, y_spans)
            across += [y1 - y0 for _, y0, _, y1 in setting.blocked]
            along += [x1 - x0 for x0, _, x1, _ in setting.blocked]
        elif setting.blocked:
            # the gap is for parts, not for what is blocked
            bare: tuple[list[Any], list[Any]] = ([], [])
            for _, way, var, *at in self.laid:
                for axis in (0, 1):
                    length = way.size[axis] - setting.gap
                    bare[axis].append(model.new_optional_fixed_size_interval_var(at[axis], length, var, ""))
            self._block(*bare)
            model.add_no_overlap_2d(*bare)
        model.add_no_overlap_2d(x_spans, y_spans)
        model.add_cumulative(x_spans, across, setting.size[1])
        model.add_cumulative(y_spans, along, setting.size[0])
        self._goal(by_part, shares, everything)

    def _block(self, x_spans: list[Any], y_spans: list[Any]) -> None:
        for x0, y0, x1, y1 in self.setting.blocked:
            x_spans.append(self.model.new_fixed_size_interval_var(x0, x1 - x0, ""))
            y_spans.append(self.model.new_fixed_size_interval_var(y0, y1 - y0, ""))

    def _goal(self, by_part: list[list[Any]], shares: tuple[int, ...] | None, everything: bool) -> None:
        ticks, self.unit = value_ticks(self.parts)
        self.plain = shares is None
        for part, group in zip(self.parts, by_part, strict=True):
            if part.least > 0:
                self.model.add(sum(group) >= part.least)
        if everything:
            return
        goal = sum(tick * sum(group) for tick, group in zip(ticks, by_part, strict=True) if group)
        if shares is not None:
            goal = goal + add_sets(self.model, by_part, (0,) * len(self.parts), shares, ticks, None)
        self.model.maximize(goal)

    def _position(self, copies: Sequence[int], number: int, axis: int) -> Any:
        """Where a copy may begin: at the room's side or behind something blocked, and others before it."""
        from ortools.sat.python import cp_model

        setting = self.setting
        far = setting.size[axis] - min(way.size[axis] for way in setting.ways[copies[number]])
        if setting.size[axis] > _MOST_TICKS:
            return self.model.new_int_var(0, far, "")
        # positions as the bits of a whole number
        within = (1 << (far + 1)) - 1
        reached = 1
        for one in setting.blocked:
            reached |= 1 << one[axis + 2]
        for other, k in enumerate(copies):
            if other != number:
                before = reached
                for way in setting.ways[k]:
                    reached |= before << way.size[axis]
                reached &= within
        bits = np.unpackbits(
            np.frombuffer((reached & within).to_bytes(far // 8 + 1, "little"), np.uint8), bitorder="little"
        )
        return self.model.new_int_var_from_domain(
            cp_model.Domain.from_values(np.flatnonzero(bits).tolist()), ""
        )

    def solve(
        self, seconds: float, steps: int | None, seed: int, stop: Callable[[], bool] | None
    ) -> tuple[tuple[Placed, ...], float]:
        """The layout found, and the bound on its value."""
        from ortools.sat.python import cp_model

        solver = limited_solver(seconds, steps=steps, seed=seed)
        with stopping(solver, stop):
            status = solver.solve(self.model)
        bound = math.inf
        if self.plain and status != cp_model.INFEASIBLE and self.model.has_objective():
            bound = solver.best_objective_bound * self.unit
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return (), bound
        tick, (x0, y0) = self.setting.tick_mm, self.setting.low_mm
        placed = [
            Placed(k, Pose(x0 + solver.value(x) * tick - way.low_mm[0], y0 + solver.value(y) * tick - way.low_mm[1], way.deg))
            for k, way, var, x, y in self.laid
            if solver.value(var)
        ]  # fmt: skip
        return tuple(placed), bound
