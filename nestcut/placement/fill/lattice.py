"""Endless dense patterns of one shape, and how many of their pieces a region holds.

A pattern is a lattice with one, two or more pieces to the cell, each at its own angle. It is found by
squeezing the cell: shrink it, push the pieces (and the cell's own form) apart again, until that fails.
Two pieces to the cell, one turned by half a turn, give the double-lattice packings (Kuperberg and
Kuperberg 1990) and do well for most shapes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import translate
from shapely.geometry import MultiPolygon, Polygon

from nestcut.arithmetic import (
    angle_of,
    bell,
    buffered,
    dot,
    exponential,
    length_of,
    lengths_of,
    logarithm,
    sine_cosine,
    turn_points,
)
from nestcut.batch.model import Shape, Turns
from nestcut.placement.shapes.closing import cleft_free, rough_cores
from nestcut.placement.shapes.nofit import InnerFits
from nestcut.placement.shapes.turning import Kit, cores_of, make_kit

__all__ = ["Lattice", "find_lattices", "lay_out", "rooms_for"]


_PIECE_MM, _ODD_MM, _ROOM_MM = 0.02, 0.05, 0.01
"""How far outlines (in odd rooms; of rooms) may be off when patterns are laid over a room; small moves mend it."""


@dataclass(frozen=True, slots=True)
class Lattice:
    """Cell vectors u, v (mm) and the pieces of one cell (middle x, y, radians)."""

    u: tuple[float, float]
    v: tuple[float, float]
    pieces: tuple[tuple[float, float, float], ...]

    @property
    def area_each(self) -> float:
        """Area that one piece takes, mm²."""
        return abs(self.u[0] * self.v[1] - self.u[1] * self.v[0]) / len(self.pieces)


class _Cell:
    """The squeezed cell: poses, form (logarithm of the stretch, shear, rotation) and area."""

    def __init__(self, kit: Kit, m: int, rng: np.random.Generator, listed: tuple[float, ...]) -> None:
        from nestcut.placement.engine.settle import World

        self.kit, self.m = kit, m
        self.kind = np.zeros(m, np.int64)
        self.world = World(kit, np.zeros(2 * m, np.int64))
        self.free_turn = not listed and kit.arrays[0][0, 8] == 0
        reach = float(kit.arrays[1][0, 0])
        self.reach = reach
        self.x = np.zeros(3 * m + 3)
        self.angle = np.zeros(m)
        for i in range(m):
            if listed:
                self.angle[i] = math.radians(listed[int(rng.integers(len(listed)))])
            elif i % 2 and m > 1:
                self.angle[i] = self.angle[i - 1] + math.pi  # half a turn: a fair guess, and free to change
            else:
                self.angle[i] = rng.uniform(0, 2 * math.pi)
            self.x[3 * i : 3 * i + 2] = rng.uniform(-reach, reach, 2) * (i > 0)
        self.x[3 * m] = 0.35 * bell(rng)
        self.x[3 * m + 1] = rng.uniform(-0.5, 0.5)
        # With listed turns the lattice's own direction matters, so it is a variable too.
        self.x[3 * m + 2] = rng.uniform(0, math.pi) if listed else 0.0

    def cell(self, x: NDArray, area: float) -> NDArray:
        """The cell's vectors: ux, uy, vx, vy."""
        s, k, f = x[3 * self.m :]
        a, root = exponential(s), math.sqrt(area)
        u0, v0 = np.array([a, 0.0]) * root, np.array([k, 1.0 / a]) * root
        n, c = sine_cosine(f)
        return np.concatenate((turn_points(u0, n, c), turn_points(v0, n, c)))

    def pose(self, x: NDArray) -> NDArray:
        pose = np.empty((self.m, 3))
        for i in range(self.m):
            pose[i] = (x[3 * i], x[3 * i + 1], self.angle[i] + x[3 * i + 2] / self.reach)
        return pose

    def relax(self, area: float, goal_mm: float) -> bool:
        """Push the pieces apart in a cell of this area; True if no overlap above the goal is left."""
        from nestcut.placement.fill.periodic import relax_cell

        x = self.x.copy()
        deep = relax_cell(
            self.kit.arrays, self.kind, x, self.angle, self.reach, self.free_turn, area, goal_mm, 60,
            *self.world.all,
        )  # fmt: skip
        if deep > goal_mm:
            return False
        self.x = x
        self._reduce(area)
        return True

    def _reduce(self, area: float) -> None:
        """The same lattice with short vectors (Lagrange 1773), u along the rotation's own axis."""
        cell = self.cell(self.x, area)
        u, v = cell[:2], cell[2:]
        for _ in range(50):
            if float(dot(v, *v)) < float(dot(u, *u)):
                u, v = v, -u
            k = round(float(dot(u, *v)) / float(dot(u, *u)))
            if k == 0:
                break
            v = v - k * u
        if u[0] * v[1] - u[1] * v[0] < 0:
            v = -v
        root = math.sqrt(area)
        f = angle_of(u[1], u[0])
        a = length_of(*u) / root
        shear = float(dot(v, *u)) / length_of(*u) / root
        self.x[3 * self.m :] = logarithm(a), shear, f
        for i in range(1, self.m):  # bring the pieces near the first one
            d = self.x[3 * i : 3 * i + 2] - self.x[:2]
            w = np.round(_in_cell(d, u, v))
            self.x[3 * i : 3 * i + 2] -= w[0] * u + w[1] * v

    def lattice(self, area: float) -> Lattice:
        cell = self.cell(self.x, area)
        pose = self.pose(self.x)
        return Lattice(
            (float(cell[0]), float(cell[1])),
            (float(cell[2]), float(cell[3])),
            tuple((float(x), float(y), float(a)) for x, y, a in pose),
        )


def _squeeze(
    kit: Kit, m: int, area0: float, listed: tuple[float, ...], rng: np.random.Generator
) -> tuple[_Cell, float] | None:
    goal = 0.01
    area = area0 * m * 1.7
    for _ in range(4):  # a start may be knotted up
        cell = _Cell(kit, m, rng, listed)
        if cell.relax(area, goal):
            break
    else:
        return None
    step = 0.1
    while step > 0.002:
        kept = cell.x.copy()
        if cell.relax(area * (1 - step), goal):
            area *= 1 - step
        else:
            cell.x = kept
            step *= 0.4
    return cell, area


def find_lattices(
    shape: Shape,
    turns: Turns,
    *,
    gap_mm: float,
    seed: int = 0,
    tries: int = 8,
    cells: tuple[int, ...] = (1, 2, 2, 3, 4),
    keep: int = 6,
    over: object = None,
) -> list[Lattice]:
    """Dense endless patterns of one shape, densest first.

    Args:
        shape: mm; turns: "any" or degrees; gap_mm: least distance between two pieces.
        tries: rounds of squeezing; each round tries one number of pieces to the cell from ``cells``.
        over: callable that ends the search early when it returns True.
    Returns: up to ``keep`` patterns; distances hold within a few micrometres only: check what you lay.
    """
    rng = np.random.default_rng(seed)
    listed = () if turns == "any" else tuple(turns)
    # squeezed with clefts closed and a coarse outline, polished with the true one
    tol = min(0.2, 0.009 * math.sqrt(shape.area))
    far = length_of(shape.bounds[2] - shape.bounds[0], shape.bounds[3] - shape.bounds[1]) + gap_mm
    anywhere = shapely.box(-1e4 * far, -1e4 * far, 1e4 * far, 1e4 * far)
    rough = make_kit([rough_cores(shape, gap_mm, tol)], [turns], anywhere, gap_mm=gap_mm + 0.004)
    true = make_kit([cores_of(shape)], [turns], anywhere, gap_mm=gap_mm + 0.004)
    area0 = buffered(shape, gap_mm / 2).area
    found: list[Lattice] = []
    best = math.inf
    for attempt in range(tries):
        if attempt and callable(over) and over():
            break
        m = cells[attempt % len(cells)]
        squeezed = _squeeze(rough, m, area0, listed, rng)
        if squeezed is not None:
            best = min(best, squeezed[1] / m)
            # polishing pays only for patterns that are among the densest
            done = _finish(squeezed[0], true, squeezed[1]) if squeezed[1] / m < 1.015 * best else None
            if done is not None:
                found.append(done)
    found.sort(key=lambda lattice: lattice.area_each)
    kept: list[Lattice] = []
    for lattice in found:
        if all(abs(lattice.area_each / other.area_each - 1) > 1e-4 for other in kept):
            kept.append(lattice)
    return kept[:keep]


def _finish(cell: _Cell, true: Kit, area: float) -> Lattice | None:
    """Loosen the cell until the true outlines are apart, then tighten it by small steps."""
    from nestcut.placement.engine.settle import World

    cell.kit = true
    cell.world = World(true, np.zeros(2 * cell.m, np.int64))
    for _ in range(12):
        if cell.relax(area, 0.0035):
            break
        area *= 1.004
    else:
        return None
    for step in (0.004, 0.002, 0.001, 0.0005):
        kept = cell.x.copy()
        if cell.relax(area * (1 - step), 0.0035):
            area *= 1 - step
        else:
            cell.x = kept
    return cell.lattice(area)


def lay_out(
    lattice: Lattice,
    rooms: object,
    region: Polygon | MultiPolygon,
    *,
    free_turn: bool,
    rng: np.random.Generator,
    looks: int = 12,
    press: float = 1.0,
    over: Callable[[], bool] | None = None,
) -> Iterator[list[tuple[float, float, float]]]:
    """Lay a pattern over a region in several directions and shifts; yields the pieces that lie in it.

    Args:
        rooms: callable angle → region of allowed middles (inner-fit region) at that angle.
        free_turn: may the pattern be turned as a whole?
        looks: how many directions to try.
        over: ends it before the next direction when it returns True.
        press: shrinks the pattern (below 1: pieces overlap and must be pushed apart afterwards).
    """
    u, v = np.array(lattice.u) * press, np.array(lattice.v) * press
    pieces = np.array(lattice.pieces)
    pieces[:, :2] *= press
    sides = _directions(region)
    turns: list[float] = []
    for w in (u, v, u + v, u - v, 2 * u + v, u + 2 * v, 2 * u - v, u - 2 * v):
        turns.extend(side - angle_of(w[1], w[0]) for side in sides)
    if not free_turn:
        turns = [0.0] * looks
    else:
        turns = turns[: max(2, looks - 2)] + list(rng.uniform(0, 2 * math.pi, max(0, looks - len(turns))))
    x0, y0, x1, y1 = region.bounds
    for turn in turns[:looks]:
        if over is not None and over():
            return
        s, c = sine_cosine(turn)
        U, V, P = turn_points(u, s, c), turn_points(v, s, c), turn_points(pieces[:, :2], s, c)
        angles = pieces[:, 2] + turn
        # all lattice points that can bring a piece near the region
        corners = _in_cell(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]), U, V)
        low = np.floor(corners.min(axis=0)).astype(int) - 2
        high = np.ceil(corners.max(axis=0)).astype(int) + 2
        pp, qq = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
        grid = pp.reshape(-1, 1) * U + qq.reshape(-1, 1) * V
        allowed = [rooms(angle) for angle in angles]  # type: ignore[operator]
        best: list[tuple[float, float, float]] = []
        shifts = [(a, b) for a in np.linspace(0, 1, 9)[:-1] for b in np.linspace(0, 1, 9)[:-1]]
        # shifts that bring a row to touch a side of the region
        touch = []
        for room, at in zip(allowed, P, strict=True):
            if room.is_empty:
                continue
            for x, y in ((room.bounds[0], room.bounds[1]), (room.bounds[2], room.bounds[3])):
                touch.append(_in_cell(np.array([x, y]) - at, U, V))
        shifts = [tuple(t % 1.0) for t in touch] + [
            (a + rng.uniform(0, 0.12), b + rng.uniform(0, 0.12)) for a, b in shifts
        ]
        for a, b in shifts:
            shift = a * U + b * V
            now: list[tuple[float, float, float]] = []
            for room, at, angle in zip(allowed, P, angles, strict=True):
                if room.is_empty:
                    continue
                points = grid + at + shift
                bx0, by0, bx1, by1 = room.bounds
                eps = 1e-9
                inside = (
                    (points[:, 0] >= bx0 - eps)
                    & (points[:, 0] <= bx1 + eps)
                    & (points[:, 1] >= by0 - eps)
                    & (points[:, 1] <= by1 + eps)
                )
                points = points[inside]
                if room.area < (bx1 - bx0) * (by1 - by0) * (1 - 1e-9) and len(points):
                    points = points[shapely.intersects_xy(room, points[:, 0], points[:, 1])]
                now.extend((float(x), float(y), float(angle)) for x, y in points)
            if len(now) > len(best):
                best = now
        if best:
            yield best


def _in_cell(points: NDArray, u: NDArray, v: NDArray) -> NDArray:
    """How many times u and v lead to each of the points."""
    area = u[0] * v[1] - u[1] * v[0]
    return np.stack((dot(points, v[1], -v[0]), dot(points, -u[1], u[0])), axis=-1) / area


def _directions(region: Polygon | MultiPolygon) -> list[float]:
    """Directions of the region's longest sides, radians."""
    hull = shapely.convex_hull(region)
    ring = np.asarray(hull.exterior.coords)[:, :2]
    edges = np.diff(ring, axis=0)
    order = np.argsort(-lengths_of(edges), kind="stable")
    found: list[float] = []
    for k in order:
        angle = angle_of(edges[k, 1], edges[k, 0]) % math.pi
        if all(abs((angle - other + math.pi / 2) % math.pi - math.pi / 2) > 0.02 for other in found):
            found.append(angle)
        if len(found) == 3:
            break
    return found


def rooms_for(shape: Shape, free: Polygon | MultiPolygon, web_mm: float) -> Callable[[float], object]:
    """Where the middle of a piece may lie, by angle in radians (for outlines that are a little simplified)."""
    mx, my = cores_of(shape).middle
    shape = translate(shape, -mx, -my)
    # clefts make it slow, and rooms hardly ever reach into them
    shape = shape.simplify(_PIECE_MM) if free.equals(free.envelope) else cleft_free(shape, web_mm, _ODD_MM)
    fits = InnerFits(free.simplify(_ROOM_MM), shape)
    seen: dict[int, object] = {}

    def rooms(angle: float) -> object:
        key = round(angle * 1e6)
        if key not in seen:
            seen[key] = room = fits.at(angle)
            shapely.prepare(room)
        return seen[key]

    return rooms
