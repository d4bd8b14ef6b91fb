"""What a second copy of a die would save: one search, then a short warm one per die.

Layouts and disproofs say nothing about how many copies are owned, so the book of patterns is handed on. A
die that has no price in the bound's proof is left out where count and bound meet: the proof holds with one
more copy of it too, so it can save nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from nestcut.batch.model import Batch, Demand
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.types import Room
from nestcut.passes.plate.solve import searched

__all__ = ["SecondCopy", "second_copies"]


@dataclass(frozen=True, slots=True)
class SecondCopy:
    """Passes with one more copy of a die, and the proved bound for that."""

    die: str
    passes: int
    bound: int
    saved: int


def second_copies(
    batch: Batch,
    demand: Sequence[Demand],
    *,
    room: Room = "rims",
    seconds: float = 5.0,
    each_seconds: float = 0.4,
    seed: int = 0,
    work_limit: int | None = None,
) -> tuple[int, tuple[SecondCopy, ...]]:
    """Passes as things are, and what one more copy of each die would make of them, best first.

    Args:
        seconds, each_seconds: for the first search, and for each die after it.
        work_limit: most tries of each search, in place of the clock.
    """
    base, _ = searched(batch, demand, (), room, Budget(seconds, work_limit, seed), None)
    if base is None or base.best is None or base.bound is None:
        return 0, ()
    now = base.best.passes
    found = []
    for number, die in enumerate(base.dies):
        if base.closed() and base.bound.prices[number] == 0:
            continue
        more = replace(
            batch,
            dies=tuple(replace(d, copies=d.copies + 1) if d.name == die.name else d for d in batch.dies),
        )
        # A copy of the book: what is found with one more copy stays apart from the next question.
        book = replace(
            base.book,
            witnesses=dict(base.book.witnesses),
            disproofs=dict(base.book.disproofs),
            effort=dict(base.book.effort),
        )
        warm, _ = searched(more, demand, (), room, Budget(each_seconds, work_limit, seed), None, book)
        if warm is not None and warm.best is not None and warm.bound is not None:
            passes = min(now, warm.best.passes)  # nobody must use the second copy
            found.append(SecondCopy(die.name, passes, min(passes, warm.bound.passes), now - passes))
    found.sort(key=lambda item: (-item.saved, item.die))
    return now, tuple(found)
