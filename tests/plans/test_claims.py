"""What a plan says of itself: passes and minutes against what is proved, no more."""

from __future__ import annotations

from dataclasses import replace

from nestcut.plans.claims import claims
from nestcut.plans.model import Bound
from tests.shared.checked_plans import squares


def test_the_fewest_possible_is_said_at_the_bound_only() -> None:
    plan = replace(squares(), bound=Bound(3, "one die must cut three times"))
    assert claims(plan)[0] == "3 passes, the fewest possible: one die must cut three times"
    assert "fewest possible" not in " ".join(claims(replace(plan, bound=Bound(2, "two papers"))))


def test_what_fewer_passes_would_cost_is_told_where_such_a_plan_was_found() -> None:
    plan = replace(squares(), bound=Bound(2, "two papers", minutes=1.0))
    row = {"passes": 2, "minutes": 75.0}
    told = claims(replace(plan, extras={"trade_off": [row, {"passes": 3, "minutes": 1.0}]}))
    assert [one.replace("\xa0", " ") for one in told[1:]] == [
        "No plan takes less than 1 min",
        "No plan can do it in fewer than 2 passes (two papers); the fewest found is 2, in 1 h 15 min",
    ]
    # What is listed below the bound can be no plan.
    assert claims(replace(plan, extras={"trade_off": [row | {"passes": 1}, "odd", None]}))[-1].endswith(
        "(two papers)"
    )
