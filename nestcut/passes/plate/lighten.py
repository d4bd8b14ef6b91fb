"""Lay-ups that are easy to crank: dies turned and shifted so that less cut lies under the roller at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from nestcut.batch.model import Batch, Demand
from nestcut.passes.common.load import line_load, stagger, straight_meetings
from nestcut.passes.common.types import Footprint, PlatePlan, PlateRun
from nestcut.passes.plate.footprints import footprints_of
from nestcut.plans.model import Layup, Slot

__all__ = ["heavy_layups", "lightened"]

LONG_EDGE_MM = 30.0
"""A straight edge so long that meets the roller all at once is felt at the crank (common practice, no source)."""
LIGHTER = 0.75
"""Without a limit, a lay-up with such an edge is staggered until its peak is this much of what it was."""


def lightened(
    batch: Batch,
    demand: Sequence[Demand],
    plate: PlatePlan,
    *,
    seed: int = 0,
    over: Callable[[], bool] = lambda: False,
) -> PlatePlan:
    """The same lay-ups with lower peaks, where the batch sets a limit that they exceed or a long edge lies square.

    What every die keeps for itself (rim, or hull with the paper around it) stays apart as before, and the cuts
    stay the same: it never costs a pass, nor paper.
    """
    return replace(
        plate, runs=tuple(_lighter(batch, demand, run, plate.footprint, seed, over) for run in plate.runs)
    )


def _lighter(
    batch: Batch,
    demand: Sequence[Demand],
    run: PlateRun,
    footprint: Footprint,
    seed: int,
    over: Callable[[], bool],
) -> PlateRun:
    if over():
        return run
    dies = {die.name: die for die in batch.dies}
    peak = line_load(run.slots, dies, batch.machine).peak_mm
    limit = batch.machine.load_limit_mm
    if limit is None:
        if not straight_meetings(run.slots, dies, at_least_mm=LONG_EDGE_MM):
            return run
        goal = LIGHTER * peak
    elif peak <= limit:
        return run
    else:
        goal = limit
    footprints = {die.name: die for die in footprints_of(batch, demand, footprint)}
    # The search keeps rims apart: give it what the die keeps for itself instead.
    shapes = {name: replace(dies[name], rim=footprints[name].shape) for name in {s.die for s in run.slots}}
    turns = {name: None if footprints[name].turns == "any" else footprints[name].turns for name in shapes}
    slots = stagger(
        run.slots,
        shapes,
        batch.machine,
        gap_mm=batch.hand.gap_mm,
        turns=turns,  # type: ignore[arg-type]
        seed=seed,
        limit_mm=goal,
    )
    return replace(run, slots=slots)


def heavy_layups(batch: Batch, layups: Sequence[Layup | Sequence[Slot]]) -> list[tuple[int, float]]:
    """(number, peak in mm) of the lay-ups above the batch's limit; none where there is no limit."""
    limit = batch.machine.load_limit_mm
    if limit is None:
        return []
    dies = {die.name: die for die in batch.dies}
    found = []
    for number, layup in enumerate(layups):
        slots = layup.slots if isinstance(layup, Layup) else layup
        peak = line_load(slots, dies, batch.machine).peak_mm
        if peak > limit + 1e-6:
            found.append((number, peak))
    return found
