"""Going on: what is done stands, and the rest is planned from what is left."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from nestcut.checks import check_plan, check_proof
from nestcut.evening import Event, go_on, reckon
from nestcut.passes import plan_batch
from nestcut.plans import Plan, plan_from_json, plan_to_json
from nestcut.plans.leftovers import leftovers
from tests.checks.going_on_damage import gone_on
from tests.evening.evenings import small_class, some_mishaps

WORK = 200


def pieces(plan: Plan, *, first: int = 1) -> Counter[tuple[str, str]]:
    """(die, paper) → pieces of the passes from ``first`` on that did not fail; counted apart from the program's own count."""
    papers = {name: paper for name, (paper, _) in plan.pieces_of_paper().items()}
    found: Counter[tuple[str, str]] = Counter()
    for one in plan.passes:
        for cut in one.cuts:
            failed = any(m.pass_number == one.number and m.slot == cut.slot for m in plan.missed)
            if one.number >= first and not failed:
                found[plan.layup(one.layup).slots[cut.slot].die, papers[cut.scrap]] += 1
    return found


def what_stands(plan: Plan, state: object, new: Plan) -> None:
    """What must hold of any evening that went on."""
    report = check_plan(new)
    assert report.ok, report.faults[:3]
    assert plan_to_json(plan_from_json(plan_to_json(new))) == plan_to_json(new)
    done = state.done
    for before, now in zip(plan.passes[:done], new.passes[:done], strict=True):
        assert (before.number, before.papers, before.cuts) == (now.number, now.papers, now.cuts)
        assert plan.layup(before.layup).slots == new.layup(now.layup).slots
    # No piece is cut twice: nothing is planned beyond what is asked.
    asked = sum(line.count for line in new.demand)
    spare_before = sum(pieces(plan).values()) - sum(line.met for line in plan.demand)
    assert sum(line.met for line in new.demand) <= asked
    assert sum(pieces(new).values()) <= asked + max(spare_before, 0)
    # Nothing is lost that the old plan still gives.
    spoilt = {one.scrap for one in state.spoilt}
    broken = {one.die for one in state.broken}
    still = sum(
        cut.scrap not in spoilt and plan.layup(one.layup).slots[cut.slot].die not in broken
        for one in plan.passes[done:]
        for cut in one.cuts
    )
    kept = sum(pieces(replace(new, passes=new.passes[:done])).values())
    assert sum(line.met for line in new.demand) >= min(
        kept + still, sum(line.met for line in plan.demand)
    ) - (spare_before)


@pytest.mark.thorough
@pytest.mark.parametrize("number", range(12))
def test_what_is_cut_and_the_rest_pass_the_checker_together(number: int) -> None:
    """Random mishaps after any pass, then again after the rest has begun."""
    plan = plan_batch(small_class(number), seconds=20, work_limit=WORK)
    for again in range(2):
        state = reckon(plan, some_mishaps(plan, 100 * number + again))
        new = go_on(plan, state, seconds=20, work_limit=WORK)
        what_stands(plan, state, new)
        report = check_proof(new)
        assert report.ok, report.faults[:3]
        plan = new


@pytest.mark.thorough
def test_a_piece_that_failed_is_cut_again_elsewhere() -> None:
    """The place of the cut that failed is gone, and one pass more gives the piece."""
    plan = plan_batch(small_class(1), seconds=20, work_limit=WORK)
    assert plan.complete
    first = plan.passes[0]
    events = [
        Event("a", "done", {"pass": 1}),
        Event("b", "missed", {"pass": 1, "slot": first.cuts[0].slot}),
    ]
    state = reckon(plan, events)
    new = go_on(plan, state, seconds=20, work_limit=WORK)
    what_stands(plan, state, new)
    assert new.complete
    assert new.totals.actions.free == plan.totals.actions.free + 1


def test_spoilt_paper_does_not_go_back_into_the_box() -> None:
    """What is spoilt is among nothing that is left, and the scrap that was never pulled out stays there without it."""
    plan = gone_on()
    left = {name for one in leftovers(plan).kept for name in one.sources}
    assert "spare-1" not in left
    assert "spare-1" in {name for one in leftovers(replace(plan, spoilt=())).kept for name in one.sources}
