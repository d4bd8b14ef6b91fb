"""``--seconds`` is for the whole command: what reading took and what checking and writing will take is kept from the search.

What is written grows with the cuts: each has its hole in a remnant and its place in the run sheet, and most have a part
of paper of their own.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from nestcut.errors import InputError

if TYPE_CHECKING:
    from nestcut.batch import Batch, Die

__all__ = ["least_seconds", "limit_seconds", "most_cuts", "search_seconds"]

WRITING_S = 1.3
"""For checking, plan.json and the sheets of any plan, and ``SECONDS_PER_CUT`` more for each cut. Measured, CPU: 2.2 s for
468 cuts in 80 passes, 6.5 s for 2,310 in 420, 47 s for 24,834 in 2,100 (a core of 2023)."""
SECONDS_PER_CUT = 0.0022
SLACK = 0.05
"""Share of the limit, and ``SLACK_S`` as many seconds, that may go beyond it by plan: half of what the promise (10 % and
2 s) leaves open."""
SLACK_S = 1.0
LEAST_S = 2.5
"""The search gets this in any case, or the whole limit where that is shorter, until it has a first plan: a first plan
takes a second, and what is found in less is worth little."""

DEFAULT_S = 30.0
"""The limit where nobody names one."""
LOADING_S = 2.3
"""Reading, loading and a first plan of the smallest class, written; ``SECONDS_PER_DIE`` and ``LEAST_PER_CUT`` come on top. Measured,
CPU (python -m tests.trust.limits): 2.2 s for one die and 2 cuts, 4.3 s for the evening, 4.9 for 10 dies and 738 cuts, 11.5
for 20 and 4,619, 40 for 40 and 19,797; the cuts as :func:`most_cuts` guesses them."""
SECONDS_PER_DIE = 0.16
LEAST_PER_CUT = 0.00165
BEYOND = 0.10
"""``--seconds`` is promised within this share and ``BEYOND_S`` seconds."""
BEYOND_S = 2.0


def least_seconds(batch: Batch) -> int:
    """The shortest limit that can be kept, whole seconds: what reading, one quick plan and writing take anyway.

    It follows from the batch alone, not from how busy the machine is, so a limit is refused each time or never.
    """
    takes_s = LOADING_S + SECONDS_PER_DIE * len(batch.dies) + LEAST_PER_CUT * most_cuts(batch)
    return max(1, math.ceil((takes_s - BEYOND_S) / (1 + BEYOND)))


def limit_seconds(batch: Batch, asked_s: float | None) -> float:
    """The limit to plan with: the one that was asked for, or 30 s, or what a very large class takes at least.

    Raises: InputError where the one that was asked for is too short for this batch.
    """
    least = least_seconds(batch)
    if asked_s is None:
        return max(DEFAULT_S, float(least))
    if asked_s < least:
        raise InputError(
            f"--seconds {asked_s:g} is too short for this batch: at least {least}",
            mend=f"write --seconds {least} or more; reading, one quick plan, checking and writing take that long",
        )
    return asked_s


def search_seconds(batch: Batch, seconds: float, spent_s: float) -> tuple[float, float]:
    """How long the search may take, and when it should end once it has a plan, both in seconds from now.

    Args:
        batch: what is asked; very large classes take long to write.
        seconds: limit of the whole command.
        spent_s: what has gone of it.
    """
    writing_s = WRITING_S + SECONDS_PER_CUT * most_cuts(batch)
    left = (1 + SLACK) * seconds + SLACK_S - spent_s - writing_s
    return min(seconds, max(LEAST_S, left)), max(0.0, left)


def most_cuts(batch: Batch) -> int:
    """No plan makes many more cuts than this: what is asked for, and what the paper in stock has room for."""
    dies = {die.name: die for die in batch.dies}
    wanted: dict[str, float] = {}
    room: dict[str, float] = {}
    for line in batch.demand:
        cuts = line.count / min(dies[name].pieces for name in line.dies)
        least = min(_room_mm2(dies[name], batch.hand.edge_mm) for name in line.dies)
        for paper in line.papers:
            # Many papers may serve a line: they share it here, which is a guess like any other.
            wanted[paper] = wanted.get(paper, 0.0) + cuts / len(line.papers)
            room[paper] = room.get(paper, 0.0) + cuts / len(line.papers) * least
    stock: dict[str, float] = {}
    for scrap in batch.scraps:
        stock[scrap.paper] = stock.get(scrap.paper, 0.0) + scrap.outline.area
    held = {paper: min(1.0, stock.get(paper, 0.0) / max(room[paper], 1e-9)) for paper in wanted}
    return math.ceil(sum(cuts * held[paper] for paper, cuts in wanted.items()))


def _room_mm2(die: Die, edge_mm: float) -> float:
    """Of the part of paper that a single cut has for itself, mm²: its box and the edge around it."""
    left, top, right, bottom = die.cut.bounds
    return (right - left + 2 * edge_mm) * (bottom - top + 2 * edge_mm)
