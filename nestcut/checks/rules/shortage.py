"""Does what a plan says is short follow from what is asked and what is met?"""

from __future__ import annotations

from collections import Counter

from nestcut.checks.measures.report import Notebook
from nestcut.checks.measures.table import PassTable
from nestcut.plans.model import Plan, Shortage

__all__ = ["check_short"]

AREA_SHARE = 0.01
"""Areas may differ by this: arcs are drawn as chords, by everybody in their own way."""
AREA_MM2 = 0.1
"""And by this: they may be rounded."""


def check_short(plan: Plan, table: PassTable, notes: Notebook) -> None:
    """Rule ``short``, and ``unknown`` for what shortages name. Proofs are for ``check_proof``."""
    lacking = {
        number: line.count - line.met
        for number, line in enumerate(plan.demand, start=1)
        if line.met < line.count
    }
    if not plan.complete and not plan.short:
        notes.fault("short", "the plan is incomplete, but does not say what is short")
    if plan.complete and plan.short:
        notes.fault("short", "the plan is complete, but says that something is short")
    if not plan.short or not _names_known(plan, table, notes):
        return
    total, told = sum(lacking.values()), sum(one.pieces for one in plan.short)
    if told != total:
        notes.fault("short", f"{total} pieces are not met, and {told} are called short")
    given = Counter[int]()
    for shortage in plan.short:
        notes.count("shortages")
        where = _where(shortage)
        _one(plan, shortage, where, lacking, notes)
        if shortage.by:
            _by_line(plan, shortage, where, notes)
        _area(plan, shortage, where, table, notes)
        for missing in shortage.by:
            given[missing.line] += missing.count
    if all(one.by for one in plan.short):
        for number in sorted(set(given) | set(lacking)):
            if given[number] != lacking.get(number, 0):
                notes.fault(
                    "short",
                    f"demand line {number} lacks {lacking.get(number, 0)} pieces; the shortages say {given[number]}",
                )


def _where(shortage: Shortage) -> str:
    return f"the shortage of {shortage.paper or ' and '.join(shortage.dies)}"


def _names_known(plan: Plan, table: PassTable, notes: Notebook) -> bool:
    """Whether the shortages name nothing that is not there."""
    known = True
    for shortage in plan.short:
        for die in dict.fromkeys((*shortage.dies, *(missing.die for missing in shortage.by))):
            if die not in table.dies:
                known = False
                notes.fault("unknown", f"a shortage names an unknown die {die}", die=die)
        if shortage.paper is not None and shortage.paper not in table.papers:
            known = False
            notes.fault("unknown", f"a shortage names an unknown paper {shortage.paper}")
        for missing in shortage.by:
            if not 1 <= missing.line <= len(plan.demand):
                known = False
                notes.fault("unknown", f"a shortage names demand line {missing.line}, which is not there")
    return known


def _one(plan: Plan, shortage: Shortage, where: str, lacking: dict[int, int], notes: Notebook) -> None:
    """What can be said of any shortage: lines that lack pieces allow its paper and its dies, and lack enough."""
    lines = [plan.demand[number - 1] for number in lacking]
    lines = [line for line in lines if shortage.paper is None or shortage.paper in line.papers]
    for die in shortage.dies:
        if all(die not in line.dies for line in lines):
            notes.fault("short", f"{where} names the {die} die, which no line that lacks pieces asks of it")
    most = sum(line.count - line.met for line in lines if set(line.dies) & set(shortage.dies))
    if shortage.pieces > most:
        notes.fault("short", f"{where} says {shortage.pieces} pieces; lines that allow it lack {most}")
    if shortage.pieces < max(1, len(set(shortage.dies))):
        notes.fault("short", f"{where} names {len(set(shortage.dies))} dies and {shortage.pieces} pieces")
    if not shortage.dies:
        notes.fault("short", f"{where} names no die")
    if shortage.proved and not shortage.proof:
        notes.fault("short", f"{where} is called proved, but carries no proof")


def _by_line(plan: Plan, shortage: Shortage, where: str, notes: Notebook) -> None:
    """Where lines are told: each allows the paper and the die, and they add up."""
    for missing in shortage.by:
        line = plan.demand[missing.line - 1]
        if missing.die not in line.dies:
            notes.fault(
                "short", f"{where} misses {missing.die} in demand line {missing.line}, which allows none"
            )
        if shortage.paper is not None and shortage.paper not in line.papers:
            notes.fault(
                "short", f"{where} is told of demand line {missing.line}, which does not allow that paper"
            )
    total = sum(missing.count for missing in shortage.by)
    if total != shortage.pieces:
        notes.fault("short", f"{where} says {shortage.pieces} pieces; its lines lack {total}")
    if {missing.die for missing in shortage.by if missing.count} != set(shortage.dies):
        notes.fault("short", f"{where} names other dies than its lines")


def _area(plan: Plan, shortage: Shortage, where: str, table: PassTable, notes: Notebook) -> None:
    """The area is that of the cuts, grown by half the web; where it is not told which, one of them at least."""
    takes = {
        die: table.dies[die].cut.buffer(plan.hand.web_mm / 2, quad_segs=8).area / table.dies[die].pieces
        for die in {*shortage.dies, *(missing.die for missing in shortage.by)}
    }
    if not takes:
        return
    least, most = shortage.pieces * min(takes.values()), shortage.pieces * max(takes.values())
    if shortage.by:
        least = most = sum(missing.count * takes[missing.die] for missing in shortage.by)
    if not least * (1 - AREA_SHARE) - AREA_MM2 <= shortage.area_mm2 <= most * (1 + AREA_SHARE) + AREA_MM2:
        notes.fault("short", f"{where} says {shortage.area_mm2:.6g} mm²; its pieces take {most:.6g} mm²")
