"""Plans by rows as drafts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from nestcut.passes.common.budget import Budget
from nestcut.passes.drafts.ranking import Draft
from nestcut.passes.makers.door import Ask
from nestcut.passes.makers.rows.fields import whole_plate
from nestcut.passes.makers.rows.rows import RowsPlan, by_rows
from nestcut.passes.makers.rows.timetable import passes_of
from nestcut.plans.model import Share

__all__ = ["InRows"]

CHANGES, BY_WORK = 1_000_000, 40
"""Changes that are tried at most: the clock ends the search before, unless work is counted."""
ONE_PAPER = 0.1
"""Share of the time for one paper a pass."""
ONE_PAPER_CHANGES = 12


class InRows:
    """Every colour in a field of its own at one end of the plate; before that, one colour at a time."""

    def suits(self, ask: Ask) -> bool:
        """Where papers lie square; scraps that no field takes are left out."""
        return ask.best is not None or ask.bound is not None

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """Two drafts: one paper a pass, and the best that was found with several."""
        asked = [line.count for line in ask.demand]
        early = budget.part(ONE_PAPER)
        whole = [whole_plate(ask.batch.machine)]
        changes = budget.either(ONE_PAPER_CHANGES, by_work=0)
        yield _draft(
            ask,
            by_rows(ask.batch, over=early.over, most=changes, seed=budget.seed, sizes=whole, asked=asked),
        )
        changes = budget.either(CHANGES, by_work=BY_WORK)
        yield _draft(ask, by_rows(ask.batch, over=budget.over, most=changes, seed=budget.seed, asked=asked))


def _draft(ask: Ask, evening: RowsPlan) -> Draft:
    plate = ask.bound or (ask.best.bound if ask.best else None)
    assert plate is not None
    shares = tuple(tuple(Share(die, paper, count) for (die, paper), count in line) for line in evening.lines)
    papered = passes_of(ask.batch, evening.placed)
    papered.missing.update(+evening.missing)
    return Draft(replace(plate, shares=shares), plate, shares, papered)
