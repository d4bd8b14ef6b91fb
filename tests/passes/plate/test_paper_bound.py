"""Bounds for scraps that lie as they are: what the planner finds, the checker proves again."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import pytest
from shapely.geometry import box

from nestcut.batch.model import Hand, Paper, Scrap
from nestcut.passes.plate.solve import plan_plate
from tests.shared.plate_plans import batch_of, rectangle

from .test_believed import checked


def sheets_of(papers, size, count=2):
    return tuple(Scrap(f"{p}-{k}", p, box(0, 0, *size)) for p in papers for k in range(count))


def test_two_papers_a_pass() -> None:
    """Four papers of nearly the plate's width, a die for each: all dies lie together, but a pass holds two papers."""
    names = ["a", "b", "c", "d"]
    papers = [f"p{name}" for name in names]
    dies = [rectangle(name, 30.0, 30.0) for name in names]
    lines = [([name], [paper], 14) for name, paper in zip(names, papers, strict=True)]
    batch = batch_of(
        dies, lines, plate=(150.0, 220.0), hand=Hand(trims="none"), papers=[Paper(p) for p in papers]
    )
    batch = replace(batch, scraps=sheets_of(papers, (148, 210)))
    plan = plan_plate(batch, batch.demand, seconds=30, work_limit=20)
    assert plan.bound == 28
    assert "at most two of the papers pa, pb, pc and pd" in plan.reason
    checked(batch, plan)
    # Where they may be trimmed, 14 passes do.
    trimmed = replace(batch, hand=Hand())
    assert plan_plate(trimmed, trimmed.demand, seconds=30, work_limit=20).bound == 14
    # A small scrap of one of them goes beside the others: three papers, with two of the wide ones.
    more = replace(batch, scraps=(*batch.scraps, Scrap("small", "pa", box(0, 0, 60, 60))))
    plan = plan_plate(more, more.demand, seconds=30, work_limit=20)
    assert plan.bound == 21
    checked(more, plan)


def test_free_lines_take_the_cheaper_paper() -> None:
    """A line that any paper may meet is met where the pass is anyway: it must not be paid for twice."""
    names = ["a", "b", "c"]
    papers = ["red", "blue", "green"]
    dies = [rectangle(name, 30.0, 30.0) for name in names]
    lines = [(["a"], ["red"], 10), (["b"], ["blue"], 10), (["c"], papers, 10)]
    batch = batch_of(
        dies, lines, plate=(150.0, 220.0), hand=Hand(trims="none"), papers=[Paper(p) for p in papers]
    )
    batch = replace(batch, scraps=sheets_of(papers, (148, 210)))
    plan = plan_plate(batch, batch.demand, seconds=30, work_limit=20)
    assert plan.bound == 10
    checked(batch, plan)


@pytest.mark.parametrize("seed", range(8))
def test_never_above_what_can_be_done(seed: int) -> None:
    """Random demand on wide sheets: passes of two papers with all their dies are a plan, so no bound lies above it."""
    chance = random.Random(seed)
    papers = [f"p{k}" for k in range(chance.randint(3, 5))]
    names = [f"d{k}" for k in range(chance.randint(3, 6))]
    dies = [rectangle(name, 30.0, 30.0) for name in names]
    lines = [([name], [chance.choice(papers)], chance.randint(1, 9)) for name in names]
    batch = batch_of(
        dies, lines, plate=(150.0, 220.0), hand=Hand(trims="none"), papers=[Paper(p) for p in papers]
    )
    batch = replace(batch, scraps=sheets_of(papers, (148, 210)))
    plan = plan_plate(batch, batch.demand, seconds=30, work_limit=20)
    # Each paper needs as many passes as its busiest die; in each pass there is room for two papers (all dies fit).
    needs = {p: max((n for _, (q,), n in lines if q == p), default=0) for p in papers}
    best = max(max(needs.values()), -(-sum(needs.values()) // 2))
    assert max(n for _, _, n in lines) <= plan.bound <= best
    assert plan.bound == best or len(set(itertools.chain(*(q for _, q, _ in lines)))) < 3
    checked(batch, plan)
