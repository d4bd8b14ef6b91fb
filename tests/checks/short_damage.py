"""Damages to what a plan says is short, entered into the same list: everything that does not follow is named."""

from __future__ import annotations

from dataclasses import replace

from nestcut.plans.model import Missing, Plan, Shortage
from tests.checks.damage import change_line, damage
from tests.shared.checked_plans import lacking, short

__all__: list[str] = []


def change_short(plan: Plan, number: int, **fields: object) -> Plan:
    """The plan with one of its shortages changed."""
    changed = list(plan.short)
    changed[number] = replace(changed[number], **fields)  # type: ignore[arg-type]
    return replace(plan, short=tuple(changed))


def _red(plan: Plan) -> Shortage:
    return plan.short[1]


@damage(lacking, "short")
def a_piece_more_is_short(plan: Plan) -> Plan:
    return change_short(plan, 1, pieces=3)


@damage(lacking, "short")
def a_piece_more_is_short_line_and_area_included(plan: Plan) -> Plan:
    return change_short(plan, 1, pieces=3, area_mm2=_red(plan).area_mm2 * 1.5, by=(Missing(1, "tile", 3),))


@damage(lacking, "short")
def a_piece_less_is_short_line_and_area_included(plan: Plan) -> Plan:
    return change_short(plan, 1, pieces=1, area_mm2=_red(plan).area_mm2 / 2, by=(Missing(1, "tile", 1),))


@damage(lacking, "short")
def a_piece_more_is_met_than_the_shortage_knows(plan: Plan) -> Plan:
    return change_line(plan, 0, count=4)


@damage(lacking, "short")
def a_piece_less_is_short_here_and_one_more_there(plan: Plan) -> Plan:
    tile = _red(plan).area_mm2 / 2
    less = change_short(plan, 1, pieces=1, area_mm2=tile, by=(Missing(1, "tile", 1),))
    more = (Missing(2, "bar", 1), Missing(2, "tile", 2))
    return change_short(less, 0, pieces=3, area_mm2=plan.short[0].area_mm2 + tile, by=more)


@damage(lacking, "short")
def the_wrong_line_lacks_it(plan: Plan) -> Plan:
    return change_short(plan, 1, by=(Missing(2, "tile", 2),))


@damage(lacking, "short")
def the_wrong_paper_is_short(plan: Plan) -> Plan:
    return change_short(plan, 1, paper="green")


@damage(lacking, "short")
def a_die_is_short_that_the_line_does_not_allow(plan: Plan) -> Plan:
    cut = plan.die("bar").cut.buffer(plan.hand.web_mm / 2)
    return change_short(plan, 1, dies=("bar",), by=(Missing(1, "bar", 2),), area_mm2=2 * cut.area)


@damage(lacking, "short")
def a_die_more_is_called_short_than_lines_lack(plan: Plan) -> Plan:
    return change_short(plan, 0, by=(Missing(2, "tile", 2),), area_mm2=_red(plan).area_mm2)


@damage(lacking, "short")
def a_die_less_is_called_short_than_lines_lack(plan: Plan) -> Plan:
    return change_short(plan, 0, dies=("tile",))


@damage(lacking, "short")
def no_die_is_called_short(plan: Plan) -> Plan:
    return change_short(plan, 1, dies=(), by=())


@damage(lacking, "short")
def area_short_is_2_percent_too_large(plan: Plan) -> Plan:
    return change_short(plan, 0, area_mm2=plan.short[0].area_mm2 * 1.02)


@damage(lacking, "short")
def area_short_is_2_percent_too_small(plan: Plan) -> Plan:
    return change_short(plan, 0, area_mm2=plan.short[0].area_mm2 * 0.98)


@damage(lacking, "short")
def area_short_is_that_of_the_other_die(plan: Plan) -> Plan:
    return change_short(plan, 0, area_mm2=_red(plan).area_mm2)


@damage(lacking, "short")
def one_shortage_is_left_out(plan: Plan) -> Plan:
    return replace(plan, short=plan.short[:1])


@damage(lacking, "short")
def one_shortage_is_told_twice(plan: Plan) -> Plan:
    return replace(plan, short=(*plan.short, plan.short[0]))


@damage(lacking, "short")
def a_shortage_is_called_proved_without_a_proof(plan: Plan) -> Plan:
    return change_short(plan, 1, proved=True)


@damage(lacking, "short")
def a_shortage_of_nothing(plan: Plan) -> Plan:
    nothing = replace(plan.short[0], dies=("bar",), pieces=0, area_mm2=0.0, by=(Missing(2, "bar", 0),))
    return replace(plan, short=(*plan.short, nothing))


@damage(lacking, "unknown")
def a_line_lacks_pieces_that_is_not_there(plan: Plan) -> Plan:
    return change_short(plan, 1, by=(Missing(3, "tile", 2),))


@damage(lacking, "unknown")
def a_line_lacks_an_unknown_die(plan: Plan) -> Plan:
    return change_short(plan, 1, by=(Missing(1, "thistle", 2),))


@damage(lacking, "number")
def a_line_lacks_half_a_piece(plan: Plan) -> Plan:
    return change_short(plan, 1, by=(Missing(1, "tile", 1.5),))  # type: ignore[arg-type]


@damage(lacking, "number")
def a_shortage_counts_lines_from_nought(plan: Plan) -> Plan:
    return change_short(plan, 1, by=(Missing(0, "tile", 2),))


@damage(short, "short")
def a_piece_more_is_short_without_lines(plan: Plan) -> Plan:
    return change_short(plan, 0, pieces=2, area_mm2=2 * plan.short[0].area_mm2)


@damage(short, "short")
def the_wrong_paper_is_short_without_lines(plan: Plan) -> Plan:
    return change_short(plan, 0, paper="green")


@damage(short, "short")
def the_wrong_die_is_short_without_lines(plan: Plan) -> Plan:
    cut = plan.die("bar").cut.buffer(plan.hand.web_mm / 2)
    return change_short(plan, 0, dies=("bar",), area_mm2=cut.area)


@damage(short, "short")
def more_dies_than_pieces_are_short(plan: Plan) -> Plan:
    line = replace(plan.demand[0], dies=("tile", "bar"))
    return change_short(replace(plan, demand=(line, *plan.demand[1:])), 0, dies=("tile", "bar"))


@damage(short, "short")
def area_short_is_that_of_two(plan: Plan) -> Plan:
    return change_short(plan, 0, area_mm2=2 * plan.short[0].area_mm2)


@damage(lacking, "short")
def a_piece_less_is_short_and_no_lines_are_told(plan: Plan) -> Plan:
    tile = _red(plan).area_mm2 / 2
    return change_short(change_short(plan, 0, by=()), 1, pieces=1, area_mm2=tile, by=())


@damage(lacking, "short")
def area_short_is_less_than_that_of_the_smaller_die_and_no_lines_are_told(plan: Plan) -> Plan:
    cuts = (plan.die(name).cut.buffer(plan.hand.web_mm / 2) for name in ("bar", "tile"))
    return change_short(plan, 0, by=(), area_mm2=1.97 * min(cut.area for cut in cuts))


@damage(lacking, "short")
def more_is_short_in_one_paper_than_its_lines_lack_and_no_lines_are_told(plan: Plan) -> Plan:
    bar = plan.die("bar").cut.buffer(plan.hand.web_mm / 2)
    less = change_short(plan, 0, pieces=1, dies=("bar",), area_mm2=bar.area, by=())
    return change_short(less, 1, pieces=3, area_mm2=1.5 * _red(plan).area_mm2, by=())


@damage(lacking, "short")
def a_line_lacks_a_die_that_only_another_line_allows(plan: Plan) -> Plan:
    bar, tile = (plan.die(name).cut.buffer(plan.hand.web_mm / 2).area for name in ("bar", "tile"))
    by = (Missing(1, "bar", 1), Missing(1, "tile", 1), Missing(2, "tile", 2))
    one = replace(_red(plan), dies=("bar", "tile"), pieces=4, area_mm2=bar + 3 * tile, by=by)
    return replace(change_line(plan, 1, papers=("green", "red")), short=(one,))


@damage(lacking, "short")
def lines_lack_pieces_in_each_others_paper(plan: Plan) -> Plan:
    green = (Missing(1, "tile", 1), Missing(2, "bar", 1))
    return change_short(change_short(plan, 0, by=green), 1, by=(Missing(1, "tile", 1), Missing(2, "tile", 1)))
