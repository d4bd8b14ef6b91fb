"""Does a die of this evening still fit on a piece of paper, taken as a fresh scrap?

Told on the safe side: "no" is certain, "yes" may be wrong by less than half a millimetre. For each turn that is allowed, points
of the cut are held over the paper, place by place on a grid; where they can't all lie on it, with the slack that the steps of
grid and turns call for, the cut can't either. What is left is looked at again with finer steps, until the cut is seen to
lie on the paper, or the last step leaves it open. Paper is rather kept than lost.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import scale
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry

from nestcut.batch.model import Die, Paper, filled_parts
from nestcut.batch.turns import turns_on
from nestcut.plans.cutting_up import is_rectangle
from nestcut.plans.rectangles import points_inside
from nestcut.plans.stamps import ALIKE_MM, BOX_MM, FIRST_POINTS, TURN_MM, Stamp

__all__ = ["SQUARE_MM", "Fitting"]

SQUARE_MM = 30.0
"""A free square of this side is worth keeping, whatever the dies."""
GRIDS_MM = (0.8, 0.4, 0.2, 0.1)
"""Steps of the grid, coarse to fine; the turns' steps are halved with them."""
MOST_CELLS = 1500
"""Most cells of a grid in each direction."""
_TINY_MM = 1e-6
_HAIR_MM = 0.03
_CIRCLE_MM = 0.2

Places = NDArray[np.intp]
Rectangle = tuple[float, float, float, float]


class Fitting:
    """Asked piece by piece; what it knows of the dies is worked out once.

    Args:
        dies: the dies of the evening.
        edge_mm: paper left between a cut and the edge of its paper, holes included.
    """

    def __init__(self, dies: Sequence[Die], edge_mm: float):
        self.dies, self.edge_mm = sorted(dies, key=lambda die: die.cut.area), edge_mm
        self.square = Stamp(box(0, 0, SQUARE_MM, SQUARE_MM), "any", 0.0)
        self._held: dict[tuple[int, bytes], bool] = {}
        self._stamps: dict[tuple[str, bool], list[Stamp]] = {}

    def usable(self, piece: Polygon, rectangle: Callable[[], Rectangle | None], paper: Paper) -> bool:
        """False where certainly no die fits any more, and no square of ``SQUARE_MM`` either.

        Args:
            piece: the paper, mm, in its own frame (its up is −y).
            rectangle: gives one that lies in it, to answer quickly; asked only where it may help.
        """
        stamps = [self.square, *self.stamps(paper)]
        if is_rectangle(piece):
            return _in_rectangle(piece.bounds, stamps, BOX_MM)
        # Where little of the box is gone the rectangle answers at once; where much is gone, there is hardly any room.
        asked = piece.area > 0.6 * box(*piece.bounds).area
        if asked and _in_whole(rectangle(), stamps):
            return True
        tries = list(self._rooms(piece, stamps))
        if not tries:
            return False
        if not asked and _in_whole(rectangle(), stamps):
            return True
        return any(self._holds(room, stamp) for stamp, room in tries)

    def _holds(self, room: BaseGeometry, stamp: Stamp) -> bool:
        """As :func:`_may_hold`; strips cut alike leave the same rooms again and again."""
        corner = np.array(room.bounds[:2])
        shape = shapely.normalize(
            shapely.transform(room, lambda points: np.round(points - corner, 3) + 0.0)
        ).wkb
        if (id(stamp), shape) not in self._held:
            self._held[id(stamp), shape] = _may_hold(room, stamp)
        return self._held[id(stamp), shape]

    def stamps(self, paper: Paper) -> list[Stamp]:
        """The cuts as they may lie on a paper, smallest first."""
        key = paper.direction, paper.both_sides
        if key not in self._stamps:
            found = []
            for die in self.dies:
                turns = turns_on(die, paper)
                if turns != "any" and not turns:
                    continue
                shape = (
                    MultiPolygon(filled_parts(die.cut))
                    if isinstance(die.cut, MultiPolygon)
                    else filled_parts(die.cut)[0]
                )
                found.append(Stamp(shape, turns, self.edge_mm))
                if paper.both_sides:
                    back = turns if turns == "any" else tuple(-turn for turn in turns)
                    found.append(Stamp(scale(shape, -1.0, 1.0, origin=(0, 0)), back, self.edge_mm))
            self._stamps[key] = found
        return self._stamps[key]

    def _rooms(self, piece: Polygon, stamps: Sequence[Stamp]) -> Iterator[tuple[Stamp, BaseGeometry]]:
        """Each stamp with where it may lie: the connected pieces of the paper that its edge leaves."""
        plain = shapely.simplify(piece, _HAIR_MM / 2)
        shrunk: dict[float, list[_Room]] = {}
        for stamp in stamps:
            edge = stamp.edge_mm
            if edge not in shrunk:
                # Simplified outlines, flattened arcs and numbers: a hair to the large side.
                left = plain.buffer(_HAIR_MM - edge)
                least = min(one.largest.area for one in stamps if one.edge_mm == edge)
                rooms = shapely.get_parts(left)
                shrunk[edge] = [
                    _Room(part) for part in rooms[shapely.area(rooms) + _TINY_MM >= least].tolist()
                ]
            rooms = shrunk[edge]
            fitting = [room for room in rooms if room.may_hold(stamp)]
            if not fitting:
                continue
            if len(stamp.parts) > 1:
                if sum(room.area_mm2 for room in rooms) + _TINY_MM >= stamp.area_mm2:
                    yield stamp, shapely.union_all([room.shape for room in rooms])
            else:
                fitting.sort(key=lambda room: -room.inner_mm)
                yield from ((stamp, room.shape) for room in fitting)


class _Room:
    """Where a cut may lie, and quick reasons why one does not."""

    def __init__(self, shape: Polygon):
        self.shape = shape
        self.area_mm2 = shape.area
        left, upper, right, lower = shape.bounds
        self.narrow_mm = min(right - left, lower - upper)

    @cached_property
    def outer_mm(self) -> float:
        return float(shapely.minimum_bounding_radius(self.shape))

    @cached_property
    def inner_mm(self) -> float:
        return float(shapely.maximum_inscribed_circle(self.shape, tolerance=_CIRCLE_MM).length)

    def may_hold(self, stamp: Stamp) -> bool:
        """False where the largest part of a stamp certainly does not lie in it."""
        return (
            self.narrow_mm / 2 + _HAIR_MM >= stamp.inner_mm
            and self.area_mm2 + _TINY_MM >= stamp.largest.area
            and self.outer_mm + _HAIR_MM >= stamp.outer_mm
            # Found to its tolerance only.
            and self.inner_mm + _CIRCLE_MM + _HAIR_MM >= stamp.inner_mm
        )


def _in_whole(rectangle: Rectangle | None, stamps: Sequence[Stamp]) -> bool:
    return rectangle is not None and _in_rectangle(rectangle, stamps, 0.0)


def _in_rectangle(rectangle: Rectangle, stamps: Sequence[Stamp], slack_mm: float) -> bool:
    """True where some stamp fits into a rectangle at one of its turns, give or take some slack."""
    sides = np.array((rectangle[2] - rectangle[0], rectangle[3] - rectangle[1]))
    return any(
        bool((stamp.boxes + 2 * stamp.edge_mm <= sides + slack_mm + _TINY_MM).all(axis=1).any())
        for stamp in stamps
    )


def _may_hold(room: BaseGeometry, stamp: Stamp) -> bool:
    """False where the stamp certainly finds no place in a room, mm."""
    step = stamp.step
    x0, y0, x1, y1 = room.bounds
    # Turns, and the box in which the middle of the points must lie, mm.
    tries: list[tuple[float, Rectangle]] = [(angle, (x0, y0, x1, y1)) for angle in stamp.angles.tolist()]
    for fine_mm in GRIDS_MM:
        # The room, as far as the points can reach from where the middle may be.
        seen = np.array([box_ for _, box_ in tries])
        low = np.maximum(seen[:, :2].min(axis=0) - stamp.reach_mm, (x0, y0))
        high = np.minimum(seen[:, 2:].max(axis=0) + stamp.reach_mm, (x1, y1))
        grid_mm = max(fine_mm, float((high - low).max()) / MOST_CELLS)
        # A place and a point each lie half a cell's diagonal from the grid's, and the turn is off by half a step.
        slack = (
            grid_mm * math.sqrt(2.0) + TURN_MM * step / stamp.step + (ALIKE_MM if stamp.folds > 1 else 0.0)
        )
        xs, ys = (np.arange(low[k] - 4 * grid_mm, high[k] + 4 * grid_mm, grid_mm) for k in (0, 1))
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
        if grid_mm > fine_mm:
            return True  # a large piece of paper: what can't be ruled out is kept
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
    for x, y in points[:FIRST_POINTS].tolist():
        found &= free[top + y : end + y, begin + x : stop + x]
    row, column = np.nonzero(found)
    return _left(free, points[FIRST_POINTS:], column + begin, row + top)


def _left(
    free: NDArray[np.bool_], points: NDArray[np.int_], column: Places, row: Places
) -> tuple[Places, Places]:
    """Those of some columns and rows at which all points, counted from there, are free."""
    for first in range(0, len(points), FIRST_POINTS):
        if not len(row):
            break
        x, y = points[first : first + FIRST_POINTS].T
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
