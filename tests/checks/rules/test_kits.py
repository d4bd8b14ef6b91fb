"""Which kits get which pieces: dealt to the lines of a card, copies of a card, kits that are not there."""

from __future__ import annotations

from dataclasses import replace

import pytest

from nestcut.batch.model import Card, CardLine
from nestcut.checks import check_plan
from nestcut.checks.rules.kits import _fits_card
from nestcut.plans.model import KitPacking, Plan, Share
from tests.shared.checked_plans import (
    PLANS,
    finished,
    kits,
)


def share(die: str, count: int, paper: str = "red") -> Share:
    return Share(die, paper, count)


def ask(*dies: str, count: int = 1) -> CardLine:
    return CardLine(dies, ("red",), count)


@pytest.mark.parametrize(
    ("pieces", "lines", "fits"),
    [
        # The first line takes what only the second could have: it has to be moved aside.
        ([share("a", 1), share("b", 1)], [ask("a", "b"), ask("a")], True),
        ([share("a", 1), share("b", 1)], [ask("b", "a"), ask("a")], True),
        # Moved aside twice over.
        ([share("a", 1), share("b", 1), share("c", 1)], [ask("a", "b"), ask("b", "c", "a"), ask("a")], True),
        ([share("a", 1), share("b", 1), share("c", 1)], [ask("b", "c"), ask("a", "b"), ask("a")], True),
        # By several pieces at once, more than one step can bring.
        ([share("a", 3), share("b", 2)], [ask("a", "b", count=2), ask("a", count=3)], True),
        ([share("a", 3), share("b", 2)], [ask("a", "b", count=3), ask("a", count=2)], True),
        ([share("a", 2), share("b", 3)], [ask("a", "b", count=2), ask("a", count=3)], False),
        ([share("a", 5), share("b", 1)], [ask("a", "b", count=3), ask("a", "b", count=3)], True),
        # One kind for two lines, two kinds for one line.
        ([share("a", 4)], [ask("a", count=2), ask("a", count=2)], True),
        ([share("a", 1), share("b", 3)], [ask("a", "b", count=4)], True),
        # Right in number, wrong in kind; the paper counts, too.
        ([share("a", 2)], [ask("a"), ask("b")], False),
        ([share("b", 1), share("b", 1)], [ask("a"), ask("b")], False),
        ([share("a", 1, "green")], [ask("a")], False),
        # Too many, too few.
        ([share("a", 2)], [ask("a")], False),
        ([], [ask("a")], False),
        ([], [], True),
    ],
)
def test_pieces_are_dealt_to_lines(pieces: list[Share], lines: list[CardLine], fits: bool) -> None:
    """A card's pieces are right when some way of dealing them gives each line its count."""
    assert _fits_card(pieces, lines) == fits


def two_copies() -> Plan:
    """The kits, with card two in each kit twice and asked for by one kit only."""
    plan = kits()
    cards = (plan.cards[0], replace(plan.cards[1], count=2))
    packing = (
        replace(plan.packing[0]),
        KitPacking(1, 1, "two", 1, plan.packing[2].pieces),
        KitPacking(1, 1, "two", 2, plan.packing[2].pieces),
    )
    demand = (
        replace(plan.demand[0], count=1, met=1, by=(Share("small", "pink", 1),)),
        replace(plan.demand[1], count=1, met=1, by=(Share("small", "grey", 1),)),
        plan.demand[2],
    )
    return finished(replace(plan, kits=1, cards=cards, packing=packing, demand=demand))


def test_a_card_that_a_kit_has_twice() -> None:
    """Both copies packed: valid. One left out, one twice, or both as the same copy: refused."""
    plan = two_copies()
    assert check_plan(plan).ok, str(check_plan(plan))
    one, first, second = plan.packing
    for packing in ((one, first), (one, second), (one, first, second, second), (one, first, first)):
        assert check_plan(replace(plan, packing=packing)).rules == {"packing"}


def test_no_kits_need_no_packing_of_them() -> None:
    """A card that is in no kit (count 0) need not be packed."""
    plan = two_copies()
    none = replace(plan, cards=(*plan.cards, Card("three", 0, ())))
    assert check_plan(none).ok, str(check_plan(none))


def test_a_copy_too_many_is_refused_with_nothing_in_it() -> None:
    """A second copy of a card that a kit has once is named, even where it takes no piece from anybody."""
    plan = kits()
    extra = KitPacking(1, 2, "two", 2, ())
    (fault,) = check_plan(replace(plan, packing=(*plan.packing, extra))).faults
    assert fault.rule == "packing"
    assert "copy 2 of card two, which a kit has 1 of" in fault.message


def test_two_cards_of_one_name_are_told_as_such() -> None:
    """Nothing else is looked at, or the pick list would be blamed."""
    plan = kits()
    same = (plan.cards[0], replace(plan.cards[1], name=plan.cards[0].name))
    assert check_plan(replace(plan, cards=same)).rules == {"name"}


def test_names_that_a_packing_or_a_shortage_makes_up() -> None:
    """A packing of a card that is not there, besides all the right ones; a shortage of a die that is not there."""
    plan = kits()
    extra = KitPacking(1, 1, "four", 1, ())
    (fault,) = check_plan(replace(plan, packing=(*plan.packing, extra))).faults
    assert (fault.rule, fault.message) == ("packing", "there is no card four")
    lack = PLANS["short"]()
    odd = replace(lack, short=(replace(lack.short[0], dies=("tile", "elm")),))
    report = check_plan(odd)
    assert report.rules == {"unknown"}
    assert "a shortage names an unknown die elm" in str(report)


def test_a_plan_that_falls_short_packs_no_kit_too_many() -> None:
    """Fewer kits than were asked for are right then; one more than there are is not."""
    plan = kits()
    line_1 = replace(plan.demand[0], count=plan.demand[0].count + 1)
    lack = replace(PLANS["short"]().short[0], paper="pink", dies=("small",), area_mm2=155.0)
    short = replace(
        plan, complete=False, kits=0, cards=(), packing=(), demand=(line_1, *plan.demand[1:]), short=(lack,)
    )
    assert check_plan(short).ok, str(check_plan(short))
    packed = replace(plan, complete=False, short=(lack,), demand=short.demand)
    before = [fault.message for fault in check_plan(packed).faults]
    assert not any("is packed, but there are" in message for message in before)
    last = replace(packed.packing[-1], last=packed.kits + 1)
    after = str(check_plan(replace(packed, packing=(*packed.packing[:-1], last))))
    assert f"kit {packed.kits + 1} is packed, but there are {packed.kits}" in after
