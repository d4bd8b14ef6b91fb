"""A draft made a whole plan: named parts, kits, what is short, loads, advice; and only what the checker lets through."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from nestcut.batch.model import Batch
from nestcut.errors import RefusedPlanError
from nestcut.passes.common.kits import pack_kits
from nestcut.passes.common.load import line_loads
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.drafts.ranking import Draft, choices
from nestcut.passes.makers.board import Board
from nestcut.passes.makers.door import pieces_met
from nestcut.passes.makers.scarce.fallback import Resort
from nestcut.passes.makers.scarce.scarce import asked_of
from nestcut.passes.plate.lighten import heavy_layups
from nestcut.passes.short.shortage import shortages
from nestcut.plans.model import Bound, Plan, Shortage

__all__ = ["advice", "checked"]

ADVICE_S = 6.0
"""Most seconds for what-if; it is left out where the plan took all the time."""


def checked(board: Board, told: Callable[[Plan], Plan]) -> tuple[Plan, Draft]:
    """The plan of the best draft, checked; should the checker refuse it, that of the next best one, and a note says so.

    Args:
        told: a plan for the board's batch as one for the batch that was asked.
    Raises: RefusedPlanError where not even one paper and one die a pass is let through.
    """
    from nestcut.checks import check_plan

    resort = board.ask.kept(Resort, lambda: Resort(board.ask, board.budget))
    refused: Plan | None = None
    why = ""
    for candidate in resort.line(board.best or resort.by_hand(), board.tried):
        plan = told(_finished(board.ask.batch, candidate, resort))
        report = check_plan(plan)
        if report.ok and refused is not None:
            note = (
                f"A better plan broke a rule and was thrown away ({why}). Please tell the makers of nestcut."
            )
            return replace(plan, notes=(*plan.notes, note)), candidate
        if report.ok:
            return plan, candidate
        if refused is None:
            refused = plan
            why = "; ".join(fault.message for fault in report.faults[:3])
    raise RefusedPlanError(why, refused)


def _finished(batch: Batch, draft: Draft, resort: Resort) -> Plan:
    bound = draft.bound
    plan = assemble(
        batch,
        batch.demand,
        draft.shares,
        draft.papered,
        Bound(bound.bound, bound.reason),
        proof=bound.proof,
        short=_short(batch, draft, resort),
        packing=pack_kits(batch, batch.demand, draft.shares),
    )
    warnings = [
        f"Lay-up {plan.layups[number].id} brings {peak:.0f} mm of cut under the roller at once; your limit is "
        f"{batch.machine.load_limit_mm:g} mm. Crank it slowly, or lift a die and give it passes of its own."
        for number, peak in heavy_layups(batch, plan.layups)
    ]
    if resort.uncounted:
        warnings.append("Time ran out before nestcut counted what to buy. Plan again with more --seconds.")
    plan = replace(plan, notes=(*plan.notes, *warnings))
    dies = {die.name: die for die in plan.dies}
    return replace(plan, extras={**plan.extras, "loads": line_loads(plan.layups, dies, plan.machine)})


def _short(batch: Batch, draft: Draft, resort: Resort) -> tuple[Shortage, ...]:
    met = pieces_met(draft.shares)
    if all(count >= line.count for count, line in zip(met, batch.demand, strict=True)):
        return ()
    asked = asked_of(batch, draft.shares)
    buy = resort.to_buy(asked, draft.shares)
    return shortages(batch, asked, draft.shares, buy=buy, over=resort.budget.late)


def advice(board: Board, plan: Plan, draft: Draft) -> dict[str, Any]:
    """What-if and trade-off for the sheets, as far as the time allows."""
    from nestcut.passes.advice.whatif import what_if

    batch, budget = board.ask.batch, board.budget
    total = plan.totals
    chosen = {
        "passes": float(total.passes),
        "changes": float(total.changes),
        "trims": float(total.trims),
        "paper": draft.paper_mm2,
        "minutes": total.minutes,
    }
    found: dict[str, Any] = {
        "trade_off": choices(
            batch, [d for d in board.to_choose_from if d.papered is not draft.papered], chosen
        )
    }
    if not budget.over():
        budget.say(total.passes, plan.bound.passes, "asking what if")
        answers = what_if(batch, seconds=min(ADVICE_S, budget.left()), seed=budget.seed, stop=budget.over)
        found["what_if"] = [answer.as_change() for answer in answers]
    return found
