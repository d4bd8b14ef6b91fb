"""The slab packer: many parts into many scraps, quickly, at a few listed turns.

Scraps and parts are kept as rows half a millimetre high with free and needed stretches. A place is
exact sideways and on a half-millimetre raster along the rows, and always on the safe side: the parts'
interiors are apart and inside the scrap. Used for chips (parts that scissors cut apart), for cuts grown
by half the web, and for counting what a stock of scraps can give.

Source: semi-discrete representation, after Akunuru & Babu (2013), "Semi-discrete geometric
representation for nesting problems"; bottom-left filling after Baker, Coffman & Rivest (1980).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import shapely
from shapely.affinity import affine_transform
from shapely.geometry import Polygon

from nestcut.batch.model import Pose, Shape

__all__ = ["Bed", "Form", "Laid", "lay", "turned"]

SLAB_MM = 0.5
"""Height of a row: parts may lie up to so much further apart than they need."""
# Every stretch of a part is wider by this on both sides, so that rounding x to 0.001 mm stays safe.
HAIR_MM = 0.002
STRETCHES = 24
"""Most free stretches of a row: the narrowest are given up beyond that."""


@dataclass(frozen=True, slots=True)
class Laid:
    """A form in a scrap: a point p of the form goes to R(pose.deg)·p + (pose.x_mm, pose.y_mm)."""

    form: int
    bed: int
    pose: Pose


def turned(shape: Shape, deg: float) -> Shape:
    """The shape turned about its origin; quarter turns are exact."""
    return Pose(0.0, 0.0, deg).apply(shape) if deg % 360 else shape


def _edges(shape: Shape) -> np.ndarray:
    """Edges of all rings as (ax, ay, bx, by), mm."""
    rings = shapely.get_rings(shape)
    points, of_ring = shapely.get_coordinates(rings, return_index=True)
    edges = np.concatenate([points[:-1], points[1:]], axis=1)
    return edges[of_ring[:-1] == of_ring[1:]]


class Bed:
    """One scrap that parts are laid into; its free stretches shrink as parts are laid.

    Rows run across the scrap's shorter side, so that what stays free is a piece of the longer one.
    """

    def __init__(self, outline: Polygon) -> None:
        x0, y0, x1, y1 = outline.bounds
        self.base_deg = 90.0 if x1 - x0 > y1 - y0 + 1e-9 else 0.0
        from nestcut.passes.parts.slab_kernels import rows_between

        shape = turned(outline, self.base_deg)
        self.shape = shape
        x0, y0, x1, y1 = shape.bounds
        self.y0 = y0
        self.height = max(0, math.floor((y1 - y0) / SLAB_MM + 1e-9))
        self.width_mm = x1 - x0
        self.free_l = np.zeros((self.height, STRETCHES))
        self.free_r = np.zeros((self.height, STRETCHES))
        self.n_free = np.zeros(self.height, np.int64)
        self.area_mm2 = outline.area
        self.laid = 0
        rows_between(_edges(shape), y0, SLAB_MM, self.free_l, self.free_r, self.n_free)

    @staticmethod
    def fresh(outline: Polygon) -> Bed:
        """A bed for this outline; the rastering is kept from one time to the next."""
        return _bed(outline.wkb).copy()

    def copy(self) -> Bed:
        """A bed of its own with the same free stretches."""
        twin = object.__new__(Bed)
        twin.__dict__.update(self.__dict__)
        twin.free_l = self.free_l.copy()
        twin.free_r = self.free_r.copy()
        twin.n_free = self.n_free.copy()
        return twin


@lru_cache(maxsize=1024)
def _bed(outline: bytes) -> Bed:
    return Bed(shapely.from_wkb(outline))


@dataclass
class Form:
    """A part to lay: an outline in its own frame and the turns it may lie at in a scrap's frame."""

    outline: Shape
    turns: tuple[float, ...]
    want: int
    _spans: dict[float, tuple[np.ndarray, np.ndarray, np.ndarray, float, float]] = field(
        default_factory=dict, repr=False
    )

    _stacked: dict[tuple[float, tuple[float, ...]], tuple[np.ndarray, ...]] = field(
        default_factory=dict, repr=False
    )

    def spans(self, deg: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, float, float]:
        """(left, right, stretches per row, x of the origin, y of the origin) of the turned outline."""
        key = round(deg % 360.0, 6)
        if key not in self._spans:
            from nestcut.passes.parts.slab_kernels import rows_covered

            shape = turned(self.outline, key)
            x0, y0, _, y1 = shape.bounds
            rows = max(1, math.ceil((y1 - y0) / SLAB_MM - 1e-7))
            left, right, count, most = rows_covered(_edges(shape), y0, SLAB_MM, rows)
            left = _where(left[:, :most] - x0 - HAIR_MM, count)
            right = _where(right[:, :most] - x0 + HAIR_MM, count)
            self._spans[key] = (left, right, count, -x0, -y0)
        return self._spans[key]

    def stacked(self, base_deg: float, height: int) -> tuple[list, tuple[np.ndarray, ...]]:
        """Spans of all turns that are no higher than ``height`` rows, and the same in arrays for the kernel."""
        spans = [(turn, self.spans(turn + base_deg)) for turn in self.turns]
        used = [(turn, s) for turn, s in spans if s[0].shape[0] <= height]
        key = (base_deg, tuple(turn for turn, _ in used))
        if key not in self._stacked:
            rows = np.array([s[0].shape[0] for _, s in used], np.int64)
            most_rows = int(rows.max()) if used else 0
            most = max((s[0].shape[1] for _, s in used), default=0)
            occ_l = np.zeros((len(used), most_rows, most))
            occ_r = np.zeros((len(used), most_rows, most))
            n_occ = np.zeros((len(used), most_rows), np.int64)
            for k, (_, s) in enumerate(used):
                occ_l[k, : s[0].shape[0], : s[0].shape[1]] = s[0]
                occ_r[k, : s[1].shape[0], : s[1].shape[1]] = s[1]
                n_occ[k, : s[2].shape[0]] = s[2]
            self._stacked[key] = (occ_l, occ_r, n_occ, rows)
        return used, self._stacked[key]


def lay(
    bed: Bed, bed_number: int, form: Form, form_number: int, want: int, *, deepest: bool = False
) -> list[Laid]:
    """Lay up to ``want`` copies of the form into the bed, bottom-left, and take their room."""
    from nestcut.passes.parts.slab_kernels import place_all

    if want <= 0 or bed.height == 0:
        return []
    spans_used, (occ_l, occ_r, n_occ, rows) = form.stacked(bed.base_deg, bed.height)
    if not spans_used:
        return []
    # No more than the area allows: demand may be a million pieces, the scrap a hand's breadth.
    want = min(want, int(bed.area_mm2 / max(form.outline.area, 1e-6)) + 1)
    found = np.zeros((want, 3))
    count = place_all(
        bed.free_l, bed.free_r, bed.n_free, bed.height, occ_l, occ_r, n_occ, rows, 0, len(spans_used), want,
        deepest, found,
    )  # fmt: skip
    result = []
    for which, row, x in found[:count]:
        turn, s = spans_used[int(which)]
        # Back from the bed's own turned frame to the scrap's: both turns are about the origin.
        at_x = round(float(x), 3) + s[3]
        at_y = bed.y0 + int(row) * SLAB_MM + s[4]
        a, b, d, e, _, _ = Pose(0.0, 0.0, -bed.base_deg).matrix()
        result.append(
            Laid(form_number, bed_number, Pose(a * at_x + b * at_y, d * at_x + e * at_y, turn % 360.0))
        )
    bed.laid += count
    return result


def _where(values: np.ndarray, count: np.ndarray) -> np.ndarray:
    """The values of each row that count, 0 after them."""
    return np.where(np.arange(values.shape[1]) < count[:, None], values, 0.0)


def moved(outline: Shape, pose: Pose) -> Shape:
    """The outline where it was laid."""
    return affine_transform(outline, list(pose.matrix()))
