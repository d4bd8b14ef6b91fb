"""The checker can't be fooled: every kind of damage to a valid plan is refused, and the right rule is named."""

from __future__ import annotations

from dataclasses import replace

import pytest

from nestcut.checks import RULES, check_plan
from nestcut.plans.model import Missing
from tests.checks import going_on_damage, more_damage, short_damage  # noqa: F401 - they enter their damages into the list
from tests.checks.damage import DAMAGES, Damage
from tests.shared.checked_plans import PLANS


@pytest.mark.parametrize("name", PLANS)
def test_valid_plans_are_found_valid(name: str) -> None:
    """No false alarm on plans that sit exactly on their limits; something was measured in each."""
    report = check_plan(PLANS[name]())
    assert report.ok, str(report)
    assert report.checked["cuts against edges"] > 0


@pytest.mark.parametrize("damage", DAMAGES, ids=lambda damage: damage.what)
def test_each_damage_is_named(damage: Damage) -> None:
    """Exactly the rules that the damage breaks are named."""
    plan = damage.plan()
    assert check_plan(plan).ok
    report = check_plan(damage.do(plan))
    assert report.rules == damage.rules, str(report)


def test_shortages_may_be_told_apart_or_without_lines() -> None:
    """One paper in two entries, or no lines, or no paper: what follows is not refused."""
    plan = PLANS["lacking"]()
    green, red = plan.short
    assert check_plan(replace(plan, short=(replace(green, by=()), replace(red, by=())))).ok
    assert check_plan(replace(plan, short=(replace(green, paper=None), red))).ok
    cuts = {name: plan.die(name).cut.buffer(plan.hand.web_mm / 2).area for name in ("bar", "tile")}
    apart = [
        replace(green, dies=(die,), pieces=1, area_mm2=cuts[die], by=(Missing(2, die, 1),)) for die in cuts
    ]
    assert check_plan(replace(plan, short=(*apart, red))).ok
    assert check_plan(replace(plan, short=(*(replace(one, by=()) for one in apart), red))).ok


def test_every_rule_is_broken_by_some_damage() -> None:
    """The list of damages leaves no rule out but the one that is said of proofs only."""
    assert {rule for damage in DAMAGES for rule in damage.rules} == set(RULES) - {"undecided"}


def test_faults_tell_place_and_distance() -> None:
    """A fault says pass, lay-up, die, scrap, what was measured and what is allowed, in data and in words."""
    plan = PLANS["squares"]()
    plan = replace(plan, hand=replace(plan.hand, edge_mm=2.25))
    (fault, *_) = check_plan(plan).faults
    assert (fault.rule, fault.pass_number, fault.layup, fault.die, fault.scrap) == (
        "edge",
        1,
        "A",
        "tile",
        "red-1",
    )
    assert fault.measured_mm == pytest.approx(2.0, abs=1e-9)
    assert fault.allowed_mm == 2.25
    assert "2 mm" in str(fault)
    assert "pass 1" in str(fault)


def test_many_faults_of_one_rule_are_cut_short() -> None:
    """Not more than a hundred of one rule are listed; the rest is counted."""
    plan = PLANS["squares"]()
    many = tuple(replace(plan.passes[1], number=n) for n in range(4, 304))
    report = check_plan(replace(plan, passes=plan.passes + many))
    listed = [fault for fault in report.faults if fault.rule == "web"]
    assert len(listed) == 100
