"""No disproof is noted that the checker has not believed, and what misses the plate by a hair is disproved."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely.affinity import rotate
from shapely.geometry import Point, box

from nestcut.batch.model import Die, Hand
from nestcut.checks import check_proof
from nestcut.passes.plate.disproof import Disprover
from nestcut.passes.plate.footprints import footprints_of
from nestcut.passes.plate.patterns import PatternBook
from nestcut.passes.plate.solve import plan_plate
from nestcut.plans.model import Bound, DemandMet, Plan, Totals
from tests.shared.plate_plans import batch_of, rectangle


def checked(batch, plan) -> None:
    """The plan's bound follows from its proof, as ``nestcut check --proof`` sees it."""
    lines = tuple(
        DemandMet(line.card, line.dies, line.papers, line.count, 0, line.count, ()) for line in batch.demand
    )
    whole = Plan(
        title="",
        complete=True,
        machine=batch.machine,
        hand=batch.hand,
        papers=batch.papers,
        dies=batch.dies,
        scraps=batch.scraps,
        trims=(),
        demand=lines,
        layups=(),
        passes=(),
        bound=Bound(plan.bound, plan.reason),
        totals=Totals(0, 0, 0, 0, 0, 0.0),
        remnants=(),
        proof=plan.proof,
    )
    report = check_proof(whole)
    assert report.ok, str(report)
    assert check_proof(replace(whole, bound=Bound(plan.bound + 1, ""))).rules == {"bound"}


def disprover(batch) -> Disprover:
    dies = footprints_of(batch, batch.demand, "rims")
    return Disprover(dies, batch.machine.window, batch.hand.gap_mm, PatternBook(len(dies)))


def test_two_discs_that_miss_the_plate_by_a_hair() -> None:
    """Two 71 mm discs on 100 × 150 mm: the bound says so, and the checker believes the proof that stands in the plan."""
    dies = [
        Die(name, Point(0, 0).buffer(35.52), Point(0, 0).buffer(37.12, quad_segs=32)) for name in ("a", "b")
    ]
    lines = [(["a"], ["red"], 10), (["b"], ["red"], 10)]
    batch = batch_of(dies, lines, plate=(100.0, 150.0), clear=2.0, hand=Hand())
    plan = plan_plate(batch, batch.demand, seconds=30, work_limit=40)
    assert plan.bound == 20
    checked(batch, plan)


@pytest.mark.parametrize("quarter", [False, True])
def test_three_dies_that_miss_the_plate_by_a_hair(quarter) -> None:
    """Three dies of 60.2 × 48.1 one above the other, 0.3 mm too long; each pair fits: 15 passes, not 10.

    Their turns have half a degree of slack, which loses more than that unless it is looked at in parts.
    """
    plate = (150.0, 100.0) if quarter else (100.0, 150.0)
    dies = [rectangle(name, 60.2, 48.1, turns=(0.0,)) for name in ("a", "b", "d")]
    lines = [([die.name], ["red"], 10) for die in dies]
    batch = batch_of(dies, lines, plate=plate, clear=2.0, hand=Hand())
    plan = plan_plate(batch, batch.demand, seconds=30, work_limit=40)
    assert plan.bound == 15
    checked(batch, plan)
    # With 0.4 mm more they fit, and nothing may be disproved.
    longer = tuple(side + 0.4 if side == max(plate) else side for side in plate)
    roomy = batch_of(dies, lines, plate=longer, clear=2.0, hand=Hand())
    for strength in (1, 2, 3):
        assert not disprover(roomy).disprove((1, 1, 1), strength)


@pytest.mark.parametrize("way", ["relative", "stacker"])
def test_what_the_checker_does_not_believe_is_not_noted(way, monkeypatch) -> None:
    """A prover gone wrong: two dies with room to spare are never noted as disproved, under whatever name."""
    dies = [rectangle("a", 40.0, 30.0), rectangle("b", 35.0, 30.0)]
    batch = batch_of(dies, [(["a"], ["red"], 5), (["b"], ["red"], 5)])
    lie = {"by": "stacking", "turn_deg": 15.0, "step_mm": 8.0}
    if way == "relative":
        lie = {"by": "relative", "step_mm": 1.0, "folds": [2, 2], "splits": "."}
    asked = disprover(batch)
    monkeypatch.setattr(getattr(asked, way), "disprove", lambda *_args, **_keys: lie)
    for counts in ((1, 0), (0, 1), (1, 1)):
        assert not asked.disprove(counts, 1)
    assert asked.book.disproofs == {}


def test_a_symmetric_die_with_listed_turns_is_not_disproved_where_it_fits() -> None:
    """Folding listed turns leaves none out: a bar that fits at 90° only, listed last."""
    bar = rotate(box(-45, -10, 45, 10), 90, origin=(0, 0))
    die = Die("bar", bar.buffer(-1, join_style="mitre"), bar, turns=(90.0,), copies=4)
    batch = batch_of([die], [(["bar"], ["red"], 5)], plate=(92.0, 83.0))
    asked = disprover(batch)
    for strength in (1, 2):
        assert not asked.disprove((4,), strength)
