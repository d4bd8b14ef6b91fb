"""Strips for lay-ups in lanes: straight cuts off the scraps, pulled on under the dies from pass to pass."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Pose, Scrap
from nestcut.passes.chips import sites_of
from nestcut.passes.lane_moves import LaneLayup, LaneSlot, one_of_each_way
from nestcut.passes.realise import PartUse, PassDraft, Realised, RunDraft
from nestcut.passes.schedule import RunTask, paper_turns
from nestcut.passes.strip_forms import StripForm

__all__ = ["realise_strips"]

HAIR_MM = 1e-9


@dataclass
class _Sheet:
    """A scrap and the strips cut from it so far."""

    scrap: Scrap
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)
    xs: list[float] = field(default_factory=list)
    ys: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        points = np.asarray(shapely.get_coordinates(self.scrap.outline))
        self.xs = sorted({round(float(x), 6) for x in points[:, 0]})[:60]
        self.ys = sorted({round(float(y), 6) for y in points[:, 1]})[:60]
        x0, y0, x1, y1 = self.scrap.outline.bounds
        if len(points) > 5:  # slanted or round sides: a few places between the corners, too
            self.xs = sorted({*self.xs, *(x0 + (x1 - x0) * k / 12 for k in range(12))})
            self.ys = sorted({*self.ys, *(y0 + (y1 - y0) * k / 12 for k in range(12))})
        shapely.prepare(self.scrap.outline)

    def place(self, width: float, height: float) -> tuple[float, float, float, float] | None:
        """The place nearest the upper left corner (y first) where a strip lies in what is left."""
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


@dataclass(frozen=True, slots=True)
class _Strip:
    """A strip that was cut: where it lies in its scrap, and how it is turned onto the plate."""

    scrap: str
    outline: Polygon
    turn: float
    """The scrap's turn on the plate, degrees, before any half turn."""
    form: StripForm
    cuts: int
    """How many of the form's cuts are made."""


def realise_strips(
    batch: Batch, layups: Sequence[LaneLayup], *, stop: Callable[[], bool] | None = None
) -> Realised:
    """Cut strips for all slots and papers, and put the passes together.

    Strips with most cuts come first; where no scrap holds one, smaller ones are tried, down to a single cut.
    """
    order = [paper.name for paper in batch.papers]
    sheets = {
        paper: [
            _Sheet(s) for s in sorted(batch.scraps, key=lambda s: (s.outline.area, s.id)) if s.paper == paper
        ]
        for paper in order
    }
    jobs = []
    for m, layup in enumerate(layups):
        for s, slot in enumerate(layup.slots):
            for paper, count in slot.cuts:
                jobs.append((paper, m, s, slot, count))
    # The largest strips find their place first; small ones fill the corners that are left.
    jobs.sort(key=lambda job: (order.index(job[0]), -_largest(batch, job[3], job[0]), job[1], job[2]))
    strips: dict[tuple[int, int, str], list[_Strip]] = {}
    missing: Counter[tuple[str, str]] = Counter()
    for paper, m, s, slot, count in jobs:
        got, lost = _cut_strips(batch, sheets[paper], slot, paper, count, stop)
        strips[m, s, paper] = got
        if lost:
            missing[slot.slot.die, paper] += lost
    runs, passes = [], []
    for m, layup in enumerate(layups):
        slots = tuple(slot.slot for slot in layup.slots)
        task = RunTask(slots, layup.passes, tuple(slot.cuts for slot in layup.slots))
        runs.append(RunDraft(task, sites_of(batch, slots), [], []))
        queues = _queues(layup, m, strips, order)
        for t in range(max((len(q) for q in queues), default=0)):
            uses = [q[t]() for q in queues if t < len(q)]
            passes.append(PassDraft(m, uses))
    return Realised(runs, passes, missing)


def _ways(batch: Batch, slot: LaneSlot, paper: str) -> list[tuple[StripForm, float]]:
    """Strips for a slot, each with the turn from the plate to the scrap, those with most cuts first."""
    turns = paper_turns(batch.die(slot.slot.die), batch.paper(paper), slot.slot.pose.deg, papers="square")
    ways = [(form, turn) for turn, half in one_of_each_way(turns) for form in slot.forms(batch, half)]
    return sorted(ways, key=lambda way: (-way[0].cuts, _area(way[0])))


def _area(form: StripForm) -> int:
    return form.width_mm * form.length_mm


def _largest(batch: Batch, slot: LaneSlot, paper: str) -> int:
    return max((_area(form) for form, _ in _ways(batch, slot, paper)), default=0)


def _cut_strips(
    batch: Batch,
    sheets: Sequence[_Sheet],
    slot: LaneSlot,
    paper: str,
    count: int,
    stop: Callable[[], bool] | None,
) -> tuple[list[_Strip], int]:
    """Strips for so many cuts, and how many found no paper."""
    ways = _ways(batch, slot, paper)
    strips: list[_Strip] = []
    full: set[tuple[int, int, float, str]] = set()
    left = count
    while left:
        found = None
        # One place of a strip with several columns may stay empty.
        able = [way for way in ways if way[0].cuts <= left + 1]
        for form, turn in sorted(able, key=lambda way: (-min(left, way[0].cuts), _area(way[0]))):
            wide, high = form.width_mm, form.length_mm
            if turn not in (0.0, 180.0):
                wide, high = high, wide
            for sheet in sheets:
                key = (wide, high, turn, sheet.scrap.id)
                if key in full:
                    continue
                found = sheet.place(float(wide), float(high))
                if found:
                    cuts = min(left, form.cuts)
                    sheet.taken.append(found)
                    strips.append(_Strip(sheet.scrap.id, box(*found), -turn % 360.0, form, cuts))
                    left -= cuts
                    break
                full.add(key)
            if found:
                break
        if not found or (stop is not None and stop()):
            break
    return strips, left


def _queues(
    layup: LaneLayup,
    run: int,
    strips: Mapping[tuple[int, int, str], Sequence[_Strip]],
    order: Sequence[str],
) -> list[list[Callable[[], PartUse]]]:
    """For each lane the uses of its strips, one a pass: dies take turns, papers in the common order."""
    lanes: dict[tuple[int, int], list[tuple[int, LaneSlot]]] = {}
    for number, slot in enumerate(layup.slots):
        lanes.setdefault(slot.lane, []).append((number, slot))
    queues = []
    for lane in sorted(lanes):
        queue: list[Callable[[], PartUse]] = []
        for number, slot in lanes[lane]:
            for paper in order:
                for strip in strips.get((run, number, paper), ()):
                    for step in range(strip.cuts):
                        queue.append(_use(strip, slot, number, paper, step))
        queues.append(queue)
    return queues


def _use(strip: _Strip, slot: LaneSlot, number: int, paper: str, step: int) -> Callable[[], PartUse]:
    """The strip as it lies in one pass; a new value each time, since names are given in place."""
    half, aside, outward = strip.form.steps[step]
    turn = (strip.turn + 180.0) % 360.0 if half else strip.turn
    turned = Pose(0.0, 0.0, turn).apply(strip.outline)
    x0, y0, _, y1 = turned.bounds
    top = slot.near_mm - outward if slot.lane[0] == 0 else slot.near_mm + outward - round(y1 - y0)
    pose = Pose(round(slot.left_mm - aside - x0, 9), round(top - y0, 9), turn)

    def make() -> PartUse:
        return PartUse(strip.scrap, strip.outline, pose, (number,), paper)

    return make
