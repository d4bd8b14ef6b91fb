"""A new way to make a plan takes one class and one row of the table."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from nestcut.batch.model import Batch, CardLine, Wishes
from nestcut.checks import check_plan
from nestcut.passes import plan_batch
from nestcut.passes.common.budget import Budget
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PassDraft
from nestcut.passes.drafts.ranking import Draft
from nestcut.passes.makers.board import Step
from nestcut.passes.makers.door import Ask
from nestcut.passes.makers.one_paper.one_paper import one_paper_a_pass
from nestcut.passes.makers.steps import FEW_PASSES, MOST_PIECES
from nestcut.plans.model import Plan
from tests.shared.batches import batch_of, disc_die, label_die, sheets


class Untrimmed:
    """A toy: one whole scrap after the other, offered as a draft in few passes."""

    def suits(self, ask: Ask) -> bool:
        """It shows the bound of other lay-ups."""
        return ask.bound is not None

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """One draft."""
        assert ask.bound is not None
        found = one_paper_a_pass(ask.batch)
        yield Draft(ask.bound, ask.bound, found.shares, found.papered)


class Careless(Untrimmed):
    """A toy with a mistake: every cut of a scrap is made in one and the same place, each time all over again."""

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """One draft."""
        for draft in super().drafts(ask, budget):
            first = draft.papered.passes[0]
            again = [PassDraft(first.run, list(first.uses)) for _ in draft.papered.passes]
            yield replace(draft, papered=PaperedPasses(draft.papered.runs, again))


def small_batch() -> Batch:
    """Paper in plenty, for a person who would rather not trim."""
    batch = batch_of(
        [disc_die("disc", 30.0), label_die("label", 40.0, 16.0)],
        sheets("red", *[(60.0, 90.0)] * 5),
        [CardLine(("disc",), ("red",), 4), CardLine(("label",), ("red",), 4)],
    )
    return replace(batch, wishes=Wishes(order=("trims", "passes", "changes", "paper", "minutes")))


def planned(monkeypatch: pytest.MonkeyPatch, *rows: Step) -> Plan:
    """A plan by the table with these rows added, without the makers that trim next to nothing themselves."""
    goals = (replace(FEW_PASSES, steps=(*FEW_PASSES.steps, *rows)), MOST_PIECES)
    monkeypatch.setattr("nestcut.passes.planner.GOALS", goals)
    return plan_batch(small_batch(), seconds=600, work_limit=5)


def test_a_row_brings_in_a_new_maker(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its draft is taken where the person would rather have it, and the plan has passed the checker."""
    shown: list[Plan] = []

    def check(plan: Plan):  # type: ignore[no-untyped-def]
        shown.append(plan)
        return check_plan(plan)

    before = planned(monkeypatch)
    monkeypatch.setattr("nestcut.checks.check_plan", check)
    after = planned(monkeypatch, Step("one scrap after the other", Untrimmed(), "no trims at all"))
    assert before.totals.trims > 0
    assert after.totals.trims == 0
    assert shown
    assert check_plan(after).ok
    assert all(line.met == line.count for line in after.demand)


def test_a_row_is_left_out_where_its_condition_does_not_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    """``when`` says whether a step is worth while as things are."""
    row = Step("one scrap after the other", Untrimmed(), "no trims at all", when=lambda ask: ask.missing > 0)
    assert planned(monkeypatch, row).totals.trims == planned(monkeypatch).totals.trims


def test_a_maker_with_a_mistake_harms_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    """The checker refuses its draft; the next best one is taken, and a note says so."""
    plan = planned(monkeypatch, Step("one scrap after the other", Careless(), "nothing good"))
    assert check_plan(plan).ok
    assert any("broke a rule" in note for note in plan.notes)
    assert all(line.met == line.count for line in plan.demand)
