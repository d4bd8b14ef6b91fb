"""Where dies may cut a scrap that lies square on the plate, on a grid of whole millimetres.

Frame: the scrap turned as it lies, the corner of its box in (0, 0), mm. A die's reference point lies at ``anchor`` + whole
millimetres, so that a scrap which is moved by whole millimetres stays on the grid. Masks say where a die may lie; outlines are
taken a little too large for them. What decides in the end is :func:`lies_well` and :func:`nestcut.passes.common.plate_rules.lay_up_holds`: exact, on the true shapes.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import translate
from shapely.geometry import Polygon, box

from nestcut.arithmetic import buffered
from nestcut.batch.model import Batch, Die, Machine, Pose, Shape, filled
from nestcut.outlines import shrink_outline
from nestcut.outlines.shapes.flatten import simplify_polygon
from nestcut.passes.common.plate_rules import PLAY_MM, keeps_gap, window_size

__all__ = ["DieGrid", "Mask", "Near", "Turned", "lies_well", "switch_off"]

HAIR_MM = 1e-7
"""Half of the checker's tolerance: what is allowed here is allowed there."""
ROUGH_MM = 0.25
"""How far outlines of masks may lie outside the true ones, where they are curved."""

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Mask:
    """Places of a die's reference point, whole mm from its anchor: ``flags[i - i0, j - j0]``."""

    flags: Flags
    i0: int
    j0: int


Parts = tuple[NDArray[np.float64], NDArray[np.int64]]
"""Corners of convex parts, one part after the other, and where each part begins."""
Near = tuple[Flags, int, int]
"""Steps from one die to another at which they come too near, and the first step across and along."""


@dataclass(frozen=True, slots=True, eq=False)
class Turned:
    """A die at a turn on the plate. Shapes are about its reference point, their holes filled, mm."""

    die: Die
    deg: float
    hole: Shape
    rim: Shape
    anchor: tuple[float, float]
    exact: bool = False
    """True where the anchor was found for one tight place: its cut is then taken as it is, not its hull."""

    def at(self, i: int, j: int) -> tuple[float, float]:
        """The reference point at a place of the grid, mm."""
        return (self.anchor[0] + i, self.anchor[1] + j)

    def window(self, machine: Machine) -> tuple[int, int, int, int]:
        """First and last place across, first and last along, at which the rim lies in the plate's window."""
        x0, y0, x1, y1 = self.rim.bounds
        left, top, right, bottom = machine.window.bounds
        return (
            math.ceil(left - x0 - self.anchor[0] - HAIR_MM),
            math.floor(right - x1 - self.anchor[0] + HAIR_MM),
            math.ceil(top - y0 - self.anchor[1] - HAIR_MM),
            math.floor(bottom - y1 - self.anchor[1] + HAIR_MM),
        )


class DieGrid:
    """Turned dies, the places in fresh outlines, and what comes too near to what; each is found once."""

    def __init__(self, batch: Batch) -> None:
        self.batch = batch
        self._turned: dict[tuple[str, float], Turned | None] = {}
        self._near: dict[tuple[Turned, Turned], tuple[Near, Near]] = {}
        self._parts: dict[tuple[str, float], tuple[Parts, Parts]] = {}
        self._outside: dict[bytes, Parts] = {}

    def turned(self, die: Die, deg: float) -> Turned | None:
        """The die at this turn of the plate; None where its rim does not lie in the window."""
        key = (die.name, deg % 360.0)
        if key not in self._turned:
            self._turned[key] = self._make(die, key[1], None)
        return self._turned[key]

    def _make(self, die: Die, deg: float, anchor: tuple[float, float] | None) -> Turned | None:
        hole = filled(Pose(0.0, 0.0, deg).apply(die.cut))
        rim = filled(Pose(0.0, 0.0, deg).apply(die.rim))
        machine, edge = self.batch.machine, self.batch.hand.edge_mm
        found = []
        for axis in (0, 1):
            spare = window_size(machine)[axis] - (rim.bounds[axis + 2] - rim.bounds[axis])
            if spare < -PLAY_MM:
                return None
            # Cuts begin at the edge of a scrap, unless the die can hardly be moved on the plate.
            low = machine.clear_mm - rim.bounds[axis] if spare < 1.0 else edge - hole.bounds[axis]
            found.append(low - math.floor(low))
        own = (found[0], found[1]) if anchor is None else anchor
        return Turned(die, deg, hole, rim, own, anchor is not None)

    def tight(
        self, die: Die, deg: float, outline: Polygon, shifts: tuple[int, int, int, int]
    ) -> Turned | None:
        """The die on a grid of its own that has a place in this outline, where one is left off the common grid.

        Args:
            shifts: first and last place of the scrap's corner on the plate, across and along.
        """
        from nestcut.placement import inner_fit

        plain = self.turned(die, deg)
        if plain is None:
            return None
        edge, (x0, y0, x1, y1), (hx0, hy0, hx1, hy1) = (
            self.batch.hand.edge_mm,
            outline.bounds,
            plain.hole.bounds,
        )
        if hx1 - hx0 + 2 * edge > x1 - x0 + PLAY_MM or hy1 - hy0 + 2 * edge > y1 - y0 + PLAY_MM:
            return None
        fit = inner_fit(shrink_outline(outline, edge) if edge > 0 else outline, plain.hole)
        if fit.is_empty:
            return None
        (left, top, right, bottom), (rx0, ry0, rx1, ry1) = self.batch.machine.window.bounds, plain.rim.bounds
        wx0, wy0, wx1, wy1 = left - rx0, top - ry0, right - rx1, bottom - ry1
        field = box(wx0 - HAIR_MM, wy0 - HAIR_MM, max(wx0, wx1) + HAIR_MM, max(wy0, wy1) + HAIR_MM)
        fx0, fy0, fx1, fy1 = fit.bounds
        across = _few(
            max(shifts[0], math.ceil(wx0 - fx1 - HAIR_MM)), min(shifts[1], math.floor(wx1 - fx0 + HAIR_MM))
        )
        along = _few(
            max(shifts[2], math.ceil(wy0 - fy1 - HAIR_MM)), min(shifts[3], math.floor(wy1 - fy0 + HAIR_MM))
        )
        roomy = buffered(fit, HAIR_MM)
        for sx in across:
            for sy in along:
                common = translate(roomy, sx, sy).intersection(field)
                if not common.is_empty:
                    point = common.representative_point()
                    return self._make(
                        die, plain.deg, (point.x - math.floor(point.x), point.y - math.floor(point.y))
                    )
        return None

    def places(self, outline: Polygon, turned: Turned) -> Mask | None:
        """Where the die's cut lies in a fresh outline; None where it does nowhere."""
        edge = self.batch.hand.edge_mm
        ox0, oy0, ox1, oy1 = outline.bounds
        hx0, hy0, hx1, hy1 = turned.hole.bounds
        ax, ay = turned.anchor
        i0, j0 = math.ceil(ox0 + edge - hx0 - ax - HAIR_MM), math.ceil(oy0 + edge - hy0 - ay - HAIR_MM)
        i1, j1 = math.floor(ox1 - edge - hx1 - ax + HAIR_MM), math.floor(oy1 - edge - hy1 - ay + HAIR_MM)
        if i1 < i0 or j1 < j0:
            return None
        mask = Mask(np.ones((i1 - i0 + 1, j1 - j0 + 1), dtype=bool), i0, j0)
        if outline.area < (ox1 - ox0) * (oy1 - oy0) * (1 - 1e-12):
            parts = _parts_of(turned.hole) if turned.exact else self._convex(turned)[0]
            bounds = (i0, i1, j0, j1)
            switch_off(mask, _steps(self._around(outline), parts, turned.anchor, edge, bounds), 0, 0)
        return mask if mask.flags.any() else None

    def _around(self, outline: Polygon) -> Parts:
        """What is not paper within the outline's box and a little beyond, in convex parts."""
        key = outline.wkb
        if key not in self._outside:
            x0, y0, x1, y1 = outline.bounds
            outside = box(x0 - 1, y0 - 1, x1 + 1, y1 + 1).difference(outline)
            self._outside[key] = _parts_of(outside)
        return self._outside[key]

    def near(self, one: Turned, two: Turned) -> tuple[Near, Near]:
        """Steps from ``one`` to ``two`` at which their cuts leave no web, and those at which their rims leave no gap."""
        key = (one, two)
        if key not in self._near:
            if (two, one) in self._near:
                web, gap = self._near[two, one]
                self._near[key] = (_back(web), _back(gap))
            else:
                a, b = self._convex(one), self._convex(two)
                hand = self.batch.hand
                off = (two.anchor[0] - one.anchor[0], two.anchor[1] - one.anchor[1])
                self._near[key] = (
                    _steps(a[0], b[0], off, hand.web_mm),
                    _steps(a[1], b[1], off, hand.gap_mm),
                )
        return self._near[key]

    def web_steps(self, one: Turned, two: Turned, off: tuple[float, float]) -> Near:
        """Steps from a cut to another at which they leave no web, where no step has them ``off`` apart, mm."""
        return _steps(self._convex(one)[0], self._convex(two)[0], off, self.batch.hand.web_mm)

    def _convex(self, turned: Turned) -> tuple[Parts, Parts]:
        """Convex parts of the cut and of the rim, with few corners."""
        key = (turned.die.name, turned.deg)
        if key not in self._parts:
            base = next(
                (d for name, d in self._parts if name == key[0] and (d - turned.deg) % 90.0 == 0.0), None
            )
            if base is None:
                self._parts[key] = (_parts_of(_rough(turned.hole)), _parts_of(_rough(turned.rim)))
            else:
                quarters = round((turned.deg - base) / 90.0) % 4
                self._parts[key] = tuple(_quartered(parts, quarters) for parts in self._parts[key[0], base])  # type: ignore[assignment]
        return self._parts[key]


def _few(low: int, high: int) -> list[int]:
    """A few whole numbers from low to high, the middle first."""
    if high < low:
        return []
    middle = (low + high) // 2
    return list(dict.fromkeys([middle, low, high, (low + middle) // 2, (middle + high + 1) // 2]))


def _rough(shape: Shape) -> Shape:
    """A shape with fewer corners that contains this one; its hull where that is hardly larger."""
    hull = shape.convex_hull
    if isinstance(hull, Polygon) and hull.area <= 1.02 * shape.area:
        return simplify_polygon(hull, ROUGH_MM)
    parts = [simplify_polygon(Polygon(part.exterior), ROUGH_MM) for part in shapely.get_parts(shape)]
    return filled(shapely.union_all(parts))


def _steps(
    fixed: Parts,
    moving: Parts,
    off: tuple[float, float],
    air_mm: float,
    bounds: tuple[int, int, int, int] | None = None,
) -> Near:
    """Whole steps d at which a moving shape at ``off`` + d comes nearer than ``air_mm`` to a fixed one; both in convex parts.

    Args:
        bounds: first and last step across, first and last along, where only those matter.
    """
    from nestcut.passes.makers.one_paper.one_paper_kernels import mark_steps

    (points, first), (others, begin) = fixed, _reflected(moving)
    if bounds is None:
        low = points.min(axis=0) + others.min(axis=0) - np.array(off) - air_mm
        high = points.max(axis=0) + others.max(axis=0) - np.array(off) + air_mm
        bounds = (math.floor(low[0]), math.ceil(high[0]), math.floor(low[1]), math.ceil(high[1]))
    flags = np.zeros((bounds[1] - bounds[0] + 1, bounds[3] - bounds[2] + 1), dtype=np.bool_)
    mark_steps(points, first, others, begin, off[0], off[1], air_mm, HAIR_MM, bounds[0], bounds[2], flags)
    return flags, bounds[0], bounds[2]


def _parts_of(shape: Shape) -> Parts:
    """Convex parts of a shape, one after the other, and where each begins."""
    from nestcut.placement.shapes.convex import convex_parts

    rings = [_from_lowest(ring) for ring in convex_parts(shape)]
    return np.concatenate(rings), np.cumsum([0, *map(len, rings)])


def _reflected(parts: Parts) -> Parts:
    points, first = parts
    rings = [_from_lowest(-points[a:b]) for a, b in itertools.pairwise(first.tolist())]
    return np.concatenate(rings), first


def _quartered(parts: Parts, quarters: int) -> Parts:
    """The same parts after some quarter turns about the reference point."""
    points, first = parts
    cos, sin = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[quarters]
    turned = np.column_stack(
        [cos * points[:, 0] - sin * points[:, 1], sin * points[:, 0] + cos * points[:, 1]]
    )
    rings = [_from_lowest(turned[a:b]) for a, b in itertools.pairwise(first.tolist())]
    return np.concatenate(rings), first


def _from_lowest(ring: NDArray[np.float64]) -> NDArray[np.float64]:
    """A ring that begins at its lowest, then leftmost corner."""
    return np.roll(ring, -int(np.lexsort((ring[:, 0], ring[:, 1]))[0]), axis=0)


def _back(near: Near) -> Near:
    """The same steps from the other one's point of view."""
    flags, low_x, low_y = near
    return flags[::-1, ::-1], -(low_x + flags.shape[0] - 1), -(low_y + flags.shape[1] - 1)


def switch_off(mask: Mask, near: Near, i: int, j: int) -> None:
    """Switch off the places that are too near to a die at (i, j) (in place)."""
    flags, low_x, low_y = near
    x0, y0 = i + low_x - mask.i0, j + low_y - mask.j0
    x1, y1 = x0 + flags.shape[0], y0 + flags.shape[1]
    cx0, cy0, cx1, cy1 = max(0, x0), max(0, y0), min(mask.flags.shape[0], x1), min(mask.flags.shape[1], y1)
    if cx0 < cx1 and cy0 < cy1:
        mask.flags[cx0:cx1, cy0:cy1] &= ~flags[cx0 - x0 : cx1 - x0, cy0 - y0 : cy1 - y0]


def lies_well(batch: Batch, outline: Polygon, others: Sequence[Shape], hole: Shape) -> bool:
    """Whether a cut (filled) keeps the edge of its paper and the web to all other cuts in it. Exact, mm."""
    edge, web = batch.hand.edge_mm, batch.hand.web_mm
    if edge > PLAY_MM:
        if not outline.covers(hole) or shapely.distance(outline.boundary, hole) < edge - PLAY_MM:
            return False
    elif hole.difference(outline).area > 1e-9:
        return False
    return keeps_gap(hole, others, web)
