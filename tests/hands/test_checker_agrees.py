"""The planner and the checker, each with code of its own, count the same actions."""

from __future__ import annotations

from dataclasses import asdict, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate
from shapely.geometry import Point, Polygon, box

from nestcut.batch.model import Die, Hand, HandSeconds, Machine, Paper, Pose, Scrap
from nestcut.checks.measures.report import Notebook
from nestcut.checks.measures.table import build_table
from nestcut.checks.rules.handling import actions_of, minutes_of_actions
from nestcut.hands import evening_actions, minutes_of, pass_actions, seconds_by_pass, trim_actions
from nestcut.plans import plan_from_json, plan_to_json
from nestcut.plans.model import Bound, Cut, Layup, PaperOnPlate, Pass, Plan, Slot, Totals, Trim
from tests.shared.strategies import hand_seconds

FEW = [
    Pose(x, y, deg) for x, y, deg in ((20, 20, 0), (60, 20, 0), (20, 60, 90), (60, 60, 0), (20, 20, 360.0))
]
SHEET = box(0, 0, 120, 150)


@st.composite
def cut_up(draw: st.DrawFn) -> list[Polygon]:
    """Parts of a sheet: cut in two again and again, some pieces dropped, one perhaps cut round."""
    pieces = [SHEET]
    for _ in range(draw(st.integers(0, 6))):
        piece = pieces.pop(draw(st.integers(0, len(pieces) - 1)))
        x0, y0, x1, y1 = piece.bounds
        share = draw(st.sampled_from([0.25, 1 / 3, 0.5, 0.61]))
        if draw(st.booleans()):
            x = x0 + share * (x1 - x0)
            pieces += [box(x0, y0, x, y1), box(x, y0, x1, y1)]
        else:
            y = y0 + share * (y1 - y0)
            pieces += [box(x0, y0, x1, y), box(x0, y, x1, y1)]
    kept = [piece for piece in pieces if draw(st.integers(0, 3))] or pieces[:1]
    if draw(st.booleans()):
        x0, y0, x1, y1 = kept[0].bounds
        kept[0] = Point((x0 + x1) / 2, (y0 + y1) / 2).buffer(0.4 * min(x1 - x0, y1 - y0), quad_segs=8)
    return kept


@st.composite
def handled_plans(draw: st.DrawFn) -> Plan:
    """Few poses, few papers, copies, lay-ups that come again, flips, dies of several trips and pieces; no rule of the
    plate is kept, for none of them says what an action is."""
    dies = tuple(
        Die(
            name,
            box(-5, -5, 5, 5) if draw(st.booleans()) else box(-5, -5, -1, 5).union(box(1, -5, 5, 5)),
            box(-6, -6, 6, 6),
            copies=draw(st.integers(1, 3)),
            trips=draw(st.integers(1, 2)),
        )
        for name in ("leaf", "fern")
    )
    parts = draw(cut_up())
    trims = (Trim("s0", tuple((f"s0-{n}", part) for n, part in enumerate(parts))),)
    papers = ["s1", "s2", *(f"s0-{n}" for n in range(min(2, len(parts))))]
    layups = []
    for name in "AB":
        slots = []
        for die in dies:
            where = draw(st.lists(st.sampled_from(FEW[:4]), max_size=die.copies, unique=True))
            slots += [Slot(die.name, pose) for pose in where]
        layups.append(Layup(name, tuple(slots or [Slot("leaf", FEW[0])])))
    passes = []
    for number in range(1, draw(st.integers(2, 12))):
        layup = draw(st.sampled_from(layups))
        lying = draw(st.lists(st.sampled_from(papers), min_size=1, max_size=3, unique=True))
        down = draw(st.lists(st.integers(0, len(layup.slots) - 1), min_size=1, unique=True))
        passes.append(
            Pass(
                number,
                layup.id,
                tuple(PaperOnPlate(one, draw(st.sampled_from(FEW)), draw(st.booleans())) for one in lying),
                tuple(Cut(slot, draw(st.sampled_from(lying))) for slot in down),
            )
        )
    return Plan(
        title="",
        complete=True,
        machine=Machine((150.0, 220.0), dies=draw(st.sampled_from(["over", "under"]))),
        hand=Hand(seconds=draw(hand_seconds())),
        papers=(Paper("red", both_sides=True),),
        dies=dies,
        scraps=tuple(Scrap(f"s{n}", "red", SHEET) for n in range(3)),
        trims=trims,
        demand=(),
        layups=tuple(layups),
        passes=tuple(passes),
        bound=Bound(0, ""),
        totals=Totals(0, 0, 0, 0, 0, 0.0),
        remnants=(),
    )


@pytest.mark.thorough
@settings(max_examples=300, deadline=None)
@given(handled_plans())
def test_planner_and_checker_count_the_same(plan: Plan) -> None:
    """Every action, and the minutes."""
    ours, theirs = evening_actions(plan), actions_of(plan, build_table(plan, Notebook()))
    assert theirs.pop("scissors_mm") == pytest.approx(ours.scissors_mm, abs=0.01)
    assert {name: count for name, count in asdict(ours).items() if name != "scissors_mm"} == theirs
    minutes = minutes_of(ours, plan.hand.seconds, plan.machine)
    assert minutes == pytest.approx(minutes_of_actions(plan, {**theirs, "scissors_mm": ours.scissors_mm}))
    trim_s, pass_s = seconds_by_pass(plan)
    assert minutes == pytest.approx((trim_s + sum(pass_s)) / 60.0)


@settings(max_examples=60, deadline=None)
@given(handled_plans())
def test_reading_back_changes_no_count(plan: Plan) -> None:
    """Written and read, every pose is the same to the last bit."""
    plan = replace(plan, totals=replace(plan.totals, actions=evening_actions(plan)))
    again = plan_from_json(plan_to_json(plan))
    assert again.totals.actions == plan.totals.actions == evening_actions(again)
    assert again.hand == plan.hand


@pytest.mark.thorough
@settings(max_examples=100, deadline=None)
@given(handled_plans(), st.randoms(use_true_random=False))
def test_the_order_of_passes_changes_only_what_it_may(plan: Plan, chance) -> None:
    """Cranks, pieces and trims are the same in any order; so is how often dies go down less how often they come off, but for
    those that are down at the end; within a pass the order of papers and cuts changes nothing at all."""
    first = evening_actions(plan)
    passes = list(plan.passes)
    chance.shuffle(passes)
    mixed = evening_actions(replace(plan, passes=tuple(passes)))
    for name in ("crank", "free", "trim_take", "trim_cut", "trim_cut_again", "scissors_mm"):
        assert getattr(mixed, name) == getattr(first, name)
    for done, end in ((first, plan.passes[-1]), (mixed, passes[-1])):
        assert done.put_back + done.set_up - done.lift == len(end.cuts)
        assert done.lay - done.take_away == len(end.papers)
    inside = [
        replace(one, papers=one.papers[::-1], cuts=tuple(chance.sample(one.cuts, len(one.cuts))))
        for one in plan.passes
    ]
    assert evening_actions(replace(plan, passes=tuple(inside))) == first


@pytest.mark.thorough
@settings(max_examples=60, deadline=None)
@given(handled_plans(), st.sampled_from([90.0, 33.0, 180.0]))
def test_another_name_or_place_is_the_same_work(plan: Plan, deg: float) -> None:
    """Ids of scraps and lay-ups say nothing about hands, nor does where on the plate all of it lies."""
    moved = [
        replace(
            one,
            slots=tuple(
                replace(slot, pose=Pose(slot.pose.x_mm + 3, slot.pose.y_mm, slot.pose.deg + deg))
                for slot in one.slots
            ),
        )
        for one in plan.layups
    ]
    assert evening_actions(replace(plan, layups=tuple(moved))) == evening_actions(plan)
    names = {"A": "Z", "B": "Y"}
    renamed = replace(
        plan,
        layups=tuple(replace(one, id=names[one.id]) for one in plan.layups),
        passes=tuple(replace(one, layup=names[one.layup]) for one in plan.passes),
    )
    assert evening_actions(renamed) == evening_actions(plan)


@pytest.mark.thorough
@settings(max_examples=100, deadline=None)
@given(cut_up(), st.sampled_from([0.0, 17.0, 90.0, 211.5]))
def test_trims_are_counted_alike_at_any_angle(parts: list[Polygon], deg: float) -> None:
    """The same cuts, pieces and length with scissors by both, for sheets that were drawn turned."""
    from nestcut.checks.measures.trim_cuts import trim_cuts

    sheet, turned = rotate(SHEET, deg, (0, 0)), [rotate(part, deg, (0, 0)) for part in parts]
    done = trim_actions([Trim("s", tuple((str(n), part) for n, part in enumerate(turned)))], {"s": sheet})
    new, again, scissors_mm = trim_cuts(sheet, turned)
    assert (done.trim_cut, done.trim_cut_again) == (new, again)
    assert done.scissors_mm == pytest.approx(scissors_mm, abs=0.01)
    if not scissors_mm:  # else lines too close for a straight cut are gone around
        assert done.trim_cut + done.trim_cut_again + 1 >= len(parts)


def test_a_single_pass() -> None:
    """A die set up over a paper that is laid, one crank, one piece: 15 + 12 + 15 + 3 seconds; the pace divides them."""
    machine = Machine((100.0, 100.0))
    seconds = HandSeconds()
    one = next(
        iter(
            pass_actions(
                machine,
                Hand(),
                {"leaf": Die("leaf", box(0, 0, 1, 1), box(0, 0, 1, 1))},
                {"A": Layup("A", (Slot("leaf", FEW[0]),))},
                [Pass(1, "A", (PaperOnPlate("s", FEW[0]),), (Cut(0, "s"),))],
            )
        )
    )
    assert minutes_of(one, seconds, machine) == pytest.approx((15 + 12 + 15 + 3) / 60)
    assert minutes_of(one, replace(seconds, pace=2.0), machine) == pytest.approx((15 + 12 + 15 + 3) / 120)
