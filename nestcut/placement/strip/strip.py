"""Least length: all pieces in a strip of given width, as short as possible."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon, box

from nestcut.arithmetic import angle_of, angles_of, buffered, dot, lengths_of, sine_cosine
from nestcut.batch.model import Pose, Shape, Turns
from nestcut.errors import InputError
from nestcut.placement.shapes.closing import plugged_parts
from nestcut.placement.shapes.convex import Points, convex_parts
from nestcut.placement.shapes.exact import strip_fault
from nestcut.placement.shapes.nofit import _polygons_of
from nestcut.placement.shapes.rough import PLAIN_CORNERS, grown_roughly, search_turns
from nestcut.placement.shapes.types import Part, Placed, StopCheck, StripLayout

__all__ = ["area_bound", "least_length"]

PREPARE, FINISH = 0.15, 0.2
"""Shares of the time for tables at most, and for finishing where outlines or turns were given roughly."""
ARC_STEPS = 4
"""Tangents per quarter circle where outlines are grown for the search."""


def least_length(
    parts: Sequence[Part],
    width_mm: float,
    *,
    gap_mm: float = 0.0,
    edge_mm: float = 0.0,
    seconds: float = 10.0,
    seed: int = 0,
    workers: int = 1,
    moves_limit: int | None = None,
    on_layout: Callable[[StripLayout], None] | None = None,
    stop: StopCheck | None = None,
    on_prepare: Callable[[str], None] | None = None,
) -> StripLayout:
    """All pieces in the shortest strip that the search finds.

    Args:
        parts: each with ``least`` = how many of it; ``turns`` a list of degrees or "any".
        width_mm: width of the strip (across, the y direction).
        gap_mm: air between two pieces.
        edge_mm: air between a piece and the strip's edges, at both ends too.
        seconds: time to search.
        seed: of the random numbers. With one worker and a moves limit the same seed gives the same layout.
        workers: processes that search at the same time.
        moves_limit: with one worker: end after about this many moves of a piece.
        on_layout: called with each better layout, exactly checked.
        stop: asked now and then; True ends the search.
        on_prepare: told 'preparing (once)' when kernels must be compiled first (default: standard error).
    Returns: the shortest layout found, checked on the shapes' own coordinates to 1e-6 mm.
    Raises: InputError when a part is empty or too wide for the strip at all its turns.
    """
    wanted = [p for p in parts if p.least > 0]
    if not wanted:
        return StripLayout((), 0.0, 0.0, 0.0, 0.0, 0)
    from nestcut.placement.shapes.cache import keep_kernels, tell_if_new

    keep_kernels()
    strip = _StripSearch(parts, width_mm, gap_mm, edge_mm, on_layout)
    new = tell_if_new("sweeps.sweeps", on_prepare)
    # Compiled (once a machine) or loaded (once a process) here: helper processes would each compile them
    # otherwise. Compiling is not on the person's time, loading is.
    _kernels_loaded()
    if new:
        strip.begin_s = time.perf_counter()
    from nestcut.placement.strip import crew
    from nestcut.placement.strip.tables import prepare

    shapes, turns = _for_search(wanted, gap_mm, strip.room_mm, PREPARE * seconds)
    job = prepare(shapes, turns, [p.least for p in wanted], strip.room_mm)

    def take(layout: Any) -> None:
        strip.take(job, layout)

    # The true outlines and turns in between are only reached by the finishing.
    rough = any(p.turns == "any" or _many_corners(p.shape) for p in wanted)
    left = max(0.0, (1 - FINISH * rough) * seconds - strip.took_s())
    if workers <= 1:
        moves = crew.search_alone(job, left, seed, moves_limit=moves_limit, on_better=take, stop=stop)
    else:
        moves = crew.search_together(job, left, seed, workers, on_better=take, stop=stop)
    if strip.best is None:
        raise RuntimeError("no layout passed the exact check; this is a mistake in nestcut")
    if rough:
        strip.finish(seconds, stop)
    return replace(strip.best, seconds=strip.took_s(), moves=moves, history=tuple(strip.history))


class _StripSearch:
    """Which parts lie in which strip, and the shortest layout that passed the exact check."""

    def __init__(
        self,
        parts: Sequence[Part],
        width_mm: float,
        gap_mm: float,
        edge_mm: float,
        on_layout: Callable[[StripLayout], None] | None,
    ) -> None:
        self.parts, self.width_mm, self.gap_mm, self.edge_mm = parts, width_mm, gap_mm, edge_mm
        self.on_layout = on_layout
        self.numbers = [k for k, p in enumerate(parts) if p.least > 0]
        wanted = [parts[k] for k in self.numbers]
        self.area_mm2 = sum(p.shape.area * p.least for p in wanted)
        self.bound_mm = area_bound(wanted, width_mm, gap_mm=gap_mm, edge_mm=edge_mm)
        self.room_mm = width_mm - 2 * edge_mm + gap_mm
        """Across, for parts with half the gap around them."""
        self.begin_s = time.perf_counter()
        self.history: list[tuple[float, float]] = []
        """(seconds, length in mm) of each better layout."""
        self.best: StripLayout | None = None

    def took_s(self) -> float:
        """Seconds since the search began."""
        return time.perf_counter() - self.begin_s

    def take(self, job: Any, layout: Any) -> None:
        """A layout of the search, on the caller's own outlines; kept where it is shorter and holds."""
        shift = self.edge_mm - self.gap_mm / 2
        placed = []
        for piece, k in enumerate(job.part_of):
            pose = job.pose(int(layout.v[piece]), float(layout.x[piece]), float(layout.y[piece]))
            placed.append(Placed(self.numbers[k], Pose(pose.x_mm + shift, pose.y_mm + shift, pose.deg)))
        self._keep(placed, 0.0)

    def finish(self, seconds: float, stop: StopCheck | None) -> None:
        """All parts moved and turned nearby by their true outlines, until the time is over; kept where that is shorter."""
        from nestcut.placement.engine.tighten import tighten

        assert self.best is not None

        def late() -> bool:
            return self.took_s() > seconds or (stop is not None and stop())

        placed = tighten(
            self.parts,
            self.best.placed,
            self.width_mm,
            gap_mm=self.gap_mm,
            edge_mm=self.edge_mm,
            stop=late,
            seconds=max(0.0, seconds - self.took_s()),
        )
        self._keep(placed, 1e-9)

    def _keep(self, placed: Sequence[Placed], shorter_mm: float) -> None:
        """Keep a layout that is shorter than the best, by more than this, and passes the exact check."""
        shapes = [one.pose.apply(self.parts[one.part].shape) for one in placed]
        length = max(shape.bounds[2] for shape in shapes) + self.edge_mm
        if self.best is not None and length >= self.best.length_mm - shorter_mm:
            return
        if strip_fault(shapes, length, self.width_mm, gap_mm=self.gap_mm, edge_mm=self.edge_mm) is not None:
            return
        self.history.append((self.took_s(), length))
        density = self.area_mm2 / (self.width_mm * length)
        self.best = StripLayout(
            tuple(placed), length, self.bound_mm, density, self.history[-1][0], 0, tuple(self.history)
        )
        if self.on_layout:
            self.on_layout(self.best)


@lru_cache(maxsize=1)
def _kernels_loaded() -> None:
    from nestcut.placement.engine.tighten import tighten
    from nestcut.placement.strip.crew import warm_up
    from nestcut.placement.strip.tables import prepare

    square = box(0, 0, 2, 2)
    warm_up(prepare([square], [(0.0,)], [2], 3.0))
    part = Part("square", square, "any")
    tighten([part], [Placed(0, Pose(0, 0, 0)), Placed(0, Pose(3, 0, 0))], 3.0, gap_mm=0.1, rounds=2)


def area_bound(parts: Sequence[Part], width_mm: float, *, gap_mm: float = 0.0, edge_mm: float = 0.0) -> float:
    """A length that no layout can fall short of, mm.

    Pieces grown by half the gap do not overlap, and lie in the strip less its edges, grown by as much:
    their areas fill that at most. (Arcs are replaced by chords, so the grown areas are not overstated.)
    """
    inner = width_mm - 2 * edge_mm + gap_mm
    if not parts or inner <= 0:
        return 0.0
    grown = sum(p.least * buffered(p.shape, gap_mm / 2, 8).area for p in parts)
    by_area = grown / inner - gap_mm + 2 * edge_mm
    by_piece = max(_least_wide(p.shape) for p in parts) + 2 * edge_mm
    return max(by_area, by_piece) * (1 - 1e-12)


def _least_wide(shape: Shape) -> float:
    """Width of a shape's convex hull: no turn makes its box narrower."""
    ring = np.asarray(shape.convex_hull.exterior.coords)
    edge = np.diff(ring, axis=0)
    normal = np.column_stack((edge[:, 1], -edge[:, 0])) / lengths_of(edge)[:, None]
    across = dot(ring[None, :, :], normal[:, :1], normal[:, 1:])
    return float((across.max(axis=1) - across.min(axis=1)).min())


def _many_corners(shape: Shape) -> bool:
    return bool(shapely.get_num_coordinates(shape) > PLAIN_CORNERS + 1)


def _for_search(
    parts: Sequence[Part], gap_mm: float, room_mm: float, seconds: float
) -> tuple[list[Shape], list[tuple[float, ...]]]:
    """Outlines with the gap around them, and turns, for the search; every part fits across the strip in one."""
    plugged = plugged_parts(parts, gap_mm)
    shapes = [
        grown_roughly(p.shape, gap_mm / 2) if _many_corners(p.shape) else _grown(p.shape, gap_mm / 2)
        for p in plugged
    ]
    # Listed turns in which a part is too wide are not worth tables.
    allowed: list[Turns] = []
    for part, shape in zip(parts, shapes, strict=True):
        if part.turns == "any":
            allowed.append("any")
            continue
        fitting = tuple(deg for deg in part.turns if _across(shape, deg) <= room_mm * (1 + 1e-9))
        allowed.append(fitting or part.turns)
    turns = search_turns(shapes, allowed, seconds)
    for k, part in enumerate(parts):
        if shapes[k].area > 0 and min(_across(shapes[k], deg) for deg in turns[k]) > room_mm * (1 + 1e-9):
            # A tight fit: the true outline, and where it may turn as it likes, at its narrowest.
            shapes[k] = _grown(part.shape, gap_mm / 2)
            if part.turns == "any":
                turns[k] = (_narrowest(part.shape),)
            else:
                turns[k] = tuple(part.turns)
        _must_fit(part, shapes[k], turns[k], room_mm)
    return shapes, turns


def _across(shape: Shape, deg: float) -> float:
    _, y0, _, y1 = Pose(0, 0, deg).apply(shape).bounds
    return float(y1 - y0)


def _narrowest(shape: Shape) -> float:
    """The turn, degrees, at which the shape is least across the strip: a side of its hull lies along it."""
    ring = np.asarray(shape.convex_hull.exterior.coords)
    edge = np.diff(ring, axis=0)
    angles = [-math.degrees(angle_of(y, x)) % 360.0 for x, y in edge]
    return min(angles, key=lambda deg: _across(shape.convex_hull, deg))


def _grown(shape: Shape, by_mm: float) -> Shape:
    """The shape grown to the safe side: contains every point within ``by_mm`` of it, straight edges exactly.

    Corners are rounded by tangents of the true arcs, not by chords, so nothing of it is cut off.
    """
    if by_mm <= 0:
        return shape
    grown = shapely.union_all([Polygon(_grown_ring(part, by_mm)) for part in convex_parts(shape)])
    return _polygons_of(grown)


def _grown_ring(ring: Points, by_mm: float) -> Points:
    edge = np.roll(ring, -1, axis=0) - ring
    ring, edge = ring[lengths_of(edge) > 1e-9], edge[lengths_of(edge) > 1e-9]
    angle = angles_of(-edge[:, 0], edge[:, 1])  # of the outward normals
    out = []
    for k in range(len(ring)):
        turn = (angle[k] - angle[k - 1]) % (2 * math.pi)
        if turn > 1.5 * math.pi:  # a hair of a turn the other way, by rounding
            turn = 0.0
        steps = max(1, math.ceil(turn / (math.pi / 2 / ARC_STEPS) - 1e-9))
        half = turn / steps / 2
        for q in range(steps):
            middle = angle[k - 1] + (2 * q + 1) * half
            out.append(ring[k] + by_mm / sine_cosine(half)[1] * np.array(sine_cosine(middle)[::-1]))
    return np.array(out)


def _must_fit(part: Part, shape: Shape, turns: Sequence[float], room_mm: float) -> None:
    if shape.is_empty or not shape.area > 0:
        raise InputError(f"part '{part.name}' is empty", mend="give it an outline with an area")
    heights = [_across(shape, deg) for deg in turns]
    if not heights or min(heights) > room_mm * (1 + 1e-9):
        raise InputError(
            f"part '{part.name}' is {min(heights, default=0):.2f} mm across at its narrowest allowed turn, "
            f"the strip leaves {room_mm:.2f} mm",
            mend="take a wider strip, allow more turns, or leave less clearance",
        )
