"""Strips for lay-ups in lanes: straight cuts off the scraps, pulled on under the dies from pass to pass."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Pose
from nestcut.hands import rough_minutes
from nestcut.passes.common.budget import ENDLESS, Budget
from nestcut.passes.common.schedule import RunTask
from nestcut.passes.drafts.papers_for_passes import (
    PaperedPasses,
    PartUse,
    PassDraft,
    RunDraft,
    Squeeze,
    back_on_plate,
)
from nestcut.passes.makers.strips.lane_chips import chips_in_lanes
from nestcut.passes.makers.strips.lane_moves import LaneLayup, LaneSlot
from nestcut.passes.makers.strips.strip_cutting import Strip, StripRow, cut_strips, job_for, strips_of
from nestcut.passes.makers.strips.strip_sheets import Box, Piles, piles_by_paper
from nestcut.passes.parts.chips import sites_of
from nestcut.passes.parts.papers import LaidPart, scraps_by_paper
from nestcut.passes.parts.slabs import moved
from nestcut.passes.parts.straight_cuts import parts_of_straight_cuts
from nestcut.plans.model import Slot

__all__ = ["LaidStrips", "lay_strips", "realise_strips"]

_Key = tuple[int, int, str]
"""(lay-up, slot, paper)."""


@dataclass(frozen=True, slots=True)
class LaidStrips:
    """What is cut for lay-ups in lanes, before passes are made of it: equal strips are counted, not listed."""

    layups: tuple[LaneLayup, ...]
    strips: dict[_Key, list[StripRow]]
    chips: dict[_Key, tuple[Polygon, list[LaidPart]]]
    missing: Counter[tuple[str, str]]
    """(die, paper) → cuts that found no scrap."""
    layouts: list[tuple[Box, ...]]
    """Places of the strips in each kind of scrap that is cut, each kind once."""

    def straight(self) -> bool:
        """Whether straight cuts, each right through the piece in hand, make all strips."""
        return not self.chips and all(
            len(parts_of_straight_cuts([box(*place) for place in places], [1.0] * len(places))) == len(places)
            for places in self.layouts
        )

    def figures(self, batch: Batch) -> dict[str, float]:
        """Passes, changes, trims, paper in mm² as :func:`nestcut.passes.drafts.ranking.figures` tells them, and about how many
        minutes: what lies where shows only when passes are made."""
        order = [paper.name for paper in batch.papers]
        passes = cranks = changes = dies = 0
        for m, layup in enumerate(self.layups):
            lanes = [
                [
                    (batch.die(layup.slots[s].slot.die).trips, self._cuts(m, s, paper))
                    for s in own
                    for paper in order
                ]
                for own in _lanes(layup)
            ]
            longest = max((sum(cuts for _, cuts in lane) for lane in lanes), default=0)
            if longest:
                passes += longest
                cranks += _cranks(lanes)
                changes += 1
                dies += len(layup.slots)
        trims = sum(len(row) for rows in self.strips.values() for row in rows)
        trims += sum(len(parts) for _, parts in self.chips.values())
        made = [
            (batch.die(self.layups[m].slots[s].slot.die).pieces, self._cuts(m, s, name))
            for m, s, name in dict.fromkeys((*self.strips, *self.chips))
        ]
        paper = float(sum(row.area_mm2 for rows in self.strips.values() for row in rows))
        paper += sum(outline.area * len(parts) for outline, parts in self.chips.values())
        return {
            "passes": float(passes),
            "changes": float(changes),
            "trims": float(trims),
            "paper": paper,
            "minutes": rough_minutes(
                batch.hand.seconds,
                batch.machine,
                cranks=cranks,
                dies_set_up=dies,
                trims=trims,
                laid=trims,
                pulled_on=max(0, sum(cuts for _, cuts in made) - trims),
                pieces=sum(count * cuts for count, cuts in made),
            ),
        }

    def _cuts(self, run: int, slot: int, paper: str) -> int:
        key = run, slot, paper
        cuts = sum(len(row) * row.cuts for row in self.strips.get(key, ()))
        return cuts + (len(self.chips[key][1]) if key in self.chips else 0)

    def used_layups(self) -> list[tuple[Slot, ...]]:
        """The slots of each lay-up in which something is cut."""
        used = {m for m, *_ in (*(key for key, rows in self.strips.items() if rows), *self.chips)}
        return [tuple(slot.slot for slot in self.layups[m].slots) for m in sorted(used)]

    def papered(self, batch: Batch) -> PaperedPasses:
        """The passes, one by one."""
        order = [paper.name for paper in batch.papers]
        runs, passes = [], []
        for m, layup in enumerate(self.layups):
            slots = tuple(slot.slot for slot in layup.slots)
            task = RunTask(slots, layup.passes, tuple(slot.cuts for slot in layup.slots))
            runs.append(RunDraft(task, sites_of(batch, slots), [], []))
            queues = [_queue(layup, m, lane, self, order) for lane in _lanes(layup)]
            for t in range(max((len(q) for q in queues), default=0)):
                uses = [q[t]() for q in queues if t < len(q)]
                passes.append(PassDraft(m, uses))
        return PaperedPasses(runs, passes, Counter(self.missing))


def realise_strips(
    batch: Batch,
    layups: Sequence[LaneLayup],
    budget: Budget = ENDLESS,
    *,
    tries: int = 1,
    chips: bool = False,
) -> PaperedPasses:
    """Cut strips for all slots and papers (see :func:`lay_strips`), and put the passes together."""
    return lay_strips(batch, layups, piles_by_paper(batch), budget, tries=tries, chips=chips).papered(batch)


def lay_strips(
    batch: Batch,
    layups: Sequence[LaneLayup],
    piles: Mapping[str, Piles],
    budget: Budget = ENDLESS,
    *,
    tries: int = 1,
    chips: bool = False,
    squeeze: Squeeze | None = None,
) -> LaidStrips:
    """Cut strips for all slots and papers.

    Strips with most cuts come first; where no scrap holds one, smaller ones are tried, down to a single cut.

    Args:
        piles: the scraps, see :func:`nestcut.passes.makers.strips.strip_sheets.piles_by_paper`.
        tries: orders in which the strips of a paper are cut, see :func:`nestcut.passes.makers.strips.strip_cutting.cut_strips`.
        chips: a paper whose scraps hold too few strips is cut into chips instead, where those miss less.
        squeeze: squeezes in chips that found no scrap, paper by paper.
    """
    order = [paper.name for paper in batch.papers]
    scraps = scraps_by_paper(batch)
    strips: dict[_Key, list[StripRow]] = {}
    laid: dict[_Key, tuple[Polygon, list[LaidPart]]] = {}
    missing: Counter[tuple[str, str]] = Counter()
    layouts: list[tuple[Box, ...]] = []
    for number, paper in enumerate(order):
        own = [
            ((m, s), slot, count)
            for m, layup in enumerate(layups)
            for s, slot in enumerate(layup.slots)
            for colour, count in slot.cuts
            if colour == paper
        ]
        jobs = [job_for(batch, key, slot, paper, count) for key, slot, count in own]
        made, lost, ways = cut_strips(piles.get(paper, Piles([])), jobs, budget, tries=tries)
        if lost and chips:
            cut, fewer = chips_in_lanes(
                batch,
                paper,
                scraps.get(paper, []),
                own,
                seed=budget.seed,
                squeeze=squeeze,
                part=1 / (len(order) - number),
            )
            if _undone(batch, layups, fewer) < _undone(batch, layups, lost):
                made, lost, ways = {}, fewer, []
                laid |= {(m, s, paper): parts for (m, s), parts in cut.items()}
        strips |= {(m, s, paper): found for (m, s), found in made.items()}
        layouts += ways
        for (m, s), left in lost.items():
            missing[layups[m].slots[s].slot.die, paper] += left
    return LaidStrips(tuple(layups), strips, laid, missing, layouts)


def _lanes(layup: LaneLayup) -> list[list[int]]:
    """The slots of each lane, by number."""
    lanes: dict[tuple[int, int], list[int]] = {}
    for number, slot in enumerate(layup.slots):
        lanes.setdefault(slot.lane, []).append(number)
    return [lanes[lane] for lane in sorted(lanes)]


def _queue(
    layup: LaneLayup, run: int, lane: Sequence[int], laid: LaidStrips, order: Sequence[str]
) -> list[Callable[[], PartUse]]:
    """The uses of a lane's strips, one a pass: dies take turns, papers in the common order."""
    queue: list[Callable[[], PartUse]] = []
    for number in lane:
        for paper in order:
            for strip in strips_of(laid.strips.get((run, number, paper), ())):
                for step in range(strip.cuts):
                    queue.append(_use(strip, layup.slots[number], number, paper, step))
            if (run, number, paper) in laid.chips:
                outline, parts = laid.chips[run, number, paper]
                queue += [_chip_use(outline, part, number, paper) for part in parts]
    return queue


def _cranks(lanes: Sequence[Sequence[tuple[int, int]]]) -> int:
    """Cranks of a lay-up whose lanes go through (trips, passes), each from its first pass on."""
    # A crank more for every pass in which some die needs one more.
    cranks = 0
    for trips in range(1, 1 + max((trips for lane in lanes for trips, _ in lane), default=0)):
        spans = []
        for lane in lanes:
            begin = 0
            for needed, passes in lane:
                if needed >= trips:
                    spans.append((begin, begin + passes))
                begin += passes
        done = 0
        for begin, end in sorted(spans):
            cranks += max(0, end - max(begin, done))
            done = max(done, end)
    return cranks


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
