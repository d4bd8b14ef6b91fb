"""One or two rims that can't lie in a rectangle however they are turned: branch and bound over turns.

A cell is an interval of turns for each rim. What the rim covers at every turn of the interval (its core) is
drawn from inside: the rim at some turns of the interval, cut with each other, and shrunk by the farthest that
a point can move from one of these turns to where the next takes over. If the cores can't lie in the window
clear of each other, no rims of the cell can; otherwise the cell is halved. For two rims, the shifts that keep
both in the window are a rectangle: for convex cores its corners tell, for others it is covered by smaller
rectangles in the same way. A rim that looks the same turned by a fraction of a circle is cut down to what all
these turns have in common, and then turned by that fraction only; a round one is not turned at all.
Source: interval branch and bound (Moore, 1966); the cores are our own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.affinity import affine_transform, translate
from shapely.geometry.base import BaseGeometry

from nestcut.checks.measures.patience import ENDLESS, Patience, Undecided
from nestcut.checks.measures.safe_side import shrunk
from nestcut.checks.measures.symmetry import common_to_folds, disc_radius_mm
from nestcut.checks.measures.turns import ALL_TURNS, Interval

__all__ = ["Opponent", "discs_cannot_fit", "pair_cannot_fit", "single_cannot_fit", "too_many_corners"]

MOST_CELLS = 60_000
"""Cells of turns looked at before giving up (which refuses nothing)."""
MOST_TESTS = 400_000
"""Positions tested before giving up; shrinking a shape counts as SHRINK_TESTS of them."""
SHRINK_TESTS = 20
"""What shrinking a shape costs, in positions tested."""
FINEST_DEG = 0.01
"""Cells of turns are halved down to this: finer ones decide nothing that rounding would not."""
CORE_TURNS = 16
"""Steps between the turns that a core is cut from."""
FLAT_MM = 1e-7
"""A core is called convex when no corner lies farther than this inside its hull."""
SLACK = 1e-9
"""Given away in every comparison, mm: far above rounding errors, far below the tolerance."""
FIRST_CELL_DEG = 15.0
"""Cells of turns to begin with."""
MOST_FOLD = 16
"""How often a rim may come onto itself in a turn: beyond that it is as good as round."""
LOST_TO_FOLDS = 0.002
"""Share of its area that a rim may lose when it is cut down to what its turns have in common."""
NOTHING_LOST = 1e-6
"""Share of a rim's area that rounding alone takes."""
ROUND_MM = 0.03
"""A rim is called round when no point lies farther than this outside its inner disc."""
MOST_CORNERS = 4_000
"""Of one rim: a drawing read by nestcut has some hundreds."""


@dataclass(slots=True)
class Opponent:
    """A rim turning about (0, 0), with its allowed turns."""

    rim: BaseGeometry
    turns: tuple[Interval, ...]
    _cores: dict[float, BaseGeometry] = field(default_factory=dict)

    @classmethod
    def about_middle(cls, rim: BaseGeometry, turns: tuple[Interval, ...]) -> Opponent:
        """The rim with the middle of its smallest circle at (0, 0)."""
        middle = shapely.minimum_bounding_circle(rim).centroid
        return cls(translate(rim, -middle.x, -middle.y), turns)

    @property
    def radius(self) -> float:
        """Farthest point from (0, 0), mm."""
        return float(np.hypot(*shapely.get_coordinates(self.rim).T).max())

    def cells(self) -> list[Interval]:
        """The allowed turns in intervals of at most FIRST_CELL_DEG."""
        found = []
        for lo, hi in self.turns:
            steps = max(1, math.ceil((hi - lo) / FIRST_CELL_DEG))
            found += [(lo + (hi - lo) * i / steps, lo + (hi - lo) * (i + 1) / steps) for i in range(steps)]
        return found

    def core(self, cell: Interval) -> BaseGeometry:
        """A shape that the rim covers at every turn of the cell; may be empty."""
        lo, hi = cell
        half = round((hi - lo) / 2 + 1e-9, 10)
        if half not in self._cores:
            shape = self.rim
            if half > 1e-6:
                for step in range(CORE_TURNS + 1):
                    turn = half * (2 * step / CORE_TURNS - 1)
                    shape = shapely.intersection(shape, _turned(self.rim, turn))
            moves = 2 * self.radius * math.sin(math.radians(half / CORE_TURNS + 1e-9) / 2)
            self._cores[half] = _fewer_corners(shape, moves + SLACK)
        return _turned(self._cores[half], (lo + hi) / 2)


def _fewer_corners(shape: BaseGeometry, by_mm: float) -> BaseGeometry:
    """The shape shrunk by this much and a little more, with few corners: tests take time by the corner."""
    core = shrunk(shape, by_mm)
    spare = 0.3 * by_mm + 1e-5
    simple = shrunk(core, spare).simplify(0.9 * spare)
    return simple if not simple.is_empty and simple.is_valid and core.covers(simple) else core


def _turned(shape: BaseGeometry, degrees: float) -> BaseGeometry:
    angle = math.radians(degrees)
    cos, sin = math.cos(angle), math.sin(angle)
    return affine_transform(shape, [cos, -sin, sin, cos, 0.0, 0.0])


def _halved(cell: Interval) -> tuple[Interval, Interval]:
    middle = (cell[0] + cell[1]) / 2
    return (cell[0], middle), (middle, cell[1])


def too_many_corners(*rims: Opponent) -> Undecided | None:
    """Why rims can't be gone through; None: they can."""
    corners = max(int(shapely.get_num_coordinates(rim.rim)) for rim in rims)
    if corners > MOST_CORNERS:
        return Undecided(f"a rim has {corners:,} corners, and {MOST_CORNERS:,} can be gone through")
    return None


def single_cannot_fit(
    one: Opponent, width_mm: float, length_mm: float, *, patience: Patience = ENDLESS
) -> str | None:
    """Whether one rim is too large for the window at all its turns. None: proved.

    Raises: TooLongError when the patience ends.
    """
    hull = shapely.convex_hull(one.rim)
    corners = shapely.get_coordinates(hull)
    # A hull's extent in a fixed direction changes by no more than its diameter for each radian.
    diameter = 2 * one.radius
    todo = one.cells()
    seen = 0
    while todo:
        lo, hi = todo.pop()
        seen += 1
        if seen % 256 == 0:
            patience.ask()
        angle, half = math.radians((lo + hi) / 2), math.radians((hi - lo) / 2)
        cos, sin = math.cos(angle), math.sin(angle)
        across = np.ptp(corners @ (cos, -sin))
        along = np.ptp(corners @ (sin, cos))
        play = diameter * half + SLACK
        if across - play > width_mm or along - play > length_mm:
            continue
        if across <= width_mm and along <= length_mm:
            return f"it seems to fit, turned by {(lo + hi) / 2:.4g}°"
        if seen > MOST_CELLS:
            return Undecided("it has too many turns to go through")
        todo += _halved((lo, hi))
    return None


def discs_cannot_fit(a: Opponent, b: Opponent, width_mm: float, length_mm: float, gap_mm: float) -> bool:
    """Whether the discs that two rims hold about (0, 0) can't both lie in the window, the gap apart.

    The hull of a rim lies in the window with the rim, so its disc keeps the middle away from the window's
    sides; the middles are then no farther apart than a rectangle's diagonal. Exact for round rims.
    """
    inner = [disc_radius_mm(rim.rim) for rim in (a, b)]
    outer = sum(disc_radius_mm(rim.rim.convex_hull) for rim in (a, b))
    across, along = width_mm - outer, length_mm - outer
    if min(across, along) < -SLACK:
        return True  # the larger of the two discs is too large alone
    return math.hypot(across, along) + SLACK < sum(inner) + gap_mm


@dataclass(slots=True)
class _Player:
    """A rim of a pair with the turns that must be looked at."""

    opponent: Opponent
    cells: list[Interval]
    free: bool
    """Whether it turns freely."""
    fold: int
    """A turn by 360°/fold changes nothing; 0: no turn does."""
    lost: bool = False
    """Whether folding cost more than rounding errors."""


def _player(rim: Opponent, *, folding: bool) -> _Player:
    free = rim.turns == ALL_TURNS
    if folding and free:
        disc = disc_radius_mm(rim.rim)
        if rim.radius - disc <= ROUND_MM:
            still = Opponent(shapely.Point(0.0, 0.0).buffer(disc, quad_segs=32), ((0.0, 0.0),))
            return _Player(still, [(0.0, 0.0)], free, 0)
        fold, common = common_to_folds(rim.rim, MOST_FOLD, LOST_TO_FOLDS)
        if fold > 1:
            part = Opponent(common, ((0.0, 360.0 / fold),))
            return _Player(part, part.cells(), free, fold, common.area < (1 - NOTHING_LOST) * rim.rim.area)
    return _Player(rim, rim.cells(), free, 1)


def pair_cannot_fit(
    a: Opponent,
    b: Opponent,
    width_mm: float,
    length_mm: float,
    gap_mm: float,
    *,
    tests: int = MOST_TESTS,
    patience: Patience = ENDLESS,
) -> str | None:
    """Whether two rims can't both lie in the window, the gap apart, at any allowed turns. None: proved.

    ``tests``: positions tested before giving up. Raises: TooLongError when the patience ends.
    """
    why = too_many_corners(a, b)
    if why is not None:
        return why
    if discs_cannot_fit(a, b, width_mm, length_mm, gap_mm):
        return None
    window = (width_mm, length_mm)
    folded = [_player(rim, folding=True) for rim in (a, b)]
    answer = _turned_pair(folded[0], folded[1], window, gap_mm, tests, patience)
    if answer is None or isinstance(answer, Undecided) or not any(player.lost for player in folded):
        return answer
    # What was lost to the folds may have made room: the rims as they are decide.
    whole = [_player(rim, folding=False) for rim in (a, b)]
    return _turned_pair(whole[0], whole[1], window, gap_mm, tests, patience)


def _turned_pair(
    a: _Player, b: _Player, window: tuple[float, float], gap_mm: float, tests: int, patience: Patience
) -> str | None:
    """The branch and bound over the turns of both."""
    cells_a, cells_b = a.cells, b.cells
    if a.free and b.free:
        # The window looks the same turned by half a circle. A rim that does not is turned by half of its turns only.
        if a.fold % 2:
            cells_a = cells_a[: len(cells_a) // 2] if len(cells_a) % 2 == 0 else cells_a
        elif b.fold % 2 and len(cells_b) % 2 == 0:
            cells_b = cells_b[: len(cells_b) // 2]
    if len(cells_a) * len(cells_b) > MOST_CELLS:
        return Undecided("their turns are too many to go through")
    todo = [(cell_a, cell_b) for cell_a in cells_a for cell_b in cells_b]
    one, other = a.opponent, b.opponent
    seen = 0
    budget = [tests]
    while todo:
        patience.ask()
        cell_a, cell_b = todo.pop()
        seen += 1
        core_a, core_b = one.core(cell_a), other.core(cell_b)
        if (
            not core_a.is_empty
            and not core_b.is_empty
            and _apart_nowhere(core_a, core_b, window, gap_mm, budget, patience)
        ):
            continue
        turned_a, turned_b = (
            _turned(rim.rim, sum(cell) / 2) for rim, cell in ((one, cell_a), (other, cell_b))
        )
        if _apart_at_a_glance(turned_a, turned_b, window, gap_mm):
            return f"they fit, turned by {sum(cell_a) / 2:.4g}° and {sum(cell_b) / 2:.4g}°"
        span = max(cell_a[1] - cell_a[0], cell_b[1] - cell_b[0])
        turned = f"{sum(cell_a) / 2:.4g}° and {sum(cell_b) / 2:.4g}°"
        if seen > MOST_CELLS or budget[0] <= 0:
            return Undecided(f"they took too many tests to go through, the last turned by {turned}")
        if span < FINEST_DEG:
            return f"they can't be shown to be in each other's way, turned by {turned}"
        # Halve the rim whose points move farther.
        if (cell_a[1] - cell_a[0]) * one.radius >= (cell_b[1] - cell_b[0]) * other.radius:
            todo += [(half, cell_b) for half in _halved(cell_a)]
        else:
            todo += [(cell_a, half) for half in _halved(cell_b)]
    return None


def _shifts(
    a: BaseGeometry, b: BaseGeometry, window: tuple[float, float]
) -> tuple[float, float, float, float] | None:
    """The shifts of ``b`` (left, top, right, bottom) at which both shapes fit the window; None: there is none."""
    box_a, box_b = a.bounds, b.bounds
    if any(box[2 + i] - box[i] > window[i] + SLACK for box in (box_a, box_b) for i in (0, 1)):
        return None  # too large alone
    low = [box_a[2 + i] - window[i] - box_b[i] - SLACK for i in (0, 1)]
    high = [window[i] + box_a[i] - box_b[2 + i] + SLACK for i in (0, 1)]
    # Not too large alone, so low ≤ high, up to rounding.
    return low[0], low[1], max(low[0], high[0]), max(low[1], high[1])


def _apart_at_a_glance(a: BaseGeometry, b: BaseGeometry, window: tuple[float, float], gap_mm: float) -> bool:
    """Whether the shapes keep the gap at a corner, a side's middle or the middle of the shifts."""
    shifts = _shifts(a, b, window)
    if shifts is None:
        return False
    left, top, right, bottom = shifts
    return not all(
        _too_near(a, b, x, y, gap_mm)
        for x in (left, right, (left + right) / 2)
        for y in (top, bottom, (top + bottom) / 2)
    )


def _apart_nowhere(
    a: BaseGeometry,
    b: BaseGeometry,
    window: tuple[float, float],
    gap_mm: float,
    budget: list[int],
    patience: Patience,
) -> bool:
    """Whether every shift of ``b`` that keeps both shapes within the window brings them too near."""
    shifts = _shifts(a, b, window)
    if shifts is None:
        return True
    budget[0] -= 9
    if _apart_at_a_glance(a, b, window, gap_mm):
        return False  # no covering will succeed
    low, high = shifts[:2], shifts[2:]
    if gap_mm > 4 * FLAT_MM and _is_flat(a) and _is_flat(b):
        # The shifts that bring two convex shapes too near are convex: all is said by the corners. Hulls
        # are larger than the cores by up to FLAT_MM each, so the gap is smaller by twice that.
        hull_a, hull_b = a.convex_hull, b.convex_hull
        budget[0] -= 4
        return all(
            _too_near(hull_a, hull_b, x, y, gap_mm - 2 * FLAT_MM)
            for x in (low[0], high[0])
            for y in (low[1], high[1])
        )
    return _covered(a, b, shifts, gap_mm, budget, patience)


def _is_flat(shape: BaseGeometry) -> bool:
    """Whether the shape is as good as convex."""
    if shape.geom_type != "Polygon" or len(shape.interiors):
        return False
    corners = shapely.points(shapely.get_coordinates(shape))
    return bool(shapely.distance(corners, shape.convex_hull.boundary).max() <= FLAT_MM)


def _covered(
    a: BaseGeometry,
    b: BaseGeometry,
    shifts: tuple[float, float, float, float],
    gap_mm: float,
    budget: list[int],
    patience: Patience,
) -> bool:
    """Whether every shift in the rectangle brings ``b`` too near to ``a``, shown rectangle by rectangle."""
    shrunken: dict[float, tuple[BaseGeometry, BaseGeometry]] = {}
    todo = [shifts]
    while todo:
        left, top, right, bottom = todo.pop()
        patience.ask()
        if budget[0] <= 0:
            return False
        half_x, half_y = (right - left) / 2, (bottom - top) / 2
        # Rounded up to a power of the fourth root of 2, so that few different shapes are shrunk.
        reach = 2.0 ** (math.ceil(4 * math.log2(max(math.hypot(half_x, half_y), 1e-7))) / 4)
        if reach not in shrunken:
            # Shared: each gives half of the way that a shift can differ from the rectangle's middle.
            budget[0] -= 2 * SHRINK_TESTS
            shrunken[reach] = (shrunk(a, reach / 2 + SLACK), shrunk(b, reach / 2 + SLACK))
        small_a, small_b = shrunken[reach]
        x, y = (left + right) / 2, (top + bottom) / 2
        budget[0] -= 1
        if not small_a.is_empty and not small_b.is_empty and _too_near(small_a, small_b, x, y, gap_mm):
            continue
        budget[0] -= 1
        if reach < 1e-3 or not _too_near(a, b, x, y, gap_mm):
            return False
        if half_x >= half_y:
            todo += [(left, top, x, bottom), (x, top, right, bottom)]
        else:
            todo += [(left, top, right, y), (left, y, right, bottom)]
    return True


def _too_near(a: BaseGeometry, b: BaseGeometry, x: float, y: float, gap_mm: float) -> bool:
    """Whether ``b`` shifted by (x, y) touches ``a`` or comes nearer than the gap."""
    shifted = affine_transform(b, [1.0, 0.0, 0.0, 1.0, x, y])
    return bool(shapely.dwithin(a, shifted, max(gap_mm - SLACK, 0.0)))
