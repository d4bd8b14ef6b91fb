"""What a rim covers at every turn of an interval (its core), and what two cores forbid each other.

Between two cores, for an interval of differences of x, there is a stretch of differences of y at which they
touch or come nearer than the gap, whatever the turns and the difference of x in their intervals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
import shapely.affinity
from numpy.typing import NDArray
from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.checks.measures.convex_cover import convex_cover, grown_hull
from nestcut.checks.measures.measure import polygons_in, turn_matrices
from nestcut.checks.measures.safe_side import shrunk
from nestcut.checks.measures.symmetry import common_part, disc_radius_mm
from nestcut.checks.measures.turns import ALL_TURNS, Interval
from nestcut.checks.proof.turning import Opponent

__all__ = ["HAIR_MM", "Rim", "folded", "forbidden_columns", "turned_rings"]

Floats = NDArray[np.float64]
SMALL_DEG, WIDE_DEG = 5.0, 22.5
"""For wider intervals (half of them) a disc about the middle belongs to the core; and is all of it."""
ROUND_MM = 0.03
"""A rim is called round when no point lies farther than this outside its inner disc."""
ROUND_SEGMENTS = 24
"""Sides of a quarter of it."""
MARGIN_MM = 1e-5
"""Cores are shrunk by this, far above all rounding errors in what follows."""
FEWER_MM = 0.02
"""How far a core may lie inside its rim to have fewer corners."""
MOST_PARTS = 14
"""A blossom takes one for each petal."""
HAIR_MM = 1e-6
"""Given away at every end of a stretch, and in every sum."""


@dataclass(slots=True)
class Rim:
    """A rim about its middle: cells of turns, and its cores by their width."""

    opponent: Opponent
    hull: Opponent
    cells: tuple[Interval, ...]
    gap_mm: float
    disc_mm: float
    hull_disc_mm: float
    """Largest discs about the middle that lie in the rim, and in its hull."""
    _covers: list[Opponent] = field(default_factory=list)
    _cores: dict[float, tuple[list[Floats], list[Floats], Floats]] = field(default_factory=dict)

    def _parts(self) -> list[Opponent]:
        """Convex parts of the rim: what each of them covers at every turn, the rim covers."""
        if not self._covers:
            # Fewer corners first: the cover takes time by their square.
            whole = self.opponent.rim
            if _is_convex(whole):
                # Some of its own corners: all of that lies inside.
                parts = [whole.simplify(0.5 * FEWER_MM).convex_hull]
            else:
                small = shrunk(whole, FEWER_MM)
                simple = small.simplify(0.9 * FEWER_MM)
                rim = simple if whole.covers(simple) and not simple.is_empty else whole
                parts = [rim.convex_hull] if _is_convex(rim) else convex_cover(rim, most_parts=MOST_PARTS)
            self._covers = [Opponent(part, ()) for part in parts]
        return self._covers

    def core(self, half_deg: float) -> tuple[list[Floats], list[Floats], Floats]:
        """Convex parts of the core at 0° ± half_deg, the same grown by the gap, and corners that lie in its hull at all turns."""
        half = round(half_deg + 1e-9, 9)
        if half not in self._cores:
            # The window bounds the hull as it bounds the rim.
            covered: list[Polygon] = []
            bounds: list[BaseGeometry] = [Polygon()]
            # A round rim is its disc, at any turn; its polygon has sides to match.
            is_round = self.opponent.radius - self.disc_mm <= ROUND_MM
            if half > SMALL_DEG or is_round:
                segments = ROUND_SEGMENTS if is_round else 8
                if self.disc_mm > 0:
                    covered.append(Point(0, 0).buffer(self.disc_mm, quad_segs=segments))
                bounds.append(Point(0, 0).buffer(self.hull_disc_mm, quad_segs=segments))
            if half <= WIDE_DEG and not is_round:
                covered += [part for one in self._parts() for part in polygons_in(_kept(one, half))]
                bounds.append(_kept(self.hull, half))
            self._cores[half] = (
                [grown_hull(part, 0.0) for part in covered],
                [grown_hull(part, self.gap_mm) for part in covered],
                np.concatenate([shapely.get_coordinates(part) for part in bounds]),
            )
        return self._cores[half]


def _is_convex(shape: BaseGeometry) -> bool:
    """Whether a shape is its own hull, but for rounding errors (far below MARGIN_MM)."""
    return shape.geom_type == "Polygon" and shape.convex_hull.area - shape.area <= 1e-9


def folded(rim: Opponent, fold: int, gap_mm: float) -> Rim:
    """About the rim's centroid. What all turns by 360°/fold have in common serves for the rim, and fewer turns do."""
    middle = rim.rim.centroid
    shape: BaseGeometry = shapely.affinity.translate(rim.rim, -middle.x, -middle.y)
    if fold > 1:
        shape = common_part(shape, fold)
    period = 360.0 / fold
    if rim.turns == ALL_TURNS:
        cells: tuple[Interval, ...] = ((0.0, period),)
    else:
        # In order of their middles, each once: as the prover lists them.
        wrapped: dict[float, Interval] = {}
        for lo, hi in rim.turns:
            middle_deg = (lo + hi) / 2
            key = round(middle_deg % period, 6) % period
            # To the same turn of the circle, but for less than 2e-6°: nothing of an interval may get lost.
            back = round((middle_deg - key) / period) * period
            low, high = wrapped.get(key, (lo - back, hi - back))
            wrapped[key] = min(low, lo - back), max(high, hi - back)
        cells = tuple(wrapped[key] for key in sorted(wrapped))
    hull = shape.convex_hull
    disc_mm, hull_disc_mm = (max(0.0, disc_radius_mm(part) - MARGIN_MM) for part in (shape, hull))
    return Rim(Opponent(shape, cells), Opponent(hull, cells), cells, gap_mm, disc_mm, hull_disc_mm)


def _kept(convex: Opponent, half_deg: float) -> BaseGeometry:
    """What a convex shape covers at every turn of ±half_deg.

    Seen from the shape, a point of it moves on an arc about (0, 0). Where both ends of the arc lie deeper in the
    shape than the arc is high, the chord does, too, the shape being convex, and so the whole arc lies inside.
    """
    ends = []
    for (a, b), (c, d) in turn_matrices(np.array([half_deg, -half_deg])).tolist():
        ends.append(shapely.affinity.affine_transform(convex.rim, [a, b, c, d, 0.0, 0.0]))
    height = convex.radius * (1.0 - math.cos(math.radians(half_deg)))
    return shrunk(shapely.intersection(*ends), height + MARGIN_MM)


def turned_rings(rings: Sequence[Floats], degrees: float) -> list[Floats]:
    matrix = turn_matrices(np.array([degrees]))[0]
    return [ring @ matrix.T for ring in rings]


def _sum_lines(a: Floats, b: Floats, x: Floats) -> tuple[Floats, Floats]:
    """Least and greatest y of the sum of two convex counter-clockwise rings at these x; low > high outside."""
    edges = np.concatenate([np.roll(a, -1, axis=0) - a, np.roll(b, -1, axis=0) - b])
    edges = edges[(np.abs(edges) > 0).any(axis=1)]
    # Counter-clockwise from the leftmost corner: the lower chain runs to the right, the upper one back.
    first_a, first_b = a[np.lexsort((a[:, 1], a[:, 0]))[0]], b[np.lexsort((b[:, 1], b[:, 0]))[0]]
    angle = np.arctan2(edges[:, 1], edges[:, 0])
    angle = np.where(angle < -np.pi / 2 - 1e-15, angle + 2 * np.pi, angle)
    edges = edges[np.argsort(angle, kind="stable")]
    corners = np.concatenate([(first_a + first_b)[None, :], first_a + first_b + np.cumsum(edges, axis=0)])
    turn = int(np.argmax(corners[:, 0]))
    low = np.interp(x, corners[: turn + 1, 0], corners[: turn + 1, 1])
    high = np.interp(x, corners[turn:, 0][::-1], corners[turn:, 1][::-1])
    outside = (x < corners[0, 0]) | (x > corners[turn, 0])
    return np.where(outside, np.inf, low), np.where(outside, -np.inf, high)


def forbidden_columns(
    one: Rim,
    turn_one: tuple[float, float],
    other: Rim,
    turn_other: tuple[float, float],
    step_mm: float,
    half: int,
) -> tuple[Floats, Floats]:
    """For each column of differences of x, one stretch of y forbidden all over it; low > high where none.

    Columns −half … half − 1; y of the other less y of the one. Turns are (middle, half), degrees.
    """
    lines = step_mm * np.arange(-half, half + 1, dtype=np.float64)
    low, high = [], []
    others = [-part for part in turned_rings(other.core(turn_other[1])[0], turn_other[0])]
    for a in turned_rings(one.core(turn_one[1])[1], turn_one[0]):
        for b in others:
            # Convex: what both sides of a column forbid is forbidden between them.
            lo, hi = _sum_lines(a, b, lines)
            low.append(np.maximum(lo[:-1], lo[1:]) + HAIR_MM)
            high.append(np.minimum(hi[:-1], hi[1:]) - HAIR_MM)
    if not low:
        return np.full(2 * half, np.inf), np.full(2 * half, -np.inf)
    lows, highs = np.stack(low), np.stack(high)
    with np.errstate(invalid="ignore"):
        longest = np.argmax(np.where(lows < highs, highs - lows, -np.inf), axis=0)
    every = np.arange(lows.shape[1])
    lo, hi = lows[longest, every], highs[longest, every]
    for _ in range(len(low)):
        overlap = (lows < hi) & (highs > lo) & (lows < highs)
        wider = np.where(overlap, lows, np.inf).min(axis=0), np.where(overlap, highs, -np.inf).max(axis=0)
        if not ((wider[0] < lo) | (wider[1] > hi)).any():
            break
        lo, hi = np.minimum(lo, wider[0]), np.maximum(hi, wider[1])
    return np.where(lo < hi, lo, np.inf), np.where(lo < hi, hi, -np.inf)
