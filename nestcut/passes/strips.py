"""Strips for lay-ups in lanes: straight cuts off the scraps, pulled on under the dies from pass to pass."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Pose, Scrap
from nestcut.passes.chips import sites_of
from nestcut.passes.lanes import LaneLayup, LaneSlot
from nestcut.passes.realise import PartUse, PassDraft, Realised, RunDraft
from nestcut.passes.schedule import RunTask, paper_turns

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
    """The scrap's turn on the plate, degrees."""
    cuts: int


def realise_strips(
    batch: Batch, layups: Sequence[LaneLayup], *, stop: Callable[[], bool] | None = None
) -> Realised:
    """Cut strips for all slots and papers, and put the passes together.

    Full strips come first; where no scrap holds one, shorter strips are tried, down to a single cut.
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
    jobs.sort(
        key=lambda job: (
            order.index(job[0]),
            -_length(batch, job[3], job[3].most) * job[3].width_mm,
            job[1],
            job[2],
        )
    )
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


def _length(batch: Batch, slot: LaneSlot, cuts: int) -> int:
    """Length of a strip, whole mm, so that both its ends lie on whole millimetres of the plate."""
    return math.ceil((cuts - 1) * slot.pitch_mm + slot.cut_mm + 2 * batch.hand.edge_mm - HAIR_MM)


def _cut_strips(
    batch: Batch,
    sheets: Sequence[_Sheet],
    slot: LaneSlot,
    paper: str,
    count: int,
    stop: Callable[[], bool] | None,
) -> tuple[list[_Strip], int]:
    turns = paper_turns(batch.die(slot.slot.die), batch.paper(paper), slot.slot.pose.deg, papers="square")
    strips: list[_Strip] = []
    left = count
    size = slot.most
    full: set[tuple[int, str]] = set()
    while left and size:
        size = min(size, left)
        length = _length(batch, slot, size)
        found = None
        for sheet in sheets:
            if (size, sheet.scrap.id) in full:
                continue
            for turn in _one_of_each_way(turns):
                upright = turn in (0.0, 180.0)
                wide, high = (slot.width_mm, length) if upright else (length, slot.width_mm)
                found = sheet.place(float(wide), float(high))
                if found:
                    sheet.taken.append(found)
                    strips.append(_Strip(sheet.scrap.id, box(*found), -turn % 360.0, size))
                    break
            if found:
                break
            full.add((size, sheet.scrap.id))
        if found:
            left -= size
        else:
            size -= 1
        if stop is not None and stop():
            break
    return strips, left


def _one_of_each_way(turns: Sequence[float]) -> list[float]:
    """One turn for strips along the scrap and one for strips across it."""
    ways: dict[bool, float] = {}
    for turn in turns:
        ways.setdefault(turn in (0.0, 180.0), turn)
    return list(ways.values())


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
    turned = Pose(0.0, 0.0, strip.turn).apply(strip.outline)
    x0, y0, _, y1 = turned.bounds
    still_to_come = (strip.cuts - 1 - step) * slot.pitch_mm
    if slot.lane[0] == 0:
        top = slot.near_mm - still_to_come
    else:
        top = slot.near_mm + still_to_come - round(y1 - y0)
    pose = Pose(round(slot.left_mm - x0, 9), round(top - y0, 9), strip.turn)

    def make() -> PartUse:
        return PartUse(strip.scrap, strip.outline, pose, (number,), paper)

    return make
