"""Papers that are good on both sides are turned over where their dies then find more room."""

from dataclasses import replace

import pytest
from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Card, CardLine, Die, Hand, Machine, Paper, Scrap
from nestcut.checks import check_plan
from nestcut.passes import plan_batch
from nestcut.passes.common.sides import on_better_sides

CORNER = Polygon([(0, 0), (60, 0), (60, 60)])
"""A right triangle, its right angle above on the right."""
HOOK = Polygon([(-15, -15), (15, -15), (-15, 15)])
"""A die that finds room in that corner only when the scrap is turned over."""


def batch_of(paper: Paper, *, outline: Polygon = CORNER, trims: str = "none", dies: str = "over") -> Batch:
    return Batch(
        title="corners",
        machine=Machine(plate_mm=(150.0, 220.0), dies=dies),  # type: ignore[arg-type]
        hand=Hand(trims=trims),  # type: ignore[arg-type]
        papers=(paper,),
        scraps=tuple(Scrap(f"s-{k}", "p", outline) for k in range(2)),
        dies=(Die("hook", HOOK, HOOK.buffer(1.6, join_style="mitre"), turns=(0.0,)),),
        cards=(Card("card", 1, (CardLine(("hook",), ("p",), 2),)),),
    )


@pytest.mark.first(1)
@pytest.mark.parametrize("trims", ["none", "scissors"])
@pytest.mark.parametrize("dies", ["over", "under"])
def test_a_scrap_is_turned_over_where_only_its_other_side_has_room(trims, dies):
    asked = batch_of(Paper("p", direction="up", both_sides=True), trims=trims, dies=dies)
    plan = plan_batch(asked, seconds=2)
    assert check_plan(plan).ok
    assert plan.complete
    assert all(paper.flipped for one in plan.passes for paper in one.papers)
    assert [scrap.outline for scrap in plan.scraps] == [scrap.outline for scrap in asked.scraps]
    for left in plan.remnants:
        assert left.outline.within(CORNER.buffer(1e-6))


def test_a_paper_with_one_good_side_never_lies_flipped():
    asked = batch_of(Paper("p", direction="up"))
    assert on_better_sides(asked) == (asked, {})


def test_nothing_is_turned_over_where_both_sides_have_the_same_room():
    both = Paper("p", both_sides=True)
    free = batch_of(both)
    round_die = Die("hook", box(-9, -9, 9, 9), box(-10, -10, 10, 10))
    assert on_better_sides(replace(free, dies=(round_die,)))[1] == {}
    assert on_better_sides(batch_of(both, outline=box(0, 0, 60, 40)))[1] == {}
