"""When each slot of a lay-up cuts which paper.

Slots are independent as far as paper is concerned (see :mod:`nestcut.passes.parts.chips`), so every table of
cuts whose rows have at most x cuts can be done in x passes. What is left to choose is the order: all
slots go through the papers in one common order, aligned with the busiest slot, so that few papers lie
on the plate at a time and neighbours can share a sheet.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from nestcut.batch.model import Batch
from nestcut.passes.common.turns import paper_turns
from nestcut.passes.common.types import PlateRun
from nestcut.plans.model import Share, Slot

__all__ = [
    "RunTask",
    "Stretch",
    "cuts_wanted",
    "pieces_of",
    "run_tasks",
    "shares_of",
    "stretches",
    "urgency",
]


@dataclass(frozen=True, slots=True)
class RunTask:
    """One lay-up kept for ``passes`` passes; ``cuts[i]`` lists (paper, cuts) of slot i in the common order."""

    slots: tuple[Slot, ...]
    passes: int
    cuts: tuple[tuple[tuple[str, int], ...], ...]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Passes ``first`` … ``last`` − 1 of a run, with the same paper under every slot (None: lifted)."""

    first: int
    last: int
    papers: tuple[str | None, ...]


def pieces_of(shares: Sequence[Sequence[Share]]) -> Counter[tuple[str, str]]:
    """(die, paper) → pieces of all lines together."""
    pieces: Counter[tuple[str, str]] = Counter()
    for line in shares:
        for share in line:
            pieces[share.die, share.paper] += share.count
    return pieces


def shares_of(pieces: Mapping[tuple[str, str], int]) -> tuple[Share, ...]:
    """What a line gets, from (die, paper) → pieces; none of nothing."""
    return tuple(Share(die, paper, count) for (die, paper), count in pieces.items() if count > 0)


def cuts_wanted(batch: Batch, shares: Sequence[Sequence[Share]]) -> Counter[tuple[str, str]]:
    """(die, paper) → cuts that give the pieces of all lines together."""
    pieces = pieces_of(shares)
    return Counter({key: -(-count // batch.die(key[0]).pieces) for key, count in pieces.items() if count > 0})


def urgency(left: Any, busiest: float) -> Any:
    """What a die's cut is worth in a pass, 1 to 5: most where what a copy has left is most of what the busiest has.

    Args:
        left: cuts left for each copy, a number or an array.
    """
    share = left / busiest
    return 1.0 + 4.0 * share * share * share


def common_order(wanted: Mapping[tuple[str, str], int]) -> list[str]:
    """Papers, the one with most cuts first (ties by name)."""
    total: Counter[str] = Counter()
    for (_, paper), count in wanted.items():
        total[paper] += count
    return sorted(total, key=lambda paper: (-total[paper], paper))


def run_tasks(
    batch: Batch, runs: Sequence[PlateRun], wanted: Counter[tuple[str, str]]
) -> tuple[list[RunTask], Counter]:
    """Cuts of every slot of every run, and the cuts that no slot can take, by (die, paper).

    Where a die's papers need a cut more than the plate half foresaw (a die that cuts several pieces at
    once, shared out over papers), idle passes take it, then a further pass of some run.
    """
    order = common_order(wanted)
    left = Counter(wanted)
    rooms = [[run.cuts[k] for k in range(len(run.slots))] for run in runs]
    got: list[list[dict[str, int]]] = [[{} for _ in run.slots] for run in runs]

    def fits(run: int, slot: int, paper: str) -> bool:
        die = batch.die(runs[run].slots[slot].die)
        turns = paper_turns(die, batch.paper(paper), runs[run].slots[slot].pose.deg, papers=batch.hand.papers)
        return bool(turns)

    places = [(r, s) for r in range(len(runs)) for s in range(len(runs[r].slots))]
    for stage in ("foreseen", "idle", "further"):
        if stage == "idle":
            rooms = [
                [max(0, run.passes - sum(got[r][s].values())) for s in range(len(run.slots))]
                for r, run in enumerate(runs)
            ]
        if not +left:
            break
        for die in sorted({name for name, _ in +left}):
            own = [(r, s) for r, s in places if runs[r].slots[s].die == die]
            # Papers that few slots can take go first.
            papers = sorted(
                (p for p in order if left[die, p] > 0),
                key=lambda p: (sum(fits(r, s, p) for r, s in own), order.index(p)),
            )
            for paper in papers:
                for r, s in own:
                    if not fits(r, s, paper):
                        continue
                    count = left[die, paper] if stage == "further" else min(left[die, paper], rooms[r][s])
                    if count > 0:
                        got[r][s][paper] = got[r][s].get(paper, 0) + count
                        rooms[r][s] -= count
                        left[die, paper] -= count
    tasks = []
    for r, run in enumerate(runs):
        cuts = tuple(
            tuple((paper, table[paper]) for paper in order if table.get(paper, 0) > 0) for table in got[r]
        )
        passes = max((sum(count for _, count in row) for row in cuts), default=0)
        if passes:
            tasks.append(RunTask(run.slots, passes, cuts))
    return tasks, +left


def stretches(task: RunTask) -> list[Stretch]:
    """The run cut into stretches of passes with the same papers.

    Each slot takes its papers in the common order; it waits for the busiest slot to come to a paper as
    long as its own remaining cuts allow.
    """
    if not task.passes:
        return []
    busiest = max(range(len(task.slots)), key=lambda s: sum(count for _, count in task.cuts[s]))
    reference: dict[str, int] = {}
    at = 0
    for paper, count in task.cuts[busiest]:
        reference[paper] = at
        at += count
    rows: list[list[tuple[int, int, str]]] = []
    for row in task.cuts:
        remaining = sum(count for _, count in row)
        end = 0
        spans = []
        for paper, count in row:
            start = min(max(end, reference.get(paper, end)), task.passes - remaining)
            spans.append((start, start + count, paper))
            end = start + count
            remaining -= count
        rows.append(spans)
    marks = sorted({0, task.passes, *(t for spans in rows for a, b, _ in spans for t in (a, b))})
    result = []
    for first, last in itertools.pairwise(marks):
        papers = tuple(next((paper for a, b, paper in spans if a <= first < b), None) for spans in rows)
        if any(papers):
            result.append(Stretch(first, last, papers))
    return result
