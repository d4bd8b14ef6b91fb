"""Which lay-up of one colour lies in which corner of the plate from which pass on.

Lay-ups in different corners go on side by side, each at its own pace, as long as they need no die twice and no scrap at once. The
order in which they are begun decides how many passes there are: a few hundred orders are tried, each change kept that is no worse.
"""

from __future__ import annotations

import itertools
import random
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from nestcut.batch.model import Batch, Pose
from nestcut.passes.common.schedule import RunTask
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft, RunDraft
from nestcut.passes.makers.rows.cutting import RowLayup, RowPull
from nestcut.passes.makers.rows.fields import FieldCorner, Size, corners, laid_in, meet
from nestcut.passes.parts.chips import sites_of
from nestcut.plans.model import Slot

__all__ = ["Job", "PlacedJob", "in_order", "passes_of", "timetable"]

OTHER_PIECE, TURNED, DIE_CHANGED = 9, 2, 6
"""Seconds that a pull takes longer after one of another piece, at another turn, for each die that comes or goes."""
MOST_NODES = 250
"""With more different pulls their order is only sorted."""


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """A lay-up of one colour in a field, and its pulls in their order."""

    block: RowLayup
    size: Size
    pulls: tuple[RowPull, ...]
    dies: Counter[str]
    pieces: frozenset[int]
    fraction: tuple[float, float] | None
    """What a piece's box is wider and longer than whole millimetres; None where that differs from pull to pull."""


@dataclass(frozen=True, slots=True)
class PlacedJob:
    """A job in its corner, from a pass on."""

    job: Job
    corner: FieldCorner
    start: int

    @property
    def stop(self) -> int:
        return self.start + len(self.job.pulls)


def job_of(block: RowLayup, size: Size, pulls: Sequence[RowPull]) -> Job:
    fractions = {(round(u.size[0] % 1.0, 6) % 1.0, round(u.size[1] % 1.0, 6) % 1.0) for u in pulls}
    used = {slot for pull in pulls for slot in pull.slots}
    return Job(
        block,
        size,
        tuple(pulls),
        Counter(block.slots[k][0].die.name for k in used),
        frozenset(id(pull.piece) for pull in pulls),
        next(iter(fractions)) if len(fractions) == 1 else None,
    )


def in_order(pulls: Sequence[RowPull]) -> list[RowPull]:
    """Pulls of a lay-up in an order that is light on the hands: a piece is done before the next, dies are seldom lifted."""
    groups: dict[tuple[int, float, tuple[int, ...]], list[RowPull]] = {}
    for pull in pulls:
        groups.setdefault((id(pull.piece), pull.deg, pull.slots), []).append(pull)
    nodes = list(groups)

    def step(a: int, b: int) -> int:
        one, two = nodes[a], nodes[b]
        cost = DIE_CHANGED * len(set(one[2]) ^ set(two[2]))
        return cost + (OTHER_PIECE if one[0] != two[0] else TURNED * (one[1] != two[1]))

    n = len(nodes)
    way = list(range(n))
    if 2 < n <= MOST_NODES:
        table = [[step(a, b) for b in range(n)] for a in range(n)]
        way = _nearest(table)
        _improved(table, way)
    result = []
    for k in way:
        own = groups[nodes[k]]
        result += sorted(own, key=lambda pull: (pull.at[1], pull.at[0]))
    return result


def _nearest(table: Sequence[Sequence[int]]) -> list[int]:
    best: tuple[int, list[int]] | None = None
    for start in range(min(len(table), 12)):
        way, rest, total = [start], set(range(len(table))) - {start}, 0
        while rest:
            here = way[-1]
            follow = min(rest, key=lambda k: (table[here][k], k))
            total += table[here][follow]
            way.append(follow)
            rest.discard(follow)
        if best is None or total < best[0]:
            best = (total, way)
    assert best is not None
    return best[1]


def _improved(table: Sequence[Sequence[int]], way: list[int]) -> None:
    """Stretches are moved or turned round while that helps (in place)."""
    n = len(way)

    def link(a: int, b: int) -> int:
        return table[way[a]][way[b]] if a >= 0 and b < n else 0

    better = True
    while better:
        better = False
        for i in range(n):
            for j in range(i, n):
                # Turn round the stretch i … j.
                old = link(i - 1, i) + link(j, j + 1)
                new = (table[way[i - 1]][way[j]] if i else 0) + (
                    table[way[i]][way[j + 1]] if j + 1 < n else 0
                )
                if new < old:
                    way[i : j + 1] = way[i : j + 1][::-1]
                    better = True
        for length in (1, 2, 3):
            for i in range(n - length + 1):
                part = way[i : i + length]
                rest = way[:i] + way[i + length :]
                out = link(i - 1, i) + link(i + length - 1, i + length)
                out -= table[way[i - 1]][way[i + length]] if i and i + length < n else 0
                best, at = 0, -1
                for k in range(len(rest) + 1):
                    if k == i:
                        continue
                    left = table[rest[k - 1]][part[0]] if k else 0
                    right = table[part[-1]][rest[k]] if k < len(rest) else 0
                    gone = table[rest[k - 1]][rest[k]] if 0 < k < len(rest) else 0
                    won = out - (left + right - gone)
                    if won > best:
                        best, at = won, k
                if at >= 0:
                    way[:] = rest[:at] + part + rest[at:]
                    better = True


def timetable(batch: Batch, jobs: Sequence[Job], *, tries: int, seed: int) -> list[PlacedJob]:
    """All jobs in their corners, one beside the other, in few passes."""
    copies = {die.name: die.copies for die in batch.dies}
    load: Counter[str] = Counter()
    for job in jobs:
        for die, count in job.dies.items():
            load[die] += len(job.pulls) * count
    places = {
        id(job): [c for c in corners(batch.machine, job.size) if not c.far or _may_lie_far(batch, job, c)]
        for job in jobs
    }
    order = sorted(
        range(len(jobs)),
        key=lambda k: (-max(load[die] / copies[die] for die in jobs[k].dies), -len(jobs[k].pulls), k),
    )
    chance = random.Random(seed)

    known: dict[tuple[FieldCorner, FieldCorner], bool] = {}

    def crossed(one: FieldCorner, two: FieldCorner) -> bool:
        if (one, two) not in known:
            known[one, two] = meet(batch.machine, one, two)
        return known[one, two]

    def tried(order: Sequence[int]) -> tuple[tuple[int, int], list[PlacedJob]]:
        placed = _placed([jobs[k] for k in order], places, copies, crossed)
        return (max((one.stop for one in placed), default=0), sum(one.stop for one in placed)), placed

    least, best = tried(order)
    floor = max((load[die] // copies[die] for die in load), default=0)
    for _ in range(tries if len(jobs) > 1 else 0):
        if least[0] <= floor:
            break
        other = list(order)
        a, b = chance.randrange(len(other)), chance.randrange(len(other))
        other.insert(b, other.pop(a))
        cost, placed = tried(other)
        if cost <= least:
            least, best, order = cost, placed, other
    return best


def _placed(
    jobs: Sequence[Job],
    places: dict[int, list[FieldCorner]],
    copies: dict[str, int],
    crossed: Callable[[FieldCorner, FieldCorner], bool],
) -> list[PlacedJob]:
    """Begin each job as soon as its corner, its dies and its scraps are free, those first that come first."""
    waiting = list(jobs)
    running: list[PlacedJob] = []
    done: list[PlacedJob] = []
    busy: Counter[str] = Counter()
    now = 0
    while waiting or running:
        left = []
        for job in waiting:
            corner = None
            if all(busy[die] + count <= copies[die] for die, count in job.dies.items()) and not any(
                one.job.pieces & job.pieces for one in running
            ):
                corner = next(
                    (c for c in places[id(job)] if not any(crossed(c, one.corner) for one in running)), None
                )
            if corner is None:
                left.append(job)
                continue
            running.append(PlacedJob(job, corner, now))
            busy.update(job.dies)
        waiting = left
        now = min(one.stop for one in running)
        for one in running:
            if one.stop <= now:
                done.append(one)
                busy.subtract(one.job.dies)
        running = [one for one in running if one.stop > now]
    return done


def passes_of(batch: Batch, placed: Sequence[PlacedJob]) -> PaperedPasses:
    """The passes of a timetable."""
    last = max((one.stop for one in placed), default=0)
    marks = sorted({0, last, *(t for one in placed for t in (one.start, one.stop))})
    runs: list[RunDraft] = []
    passes: list[PassDraft] = []
    for first, stop in itertools.pairwise(marks):
        here = [one for one in placed if one.start <= first and stop <= one.stop]
        here.sort(key=lambda one: (one.corner.far, one.corner.right))
        slots: list[Slot] = []
        numbers: list[dict[int, int]] = []
        for one in here:
            slide = _slide(batch, one)
            own = {}
            for k in sorted({slot for pull in one.job.pulls for slot in pull.slots}):
                turned, i, j = one.job.block.slots[k]
                x, y = turned.at(i, j)
                own[k] = len(slots)
                pose = laid_in(batch.machine, one.corner, Pose(x, y, turned.deg), slide)
                slots.append(Slot(turned.die.name, pose))
            numbers.append(own)
        task = RunTask(tuple(slots), stop - first, tuple(() for _ in slots))
        runs.append(RunDraft(task, sites_of(batch, slots), [], []))
        for t in range(first, stop):
            uses = []
            for one, own in zip(here, numbers, strict=True):
                pull = one.job.pulls[t - one.start]
                pose = laid_in(
                    batch.machine,
                    one.corner,
                    pull.piece.lying(pull.deg, pull.shift, pull.at),
                    _slide(batch, one),
                )
                uses.append(
                    PartUse(
                        pull.piece.scrap.id,
                        pull.piece.outline,
                        pose,
                        tuple(sorted(own[k] for k in pull.slots)),
                        pull.piece.scrap.paper,
                        whole=pull.piece.whole,
                    )
                )
            passes.append(PassDraft(len(runs) - 1, uses))
    return PaperedPasses(runs, passes)


def _may_lie_far(batch: Batch, job: Job, corner: FieldCorner) -> bool:
    """Whether the job may be turned round: its papers on whole millimetres, its rims in the window."""
    if job.fraction is None:
        return False
    slide = _slide(batch, PlacedJob(job, corner, 0))
    x0, y0, x1, y1 = batch.machine.window.bounds
    for turned, i, j in job.block.slots:
        x, y = turned.at(i, j)
        rim = turned.rim.bounds
        far = laid_in(batch.machine, corner, Pose(x, y, turned.deg), slide)
        # (Turned round, the rim's box is its own about the reference point.)
        if min(far.x_mm - rim[2] - x0, far.y_mm - rim[3] - y0) < -1e-7:
            return False
        if min(x1 - far.x_mm + rim[0], y1 - far.y_mm + rim[1]) < -1e-7:
            return False
    return True


def _slide(batch: Batch, one: PlacedJob) -> tuple[float, float]:
    """What a job at the far end is shifted by, so that its papers lie on whole millimetres."""
    if not one.corner.far or one.job.fraction is None:
        return (0.0, 0.0)
    width, length = batch.machine.plate_mm
    # A box from x to x + w comes to lie at W − x − w.
    off = ((width - one.job.fraction[0]) % 1.0, (length - one.job.fraction[1]) % 1.0)
    return (round(-off[0], 9) if off[0] > 1e-7 else 0.0, round(-off[1], 9) if off[1] > 1e-7 else 0.0)
