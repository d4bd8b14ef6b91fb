"""Plans that are nothing but a bound and its proof, for the checker to believe or not."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from nestcut.batch.model import Die, Hand, Machine, Paper, Scrap
from nestcut.plans.model import Bound, DemandMet, Plan, Share, Totals
from tests.shared.checked_plans import rectangle_die


def proved(
    dies: Sequence[Die],
    counts: Sequence[int],
    bound: int,
    proof: dict[str, Any],
    *,
    plate: tuple[float, float] = (100.0, 100.0),
    gap: float = 1.0,
    papers: Sequence[Paper] = (Paper("red"),),
    scraps: Sequence[Scrap] = (),
) -> Plan:
    """A plan with a line of demand for each die, and nothing but a bound and its proof to check."""
    names = tuple(paper.name for paper in papers)
    demand = tuple(
        DemandMet("card", (die.name,), names, count, 0, count, (Share(die.name, names[0], count),))
        for die, count in zip(dies, counts, strict=True)
    )
    return Plan(
        title="",
        complete=True,
        machine=Machine(plate, clear_mm=0.0),
        hand=Hand(gap_mm=gap),
        papers=tuple(papers),
        dies=tuple(dies),
        scraps=tuple(scraps),
        trims=(),
        demand=demand,
        layups=(),
        passes=(),
        bound=Bound(bound, ""),
        totals=Totals(0, 0, 0, 0, 0, 0.0),
        remnants=(),
        proof=proof,
    )


def two_large(by: str = "turning", **changes: Any) -> Plan:
    """Two dies with rims of 60 × 60 never share a plate of 100 × 115: 20 + 10 passes."""
    dies = [rectangle_die("oak", 57, 57), rectangle_die("ash", 57, 57)]
    proof = {
        "prices": {"oak": "1/1", "ash": "1/1"},
        "lines": ["1/1", "1/1"],
        "disproofs": [{"dies": {"oak": 1, "ash": 1}, "by": by}],
    }
    return proved(dies, [20, 10], 30, proof | changes, plate=(100.0, 115.0))
