"""The whole plan: lay-ups, drafts by one way after the other, the best of them made whole – checked before anybody sees it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from nestcut.batch.model import Batch
from nestcut.errors import BatchError
from nestcut.passes.advice.prepare import prepare
from nestcut.passes.common.budget import Budget, ProgressCall
from nestcut.passes.common.sides import on_better_sides, turned_back
from nestcut.passes.common.solvers import solving_with
from nestcut.passes.finishing import advice, checked
from nestcut.passes.makers.board import Board
from nestcut.passes.makers.scarce.scarce import within_reach
from nestcut.passes.makers.steps import GOALS
from nestcut.plans.model import Plan

__all__ = ["plan_batch"]


def plan_batch(
    batch: Batch,
    *,
    seconds: float = 30,
    seed: int = 0,
    workers: int = 1,
    on_progress: ProgressCall | None = None,
    stop: Callable[[], bool] | None = None,
    work_limit: int | None = None,
    advise: bool = False,
) -> Plan:
    """Plan a batch: lay-ups, passes, papers, kits; always checked before it is returned.

    Args:
        batch: what is asked.
        seconds: time limit, counted once the kernels are compiled; the best checked plan so far is returned.
        seed: the same seed gives the same plan unless the clock cut in.
        workers: threads of the solvers; several may give another plan each time.
        on_progress: called with (seconds, passes, bound, text).
        stop: asked now and then; True ends the search.
        work_limit: most tries of the plate search, in place of the clock.
        advise: use time that is left for what-if (``plan.extras["what_if"]``) and list the other drafts
            (``plan.extras["trade_off"]``).
    Raises: BatchError where nothing can be planned; RefusedPlanError for a mistake of ours (a plan that the
        checker refuses is never returned).
    """
    prepare(lambda text: on_progress(0.0, None, None, text) if on_progress else None)
    with solving_with(workers):
        budget = Budget.for_plan(
            seconds, work_limit=work_limit, seed=seed, stop=stop, on_progress=on_progress
        )
        return _planned(batch, budget, advise)


def _planned(asked: Batch, budget: Budget, advise: bool) -> Plan:
    """The recipe: one goal of the table of steps after the other; then the best draft is made whole and checked."""
    budget.say(None, None, "reading the demand")
    if not any(line.count > 0 for line in asked.demand):
        raise BatchError(
            "no pieces are asked for, so there is nothing to cut", mend="ask for at least one piece of a card"
        )
    batch, widths = on_better_sides(asked)
    board = Board(batch, within_reach(batch), budget, advise=advise)
    for goal in GOALS:
        board.work_on(goal)
    plan, draft = checked(board, told=lambda plan: turned_back(plan, asked, widths))
    if advise and not plan.nothing_cut and not board.fell_back:
        plan = replace(plan, extras={**plan.extras, **advice(board, plan, draft)})
    return plan
