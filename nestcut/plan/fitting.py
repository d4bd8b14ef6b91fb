"""Does a die of this evening still fit on a piece of paper, taken as a fresh scrap?

Told on the safe side: "no" is certain, "yes" may be wrong by a quarter of a millimetre. For each turn that is allowed, points
of the cut are held over the paper, place by place on a grid; where they can't all lie on it, with the slack that the steps of
grid and turns call for, the cut can't either. What is left is looked at again with finer steps, until the cut is seen to
lie on the paper, or the last step leaves it open. Paper is rather kept than lost.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import affine_transform, rotate, scale
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry

from nestcut.batch.model import Die, Paper, Shape, Turns
from nestcut.plan.cutting_up import is_rectangle
from nestcut.plan.rectangles import points_inside

__all__ = ["SQUARE_MM", "Fitting"]

SQUARE_MM = 30.0
"""A free square of this side is worth keeping, whatever the dies."""
GRIDS_MM = (0.8, 0.4, 0.2, 0.1)
"""Steps of the grid, coarse to fine."""
TURN_MM = 1.0
"""How far a turned cut's outermost point lies from where the next turn that is tried has it, half a step of the first grid."""
ALIKE_MM = 0.12
"""Outlines nearer than this are told apart by nobody; flattened twice, one outline may differ from itself so much."""
BOX_MM = 0.1
"""How far the sides of a turned cut's box may be off, half a step away, where plain rectangles are asked about."""
TURN_SLACK_DEG = 0.5
"""Turns that a die or a paper asks for are meant within this much (see DEVELOPERS.md)."""
_SPACING_MM = 1.0
_FIRST_POINTS = 16
"""These are looked at for all places at once, the others only where these lie on the paper."""
_TINY_MM = 1e-6

Floats = NDArray[np.float64]
Places = NDArray[np.intp]
Rectangle = tuple[float, float, float, float]


def _filled(shape: Shape) -> list[Polygon]:
    parts = shape.geoms if isinstance(shape, MultiPolygon) else (shape,)
    return [Polygon(part.exterior) for part in parts]


@dataclass
class _Stamp:
    """A cut as it may come down: its shape, turns and what it needs at least."""

    shape: Shape
    """Filled: what falls out of the paper, mm."""
    turns: Turns
    edge_mm: float
    parts: list[Polygon] = field(init=False)

    def __post_init__(self) -> None:
        self.parts = _filled(self.shape)

    @cached_property
    def area_mm2(self) -> float:
        return sum(part.area for part in self.parts)

    @cached_property
    def largest(self) -> Polygon:
        return max(self.parts, key=lambda part: part.area)

    @cached_property
    def inner_mm(self) -> float:
        """Radius of the largest disc in one of its parts."""
        # Found to 0.05 mm, so perhaps larger than told: that errs on the side of "fits".
        return float(shapely.maximum_inscribed_circle(self.largest, tolerance=0.05).length)

    @cached_property
    def outer_mm(self) -> float:
        """Radius of the smallest circle around its largest part."""
        return float(shapely.minimum_bounding_radius(self.largest))

    @cached_property
    def middle(self) -> Floats:
        """The middle of the smallest circle around it, mm."""
        return shapely.get_coordinates(shapely.minimum_bounding_circle(self.shape).centroid)[0]

    @cached_property
    def points(self) -> Floats:
        """Points that cover it, about its middle, those first that lie far from all before."""
        rows = []
        for part in self.parts:
            ring = part.exterior
            count = max(8, math.ceil(ring.length / _SPACING_MM))
            rows.append(
                shapely.get_coordinates(
                    shapely.line_interpolate_point(ring, np.linspace(0, 1, count, False), normalized=True)
                )
            )
            x0, y0, x1, y1 = part.bounds
            xs, ys = np.arange(x0, x1, _SPACING_MM) + 0.1, np.arange(y0, y1, _SPACING_MM) + 0.1
            row, column = np.nonzero(points_inside(part, xs, ys))
            rows.append(np.column_stack((xs[column], ys[row])))
        found = np.concatenate(rows)
        found = found - self.middle
        order = [int(np.argmax(np.hypot(*found.T)))]
        away = np.hypot(*(found - found[order[0]]).T)
        while len(order) < min(len(found), _FIRST_POINTS):
            order.append(int(np.argmax(away)))
            away = np.minimum(away, np.hypot(*(found - found[order[-1]]).T))
        rest = np.setdiff1d(np.arange(len(found)), order)
        return found[[*order, *rest.tolist()]]

    @cached_property
    def angles(self) -> Floats:
        """The turns to try at first, radians; where the cut comes onto itself after a part of a turn, only so far."""
        turns = self._turns(self.step)
        return turns if self.folds == 1 else turns[turns < 2.0 * math.pi / self.folds + self.step]

    @cached_property
    def folds(self) -> int:
        """How often the cut comes onto itself, within ``ALIKE_MM``, in a whole turn; 1 where turns are listed."""
        if self.turns != "any":
            return 1
        line = self.shape.boundary
        for folds in range(12, 1, -1):
            turned = rotate(line, 360.0 / folds, origin=self.shape.centroid)
            if shapely.hausdorff_distance(line, turned) <= ALIKE_MM:
                return folds
        return 1

    def _turns(self, step: float) -> Floats:
        """All that are allowed, this far apart at most, radians."""
        if self.turns == "any":
            return np.linspace(0.0, 2.0 * math.pi, max(8, math.ceil(2.0 * math.pi / step)), endpoint=False)
        spread = math.radians(TURN_SLACK_DEG)
        around = np.linspace(-spread, spread, 2 * math.ceil(spread / step) + 1)
        return np.concatenate([math.radians(turn) + around for turn in self.turns] or [np.empty(0)])

    @cached_property
    def step(self) -> float:
        """From one turn to the next at first, radians."""
        return 2.0 * TURN_MM / max(self.reach_mm, 1.0)

    @cached_property
    def reach_mm(self) -> float:
        """From its middle to its outermost point."""
        return float(shapely.minimum_bounding_radius(self.shape)) + 0.01

    def turned(self, angle: float) -> Floats:
        """Its points at a turn (radians), shape (points, 2), mm."""
        cos, sin = math.cos(angle), math.sin(angle)
        x, y = self.points.T
        return np.column_stack((cos * x - sin * y, sin * x + cos * y))

    def lies_in(self, room: BaseGeometry, angle: float, middle: tuple[float, float]) -> bool:
        """True where it lies in a room, at a turn (radians), the middle of its points at a place (mm)."""
        cos, sin = math.cos(angle), math.sin(angle)
        x, y = self.middle
        matrix = [cos, -sin, sin, cos, middle[0] - cos * x + sin * y, middle[1] - sin * x - cos * y]
        return bool(room.covers(affine_transform(self.shape, matrix)))

    @cached_property
    def boxes(self) -> Floats:
        """Width and height at turns so near each other that they change by ``BOX_MM`` at most, shape (turns, 2), mm."""
        hull = shapely.get_coordinates(shapely.convex_hull(self.shape))
        angles = self._turns(self.step * BOX_MM / (2.0 * TURN_MM))
        cos, sin = np.cos(angles)[:, None], np.sin(angles)[:, None]
        x = cos * hull[:, 0] - sin * hull[:, 1]
        y = sin * hull[:, 0] + cos * hull[:, 1]
        return np.column_stack((np.ptp(x, axis=1), np.ptp(y, axis=1)))


class Fitting:
    """Asked piece by piece; what it knows of the dies is worked out once.

    Args:
        dies: the dies of the evening.
        edge_mm: paper left between a cut and the edge of its paper, holes included.
    """

    def __init__(self, dies: Sequence[Die], edge_mm: float):
        self.dies, self.edge_mm = sorted(dies, key=lambda die: die.cut.area), edge_mm
        self.square = _Stamp(box(0, 0, SQUARE_MM, SQUARE_MM), "any", 0.0)
        self._held: dict[tuple[int, bytes], bool] = {}
        self._stamps: dict[tuple[str, bool], list[_Stamp]] = {}

    def usable(self, piece: Polygon, rectangle: Callable[[], Rectangle | None], paper: Paper) -> bool:
        """False where certainly no die fits any more, and no square of ``SQUARE_MM`` either.

        Args:
            piece: the paper, mm, in its own frame (its up is −y).
            rectangle: gives one that lies in it, to answer quickly; asked only where it may help.
        """
        stamps = [self.square, *self.stamps(paper)]
        if is_rectangle(piece):
            return _in_rectangle(piece.bounds, stamps, BOX_MM)
        tries = list(self._rooms(piece, stamps))
        if not tries:
            return False
        whole = rectangle()
        if whole is not None and _in_rectangle(whole, stamps, 0.0):
            return True
        return any(self._holds(room, stamp) for stamp, room in tries)

    def _holds(self, room: BaseGeometry, stamp: _Stamp) -> bool:
        """As :func:`_may_hold`; strips cut alike leave the same rooms again and again."""
        corner = np.array(room.bounds[:2])
        shape = shapely.normalize(
            shapely.transform(room, lambda points: np.round(points - corner, 3) + 0.0)
        ).wkb
        if (id(stamp), shape) not in self._held:
            self._held[id(stamp), shape] = _may_hold(room, stamp)
        return self._held[id(stamp), shape]

    def stamps(self, paper: Paper) -> list[_Stamp]:
        """The cuts as they may lie on a paper, smallest first."""
        key = paper.direction, paper.both_sides
        if key not in self._stamps:
            found = []
            for die in self.dies:
                turns = _turns_on(die, paper)
                if turns != "any" and not turns:
                    continue
                shape = (
                    MultiPolygon(_filled(die.cut))
                    if isinstance(die.cut, MultiPolygon)
                    else _filled(die.cut)[0]
                )
                found.append(_Stamp(shape, turns, self.edge_mm))
                if paper.both_sides:
                    back = turns if turns == "any" else tuple(-turn for turn in turns)
                    found.append(_Stamp(scale(shape, -1.0, 1.0, origin=(0, 0)), back, self.edge_mm))
            self._stamps[key] = found
        return self._stamps[key]

    def _rooms(self, piece: Polygon, stamps: Sequence[_Stamp]) -> Iterator[tuple[_Stamp, BaseGeometry]]:
        """Each stamp with where it may lie: the connected pieces of the paper that its edge leaves."""
        shrunk: dict[float, list[Polygon]] = {}
        inner: dict[int, float] = {}
        for stamp in stamps:
            edge = stamp.edge_mm
            if edge not in shrunk:
                # Flattened arcs and numbers: a hair to the large side.
                left = piece.buffer(-max(edge - 0.02, 0.0)) if edge > 0.02 else piece
                shrunk[edge] = [part for part in shapely.get_parts(left).tolist() if not part.is_empty]
            rooms = shrunk[edge]
            if sum(room.area for room in rooms) + _TINY_MM < stamp.area_mm2:
                continue
            fitting = []
            for room in rooms:
                if room.area + _TINY_MM < stamp.largest.area:
                    continue
                if shapely.minimum_bounding_radius(room) + 0.01 < stamp.outer_mm:
                    continue
                if id(room) not in inner:
                    inner[id(room)] = float(shapely.maximum_inscribed_circle(room, tolerance=0.05).length)
                # Both are found to 0.05 mm only.
                if inner[id(room)] + 0.1 >= stamp.inner_mm:
                    fitting.append(room)
            if not fitting:
                continue
            if len(stamp.parts) > 1:
                yield stamp, shapely.union_all(rooms)
            else:
                fitting.sort(key=lambda room: -inner[id(room)])
                yield from ((stamp, room) for room in fitting)


def _turns_on(die: Die, paper: Paper) -> Turns:
    """Turns of a die on a paper: its own that the paper allows; none may be left."""
    directed: dict[str, Turns] = {"none": "any", "stripe": (0.0, 180.0), "up": (0.0,)}
    wanted = directed[paper.direction]
    if wanted == "any":
        return die.turns
    if die.turns == "any":
        return wanted
    near = 2 * TURN_SLACK_DEG
    return tuple(
        turn for turn in die.turns if any(abs((turn - one + 180.0) % 360.0 - 180.0) <= near for one in wanted)
    )


def _in_rectangle(rectangle: Rectangle, stamps: Sequence[_Stamp], slack_mm: float) -> bool:
    """True where some stamp fits into a rectangle at one of its turns, give or take some slack."""
    sides = np.array((rectangle[2] - rectangle[0], rectangle[3] - rectangle[1]))
    return any(
        bool((stamp.boxes + 2 * stamp.edge_mm <= sides + slack_mm + _TINY_MM).all(axis=1).any())
        for stamp in stamps
    )


def _may_hold(room: BaseGeometry, stamp: _Stamp) -> bool:
    """False where the stamp certainly finds no place in a room, mm."""
    step = stamp.step
    x0, y0, x1, y1 = room.bounds
    # Turns, and the box in which the middle of the points must lie, mm.
    tries: list[tuple[float, Rectangle]] = [(angle, (x0, y0, x1, y1)) for angle in stamp.angles.tolist()]
    for grid_mm in GRIDS_MM:
        # A place and a point each lie half a cell's diagonal from the grid's, and the turn is off by half a step.
        slack = grid_mm * (math.sqrt(2.0) + TURN_MM / GRIDS_MM[0]) + (ALIKE_MM if stamp.folds > 1 else 0.0)
        # The room, as far as the points can reach from where the middle may be.
        seen = np.array([box_ for _, box_ in tries])
        reach = stamp.reach_mm + 4 * grid_mm
        low = np.maximum(seen[:, :2].min(axis=0) - reach, (x0 - slack - grid_mm, y0 - slack - grid_mm))
        high = np.minimum(
            seen[:, 2:].max(axis=0) + reach, (x1 + slack + 2 * grid_mm, y1 + slack + 2 * grid_mm)
        )
        xs, ys = (np.arange(low[k], high[k], grid_mm) for k in (0, 1))
        free = points_inside(room.buffer(slack), xs, ys)
        # Where even a place and a point half a cell off lie in the room.
        sure = points_inside(room.buffer(-grid_mm * math.sqrt(0.5)), xs, ys)
        left: list[tuple[float, Rectangle]] = []
        for angle, (low_x, low_y, high_x, high_y) in tries:
            # From a place of the grid before to one of this grid: half a cell of each.
            columns = np.searchsorted(xs, (low_x - 2 * grid_mm, high_x + 2 * grid_mm))
            rows = np.searchsorted(ys, (low_y - 2 * grid_mm, high_y + 2 * grid_mm))
            points = np.rint(stamp.turned(angle) / grid_mm).astype(int)
            column, row = _places(free, points, columns.tolist(), rows.tolist())
            if not len(column):
                continue
            if any(
                stamp.lies_in(room, angle, (float(xs[x]), float(ys[y])))
                for x, y in _likely(sure, points, column, row)
            ):
                return True
            box_ = xs[column.min()], ys[row.min()], xs[column.max()], ys[row.max()]
            left += [(angle + side * step / 4, box_) for side in (-1, 1)]
        if not left:
            return False
        tries = left
        step /= 2
    return True


def _places(
    free: NDArray[np.bool_], points: NDArray[np.int_], columns: Sequence[int], rows: Sequence[int]
) -> tuple[Places, Places]:
    """Columns and rows at which all points, counted from there, are free; looked for between two columns and two rows."""
    (left, upper), (right, lower) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    begin, stop = max(columns[0], -left), min(columns[1] + 1, free.shape[1] - right)
    top, end = max(rows[0], -upper), min(rows[1] + 1, free.shape[0] - lower)
    if begin >= stop or top >= end:
        return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
    found = np.ones((end - top, stop - begin), dtype=bool)
    for x, y in points[:_FIRST_POINTS].tolist():
        found &= free[top + y : end + y, begin + x : stop + x]
    row, column = np.nonzero(found)
    return _left(free, points[_FIRST_POINTS:], column + begin, row + top)


def _left(
    free: NDArray[np.bool_], points: NDArray[np.int_], column: Places, row: Places
) -> tuple[Places, Places]:
    """Those of some columns and rows at which all points, counted from there, are free."""
    for first in range(0, len(points), _FIRST_POINTS):
        if not len(row):
            break
        x, y = points[first : first + _FIRST_POINTS].T
        good = free[row[:, None] + y, column[:, None] + x].all(axis=1)
        row, column = row[good], column[good]
    return column, row


def _likely(
    sure: NDArray[np.bool_], points: NDArray[np.int_], column: Places, row: Places
) -> Iterator[tuple[int, int]]:
    """A place (column, row) amid those where the points lie well in the room; none where there is none."""
    some = slice(None, None, max(1, len(row) // 2000))
    column, row = _left(sure, points, column[some], row[some])
    if len(row):
        amid = int(np.argmin((row - row.mean()) ** 2 + (column - column.mean()) ** 2))
        yield int(column[amid]), int(row[amid])
