"""Rows of bounding boxes: the plainest layout of one kind, so that none is worth less than that."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon, Polygon, box

from nestcut.arithmetic import angle_of
from nestcut.batch.model import Pose, Shape, Turns
from nestcut.placement.shapes.nofit import inner_fit

__all__ = ["rows_of_boxes"]

_STEPS = 8  # heights at which a row may begin, per row
_MOST_LINES = 600
_MOST_TURNS = 12
_HAIR_MM = 2e-8  # boxes are taken smaller by it, so that rounding leaves exact fits; less than the slack


def rows_of_boxes(
    shape: Shape, turns: Turns, room: Polygon | MultiPolygon, *, gap_mm: float
) -> list[tuple[float, float, float]]:
    """Poses (x, y, degrees) of most boxes in rows across the room, all at the same turn.

    Each row takes as many as its line holds (from the left, which is best for equal lengths); which rows is
    decided by dynamic programming over heights an eighth of a row apart.
    """
    best: list[tuple[float, float, float]] = []
    for deg in _angles(shape, turns):
        x0, y0, x1, y1 = Pose(0.0, 0.0, deg).apply(shape).bounds
        w, h = x1 - x0 - _HAIR_MM, y1 - y0 - _HAIR_MM
        found = _rows(inner_fit(room, box(0.0, 0.0, w, h)), w + gap_mm + _HAIR_MM, h + gap_mm + _HAIR_MM)
        if len(found) > len(best):
            best = [(x - x0, y - y0, deg) for x, y in found]
    return best


def _angles(shape: Shape, turns: Turns) -> list[float]:
    """The turns to try; where any is allowed, the shape's own frame and that of its least box, and across."""
    if turns != "any":
        return [float(turn) for turn in turns][:_MOST_TURNS]
    around = shapely.minimum_rotated_rectangle(shape)
    lean = 0.0
    if isinstance(around, Polygon):
        (ax, ay), (bx, by) = np.asarray(around.exterior.coords)[:2, :2].tolist()
        lean = -math.degrees(angle_of(by - ay, bx - ax)) % 90.0
    return [0.0, 90.0] if min(lean, 90.0 - lean) < 1e-6 else [0.0, 90.0, lean, lean + 90.0]


def _rows(corners: Shape, across: float, along: float) -> list[tuple[float, float]]:
    """Lower left corners of boxes ``across`` × ``along`` (gaps included), from where these may lie."""
    if corners.is_empty:
        return []
    left, low, right, high = corners.bounds
    steps = _STEPS
    while steps > 1 and (high - low) / along * steps > _MOST_LINES:
        steps -= 1
    lines = min(_MOST_LINES, math.floor((high - low) / along * steps + 1e-9) + 1)
    rows = []
    for k in range(lines):
        y = min(low + k * along / steps, high)
        rows.append([(x, y) for x in _row(corners, left, right, y, across)])
    # most boxes from line k on, and whether a row begins there
    most = [0] * (lines + steps)
    for k in range(lines - 1, -1, -1):
        most[k] = max(most[k + 1] if k + 1 < lines else 0, len(rows[k]) + most[k + steps])
    found: list[tuple[float, float]] = []
    k = 0
    while k < lines:
        if rows[k] and most[k] == len(rows[k]) + most[k + steps]:
            found += rows[k]
            k += steps
        else:
            k += 1
    return found


def _row(corners: Shape, left: float, right: float, y: float, across: float) -> list[float]:
    """Most positions on a line, at least ``across`` apart, each where a corner may lie."""
    on = corners.intersection(LineString([(left - 1.0, y), (right + 1.0, y)]))
    spans = sorted((g.bounds[0], g.bounds[2]) for g in getattr(on, "geoms", [on]) if not g.is_empty)
    found: list[float] = []
    free = -math.inf
    for begin, end in spans:
        x = max(begin, free)
        while x <= end + 1e-9:
            found.append(min(x, end))
            x += across
            free = x
    return found
