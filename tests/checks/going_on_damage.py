"""Damages to an evening that went on after something went wrong, entered into the same list."""

from __future__ import annotations

from dataclasses import replace

from nestcut.plans.model import BrokenDie, MissedCut, Plan, SpoiltPaper
from tests.checks.damage import damage
from tests.shared.checked_plans import squares

__all__ = ["gone_on"]


def gone_on() -> Plan:
    """Two of three passes done; the spare scrap is spoilt, and the bar broke after its only cut."""
    return replace(
        squares(),
        done=2,
        spoilt=(SpoiltPaper("spare-1", 1),),
        broken=(BrokenDie("bar", 1),),
    )


@damage(gone_on, "done")
def more_passes_are_done_than_there_are(plan: Plan) -> Plan:
    return replace(plan, done=4)


@damage(gone_on, "missed")
def a_cut_failed_that_was_not_made(plan: Plan) -> Plan:
    return replace(plan, missed=(MissedCut(2, 1),))


@damage(gone_on, "missed", "demand")
def a_cut_failed_in_a_pass_to_come(plan: Plan) -> Plan:
    return replace(plan, missed=(MissedCut(3, 0),))


@damage(gone_on, "demand")
def a_piece_that_failed_is_given_out(plan: Plan) -> Plan:
    return replace(plan, missed=(MissedCut(1, 0),))


@damage(gone_on, "spoilt")
def a_spoilt_paper_is_laid(plan: Plan) -> Plan:
    return replace(plan, spoilt=(SpoiltPaper("red-1", 2),))


@damage(gone_on, "spoilt")
def a_paper_is_spoilt_after_a_pass_to_come(plan: Plan) -> Plan:
    return replace(plan, spoilt=(SpoiltPaper("spare-1", 3),))


@damage(gone_on, "unknown")
def a_paper_is_spoilt_that_is_not_there(plan: Plan) -> Plan:
    return replace(plan, spoilt=(SpoiltPaper("red-9", 2),))


@damage(gone_on, "broken")
def a_broken_die_cuts(plan: Plan) -> Plan:
    return replace(plan, broken=(BrokenDie("tile", 2),))


@damage(gone_on, "unknown")
def a_die_broke_that_is_not_there(plan: Plan) -> Plan:
    return replace(plan, broken=(BrokenDie("wheel", 2),))
