"""A die's cut as a stamp: where it may be turned to, and points and measures that tell quickly where it can't lie."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import affine_transform, rotate
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.batch.model import Shape, Turns, filled_parts
from nestcut.batch.turns import TURN_SLACK_DEG
from nestcut.plans.rectangles import points_inside

__all__ = ["ALIKE_MM", "BOX_MM", "FIRST_POINTS", "TURN_MM", "Stamp"]

TURN_MM = 1.0
"""How far a turned cut's outermost point lies from where the next turn that is tried has it, half a step."""
ALIKE_MM = 0.08
"""Outlines nearer than this are told apart by nobody; flattened twice, one outline may differ from itself so much."""
BOX_MM = 0.1
"""How far the sides of a turned cut's box may be off, half a step away, where plain rectangles are asked about."""
FIRST_POINTS = 16
"""These lie far from each other, so they tell soonest."""
_SPACING_MM = 1.0

Floats = NDArray[np.float64]


@dataclass
class Stamp:
    """A cut as it may come down: its shape, turns and what it needs at least."""

    shape: Shape
    """Filled: what falls out of the paper, mm."""
    turns: Turns
    edge_mm: float
    parts: list[Polygon] = field(init=False)

    def __post_init__(self) -> None:
        self.parts = filled_parts(self.shape)

    @cached_property
    def area_mm2(self) -> float:
        return sum(part.area for part in self.parts)

    @cached_property
    def largest(self) -> Polygon:
        return max(self.parts, key=lambda part: part.area)

    @cached_property
    def inner_mm(self) -> float:
        """Radius of the largest disc in one of its parts."""
        # Perhaps a little larger than told: that errs on the side of "fits".
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
        spacing = max(_SPACING_MM, self.reach_mm / 50)
        for part in self.parts:
            ring = part.exterior
            count = max(8, math.ceil(ring.length / spacing))
            rows.append(
                shapely.get_coordinates(
                    shapely.line_interpolate_point(ring, np.linspace(0, 1, count, False), normalized=True)
                )
            )
            x0, y0, x1, y1 = part.bounds
            xs, ys = np.arange(x0, x1, spacing) + 0.1, np.arange(y0, y1, spacing) + 0.1
            row, column = np.nonzero(points_inside(part, xs, ys))
            rows.append(np.column_stack((xs[column], ys[row])))
        found = np.concatenate(rows)
        found = found - self.middle
        order = [int(np.argmax(np.hypot(*found.T)))]
        away = np.hypot(*(found - found[order[0]]).T)
        while len(order) < min(len(found), FIRST_POINTS):
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
