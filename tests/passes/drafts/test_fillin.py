"""Missing cuts from leftovers: nothing is lost or cut twice, and the checker agrees."""

from __future__ import annotations

from collections import Counter

import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from nestcut.batch.model import Batch, Card, CardLine, Die, Hand, Machine, Paper, Scrap
from nestcut.checks import check_plan
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.drafts.fillin import filled_in, leftovers
from nestcut.passes.drafts.moved_pieces import other_papers
from nestcut.passes.makers.strips.lanes import lane_layups
from nestcut.passes.makers.strips.strip_drafts import in_strips
from nestcut.passes.makers.strips.strips import realise_strips
from nestcut.passes.plate.solve import plan_plate
from nestcut.plans.model import Bound


def batch_of(lines: list[CardLine], scraps: list[tuple[str, float, float]], sides: dict[str, float]) -> Batch:
    dies = tuple(
        Die(
            name, box(-s / 2, -s / 2, s / 2, s / 2), box(-s / 2 - 1.5, -s / 2 - 1.5, s / 2 + 1.5, s / 2 + 1.5)
        )
        for name, s in sides.items()
    )
    return Batch(
        title="",
        machine=Machine(plate_mm=(100.0, 150.0), clear_mm=2.0, overhang_mm=150.0),
        hand=Hand(web_mm=2.0, edge_mm=2.0, gap_mm=1.0),
        papers=(Paper("p"), Paper("q")),
        scraps=tuple(Scrap(f"{paper}-{k}", paper, box(0, 0, w, h)) for k, (paper, w, h) in enumerate(scraps)),
        dies=dies,
        cards=(Card("", 1, tuple(lines)),),
    )


@pytest.mark.thorough
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    sides=st.lists(st.integers(8, 30), min_size=2, max_size=4),
    sizes=st.lists(st.tuples(st.integers(30, 110), st.integers(30, 140)), min_size=2, max_size=4),
    counts=st.lists(st.integers(1, 7), min_size=4, max_size=4),
    free=st.booleans(),
)
def test_cuts_are_neither_lost_nor_doubled(
    sides: list[int], sizes: list[tuple[int, int]], counts: list[int], free: bool
) -> None:
    named = {f"d{k}": float(side) for k, side in enumerate(sides)}
    papers = ("p", "q") if free else ("p",)
    lines = [CardLine((name,), papers, counts[k]) for k, name in enumerate(named)]
    batch = batch_of(lines, [("pq"[k % 2], float(w), float(h)) for k, (w, h) in enumerate(sizes)], named)
    plate = plan_plate(batch, batch.demand, footprint="hulls", seconds=600, work_limit=20)
    wanted = cuts_wanted(batch, plate.shares)
    layups = lane_layups(batch, wanted, at_least=plate.bound)
    if layups is None:
        return
    strips = realise_strips(batch, layups)
    left = leftovers(batch, strips)
    for shares, short in ((plate.shares, strips), other_papers(batch, plate.shares, strips, left)):
        got = filled_in(batch, short, left)
        assert sum(got.missing.values()) <= sum(strips.missing.values())
        made = Counter(
            (got.runs[one.run].sites[slot].die.name, use.paper)
            for one in got.passes
            for use in one.uses
            for slot in use.slots
        )
        assert made + got.missing == cuts_wanted(batch, shares)
        parts = {(use.scrap, use.outline.wkb): use.outline for one in got.passes for use in one.uses}
        for scrap in batch.scraps:
            own = [outline for (name, _), outline in parts.items() if name == scrap.id]
            assert shapely.union_all(own).difference(scrap.outline).area < 1e-6
            assert sum(o.area for o in own) - shapely.union_all(own).area < 1e-6
        if not got.missing:
            plan = assemble(
                batch,
                batch.demand,
                shares,
                got,
                Bound(plate.bound, plate.reason),
                proof=plate.proof,
            )
            report = check_plan(plan)
            assert report.ok, [fault.message for fault in report.faults[:3]]


def test_a_free_line_moves_to_the_paper_that_has_more_left() -> None:
    """Six squares of 20 mm, either paper: p has one scrap of 26 × 26 mm for one of them, q plenty."""
    batch = batch_of([CardLine(("a",), ("p", "q"), 6)], [("p", 26.0, 26.0), ("q", 80.0, 120.0)], {"a": 20.0})
    plate = plan_plate(batch, batch.demand, footprint="hulls", seconds=600, work_limit=20)
    draft = in_strips(batch, plate, Budget(work_limit=20))
    assert draft is not None
    assert draft.missing == 0
    assert draft.passes == 6
    given_out = Counter({share.paper: share.count for line in draft.shares for share in line})
    assert given_out["p"] <= 1
    assert given_out.total() == 6
