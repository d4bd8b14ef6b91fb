"""Every colour in a field of its own: rules by the independent checker, counts by hand."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from nestcut.batch import read_batch
from nestcut.batch.model import Batch, Machine
from nestcut.checks import check_plan
from nestcut.hands import evening_actions, minutes_of
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.makers.rows.fields import Size, corners, in_field, meet, sizes_of, whole_plate
from nestcut.passes.makers.rows.rows import RowsPlan, by_rows
from nestcut.passes.makers.rows.timetable import passes_of
from nestcut.passes.short.shortage import without_missing
from nestcut.plans.model import Bound, Plan, Share
from tests.benchmarks.passes_classes import random_class
from tests.shared.places import EXAMPLES
from tests.shared.squares import batch_of, square_die


def rows(batch: Batch, changes: int = 4, sizes: list[Size] | None = None) -> RowsPlan:
    return by_rows(batch, over=lambda: False, most=changes, sizes=sizes)


def plan_of(batch: Batch, evening: RowsPlan) -> Plan:
    """The plan for what was cut."""
    shares = tuple(tuple(Share(die, paper, n) for (die, paper), n in own) for own in evening.lines)
    shares = without_missing(batch, shares, evening.missing)
    return assemble(batch, batch.demand, shares, passes_of(batch, evening.placed), Bound(0, ""), proof={})


def minutes(plan: Plan) -> float:
    return minutes_of(evening_actions(plan), plan.hand.seconds, plan.machine)


def assert_holds(batch: Batch, evening: RowsPlan) -> Plan:
    """Every rule holds, and what is not missing is cut as often as it should be."""
    plan = plan_of(batch, evening)
    # What to buy is counted by the planner, not by the maker.
    faults = [fault for fault in check_plan(plan).faults if "say what is short" not in fault.message]
    assert not faults, [fault.message for fault in faults[:5]]
    wanted: Counter[tuple[str, str]] = Counter()
    for line in evening.lines:
        for key, count in line:
            wanted[key] += count
    asked = sum(-(-n // batch.die(die).pieces) for (die, _), n in wanted.items())
    assert sum(len(one.cuts) for one in plan.passes) == asked - sum(evening.missing.values())
    return plan


def test_two_colours_are_cut_side_by_side() -> None:
    """Six cuts of each, one die each: six passes with two papers, each die set up once and never lifted before the end."""
    batch = batch_of(
        [(square_die("a", 20), "red", 6), (square_die("b", 20), "blue", 6)],
        [("red", 24, 140), ("blue", 24, 140)],
    )
    plan = assert_holds(batch, rows(batch))
    assert len(plan.passes) == 6
    assert all(len(one.papers) == 2 for one in plan.passes)
    done = evening_actions(plan)
    assert (done.set_up, done.put_back, done.lift, done.lay, done.trim_take) == (2, 0, 0, 2, 0)
    assert done.pull_on + done.turn == 10


def test_four_narrow_colours_lie_in_the_four_corners() -> None:
    colours = ["red", "blue", "green", "white"]
    batch = batch_of(
        [(square_die(f"die-{paper}", 20), paper, 5) for paper in colours],
        [(paper, 30, 120) for paper in colours],
        plate=(100, 150),
    )
    plan = assert_holds(batch, rows(batch, changes=30))
    assert len(plan.passes) == 5
    assert all(len(one.papers) == 4 for one in plan.passes)


def test_a_die_that_two_colours_need_is_never_down_twice() -> None:
    """One copy and six cuts in all: six passes; two copies cut both colours twice as fast."""
    die = square_die("a", 20)
    lines = [(die, "red", 3), (die, "blue", 3)]
    scraps = [("red", 24, 140), ("blue", 24, 140)]
    one = batch_of(lines, scraps)
    one = replace(one, dies=(die,))
    assert len(assert_holds(one, rows(one)).passes) == 6
    two = replace(one, dies=(replace(die, copies=2),))
    assert len(assert_holds(two, rows(two)).passes) <= 4


@pytest.mark.thorough
def test_one_paper_a_pass_where_the_plate_is_one_field() -> None:
    batch = read_batch(EXAMPLES / "evening.toml")
    by_hand = rows(batch, 0, [whole_plate(batch.machine)])
    plan = assert_holds(batch, by_hand)
    assert not by_hand.missing
    assert all(len(one.papers) == 1 for one in plan.passes)
    assert not plan.trims


@pytest.mark.thorough
def test_the_evening_takes_less_in_rows_than_one_paper_a_pass() -> None:
    batch = read_batch(EXAMPLES / "evening.toml")
    found = rows(batch, 0, sizes_of(batch)[:5])
    assert not found.missing
    assert minutes(assert_holds(batch, found)) < minutes(
        plan_of(batch, rows(batch, 0, [whole_plate(batch.machine)]))
    )


@pytest.mark.first(1)
@pytest.mark.parametrize(("seed", "supply"), [(1, 1.5), (2, 3.0)])
def test_rules_hold_for_random_classes(seed: int, supply: float) -> None:
    batch = fewer(random_class(seed, size="small", supply=supply))
    assert_holds(batch, rows(batch, 3, sizes_of(batch)[:4]))


def fewer(batch: Batch) -> Batch:
    """A third of the pieces, the same scraps."""
    return replace(batch, kits=3, scraps=batch.scraps[::3])


@pytest.mark.first(1)
@pytest.mark.parametrize("trims", ["none", "straight"])
def test_the_wish_for_few_trims_is_kept(trims: str) -> None:
    batch = fewer(random_class(2, size="small", supply=3.0))
    batch = replace(batch, hand=replace(batch.hand, trims=trims))  # type: ignore[arg-type]
    plan = assert_holds(batch, rows(batch, 2, sizes_of(batch)[:4]))
    assert trims != "none" or not plan.trims


@pytest.mark.parametrize("direction", ["up", "stripe"])
def test_directed_papers_and_plates_in_inches(direction: str) -> None:
    """Scraps and plate are no whole millimetres wide, so what is turned round must slide to the grid again."""
    batch = batch_of(
        [(square_die("a", 20), "red", 6), (square_die("b", 22), "blue", 6)],
        [("red", 60.3, 140.4), ("blue", 50.8, 127.0), ("blue", 63.5, 76.2)],
        plate=(152.4, 222.25),
    )
    batch = replace(batch, papers=tuple(replace(paper, direction=direction) for paper in batch.papers))  # type: ignore[arg-type]
    found = rows(batch, 20)
    assert not found.missing
    assert_holds(batch, found)


def test_what_no_scrap_gives_is_missing() -> None:
    batch = batch_of([(square_die("a", 20), "red", 4)], [("red", 24, 70)])
    found = rows(batch)
    # 70 mm hold three squares of 20 mm with webs and edges of 2 mm: 2 + 20 + 2 + 20 + 2 + 20 + 2 = 68.
    assert found.missing == Counter({("a", "red"): 1})
    assert len(assert_holds(batch, found).passes) == 3


@pytest.mark.thorough
def test_the_same_twice() -> None:
    batch = fewer(random_class(2, size="small", supply=3.0))
    sizes = sizes_of(batch)[:3]
    assert plan_of(batch, rows(batch, 4, sizes)).passes == plan_of(batch, rows(batch, 4, sizes)).passes


def test_fields_that_fit_beside_each_other_do_not_meet() -> None:
    machine = Machine(plate_mm=(100.0, 151.0))
    batch = replace(batch_of([(square_die("a", 20), "red", 1)], [("red", 60, 60)]), machine=machine)
    assert whole_plate(machine) == Size(100, 151)
    assert Size(60, 75) in sizes_of(batch)
    assert Size(40, 75) in sizes_of(batch)
    wide, narrow = corners(machine, Size(60, 75)), corners(machine, Size(40, 75))
    assert len(wide) == len(narrow) == 4
    for one in wide:
        beside = [two for two in narrow if not meet(machine, one, two)]
        # The other side of the same end, and both sides of the other end.
        assert len(beside) == 3
        assert all(two.far != one.far or two.right != one.right for two in beside)
    assert all(meet(machine, one, two) == (one.far == two.far) for one in wide for two in wide)


def test_papers_of_a_field_stay_in_it() -> None:
    batch = batch_of([(square_die("a", 20), "red", 1)], [("red", 60, 60)])
    field = in_field(batch, Size(60, 75)).machine
    assert field.paper_field.bounds == (0.0, -150.0, 60.0, 75.0)
    assert field.window.bounds == (2.0, 2.0, 58.0, 73.0)
