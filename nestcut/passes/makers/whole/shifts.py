"""Where a scrap may lie for a die to cut it well, on the grid of whole millimetres.

Read off inner-fit and no-fit regions of outlines that contain the true ones within 0.25 mm and have few corners, with
convex hulls where that is much quicker: nothing wrong can pass. The region of two dies is found once for all lay-ups in
which they are turned alike.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import translate
from shapely.geometry import MultiPolygon, Polygon

from nestcut.batch.model import Die, Pose, Shape, filled
from nestcut.outlines import grow_outline, shrink_outline

__all__ = ["CutShapes", "Gap", "Mask", "furthest_out", "switch_off", "too_near"]

SAFE_MM = 1e-4
"""On top of web and edge, so that no rounding matters."""
ROUGH_MM = 0.25
"""How far the outlines used here may lie outside the true ones."""

Mask = NDArray[np.bool_]
"""(across, along): a flag for each place of a scrap on the plate."""
Gap = tuple[Mask, int, int]
"""Shifts at which two cuts come too near, and the first shift across and along, mm."""


class CutShapes:
    """Cuts as they are used here, and what was found about pairs of them."""

    def __init__(self, web_mm: float, edge_mm: float) -> None:
        self.web_mm, self.edge_mm = web_mm, edge_mm
        self._cuts: dict[tuple[str, float], Shape] = {}
        self._grown: dict[tuple[str, float], Shape] = {}
        self._near: dict[tuple[str, float, str, float], Shape] = {}
        self._parts: dict[tuple[str, float, bool], tuple[list[Any], list[Any]]] = {}
        self._rooms: dict[bytes, Shape] = {}
        self._fits: dict[tuple[bytes, str, float], Shape] = {}

    def cut(self, die: Die, deg: float) -> Shape:
        """The die's cut, filled, at this turn about its origin."""
        key = (die.name, deg)
        if key not in self._cuts:
            solid = filled(Pose(0.0, 0.0, deg).apply(die.cut))
            self._cuts[key] = grow_outline(solid, SAFE_MM, tolerance_mm=ROUGH_MM)
        return self._cuts[key]

    def grown(self, die: Die, deg: float) -> Shape:
        """The cut and the web around it."""
        key = (die.name, deg)
        if key not in self._grown:
            solid = filled(Pose(0.0, 0.0, deg).apply(die.cut))
            self._grown[key] = grow_outline(solid, self.web_mm + SAFE_MM, tolerance_mm=ROUGH_MM)
        return self._grown[key]

    def room(self, outline: Polygon) -> Shape:
        """Where cuts may lie in a fresh scrap."""
        key = outline.wkb
        if key not in self._rooms:
            self._rooms[key] = shrink_outline(outline, self.edge_mm + SAFE_MM)
        return self._rooms[key]

    def places(self, outline: Polygon, die: Die, pose: Pose, shape: tuple[int, int], y0: int) -> Mask:
        """Places of a fresh scrap at which the convex hull of the die's cut lies well inside it.

        Args:
            outline: the scrap, the corner of its box in (0, 0), mm.
            pose: where the die lies on the plate.
            shape: places across (from 0) and along (from ``y0``).
        """
        from nestcut.placement import inner_fit

        mask = np.zeros(shape, dtype=bool)
        key = (outline.wkb, die.name, pose.deg)
        if key not in self._fits:
            self._fits[key] = inner_fit(self.room(outline), self.cut(die, pose.deg).convex_hull)
        fit = self._fits[key]
        if fit.is_empty:
            return mask
        shapely.prepare(fit)
        # The die's origin lies at the pose less the place, seen from the scrap.
        xs, ys = np.broadcast_arrays(
            pose.x_mm - np.arange(shape[0], dtype=float)[:, None],
            pose.y_mm - y0 - np.arange(shape[1], dtype=float)[None, :],
        )
        fx0, fy0, fx1, fy1 = fit.bounds
        near = (xs >= fx0 - 1) & (xs <= fx1 + 1) & (ys >= fy0 - 1) & (ys <= fy1 + 1)
        mask[near] = shapely.intersects_xy(fit, xs[near], ys[near])
        return mask

    def gap(self, die: Die, pose: Pose, other: Die, at: Pose) -> Gap:
        """Shifts of the scrap, from where ``die`` at ``pose`` cut it, at which ``other`` comes too near."""
        key = (die.name, pose.deg, other.name, at.deg)
        if key not in self._near:
            self._near[key] = self._apart(die, pose.deg, other, at.deg)
        # A shift d moves the earlier cut by d: the new one lies at −d against it.
        region = translate(self._near[key], pose.x_mm - at.x_mm, pose.y_mm - at.y_mm)
        x0, y0, x1, y1 = region.bounds
        left, top = math.floor(-x1), math.floor(-y1)
        xs, ys = np.broadcast_arrays(
            -np.arange(left, math.ceil(-x0) + 1, dtype=float)[:, None],
            -np.arange(top, math.ceil(-y0) + 1, dtype=float)[None, :],
        )
        shapely.prepare(region)
        return np.asarray(shapely.contains_xy(region, xs, ys)), left, top

    def _apart(self, die: Die, deg: float, other: Die, other_deg: float) -> Shape:
        """Offsets of the other die at which the cuts come too near, or nearly so.

        The no-fit region of each with the other's hull contains the true one; so does what the two share.
        """
        from nestcut.placement.shapes.convex import convex_parts
        from nestcut.placement.shapes.nofit import no_fit_of_parts

        for one, turn, shape in (
            (die, deg, self.grown(die, deg)),
            (other, other_deg, self.cut(other, other_deg)),
        ):
            key = (one.name, turn, shape is self.cut(one, turn))
            if key not in self._parts:
                self._parts[key] = (convex_parts(shape), convex_parts(shape.convex_hull))
        fixed, fixed_hull = self._parts[die.name, deg, False]
        moving, moving_hull = self._parts[other.name, other_deg, True]
        shared = no_fit_of_parts(fixed, moving_hull).intersection(no_fit_of_parts(fixed_hull, moving))
        return shared if isinstance(shared, Polygon | MultiPolygon) else no_fit_of_parts(fixed, moving_hull)


def too_near(gap: Gap) -> bool:
    """Whether two dies of a lay-up, where they lie, leave too little web for a scrap that both cut at once."""
    shifts, left, top = gap
    x, y = -left, -top
    return 0 <= x < shifts.shape[0] and 0 <= y < shifts.shape[1] and bool(shifts[x, y])


def furthest_out(places: NDArray[np.int64], first_end: bool) -> tuple[int, int]:
    """Of equally good places, shape (places, 2), the one furthest out towards an end of the plate, then furthest to the left:
    cuts close up in the scrap, and the middle of the plate stays free."""
    out = 1 if first_end else -1
    x, y = places[np.lexsort((places[:, 0], out * places[:, 1]))[0]]
    return int(x), int(y)


def switch_off(mask: Mask, gap: Gap, at: tuple[int, int]) -> None:
    """Switch off the places that lie in the gap around ``at`` (in place)."""
    shifts, left, top = gap
    x0, y0 = at[0] + left, at[1] + top
    x1, y1 = x0 + shifts.shape[0], y0 + shifts.shape[1]
    cx0, cy0, cx1, cy1 = max(0, x0), max(0, y0), min(mask.shape[0], x1), min(mask.shape[1], y1)
    if cx0 < cx1 and cy0 < cy1:
        mask[cx0:cx1, cy0:cy1] &= ~shifts[cx0 - x0 : cx1 - x0, cy0 - y0 : cy1 - y0]
