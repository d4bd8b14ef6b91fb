"""Strips for lay-ups in lanes: straight cuts off the scraps, pulled on under the dies from pass to pass."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence

from shapely.geometry import Polygon

from nestcut.batch.model import Batch, Pose
from nestcut.passes.chips import sites_of
from nestcut.passes.lane_chips import chips_in_lanes
from nestcut.passes.lane_moves import LaneLayup, LaneSlot
from nestcut.passes.papers import LaidPart, scraps_by_paper
from nestcut.passes.realise import PartUse, PassDraft, Realised, RunDraft, Squeeze, back_on_plate
from nestcut.passes.schedule import RunTask
from nestcut.passes.slabs import moved
from nestcut.passes.strip_cutting import Strip, cut_strips, job_for

__all__ = ["realise_strips"]


def realise_strips(
    batch: Batch,
    layups: Sequence[LaneLayup],
    *,
    tries: int = 1,
    chips: bool = False,
    squeeze: Squeeze | None = None,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
) -> Realised:
    """Cut strips for all slots and papers, and put the passes together.

    Strips with most cuts come first; where no scrap holds one, smaller ones are tried, down to a single cut.

    Args:
        tries: orders in which the strips of a paper are cut, see :func:`nestcut.passes.strip_cutting.cut_strips`.
        chips: a paper whose scraps hold too few strips is cut into chips instead, where those miss less.
        squeeze: squeezes in chips that found no scrap, paper by paper.
    """
    order = [paper.name for paper in batch.papers]
    scraps = scraps_by_paper(batch)
    strips: dict[tuple[int, int, str], list[Strip]] = {}
    laid: dict[tuple[int, int, str], tuple[Polygon, list[LaidPart]]] = {}
    missing: Counter[tuple[str, str]] = Counter()
    for number, paper in enumerate(order):
        own = [
            ((m, s), slot, count)
            for m, layup in enumerate(layups)
            for s, slot in enumerate(layup.slots)
            for colour, count in slot.cuts
            if colour == paper
        ]
        jobs = [job_for(batch, key, slot, paper, count) for key, slot, count in own]
        made, lost = cut_strips(scraps.get(paper, []), jobs, tries=tries, seed=seed, stop=stop)
        if lost and chips:
            cut, fewer = chips_in_lanes(
                batch,
                paper,
                scraps.get(paper, []),
                own,
                seed=seed,
                squeeze=squeeze,
                part=1 / (len(order) - number),
            )
            if _undone(batch, layups, fewer) < _undone(batch, layups, lost):
                made, lost = {}, fewer
                laid |= {(m, s, paper): parts for (m, s), parts in cut.items()}
        strips |= {(m, s, paper): found for (m, s), found in made.items()}
        for (m, s), left in lost.items():
            missing[layups[m].slots[s].slot.die, paper] += left
    runs, passes = [], []
    for m, layup in enumerate(layups):
        slots = tuple(slot.slot for slot in layup.slots)
        task = RunTask(slots, layup.passes, tuple(slot.cuts for slot in layup.slots))
        runs.append(RunDraft(task, sites_of(batch, slots), [], []))
        queues = _queues(layup, m, strips, laid, order)
        for t in range(max((len(q) for q in queues), default=0)):
            uses = [q[t]() for q in queues if t < len(q)]
            passes.append(PassDraft(m, uses))
    return Realised(runs, passes, missing)


def _queues(
    layup: LaneLayup,
    run: int,
    strips: Mapping[tuple[int, int, str], Sequence[Strip]],
    laid: Mapping[tuple[int, int, str], tuple[Polygon, Sequence[LaidPart]]],
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
                if (run, number, paper) in laid:
                    outline, parts = laid[run, number, paper]
                    queue += [_chip_use(outline, part, number, paper) for part in parts]
        queues.append(queue)
    return queues


def _undone(
    batch: Batch, layups: Sequence[LaneLayup], lost: Mapping[tuple[int, int], int]
) -> tuple[int, float]:
    """Cuts that are missing, and their area, mm²."""
    area = sum(batch.die(layups[m].slots[s].slot.die).cut.area * left for (m, s), left in lost.items())
    return sum(lost.values()), area


def _chip_use(outline: Polygon, part: LaidPart, number: int, paper: str) -> Callable[[], PartUse]:
    """A chip as it lies in its pass; a new value each time, since names are given in place."""
    return lambda: PartUse(part.scrap, moved(outline, part.pose), back_on_plate(part), (number,), paper)


def _use(strip: Strip, slot: LaneSlot, number: int, paper: str, step: int) -> Callable[[], PartUse]:
    """The strip as it lies in one pass; a new value each time, since names are given in place."""
    half, aside, outward = strip.form.steps[step]
    turn = (strip.turn + 180.0) % 360.0 if half else strip.turn
    x0, y0, _, y1 = strip.turned(turn)
    top = slot.near_mm - outward if slot.lane[0] == 0 else slot.near_mm + outward - round(y1 - y0)
    pose = Pose(round(slot.left_mm - aside - x0, 9), round(top - y0, 9), turn)

    def make() -> PartUse:
        return PartUse(strip.scrap, strip.outline, pose, (number,), paper)

    return make
