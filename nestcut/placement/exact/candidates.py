"""Exact candidate places for the OR-Tools model.

Two sources: the common grid of rectilinear shapes, which is complete (no other places are needed for a best
layout), and the corners of inner-fit and no-fit regions (pieces that touch), which is not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from nestcut.batch.model import Pose, Shape
from nestcut.placement.shapes.types import Part, Placed

__all__ = [
    "PlaceGrid",
    "common_pitch",
    "grid_of",
    "is_rectilinear",
    "rings_of",
]

_MOST_CELLS = 6000
"""A finer grid makes a model too large to be solved in seconds."""
_MOST_LITERALS = 900_000
"""The model's memory: some hundred MB."""


@dataclass(frozen=True, slots=True)
class PlaceGrid:
    """All places of rectilinear shapes on their common grid."""

    pitch_mm: float
    places: tuple[Placed, ...]
    cells: tuple[NDArray[np.int64], ...]
    """For each place: the numbers of the cells it covers."""


def common_pitch(values: NDArray[np.float64]) -> float | None:
    """Greatest length of which all values are whole multiples (within 1e-9 of the pitch), or None."""
    g = 0.0
    for v in np.unique(np.round(np.abs(values), 9)):
        a, b = float(v), g
        while b > 1e-6:
            a, b = b, math.fmod(a, b)
            if b > 0 and a - b < 1e-6:
                b = 0.0
        g = a
    if g < 1e-3:
        return None
    whole = np.round(values / g)
    return g if np.abs(values - whole * g).max() < 1e-9 * max(1.0, float(np.abs(values).max())) else None


def rings_of(shape: Polygon | MultiPolygon) -> list[NDArray[np.float64]]:
    """Outlines and holes of a shape, each as rows (x, y), closed."""
    polygons = list(shape.geoms) if isinstance(shape, MultiPolygon) else [shape]
    return [np.asarray(ring.coords)[:, :2] for p in polygons for ring in (p.exterior, *p.interiors)]


def is_rectilinear(shape: Polygon | MultiPolygon) -> bool:
    """All sides parallel to an axis?"""
    return all((np.abs(np.diff(ring, axis=0)).min(axis=1) == 0).all() for ring in rings_of(shape))


def _covered(shape: Shape, x0: float, y0: float, g: float, nx: int, ny: int) -> NDArray[np.int64]:
    """Cells (x, y) of an nx × ny grid at (x0, y0) whose middle lies in the shape, as rows (column, row)."""
    cx, cy = np.meshgrid(x0 + (np.arange(nx) + 0.5) * g, y0 + (np.arange(ny) + 0.5) * g, indexing="ij")
    inside = shapely.contains_xy(shape, cx.ravel(), cy.ravel()).reshape(nx, ny)
    return np.argwhere(inside)


def grid_of(parts: Sequence[Part], room: Polygon | MultiPolygon) -> PlaceGrid | None:
    """All grid places of rectilinear parts with listed quarter turns in a rectilinear room, or None.

    Enough for a best layout when no gap is asked for: take any layout and round every x down to the grid.
    Two cells that coincide afterwards were less than a cell apart before, so they overlapped already; the
    same for the room's outside, and for y. So nothing overlaps afterwards, and the count is the same.
    """
    if room.is_empty or not is_rectilinear(room):
        return None
    x0, y0, x1, y1 = room.bounds
    values = [ring - (x0, y0) for ring in rings_of(room)]
    for part in parts:
        if (
            part.turns == "any"
            or any(turn % 90.0 != 0 for turn in part.turns)
            or not is_rectilinear(part.shape)
        ):
            return None
        px, py, _, _ = part.shape.bounds
        values += [ring - (px, py) for ring in rings_of(part.shape)]
    g = common_pitch(np.concatenate(values).ravel())
    if g is None:
        return None
    nx, ny = round((x1 - x0) / g), round((y1 - y0) / g)
    if nx * ny > _MOST_CELLS:
        return None
    free = np.zeros((nx, ny), bool)
    at = _covered(room, x0, y0, g, nx, ny)
    free[at[:, 0], at[:, 1]] = True
    places: list[Placed] = []
    cells: list[NDArray[np.int64]] = []
    literals = 0
    for k, part in enumerate(parts):
        seen: set[bytes] = set()
        for turn in part.turns:
            shape = Pose(0.0, 0.0, float(turn)).apply(part.shape)
            bx, by, ex, ey = shape.bounds
            w, h = round((ex - bx) / g), round((ey - by) / g)
            if w > nx or h > ny:
                continue
            own = _covered(shape, bx, by, g, w, h)
            key = own.tobytes() + bytes([w % 256, h % 256])
            if key in seen:
                continue
            seen.add(key)
            for i in range(nx - w + 1):
                for j in range(ny - h + 1):
                    if free[own[:, 0] + i, own[:, 1] + j].all():
                        places.append(Placed(k, Pose(x0 + i * g - bx, y0 + j * g - by, float(turn))))
                        cells.append((own[:, 0] + i) * ny + own[:, 1] + j)
                        literals += len(own)
            if literals > _MOST_LITERALS:
                return None
    return PlaceGrid(g, tuple(places), tuple(cells))
