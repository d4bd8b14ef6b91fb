"""Further damages, entered into the same list: swapped scraps, heaps of dies, kits that end too soon."""

from __future__ import annotations

from dataclasses import replace

from nestcut.plans.model import KitPacking, Layup, Pass, Plan
from tests.checks.damage import change_line, damage
from tests.shared.checked_plans import kits, squares

__all__: list[str] = []


def _swapped(a_pass: Pass, one: str, other: str) -> Pass:
    names = {one: other, other: one}
    papers = tuple(replace(paper, scrap=names.get(paper.scrap, paper.scrap)) for paper in a_pass.papers)
    cuts = tuple(replace(cut, scrap=names.get(cut.scrap, cut.scrap)) for cut in a_pass.cuts)
    return replace(a_pass, papers=papers, cuts=cuts)


@damage(squares, "demand", "edge", "remnant")
def scraps_of_two_colours_swapped(plan: Plan) -> Plan:
    return replace(plan, passes=tuple(_swapped(a_pass, "red-1", "green-1") for a_pass in plan.passes))


@damage(squares, "size")
def heap_of_dies_in_the_last_lay_up(plan: Plan) -> Plan:
    return replace(plan, layups=(*plan.layups, Layup("B", plan.layups[0].slots * 3000)))


@damage(kits, "packing")
def one_card_packed_for_fewer_kits(plan: Plan) -> Plan:
    fewer = KitPacking(1, 1, "two", 1, plan.packing[2].pieces)
    return replace(plan, packing=(*plan.packing[:2], fewer))


@damage(squares, "unknown")
def line_that_allows_an_unknown_paper(plan: Plan) -> Plan:
    return change_line(plan, 0, papers=("red", "violet"))


@damage(squares, "unknown")
def line_that_allows_an_unknown_die(plan: Plan) -> Plan:
    return change_line(plan, 0, dies=("tile", "thistle"))
