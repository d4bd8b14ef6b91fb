"""Grids over a shape: which points of a grid lie in it, and the largest rectangle in it.

Everything goes edge by edge over the columns of the grid, all edges at once, so a shape with a hundred holes takes a few
milliseconds. A column is crossed by an edge in one stretch of rows; rows in no stretch lie wholly in or wholly out.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

__all__ = ["largest_rectangle", "points_inside"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

STEP_MM = 2.0
FEWEST, MOST = 40, 150
"""Fewest and most steps of a grid in each direction: small shapes have a finer one, large shapes a coarser one."""
MOST_LINES = 300
"""Most lines where a shape's own sides lie."""
_GROWN_MM = 0.01
_HAIR_MM = 1e-9


def _edges(shape: BaseGeometry) -> Floats:
    """All edges of a shape's rings, x1, y1, x2, y2 with x1 ≤ x2, shape (n, 4), mm."""
    found = []
    for part in shapely.get_parts(shape):
        for ring in (part.exterior, *part.interiors):
            points = shapely.get_coordinates(ring)
            found.append(np.hstack((points[:-1], points[1:])))
    if not found:
        return np.empty((0, 4))
    edges = np.concatenate(found)
    return np.where((edges[:, 0] <= edges[:, 2])[:, None], edges, edges[:, [2, 3, 0, 1]])


def _by_column(
    edges: Floats, first: NDArray[np.intp], stop: NDArray[np.intp]
) -> tuple[Floats, NDArray[np.intp]]:
    """Edges, one row for each column from ``first`` up to ``stop``, and these columns."""
    count = np.maximum(stop - first, 0)
    rows = np.repeat(np.arange(len(edges)), count)
    column = np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count) + first[rows]
    return edges[rows], column


def _height(edges: Floats, x: Floats) -> Floats:
    """y of each edge at x; the very same y for one that lies level."""
    run = edges[:, 2] - edges[:, 0]
    share = np.where(run > 0, (x - edges[:, 0]) / np.where(run > 0, run, 1.0), 0.0)
    return edges[:, 1] + share * (edges[:, 3] - edges[:, 1])


def points_inside(shape: BaseGeometry, xs: Floats, ys: Floats) -> Flags:
    """Which points (x, y) of a grid lie in a shape, shape (len(ys), len(xs)); on its boundary either way."""
    edges = _edges(shape)
    cross, column = _by_column(
        edges, np.searchsorted(xs, edges[:, 0], "left"), np.searchsorted(xs, edges[:, 2], "left")
    )
    turns = np.zeros((len(ys) + 1, len(xs)), dtype=np.int32)
    np.add.at(turns, (np.searchsorted(ys, _height(cross, xs[column]), "left"), column), 1)
    return np.asarray(np.cumsum(turns, axis=0)[:-1] % 2 == 1)


def _cells_inside(shape: BaseGeometry, xs: Floats, ys: Floats) -> Flags:
    """Which cells between the lines of a grid lie wholly in a shape, shape (len(ys) − 1, len(xs) − 1)."""
    edges = _edges(shape)
    touch, column = _by_column(
        edges, np.searchsorted(xs, edges[:, 0], "right") - 1, np.searchsorted(xs, edges[:, 2], "left")
    )
    fine = (column >= 0) & (column < len(xs) - 1)
    touch, column = touch[fine], column[fine]
    # An edge that stands upright between two lines bars its whole stretch.
    upright = touch[:, 0] == touch[:, 2]
    one = np.where(upright, touch[:, 1], _height(touch, np.maximum(touch[:, 0], xs[column])))
    two = np.where(upright, touch[:, 3], _height(touch, np.minimum(touch[:, 2], xs[column + 1])))
    barred = np.zeros((len(ys) + 1, len(xs) - 1), dtype=np.int32)
    low = np.maximum(np.searchsorted(ys, np.minimum(one, two) + _HAIR_MM, "right") - 1, 0)
    high = np.searchsorted(ys, np.maximum(one, two) - _HAIR_MM, "left")
    some = high > low
    np.add.at(barred, (low[some], column[some]), 1)
    np.add.at(barred, (high[some], column[some]), -1)
    inside = points_inside(shape, (xs[:-1] + xs[1:]) / 2, (ys[:-1] + ys[1:]) / 2)
    return np.asarray(inside & (np.cumsum(barred, axis=0)[: len(ys) - 1] == 0))


def _lines(low: float, high: float, square: Floats, rest: bool) -> Floats:
    """The lines of a grid in one direction.

    Args:
        square: where the shape's own sides lie, square to the grid.
        rest: there are other sides as well, so a grid of its own is laid between them.
    """
    own = np.unique(np.concatenate(([low, high], square)))
    if len(own) > MOST_LINES:
        own = own[np.linspace(0, len(own) - 1, MOST_LINES).round().astype(int)]
    if rest:
        count = int(min(max((high - low) / STEP_MM, FEWEST), MOST))
        own = np.unique(np.concatenate((own, np.linspace(low, high, count + 1))))
    # Lines a hair apart would make cells of no width.
    return own[np.concatenate(([True], np.diff(own) > _HAIR_MM))]


def largest_rectangle(shape: BaseGeometry) -> tuple[float, float, float, float] | None:
    """The largest rectangle, square to the frame, wholly inside a shape (x0, y0, x1, y1, mm); None where there is none.

    Exact where all sides of the shape are square to the frame. Else the largest on a grid of about ``STEP_MM`` and the
    shape's own square sides, its sides then moved out until they touch: inside the shape, and mostly within some per cent of
    the largest. For each row of cells the widest stretch around each column that is free as far up as the column is
    (dynamic programme over rows, folklore).
    """
    if shape.is_empty:
        return None
    x0, y0, x1, y1 = shape.bounds
    edges = _edges(shape)
    upright, level = edges[:, 0] == edges[:, 2], edges[:, 1] == edges[:, 3]
    rest = bool((~upright & ~level).any())
    xs, ys = _lines(x0, x1, edges[upright, 0], rest), _lines(y0, y1, edges[level, 1], rest)
    if len(xs) < 2 or len(ys) < 2:
        return None
    free = _cells_inside(shape, xs, ys)
    columns = free.shape[1]
    numbers = np.arange(columns)
    top = np.zeros(columns, dtype=int)
    left, right = np.zeros(columns, dtype=int), np.full(columns, columns)
    best_area, best = 0.0, None
    for row, open_ in enumerate(free):
        top = np.where(open_, top, row + 1)
        here_left = np.maximum.accumulate(np.where(open_, 0, numbers + 1))
        here_right = np.minimum.accumulate(np.where(open_, columns, numbers)[::-1])[::-1]
        left = np.where(open_, np.maximum(left, here_left), 0)
        right = np.where(open_, np.minimum(right, here_right), columns)
        area = np.where(open_, (xs[right] - xs[left]) * (ys[row + 1] - ys[top * open_]), 0.0)
        k = int(np.argmax(area))
        if area[k] > best_area:
            best_area = float(area[k])
            best = float(xs[left[k]]), float(ys[top[k]]), float(xs[right[k]]), float(ys[row + 1])
    if best is None or not rest:
        return best
    return _grown(shape, best, max(float(np.diff(xs).max()), float(np.diff(ys).max())))


def _grown(
    shape: BaseGeometry, inner: tuple[float, float, float, float], most_mm: float
) -> tuple[float, float, float, float]:
    """A rectangle whose sides are moved out, one after the other and by ``most_mm`` at most, as long as it lies in a shape."""
    shapely.prepare(shape)
    sides = list(inner)
    for k, out in ((0, -1.0), (2, 1.0), (1, -1.0), (3, 1.0)):
        still, beyond = 0.0, most_mm
        while beyond - still > _GROWN_MM:
            tried = list(sides)
            tried[k] += out * (still + beyond) / 2
            if shape.covers(box(*tried)):
                still = (still + beyond) / 2
            else:
                beyond = (still + beyond) / 2
        sides[k] += out * still
    return sides[0], sides[1], sides[2], sides[3]
