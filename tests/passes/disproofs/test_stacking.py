"""Disproofs by stacking: right against known packings of equal circles, and proved again by the checker."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from shapely.geometry import Point, box

from nestcut.batch.model import Die, Hand
from nestcut.checks import check_proof
from nestcut.passes.disproofs.stacking import Stacker, symmetry
from nestcut.passes.plate.solve import plan_plate
from nestcut.plans.model import Bound, DemandMet, Layup, Plan, Totals
from tests.shared.plate_plans import batch_of, faults

DISC = Point(0, 0).buffer(20.0, quad_segs=32)

# Side of the smallest square for n unit circles: E. Specht's table "Circles in a square"; times 20 mm.
SMALLEST = {2: 68.284, 3: 78.637, 4: 80.0}


@pytest.mark.parametrize(("count", "side"), [(2, 66.0), (3, 75.0), (4, 76.0)])
def test_too_many_discs_are_disproved(count, side):
    """A few mm below the smallest square the disproof succeeds."""
    stacker = Stacker([DISC], ["any"], box(0, 0, side, side), 0.0)
    proof = stacker.disprove([0] * count, levels=5)
    assert proof is not None
    assert proof["by"] == "stacking"


@pytest.mark.parametrize("count", [2, 3, 4])
def test_discs_that_fit_are_never_disproved(count):
    """From the smallest square on, nothing is disproved at any level. (The drawn disc lies inside the true one.)"""
    side = SMALLEST[count] + 1e-3
    stacker = Stacker([DISC], ["any"], box(0, 0, side, side), 0.0)
    assert stacker.disprove([0] * count, levels=4, budget=200_000) is None


def test_the_gap_counts():
    """Two 48 × 48 mm squares, square to the plate, stack in 100 mm with a gap of 4, not with one of 6."""
    square = box(-24, -24, 24, 24)
    for gap, fits in ((3.9, True), (6.0, False)):
        stacker = Stacker([square], [(0.0, 90.0)], box(0, 0, 60, 100), gap)
        assert (stacker.disprove([0, 0], levels=6) is None) == fits


def test_symmetry_of_a_disc_and_of_a_rectangle():
    assert symmetry(DISC)[0] > 1
    assert symmetry(box(-10, -5, 10, 5))[0] == 2
    assert symmetry(box(-10, -5, 10, 7))[0] == 1


def test_the_checker_proves_a_bound_of_three_dies_again():
    """Three discs of 40 mm can't share a plate of 70 × 70 (they need 78.6): 30 cuts take 15 passes, proved.

    Two just can (68.3), and the area has room for three (3 × 1,257 of 4,900 mm²), so nothing but a proof of all three will do. At
    75 × 75 the checker takes half a minute for the same; so near the limit the stacker is tested above.
    """
    die = Die("disc", Point(0, 0).buffer(18), DISC, copies=3)
    batch = batch_of([die], [(["disc"], ["red"], 30)], plate=(70.0, 70.0), hand=Hand(gap_mm=0.0))
    plan = plan_plate(batch, batch.demand, seconds=600, work_limit=40)
    assert faults(batch, plan) == []
    assert plan.bound == sum(run.passes for run in plan.runs) == 15
    (entry,) = plan.proof["disproofs"]
    assert entry["by"] == "relative"
    line = batch.demand[0]
    whole = Plan(
        title="discs",
        complete=True,
        machine=batch.machine,
        hand=batch.hand,
        papers=batch.papers,
        dies=batch.dies,
        scraps=(),
        trims=(),
        demand=(DemandMet(line.card, line.dies, line.papers, 30, 0, 30, plan.shares[0]),),
        layups=tuple(Layup(f"L{k}", run.slots) for k, run in enumerate(plan.runs)),
        passes=(),
        bound=Bound(plan.bound, plan.reason),
        totals=Totals(15, 15, 1, 0, 30, 15.5),
        remnants=(),
        proof=plan.proof,
    )
    # By the planner's own way, and by stacking: what stands in the plan is enough for either.
    stacked = {"dies": entry["dies"], "by": "stacking"}
    for proof in (plan.proof, {**plan.proof, "disproofs": [stacked]}):
        report = check_proof(replace(whole, proof=json.loads(json.dumps(proof))))
        assert report.ok, report.faults
    for change in ({"order": ["disc"]}, {"splits": "a"}, {"order": None}):
        broken = {**plan.proof, "disproofs": [{**entry, **change}]}
        assert check_proof(replace(whole, proof=broken)).rules == {"bound"}
