"""Strips for lay-ups in lanes: straight cuts off the scraps, pulled on under the dies from pass to pass."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence

from nestcut.batch.model import Batch, Pose
from nestcut.passes.chips import sites_of
from nestcut.passes.lane_moves import LaneLayup, LaneSlot
from nestcut.passes.papers import scraps_by_paper
from nestcut.passes.realise import PartUse, PassDraft, Realised, RunDraft
from nestcut.passes.schedule import RunTask
from nestcut.passes.strip_cutting import Strip, cut_strips, job_for

__all__ = ["realise_strips"]


def realise_strips(
    batch: Batch,
    layups: Sequence[LaneLayup],
    *,
    tries: int = 1,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
) -> Realised:
    """Cut strips for all slots and papers, and put the passes together.

    Strips with most cuts come first; where no scrap holds one, smaller ones are tried, down to a single cut.

    Args:
        tries: orders in which the strips of a paper are cut, see :func:`nestcut.passes.strip_cutting.cut_strips`.
    """
    order = [paper.name for paper in batch.papers]
    scraps = scraps_by_paper(batch)
    strips: dict[tuple[int, int, str], list[Strip]] = {}
    missing: Counter[tuple[str, str]] = Counter()
    for paper in order:
        jobs = [
            job_for(batch, (m, s), slot, paper, count)
            for m, layup in enumerate(layups)
            for s, slot in enumerate(layup.slots)
            for own, count in slot.cuts
            if own == paper
        ]
        made, lost = cut_strips(scraps.get(paper, []), jobs, tries=tries, seed=seed, stop=stop)
        strips |= {(m, s, paper): own for (m, s), own in made.items()}
        for (m, s), left in lost.items():
            missing[layups[m].slots[s].slot.die, paper] += left
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


def _queues(
    layup: LaneLayup,
    run: int,
    strips: Mapping[tuple[int, int, str], Sequence[Strip]],
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


def _use(strip: Strip, slot: LaneSlot, number: int, paper: str, step: int) -> Callable[[], PartUse]:
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
