"""After an evening: what was used is gone, what is left is there, once, and it can be taken back."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest

from nestcut import Box
from nestcut.box import box_of_plan
from nestcut.errors import BoxError
from nestcut.plans import Plan, plan_from_json, read_plan, write_plan
from nestcut.plans.leftovers import leftovers
from nestcut.sheets import write_sheets
from tests.box.evenings import evening, fill, snapshot
from tests.shared.plan_sample import sample


def test_used_scraps_go_and_leftovers_come(box: Box) -> None:
    """A trimmed scrap leaves its offcuts and its part's remnant, an untrimmed one keeps its tag with a hole; untouched ones stay."""
    fill(box, 12, random.Random(3))
    before = {one.tag: one for one in box.scraps()}
    picked = list(before.values())[:6]
    plan = evening(box, picked)
    area = sum(one.outline.area for one in before.values())
    done = box.after(plan)
    assert done.taken == tuple(one.tag for one in picked[:4])
    now = {one.tag: one for one in box.scraps()}
    assert len(now[picked[0].tag].outline.interiors) == 1
    assert picked[1].tag not in now
    assert f"{picked[1].tag}-off" in now
    for tag in (one.tag for one in before.values() if one not in picked[:4]):
        assert now[tag].outline.equals_exact(before[tag].outline, 0.0)
    assert {one.source for one in now.values()} == {"by hand", "evening an evening"}
    # Each cut took one disc of 3 mm; what is too small for anything is told.
    lost = area - sum(one.outline.area for one in now.values())
    assert lost == pytest.approx(4 * 28.0 + leftovers(plan).crumbs_mm2, abs=2.0)
    assert done.crumbs == leftovers(plan).crumbs


def test_an_evening_counts_once(box: Box, tmp_path: Path) -> None:
    """However often it is called, also for a copy of the plan file; after an undo it counts again."""
    fill(box, 8, random.Random(4))
    plan = evening(box, list(box.scraps())[:5])
    write_plan(plan, tmp_path / "plan.json")
    begin = snapshot(box)
    first = box.after(plan)
    assert first.again is None
    once = snapshot(box)
    assert box.was_put_back(plan) is not None
    for copy in (plan, read_plan(tmp_path / "plan.json")):
        again = box.after(copy)
        assert again.again is not None
        assert (again.taken, again.put) == ((), ())
        assert snapshot(box)[0] == once[0]
    assert len(box.evenings()) == 1
    box.undo()
    assert snapshot(box) == begin
    assert box.was_put_back(plan) is None
    assert box.after(plan).again is None


def test_a_changed_box_is_told_and_a_missing_scrap_refused(box: Box) -> None:
    """Any change since is remarked; a scrap of the plan that is gone stops it, unless it is said to go on."""
    fill(box, 8, random.Random(6))
    scraps = list(box.scraps())
    plan = evening(box, scraps[:5])
    box.add("red", (20, 20))
    assert box.after(plan).notes == ("The box was changed after this plan was made.",)
    box.undo()
    box.take([scraps[1].tag])
    before = snapshot(box)
    with pytest.raises(BoxError, match="gone from the box") as caught:
        box.after(plan)
    assert scraps[1].tag in str(caught.value)
    assert snapshot(box) == before
    done = box.after(plan, anyway=True)
    assert scraps[1].tag not in done.taken
    assert any("Gone or changed" in note for note in done.notes)
    # A scrap of that tag with another outline is not the one that the plan means.
    box.undo()
    box.add(scraps[1].paper, (33, 33), tag=scraps[1].tag)
    with pytest.raises(BoxError, match="changed"):
        box.after(plan)
    done = box.after(plan, anyway=True)
    assert next(one for one in box.scraps() if one.tag == scraps[1].tag).outline.bounds == (0, 0, 33, 33)


def test_a_plan_of_another_box_is_refused(box: Box, tmp_path: Path) -> None:
    """Its tags would mean other scraps here."""
    fill(box, 8, random.Random(7))
    with Box(tmp_path / "other.db") as other:
        fill(other, 8, random.Random(7))
        plan = evening(other, list(other.scraps())[:5])
    with pytest.raises(BoxError, match="another box"):
        box.after(plan)
    assert box.evenings() == ()


def test_a_plan_with_scraps_of_its_own_fills_the_box(box: Box, tmp_path: Path) -> None:
    """All that it leaves goes in, untouched scraps too, with papers as the plan knows them: the same as its box.csv puts in."""
    own = plan_from_json(sample())
    assert box_of_plan(own) is None
    box.add("red", (5, 5), tag="red-1-off")
    done = box.after(own)
    assert done.taken == ()
    assert [(one.asked, one.tag) for one in done.put][:1] != []
    renamed = {one.asked: one.tag for one in done.put}
    assert renamed["red-1-off"] != "red-1-off"
    assert box.papers()[0].name == "red"
    write_sheets(own, tmp_path / "plan")
    with Box(tmp_path / "second.db") as second:
        second.add_table(tmp_path / "plan" / "box.csv")
        from_table = sorted(round(one.outline.area, 2) for one in second.scraps())
    put = {one.tag for one in done.put}
    assert from_table == sorted(round(one.outline.area, 2) for one in box.scraps() if one.tag in put)


def test_papers_come_in_as_the_plan_knows_them(box: Box) -> None:
    """Swatch and direction of a paper that is new to the box."""
    own = plan_from_json(sample())
    own = replace(own, papers=(replace(own.papers[0], direction="stripe"),))
    box.after(own)
    (paper,) = box.papers()
    assert (paper.name, paper.swatch, paper.direction) == ("red", "#a4452c", "stripe")


def _evenings(path: Path, scraps: int, count: int, used: int) -> None:
    rng = random.Random(11)
    with Box(path) as box:
        fill(box, scraps, rng)
        snaps = [snapshot(box)]
        plans: list[Plan] = []
        for number in range(count):
            stock = list(box.scraps())
            plans.append(evening(box, rng.sample(stock, min(used, len(stock))), title=f"evening {number}"))
            assert box.after(plans[-1]).again is None
            snaps.append(snapshot(box))
        assert len(box.evenings()) == count
    with Box(path) as box:
        for before in snaps[-2::-1]:
            assert box.undo() is not None
            assert snapshot(box) == before
        assert len(box.scraps()) == scraps
        for after in snaps[1:]:
            box.redo()
            assert snapshot(box)[-1] == after[-1]


def test_evenings_are_undone_one_by_one(tmp_path: Path) -> None:
    """Eight evenings, each undone to the very stock before it, and done again."""
    _evenings(tmp_path / "box.db", 40, 8, 6)


@pytest.mark.thorough
@pytest.mark.timeout(3000)
def test_a_hundred_evenings_on_a_thousand_scraps(tmp_path: Path) -> None:
    """The same at the size of a life with paper."""
    _evenings(tmp_path / "box.db", 1000, 100, 12)
