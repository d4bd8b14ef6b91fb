"""Places in a window where a piece touches two things at once: corners of exact no-fit regions.

The no-fit region of two pieces depends on their turn against each other only, so it is kept; in a layout of
patterns there are few such turns.

Source: no-fit polygon vertices as candidate places (Art 1966; Bennell and Oliveira 2008).
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Iterable, Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import affine_transform, translate

from nestcut.arithmetic import buffered, lengths_of, sine_cosine, turn_points, turn_shape
from nestcut.batch.model import Shape
from nestcut.placement.engine.ground import Ground, Rows
from nestcut.placement.shapes.convex import Points, convex_parts
from nestcut.placement.shapes.nofit import inner_fit, no_fit_of_parts

__all__ = ["NoFits"]

_KEPT = 400
"""Pairs and outlines that are remembered: a few MB."""
_MOST_SUMS = 600
"""Pairs of convex parts beyond which sums take too long."""
_HAIR_MM = 4e-8  # less than what counts as an overlap (conflicts.EXACT_MM)
_ARC = 6
"""Segments of a quarter of a round corner."""
_CORNER = sine_cosine(math.radians(12.0))[0]  # two sides that turn by less are one arc


class NoFits:
    """No-fit and inner-fit regions of the parts of a ground, by turn, kept as they are asked for."""

    def __init__(self, ground: Ground) -> None:
        self.ground = ground
        middles = ground.exact.middles
        self.shapes: list[Shape] = [
            translate(part.shape, -mx, -my) for part, (mx, my) in zip(ground.parts, middles, strict=True)
        ]
        self.cores: list[list[Points]] = [convex_parts(shape) for shape in self.shapes]
        self.pairs: OrderedDict[tuple[int, int, int], Shape] = OrderedDict()
        self.inner: OrderedDict[tuple[int, int], shapely.Geometry] = OrderedDict()

    def in_good_time(self, moving: int, fixed: Iterable[int]) -> bool:
        """Are the no-fit regions of a part around others worked out quickly (some 0.1 ms a convex sum)?"""
        return all(len(self.cores[k]) * len(self.cores[moving]) <= _MOST_SUMS for k in fixed)

    def between(self, fixed: int, moving: int, angle: float) -> Shape:
        """No-fit region around a fixed part (unturned, at the origin) for another, turned by ``angle``."""
        key = (fixed, moving, round((angle % (2 * math.pi)) * 1e7))
        if key not in self.pairs:
            s, c = sine_cosine(angle)
            cores = [turn_points(core, s, c) for core in self.cores[moving]]
            self.pairs[key] = no_fit_of_parts(self.cores[fixed], cores, hair_mm=_HAIR_MM)
            while len(self.pairs) > _KEPT:
                self.pairs.popitem(last=False)
        self.pairs.move_to_end(key)
        return self.pairs[key]

    def within(self, moving: int, angle: float) -> shapely.Geometry:
        """Where the middle of a turned part may lie in the room."""
        key = (moving, round((angle % (2 * math.pi)) * 1e7))
        if key not in self.inner:
            shape = turn_shape(self.shapes[moving], math.degrees(angle))
            self.inner[key] = inner_fit(self.ground.region, shape)
            while len(self.inner) > _KEPT:
                self.inner.popitem(last=False)
        self.inner.move_to_end(key)
        return self.inner[key]

    def corners(
        self,
        kind: NDArray[np.int64],
        rows: Rows,
        wanted: Sequence[tuple[int, float]],
        box: NDArray[np.float64],
        *,
        over: Callable[[], bool],
        most: int = 300,
    ) -> tuple[NDArray[np.int64], Rows]:
        """Places for turned parts that touch fixed items, or the room's edge, in two points at least.

        Args:
            kind, rows: the fixed items.
            wanted: parts and their angles (radians) to find places for.
            box: x0, y0, x1, y1: where middles may lie, mm.
        Returns: kinds and poses.
        """
        gap = self.ground.gap_mm
        found_kind: list[int] = []
        found: list[tuple[float, float, float]] = []
        for k, angle in wanted:
            if over() or len(found) >= most:
                break
            free = shapely.intersection(self.within(k, angle), shapely.box(*box))
            if free.is_empty:
                continue
            taken = []
            for fixed, (x, y, turn) in zip(kind.tolist(), rows.tolist(), strict=True):
                if over():
                    break
                region = self.between(fixed, k, angle - turn)
                s, c = sine_cosine(turn)
                taken.append(affine_transform(region, [c, -s, s, c, x, y]))
            if len(taken) < len(kind):
                break
            if gap > 0:
                # arcs as chords must keep the gap: lengthened by their sagitta, and by the hair
                reach = (gap + 2 * _HAIR_MM) / sine_cosine(math.pi / 4 / _ARC)[1]
                taken = [buffered(region, reach, _ARC) for region in taken]
            free = free.difference(shapely.union_all(taken)) if taken else free
            for x, y in _corners_of(free):
                found_kind.append(k)
                found.append((x, y, angle))
        return np.array(found_kind[:most], np.int64), np.array(found[:most], float).reshape(-1, 3)


def _corners_of(region: shapely.Geometry) -> list[tuple[float, float]]:
    """Vertices of a region at which its outline really turns; ends of lines, and points."""
    corners: list[tuple[float, float]] = []
    for part in shapely.get_parts(region):
        if part.geom_type != "Polygon":
            corners.extend(map(tuple, shapely.get_coordinates(part).tolist()))
            continue
        for ring in (part.exterior, *part.interiors):
            xy = np.asarray(ring.coords)[:-1, :2]
            before, after = xy - np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0) - xy
            size = lengths_of(before) * lengths_of(after)
            cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
            sharp = np.abs(cross) >= _CORNER * np.maximum(size, 1e-30)
            corners.extend(map(tuple, xy[sharp].tolist()))
    return corners
