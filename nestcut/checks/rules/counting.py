"""Sums: totals, demand, completeness, and the bound as far as a glance can tell."""

from __future__ import annotations

from collections import Counter
from dataclasses import fields

from nestcut.checks.measures.report import Notebook
from nestcut.checks.measures.table import PassTable
from nestcut.checks.rules.going_on import missed_rows
from nestcut.checks.rules.handling import actions_of, minutes_of_actions, minutes_of_version_1
from nestcut.checks.rules.shortage import check_short
from nestcut.plans.model import Actions, DemandMet, Plan

__all__ = ["check_counts", "check_demand_names"]

MINUTES_TOLERANCE = 0.0051
"""Minutes may be rounded to the hundredth."""
SCISSORS_MM, SCISSORS_SHARE = 0.5, 1e-4
"""How far the length that is cut with scissors may be off: 0.05 s, and a share of it."""


def check_counts(plan: Plan, table: PassTable, notes: Notebook) -> None:
    """Rules ``totals``, ``demand``, ``complete``, ``short`` and ``bound`` (not above the count)."""
    cut = Counter[tuple[str, str]]()
    for row in table.cut_rows:
        cut[row.die.name, table.paper_rows[row.paper].sheet.paper.name] += row.die.pieces
    _totals(plan, table, sum(cut.values()), notes)
    for row in missed_rows(plan, table):
        cut[row.die.name, table.paper_rows[row.paper].sheet.paper.name] -= row.die.pieces
    _demand(plan, table, cut, notes)
    _asked(plan, notes)
    _least_minutes(plan, notes)
    if plan.bound.passes > len(plan.passes):
        notes.fault(
            "bound",
            f"the plan claims that {plan.bound.passes} passes are needed, and does it in {len(plan.passes)}",
        )


def _least_minutes(plan: Plan, notes: Notebook) -> None:
    least = plan.bound.minutes
    if least is not None and least > plan.totals.minutes + MINUTES_TOLERANCE:
        notes.fault(
            "bound",
            f"the plan claims that {least:.6g} minutes are needed, and does it in {plan.totals.minutes:.6g}",
        )


def _totals(plan: Plan, table: PassTable, pieces: int, notes: Notebook) -> None:
    trips = [1] * len(plan.passes)
    for row in table.cut_rows:
        trips[row.a_pass] = max(trips[row.a_pass], row.die.trips)
    changes = 0
    before: str | None = None
    for a_pass in plan.passes:
        changes += a_pass.layup != before
        before = a_pass.layup
    trims = sum(len(trim.into) for trim in plan.trims)
    right = {
        "passes": len(plan.passes),
        "cranks": sum(trips),
        "changes": changes,
        "trims": trims,
        "pieces": pieces,
    }
    for what, number in right.items():
        notes.count("totals")
        claimed = getattr(plan.totals, what)
        if claimed != number:
            notes.fault("totals", f"the total of {what} is given as {claimed}, and is {number}")
    if plan.pass_clock is not None:
        minutes = minutes_of_version_1(plan, table, cranks=sum(trips), trims=trims)
    else:
        minutes = _actions(plan, table, notes)
    notes.count("totals")
    if abs(plan.totals.minutes - minutes) > MINUTES_TOLERANCE:
        notes.fault("totals", f"{plan.totals.minutes:.6g} minutes are given, it is {minutes:.6g}")


def _actions(plan: Plan, table: PassTable, notes: Notebook) -> float:
    """The count of each action. Returns: the minutes that they take."""
    right = actions_of(plan, table)
    for what in (one.name for one in fields(Actions)):
        notes.count("totals")
        claimed, number = getattr(plan.totals.actions, what), right[what]
        slack = SCISSORS_MM + SCISSORS_SHARE * number if what == "scissors_mm" else 0.0
        if abs(claimed - number) > slack:
            notes.fault("totals", f"the count of '{what}' is given as {claimed:.10g}, and is {number:.10g}")
    return minutes_of_actions(plan, right)


def _demand(plan: Plan, table: PassTable, cut: Counter[tuple[str, str]], notes: Notebook) -> None:
    check_demand_names(plan, notes)
    given = Counter[tuple[str, str]]()
    for number, line in enumerate(plan.demand, start=1):
        notes.count("lines of demand")
        _line(number, line, notes)
        for share in line.by:
            given[share.die, share.paper] += share.count
    for (die, paper), count in given.items():
        if count > cut[die, paper]:
            notes.fault(
                "demand",
                f"{count} {die} pieces in {paper} are given out, but {cut[die, paper]} are cut",
                die=die,
            )
    if plan.done:
        _nothing_forgotten(plan, cut, given, notes)
    everything = all(line.met >= line.count for line in plan.demand)
    if plan.complete and not everything:
        notes.fault("complete", "the plan is called complete, but some demand is not met")
    if not plan.complete and everything:
        notes.fault("complete", "the plan is called incomplete, but all demand is met")
    check_short(plan, table, notes)


def _nothing_forgotten(
    plan: Plan, cut: Counter[tuple[str, str]], given: Counter[tuple[str, str]], notes: Notebook
) -> None:
    """Where an evening went on, pieces that are cut are not left lying while a line that takes them lacks some."""
    for number, line in enumerate(plan.demand, start=1):
        for die, paper in cut:
            if line.met < line.count and die in line.dies and paper in line.papers:
                over = cut[die, paper] - given[die, paper]
                if over > 0:
                    notes.fault(
                        "demand",
                        f"demand line {number} lacks pieces, and {over} {die} in {paper} are left over",
                    )


def check_demand_names(plan: Plan, notes: Notebook) -> None:
    """Rule ``unknown`` for the dies and papers that lines of demand name."""
    dies = {die.name for die in plan.dies}
    papers = {paper.name for paper in plan.papers}
    for number, line in enumerate(plan.demand, start=1):
        where = f"demand line {number} ({line.card})"
        for die in line.dies:
            if die not in dies:
                notes.fault("unknown", f"{where} names an unknown die {die}", die=die)
        for paper in line.papers:
            if paper not in papers:
                notes.fault("unknown", f"{where} names an unknown paper {paper}")


def _line(number: int, line: DemandMet, notes: Notebook) -> None:
    where = f"demand line {number} ({line.card})"
    for share in line.by:
        if share.die not in line.dies:
            notes.fault("demand", f"{where} is met by the {share.die} die, which it does not allow")
        if share.paper not in line.papers:
            notes.fault("demand", f"{where} is met in {share.paper}, which it does not allow")
    total = sum(share.count for share in line.by)
    if total != line.met:
        notes.fault("demand", f"{where} is met by {total} pieces, but says {line.met}")
    if line.met > line.count:
        notes.fault("demand", f"{where} asks for {line.count} and takes {line.met}")
    if line.spares > line.count:
        notes.fault("demand", f"{where} has more spares ({line.spares}) than pieces ({line.count})")


def _asked(plan: Plan, notes: Notebook) -> None:
    """Where the plan carries its cards, the demand is kits × cards × pieces, plus spares."""
    if not plan.cards:
        return
    asked = [
        (card.name, line.dies, line.papers, plan.kits * card.count * line.count)
        for card in plan.cards
        for line in card.lines
    ]
    stated = [(line.card, line.dies, line.papers, line.count - line.spares) for line in plan.demand]
    if len(asked) != len(stated):
        notes.fault("demand", f"the cards have {len(asked)} lines, the demand {len(stated)}")
        return
    for number, (want, have) in enumerate(zip(asked, stated, strict=True), start=1):
        if want != have:
            notes.fault(
                "demand",
                f"demand line {number} asks for {have[3]} pieces without spares of card {have[0]}; "
                f"{plan.kits} kits of card {want[0]} need {want[3]}, or dies or papers differ",
            )
