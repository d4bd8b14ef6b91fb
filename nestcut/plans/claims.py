"""How near a plan is to the best there can be, in sentences: what is proved, and nothing more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from nestcut.plans.model import Plan
from nestcut.units import counted, minutes_words

__all__ = ["claims", "listed_beside"]


def claims(plan: Plan) -> list[str]:
    """Sentences without a full stop at the end: passes and minutes of the plan, what no plan can do better, and what the
    fewest passes would cost where the plan has more; empty where nothing is known."""
    total, bound = plan.totals, plan.bound
    reason = bound.reason.rstrip(".")
    why = f" ({reason})" if reason else ""
    if plan.nothing_cut:
        return ["Nothing can be cut" + (f": {reason}" if reason else "")]
    passes = counted(total.passes, "pass", "passes")
    if total.passes == bound.passes:
        found = [f"{passes}, the fewest possible" + (f": {reason}" if reason else "")]
        found.append(f"About {minutes_words(total.minutes)}")
    else:
        found = [f"{passes}, about {minutes_words(total.minutes)}"]
    if bound.minutes is not None:
        found.append(f"No plan takes less than {minutes_words(bound.minutes)}")
    if total.passes == bound.passes or bound.passes <= 0:
        return found
    fewer = _fewest(plan)
    also = (
        ""
        if fewer is None
        else f"; the fewest found is {fewer['passes']}, in {minutes_words(fewer['minutes'])}"
    )
    found.append(f"No plan can do it in fewer than {counted(bound.passes, 'pass', 'passes')}{why}{also}")
    return found


def listed_beside(plan: Plan) -> list[Mapping[str, Any]]:
    """The plans that are listed beside this one (``extras["trade_off"]``), itself among them; anything else there is left out."""
    rows = plan.extras.get("trade_off")
    if not isinstance(rows, Sequence) or isinstance(rows, str):
        return []
    return [row for row in rows if isinstance(row, Mapping)]


def _fewest(plan: Plan) -> Mapping[str, Any] | None:
    """The plan with the fewest passes among those that are listed beside this one; None where none has fewer."""
    known = [
        row
        for row in listed_beside(plan)
        if isinstance(row.get("passes"), int)
        and isinstance(row.get("minutes"), int | float)
        and plan.bound.passes <= row["passes"] < plan.totals.passes
    ]
    return min(known, key=lambda row: (row["passes"], row["minutes"]), default=None)
