"""The plate half against an exact oracle: no bound above, no count below, no wrong witness or disproof."""

from __future__ import annotations

import pytest

from nestcut.passes.common.budget import Budget
from nestcut.passes.plate.solve import plan_plate, searched
from tests.shared.plate_plans import faults
from tests.shared.polyominoes import fewest_passes, fits, random_case


def examine(seed: int) -> tuple[int, int, int]:
    """(optimum, passes, bound) of a case, everything compared with the oracle."""
    batch, pieces, copies, demand, (width, length) = random_case(seed)
    best = fewest_passes(pieces, copies, demand, width, length)
    search, _ = searched(batch, batch.demand, (), "rims", Budget(work_limit=40), None)
    assert search is not None
    assert search.best is not None
    assert search.bound is not None
    for counts in search.book.witnesses:
        assert fits([p for p, n in zip(pieces, counts, strict=True) for _ in range(n)], width, length), counts
    for counts in search.book.disproofs:
        assert not fits([p for p, n in zip(pieces, counts, strict=True) for _ in range(n)], width, length), (
            counts
        )
    assert search.bound.passes <= best <= search.best.passes
    return best, search.best.passes, search.bound.passes


@pytest.mark.parametrize("block", range(6))
def test_brute_force_agrees_on_small_classes(block):
    """60 seeded classes of polyomino dies; most reach the optimum with a proof."""
    results = [examine(seed) for seed in range(block * 10, block * 10 + 10)]
    assert sum(best == passes for best, passes, _ in results) >= 8
    assert sum(best == bound for best, _, bound in results) >= 6


@pytest.mark.parametrize("seed", range(0, 60, 12))
def test_plans_of_small_classes_are_valid(seed):
    batch = random_case(seed)[0]
    plan = plan_plate(batch, batch.demand, seconds=600, work_limit=40)
    assert faults(batch, plan) == []
