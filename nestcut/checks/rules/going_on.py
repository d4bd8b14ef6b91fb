"""An evening that went on after something went wrong: what was done stands, and what is spoilt or broken is not used again."""

from __future__ import annotations

from collections import Counter

from nestcut.checks.measures.report import Notebook
from nestcut.checks.measures.table import CutRow, PassTable
from nestcut.plans.model import Plan

__all__ = ["check_going_on", "missed_rows"]


def check_going_on(plan: Plan, table: PassTable, notes: Notebook) -> None:
    """Rules ``done``, ``missed``, ``spoilt`` and ``broken``."""
    if not 0 <= plan.done <= len(plan.passes):
        notes.fault("done", f"{plan.done} passes are called done, and the plan has {len(plan.passes)}")
    _missed(plan, table, notes)
    _spoilt(plan, table, notes)
    _broken(plan, table, notes)


def missed_rows(plan: Plan, table: PassTable) -> list[CutRow]:
    """The cuts that gave no piece."""
    missed = {(one.pass_number, one.slot) for one in plan.missed}
    return [row for row in table.cut_rows if missed and (row.a_pass + 1, row.slot) in missed]


def _missed(plan: Plan, table: PassTable, notes: Notebook) -> None:
    cut = {(row.a_pass + 1, row.slot) for row in table.cut_rows} if plan.missed else set()
    for one, times in Counter(plan.missed).items():
        notes.count("cuts that failed")
        if times > 1:
            notes.fault("missed", f"slot {one.slot} is told {times} times", pass_number=one.pass_number)
        if (one.pass_number, one.slot) not in cut:
            notes.fault("missed", f"slot {one.slot} cuts nothing there", pass_number=one.pass_number)
        if one.pass_number > plan.done:
            notes.fault("missed", "a cut failed in a pass that is not done yet", pass_number=one.pass_number)


def _spoilt(plan: Plan, table: PassTable, notes: Notebook) -> None:
    first: dict[str, int] = {}
    for one in plan.spoilt:
        notes.count("spoilt papers")
        sheet = table.sheets.get(one.scrap)
        if sheet is None:
            notes.fault("unknown", f"scrap {one.scrap} is spoilt, but is not there", scrap=one.scrap)
        elif sheet.trimmed:
            notes.fault("spoilt", f"scrap {one.scrap} was cut into parts; name the part", scrap=one.scrap)
        if one.after > plan.done:
            notes.fault("spoilt", f"it is spoilt after pass {one.after}, not done yet", scrap=one.scrap)
        first[one.scrap] = min(one.after, first.get(one.scrap, one.after))
    for row in table.paper_rows if first else ():
        if row.sheet.id in first and row.a_pass + 1 > first[row.sheet.id]:
            notes.fault(
                "spoilt",
                f"scrap {row.sheet.id} lies there, and is spoilt since pass {first[row.sheet.id]}",
                pass_number=row.a_pass + 1,
                scrap=row.sheet.id,
            )


def _broken(plan: Plan, table: PassTable, notes: Notebook) -> None:
    for one in plan.broken:
        notes.count("broken dies")
        if one.die not in table.dies:
            notes.fault("unknown", f"the {one.die} die is broken, but is not there", die=one.die)
        if one.after > plan.done:
            notes.fault("broken", f"it breaks after pass {one.after}, not done yet", die=one.die)
    names = {one.die for one in plan.broken}
    down = Counter((row.a_pass + 1, row.die.name) for row in table.cut_rows if row.die.name in names)
    for (number, die), count in down.items():
        whole = table.dies[die].copies - sum(one.die == die and one.after < number for one in plan.broken)
        if count > whole:
            notes.fault(
                "broken",
                f"{count} copies of the {die} die cut, and {max(whole, 0)} are whole",
                pass_number=number,
                die=die,
            )
