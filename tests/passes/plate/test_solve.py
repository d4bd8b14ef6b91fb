"""The plate half end to end: plans are valid, counts and bounds meet where they must."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from nestcut.batch.model import Hand, Paper
from nestcut.errors import BatchError
from nestcut.passes.common.types import Supply
from nestcut.passes.plate.solve import Books, bound_alone, plan_plate, trade_off
from tests.shared.plate_plans import batch_of, faults, rectangle

WORK = 60


def passes(plan) -> int:
    return sum(run.passes for run in plan.runs)


def test_one_of_each_rides_along_with_the_busiest_die():
    """All dies fit at once: as many passes as the busiest die has pieces, one lay-up, and a reason."""
    dies = [rectangle("campion", 40, 40), rectangle("leaf", 30, 60), rectangle("tag", 50, 30)]
    batch = batch_of(dies, [(["campion"], ["red"], 84), (["leaf"], ["white"], 30), (["tag"], ["red"], 12)])
    plan = plan_plate(batch, batch.demand, seconds=600, work_limit=WORK)
    assert faults(batch, plan) == []
    assert passes(plan) == plan.bound == 84
    assert len(plan.runs) == 1
    assert plan.reason == "the campion die must cut 84 pieces and you own one, so 84 passes"


def test_dies_too_large_to_ride_together_take_turns():
    """Two dies of 70 × 70 can't share a plate of 100 × 100 (area tells): the passes add up, with two lay-ups."""
    dies = [rectangle("bracken", 75, 75), rectangle("tag", 80, 75)]
    batch = batch_of(dies, [(["bracken"], ["red"], 20), (["tag"], ["white"], 10)])
    plan = plan_plate(batch, batch.demand, seconds=600, work_limit=WORK)
    assert faults(batch, plan) == []
    assert passes(plan) == plan.bound == 30
    assert "can't lie on the plate together" in plan.reason


def test_free_lines_are_spread_over_their_dies_and_papers():
    """60 pieces of either die take 30 passes with both down, and each die and paper gives a fair share."""
    dies = [rectangle("speedwell", 40, 40), rectangle("stitchwort", 40, 45)]
    batch = batch_of(dies, [(["speedwell", "stitchwort"], ["red", "white"], 60)])
    plan = plan_plate(batch, batch.demand, seconds=600, work_limit=WORK)
    assert faults(batch, plan) == []
    assert passes(plan) == plan.bound == 30
    assert sorted(share.count for share in plan.shares[0]) == [15, 15, 15, 15]


def test_second_copies_count():
    """Two copies of a die halve its passes."""
    dies = [rectangle("campion", 40, 40, copies=2)]
    batch = batch_of(dies, [(["campion"], ["red"], 85)])
    plan = plan_plate(batch, batch.demand, seconds=600, work_limit=WORK)
    assert faults(batch, plan) == []
    assert passes(plan) == plan.bound == 43
    assert plan.runs[0].cuts == (43, 42)


def test_supplies_steer_free_lines():
    """A paper that gives only ten cuts gives no more than ten."""
    dies = [rectangle("speedwell", 40, 40)]
    batch = batch_of(dies, [(["speedwell"], ["red", "white"], 60)])
    supplies = [
        Supply("red", 10 * 1600.0, {"speedwell": 1600.0}, proved=False),
        Supply("white", 1e6, {"speedwell": 1600.0}, proved=False),
    ]
    plan = plan_plate(batch, batch.demand, supplies=supplies, seconds=600, work_limit=WORK)
    assert faults(batch, plan) == []
    assert {share.paper: share.count for share in plan.shares[0]}["red"] <= 10


def test_supplies_that_cannot_give_the_demand_are_an_error():
    dies = [rectangle("speedwell", 40, 40)]
    batch = batch_of(dies, [(["speedwell"], ["red"], 60)])
    supplies = [Supply("red", 10 * 1600.0, {"speedwell": 1600.0}, proved=False)]
    with pytest.raises(BatchError, match="scraps can't give"):
        plan_plate(batch, batch.demand, supplies=supplies, seconds=600, work_limit=WORK)


def test_a_die_larger_than_the_plate_is_named():
    dies = [rectangle("bracken", 120, 30, turns="any")]
    batch = batch_of(dies, [(["bracken"], ["red"], 1)], plate=(80, 80))
    with pytest.raises(BatchError, match="does not fit on the plate") as caught:
        plan_plate(batch, batch.demand, seconds=600, work_limit=WORK)
    assert caught.value.where.element == "dies.bracken"
    assert caught.value.mend


def test_stripes_keep_dies_square_to_the_plate():
    """On striped paper a die may only lie at quarter turns of the plate."""
    dies = [rectangle("leaf", 30, 60, turns="any"), rectangle("tag", 20, 80, turns="any")]
    batch = batch_of(
        dies,
        [(["leaf"], ["red"], 5), (["tag"], ["red"], 5)],
        papers=[Paper("red", direction="stripe"), Paper("white")],
        hand=Hand(gap_mm=1.0),
    )
    plan = plan_plate(batch, batch.demand, seconds=600, work_limit=WORK)
    assert faults(batch, plan) == []
    for run in plan.runs:
        for slot in run.slots:
            assert min(slot.pose.deg % 90, 90 - slot.pose.deg % 90) <= 1e-9


def test_same_seed_same_plan():
    dies = [rectangle(f"d{k}", 20 + 7 * k, 35 - 2 * k, turns="any") for k in range(6)]
    batch = batch_of(dies, [([f"d{k}"], ["red"], 10 + 3 * k) for k in range(6)], plate=(75, 100))
    plans = [plan_plate(batch, batch.demand, seconds=600, work_limit=30, seed=5) for _ in range(2)]
    assert plans[0] == plans[1]
    assert faults(batch, plans[0]) == []


def test_hulls_and_chips_are_valid_layouts_of_rims():
    dies = [rectangle(f"d{k}", 20 + 7 * k, 35 - 2 * k, turns="any") for k in range(5)]
    batch = batch_of(dies, [([f"d{k}"], ["red"], 10) for k in range(5)], hand=Hand(gap_mm=1.0))
    for footprint in ("hulls", "chips"):
        plan = plan_plate(batch, batch.demand, footprint=footprint, seconds=600, work_limit=WORK)
        assert faults(batch, plan) == []
        assert plan.footprint == footprint


def test_nothing_to_cut_is_no_pass():
    batch = batch_of([rectangle("leaf", 30, 60)], [(["leaf"], ["red"], 0)])
    plan = plan_plate(batch, batch.demand, seconds=5)
    assert plan.runs == ()
    assert plan.bound == 0


def test_trade_off_has_fewer_passes_with_more_layups():
    dies = [rectangle(f"d{k}", 60, 45) for k in range(4)]
    batch = batch_of(dies, [([f"d{k}"], ["red"], 10 * (k + 1)) for k in range(4)])
    points = trade_off(batch, batch.demand, seconds=5)
    assert [point.layups for point in points] == sorted({point.layups for point in points})
    assert all(a.passes > b.passes for a, b in itertools.pairwise(points))


def test_bound_with_a_second_copy():
    dies = [rectangle("campion", 40, 40), rectangle("leaf", 30, 60)]
    batch = batch_of(dies, [(["campion"], ["red"], 84), (["leaf"], ["white"], 50)])
    more = replace(batch, dies=(replace(dies[0], copies=2), dies[1]))
    for owned, passes in ((batch, 84), (more, 50)):
        book = Books().of(owned, owned.demand, "rims")
        assert bound_alone(owned, owned.demand, book).bound == passes
