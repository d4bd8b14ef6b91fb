"""Lay-ups that are easy to crank."""

from __future__ import annotations

from dataclasses import replace

from nestcut.batch.model import CardLine, Machine
from nestcut.checks import check_plan
from nestcut.passes import plan_batch
from nestcut.passes.common.load import line_load
from nestcut.passes.plate.lighten import lightened
from nestcut.passes.plate.solve import plan_plate
from tests.shared.batches import batch_of, label_die, sheets


def heavy_batch(limit: float | None):
    """Four labels 40 × 12 mm on a plate with much room: square to the feed, each edge meets the roller at once."""
    dies = [label_die(name, 40, 12) for name in "abcd"]
    batch = batch_of(
        dies, sheets("red", *[(148, 210)] * 3), [CardLine((die.name,), ("red",), 4) for die in dies]
    )
    return replace(batch, machine=replace(batch.machine, load_limit_mm=limit))


def test_a_limit_is_kept_and_costs_no_pass() -> None:
    """A limit of one edge's length and some: labels must lie askew or one behind the other, in as many passes."""
    free, bound = heavy_batch(None), heavy_batch(55.0)
    without = plan_batch(free, seconds=600, work_limit=60)
    plan = plan_batch(bound, seconds=600, work_limit=60)
    assert check_plan(plan).ok
    assert plan.complete
    assert plan.totals.passes == without.totals.passes
    dies = {die.name: die for die in plan.dies}
    assert all(line_load(layup.slots, dies, plan.machine).peak_mm <= 55.0 + 1.5 for layup in plan.layups)


def test_lightened_layups_keep_their_cuts_and_have_lower_peaks() -> None:
    """Nothing but poses changes, and no peak rises."""
    batch = heavy_batch(30.0)
    plate = plan_plate(batch, batch.demand, footprint="hulls", seconds=600, work_limit=60)
    lighter = lightened(batch, batch.demand, plate)
    dies = {die.name: die for die in batch.dies}
    assert [run.cuts for run in lighter.runs] == [run.cuts for run in plate.runs]
    for before, after in zip(plate.runs, lighter.runs, strict=True):
        was, now = (line_load(run.slots, dies, batch.machine).peak_mm for run in (before, after))
        assert now <= was
    assert isinstance(batch.machine, Machine)


def test_a_limit_that_cannot_be_kept_is_told() -> None:
    """One label's edge alone is longer than the limit wherever it lies flat; the plan says so in a note."""
    plan = plan_batch(heavy_batch(1.0), seconds=600, work_limit=60)
    assert plan.complete
    assert any("your limit is 1 mm" in note for note in plan.notes)
