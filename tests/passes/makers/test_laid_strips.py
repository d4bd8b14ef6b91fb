"""What strips take is told before passes are made of them: the same figures as of the passes themselves."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from nestcut.passes.common.budget import Budget
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.drafts.ranking import Draft, figures
from nestcut.passes.drafts.trimming import obey_trims
from nestcut.passes.makers.strips.lanes import lane_layups
from nestcut.passes.makers.strips.strip_sheets import piles_by_paper
from nestcut.passes.makers.strips.strips import lay_strips
from nestcut.passes.plate.solve import plan_plate
from tests.benchmarks.passes_classes import random_class


@pytest.mark.parametrize(("seed", "supply"), [(1, 3.0), (2, 1.5), (7, 2.0), (10, 1.2)])
def test_figures_are_those_of_the_passes(seed: int, supply: float) -> None:
    """Enough paper and too little, strips and chips, dies that are cranked two or three times."""
    batch = random_class(seed, size="small", supply=supply)
    batch = replace(batch, dies=tuple(replace(die, trips=1 + k % 3) for k, die in enumerate(batch.dies)))
    plate = plan_plate(batch, batch.demand, footprint="hulls", seconds=600, work_limit=5)
    layups = lane_layups(batch, cuts_wanted(batch, plate.shares), at_least=plate.bound)
    assert layups is not None
    for chips in (False, True):
        laid = lay_strips(batch, layups, piles_by_paper(batch), Budget(seed=seed), tries=3, chips=chips)
        draft = Draft(plate, plate, plate.shares, laid.papered(batch))
        told, counted = laid.figures(batch), figures(batch, draft)
        # Which strip lies where shows only when passes are made: minutes are told roughly.
        assert told.pop("minutes") == pytest.approx(counted.pop("minutes"), rel=0.15)
        assert told == pytest.approx(counted)
        used = {one.run for one in draft.papered.passes}
        assert len(laid.used_layups()) == len(used)
        cut = Counter(
            (draft.papered.runs[one.run].sites[slot].die.name, use.paper)
            for one in draft.papered.passes
            for use in one.uses
            for slot in use.slots
        )
        assert cut + laid.missing == Counter(cuts_wanted(batch, plate.shares))


def test_straight_is_said_where_nothing_is_given_up() -> None:
    """Asked of the kinds of cut-up scraps; the passes, made and looked at one by one, say the same."""
    said = []
    for seed in (1, 4, 7, 10, 13, 16):
        batch = random_class(seed, size="small", supply=1.5)
        batch = replace(batch, hand=replace(batch.hand, trims="straight"))
        plate = plan_plate(batch, batch.demand, footprint="hulls", seconds=600, work_limit=5)
        layups = lane_layups(batch, cuts_wanted(batch, plate.shares), at_least=plate.bound)
        assert layups is not None
        for tries in (1, 12):
            laid = lay_strips(batch, layups, piles_by_paper(batch), Budget(seed=seed), tries=tries)
            given_up = obey_trims(batch, laid.papered(batch)).missing - laid.missing
            assert laid.straight() == (not given_up)
            said.append(laid.straight())
    assert True in said
    assert False in said
