"""Strips cut out of the scraps of one paper: several orders are tried, the one that leaves least undone counts.

Rectangular scraps are kept as their largest free rectangles; others as a grid of places between the corners.
Source: maximal rectangles (Jylänki 2010, "A thousand ways to pack the bin"); restarts from disturbed orders.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Pose, Scrap
from nestcut.passes.lane_moves import LaneSlot, one_of_each_way
from nestcut.passes.schedule import paper_turns
from nestcut.passes.strip_forms import StripForm

__all__ = ["Job", "Strip", "cut_strips", "job_for"]

HAIR_MM = 1e-9
CAPS = (2, 3, 4, 6, 8)
"""Most cuts of a strip in some of the tries: smaller strips fill scraps better."""

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Strip:
    """A strip that was cut: where it lies in its scrap, and how it is turned onto the plate."""

    scrap: str
    outline: Polygon
    turn: float
    """The scrap's turn on the plate, degrees, before any half turn."""
    form: StripForm
    cuts: int
    """How many of the form's cuts are made."""
    _bounds: dict[float, Box] = field(default_factory=dict, compare=False, repr=False)

    def turned(self, deg: float) -> Box:
        """The box of the outline, turned about the scrap's corner (it is asked for in every pass)."""
        if deg not in self._bounds:
            self._bounds[deg] = Pose(0.0, 0.0, deg).apply(self.outline).bounds
        return self._bounds[deg]


@dataclass(frozen=True, slots=True)
class Job:
    """Cuts for one slot in one paper."""

    key: tuple[int, int]
    """(number of the lay-up, number of its slot)."""
    ways: tuple[tuple[StripForm, float], ...]
    """Strips that may serve it, each with the turn from the plate to the scrap, those with most cuts first."""
    count: int

    @property
    def size(self) -> int:
        """Area of the largest strip, mm²."""
        return max((_area(form) for form, _ in self.ways), default=0)


def job_for(batch: Batch, key: tuple[int, int], slot: LaneSlot, paper: str, count: int) -> Job:
    """What strips may serve a slot."""
    turns = paper_turns(batch.die(slot.slot.die), batch.paper(paper), slot.slot.pose.deg, papers="square")
    ways = [(form, turn) for turn, half in one_of_each_way(turns) for form in slot.forms(batch, half)]
    return Job(key, tuple(sorted(ways, key=lambda way: (-way[0].cuts, _area(way[0])))), count)


def _area(form: StripForm) -> int:
    return form.width_mm * form.length_mm


@dataclass
class _Sheet:
    """A scrap and what is left of it: free rectangles, or places on a grid where it is no rectangle."""

    scrap: Scrap
    free: list[Box] | None = None
    taken: list[Box] = field(default_factory=list)
    xs: list[float] = field(default_factory=list)
    ys: list[float] = field(default_factory=list)

    @staticmethod
    def fresh(scrap: Scrap) -> _Sheet:
        bounds = scrap.outline.bounds
        if scrap.outline.equals(box(*bounds)):
            return _Sheet(scrap, [bounds])
        points = np.asarray(shapely.get_coordinates(scrap.outline))
        xs = sorted({round(float(x), 6) for x in points[:, 0]})[:60]
        ys = sorted({round(float(y), 6) for y in points[:, 1]})[:60]
        x0, y0, x1, y1 = bounds
        if len(points) > 5:  # slanted or round sides: a few places between the corners, too
            xs = sorted({*xs, *(x0 + (x1 - x0) * k / 12 for k in range(12))})
            ys = sorted({*ys, *(y0 + (y1 - y0) * k / 12 for k in range(12))})
        shapely.prepare(scrap.outline)
        return _Sheet(scrap, None, [], xs, ys)

    def copy(self) -> _Sheet:
        return _Sheet(self.scrap, None if self.free is None else list(self.free), [], self.xs, self.ys)

    def place(self, width: float, height: float, snug: bool) -> Box | None:
        """Where a strip lies: nearest the upper left corner (y first), or where least is left beside it."""
        if self.free is None:
            return self._place_on_grid(width, height)
        best: tuple[float, float, float] | None = None
        for x0, y0, x1, y1 in self.free:
            dx, dy = x1 - x0 - width, y1 - y0 - height
            if dx >= -HAIR_MM and dy >= -HAIR_MM:
                rated = (min(dx, dy) if snug else 0.0, y0, x0)
                if best is None or rated < best:
                    best = rated
        return None if best is None else (best[2], best[1], best[2] + width, best[1] + height)

    def take(self, strip: Box) -> None:
        """The strip's room is no longer free."""
        self.taken.append(strip)
        if self.free is None:
            return
        a, b, c, d = strip
        cut: list[Box] = []
        for x0, y0, x1, y1 in self.free:
            if a >= x1 - HAIR_MM or c <= x0 + HAIR_MM or b >= y1 - HAIR_MM or d <= y0 + HAIR_MM:
                cut.append((x0, y0, x1, y1))
                continue
            if a > x0 + HAIR_MM:
                cut.append((x0, y0, a, y1))
            if c < x1 - HAIR_MM:
                cut.append((c, y0, x1, y1))
            if b > y0 + HAIR_MM:
                cut.append((x0, y0, x1, b))
            if d < y1 - HAIR_MM:
                cut.append((x0, d, x1, y1))
        cut = list(dict.fromkeys(cut))
        self.free = [
            one
            for one in cut
            if not any(
                one is not o and o[0] <= one[0] and o[1] <= one[1] and o[2] >= one[2] and o[3] >= one[3]
                for o in cut
            )
        ]

    def _place_on_grid(self, width: float, height: float) -> Box | None:
        xs = np.asarray(sorted({*self.xs, *(t[2] for t in self.taken)}))
        ys = np.asarray(sorted({*self.ys, *(t[3] for t in self.taken)}))
        grid_y, grid_x = np.meshgrid(ys, xs, indexing="ij")
        x, y = grid_x.ravel(), grid_y.ravel()
        _, _, x1, y1 = self.scrap.outline.bounds
        keep = (x + width <= x1 + HAIR_MM) & (y + height <= y1 + HAIR_MM)
        for a, b, c, d in self.taken:
            keep &= (
                (x + width <= a + HAIR_MM)
                | (x >= c - HAIR_MM)
                | (y + height <= b + HAIR_MM)
                | (y >= d - HAIR_MM)
            )
        x, y = x[keep], y[keep]
        if not len(x):
            return None
        covered = shapely.covers(self.scrap.outline, shapely.box(x, y, x + width, y + height))
        hits = np.flatnonzero(covered)
        if not len(hits):
            return None
        k = hits[0]
        return float(x[k]), float(y[k]), float(x[k] + width), float(y[k] + height)


Cut = dict[tuple[int, int], list[Strip]]


def cut_strips(
    scraps: Sequence[Scrap],
    jobs: Sequence[Job],
    *,
    tries: int,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
) -> tuple[Cut, dict[tuple[int, int], int]]:
    """Strips for all jobs of one paper, and how many cuts of which found no room.

    Args:
        scraps: the scraps of the paper.
        tries: how many orders are tried; the fewest cuts undone count (by area), then the fewest strips.
        stop: asked after every try.
    """
    chance = random.Random(seed)
    small_first = sorted(scraps, key=lambda scrap: (scrap.outline.area, scrap.id))
    fresh = [_Sheet.fresh(scrap) for scrap in small_first]
    best: tuple[tuple[float, int], Cut, dict[tuple[int, int], int]] | None = None
    need = {job.key: min((_area(f) / f.cuts for f, _ in job.ways), default=1.0) for job in jobs}
    for number in range(max(1, tries)):
        # The largest strips find their place first; small ones fill the corners that are left.
        noise = 0.0 if number < 2 else 0.5
        order = sorted(jobs, key=lambda job: (-job.size * math.exp(noise * chance.gauss(0, 1)), job.key))
        cap = None if number < 2 or chance.random() < 0.3 else chance.choice(CAPS)
        sheets = [sheet.copy() for sheet in fresh]
        if number > 2 and chance.random() < 0.3:
            sheets.reverse()
        made: Cut = {}
        lost: dict[tuple[int, int], int] = {}
        for job in order:
            made[job.key], left = _cut_for(sheets, job, snug=number % 2 == 1, cap=cap, stop=stop)
            if left:
                lost[job.key] = left
        cost = (sum(need[key] * left for key, left in lost.items()), sum(map(len, made.values())))
        if best is None or cost < best[0]:
            best = (cost, made, lost)
        # Once all is cut, further orders hardly save a strip.
        if (number and not best[2]) or (stop is not None and stop()):
            break
    assert best is not None
    return best[1], best[2]


def _cut_for(
    sheets: Sequence[_Sheet], job: Job, *, snug: bool, cap: int | None, stop: Callable[[], bool] | None
) -> tuple[list[Strip], int]:
    """Strips for one job, and how many of its cuts found no room."""
    strips: list[Strip] = []
    # How many of the first sheets hold no further strip of a size: sheets only fill up.
    full: dict[tuple[int, int], int] = {}
    left = job.count
    able = [way for way in job.ways if cap is None or way[0].cuts <= cap]
    boxes = {(x1 - x0, y1 - y0) for x0, y0, x1, y1 in (sheet.scrap.outline.bounds for sheet in sheets)}
    able = [way for way in able if any(_may_lie(way, sides) for sides in boxes)]
    while left:
        found = None
        # One place of a strip with several columns may stay empty.
        able = [way for way in able if way[0].cuts <= left + 1]
        for form, turn in sorted(able, key=lambda way: (-min(left, way[0].cuts), _area(way[0]))):
            wide, high = _lying(form, turn)
            for number in range(full.get((wide, high), 0), len(sheets)):
                sheet = sheets[number]
                found = sheet.place(float(wide), float(high), snug)
                full[wide, high] = number if found else number + 1
                if found:
                    cuts = min(left, form.cuts)
                    sheet.take(found)
                    strips.append(Strip(sheet.scrap.id, box(*found), -turn % 360.0, form, cuts))
                    left -= cuts
                    break
            if found:
                break
        if not found or (stop is not None and stop()):
            break
    return strips, left


def _lying(form: StripForm, turn: float) -> tuple[int, int]:
    """Sizes across and along the scrap, mm."""
    return (form.width_mm, form.length_mm) if turn in (0.0, 180.0) else (form.length_mm, form.width_mm)


def _may_lie(way: tuple[StripForm, float], sides: tuple[float, float]) -> bool:
    wide, high = _lying(*way)
    return wide <= sides[0] + HAIR_MM and high <= sides[1] + HAIR_MM
