"""Random valid plans of rectangles are found valid, and random shifts are judged as exact arithmetic judges them."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from nestcut.batch.model import Die, Hand, Machine, Paper, Pose
from nestcut.checks import check_plan
from nestcut.plans.model import Cut, Layup, PaperOnPlate, Pass, Plan, Slot
from tests.shared.checked_plans import line, make_plan

LENGTHS = st.integers(8, 60).map(lambda quarters: quarters / 4)  # 2 … 15 mm in quarters: exact in binary


@st.composite
def rectangle_plans(draw: st.DrawFn) -> Plan:
    """Dies in a row across the plate, each with strips of its own, pulled on along the feed.

    Everything lies on quarters of a millimetre and as tight as hand and rim allow.
    """
    edge = draw(st.sampled_from([0.0, 0.5, 2.0]))
    web = draw(st.sampled_from([0.0, 1.0, 2.5]))
    gap = draw(st.sampled_from([0.0, 0.5, 1.0]))
    rim = draw(st.sampled_from([0.5, 1.5, 2.0]))
    clear = draw(st.sampled_from([0.0, 2.0]))
    passes_count = draw(st.integers(1, 5))
    # Strips lie side by side: each needs the edge on both sides, on whole millimetres at its left.
    reach = max(rim + gap / 2, edge)
    x = clear + rim
    dies: list[Die] = []
    slots: list[Slot] = []
    strips = []
    for number in range(draw(st.integers(1, 4))):
        width, height = draw(LENGTHS), draw(LENGTHS)
        die = Die(
            f"die-{number}",
            box(0, 0, width, height),
            box(-rim, -rim, width + rim, height + rim),
            turns=(0.0,),
        )
        # The strip's left side lies on the next whole millimetre, its cut the edge to the right of it.
        paper_left = float(math.ceil(x - edge)) if number else float(max(0, math.ceil(x - edge)))
        cut_left = paper_left + edge
        dies.append(die)
        slots.append(Slot(die.name, Pose(cut_left, clear + rim, 0.0)))
        step = float(math.ceil(height + web))  # pulled on by whole millimetres
        strips.append((paper_left, step, width, height))
        x = cut_left + width + reach + max(reach, 1.0)
    scraps = {}
    passes: list[Pass] = []
    top = clear + rim - edge
    top_offset = (-top) % 1  # the strip's upper side must lie on whole millimetres
    for number, (_, step, width, height) in enumerate(strips):
        long = top_offset + 2 * edge + (passes_count - 1) * step + height
        scraps[f"strip-{number}"] = ("red", box(0, 0, 2 * edge + width, long))
    for index in range(passes_count):
        papers = tuple(
            PaperOnPlate(f"strip-{n}", Pose(left, top - top_offset - index * step, 0.0))
            for n, (left, step, _, _) in enumerate(strips)
        )
        cuts = tuple(Cut(n, f"strip-{n}") for n in range(len(strips)))
        passes.append(Pass(index + 1, "A", papers, cuts))
    demand = [
        line("card", [die.name], ["red"], passes_count, [(die.name, "red", passes_count)]) for die in dies
    ]
    return make_plan(
        dies=dies,
        scraps=scraps,
        papers=[Paper("red", direction="up")],
        layups=[Layup("A", tuple(slots))],
        passes=passes,
        demand=demand,
        machine=Machine((x + 20.0, 40.0), clear_mm=clear, overhang_mm=200.0),
        hand=Hand(web_mm=web, edge_mm=edge, gap_mm=gap),
    )


@settings(max_examples=60, deadline=None)
@given(rectangle_plans())
def test_random_valid_plans_pass(plan: Plan) -> None:
    """No false alarm on tight plans of rectangles, whatever the clearances, nought included."""
    report = check_plan(plan)
    assert report.ok, str(report)


@settings(max_examples=60, deadline=None)
@given(rectangle_plans(), st.integers(0, 3), st.integers(-6, 6))
def test_shifted_rims_are_judged_exactly(plan: Plan, number: int, quarters: int) -> None:
    """A die slid by quarters of a millimetre: ``window`` and ``rim-gap`` come as exact interval sums say."""
    slots = list(plan.layups[0].slots)
    number %= len(slots)
    pose = slots[number].pose
    slots[number] = replace(slots[number], pose=Pose(pose.x_mm + quarters / 4, pose.y_mm, 0.0))
    report = check_plan(replace(plan, layups=(Layup("A", tuple(slots)),)))
    spans = []
    for slot in slots:
        low, _, high, _ = plan.die(slot.die).rim.bounds
        spans.append((Fraction(low) + Fraction(slot.pose.x_mm), Fraction(high) + Fraction(slot.pose.x_mm)))
    clear, width = Fraction(plan.machine.clear_mm), Fraction(plan.machine.plate_mm[0])
    assert ("window" in report.rules) == any(lo < clear or hi > width - clear for lo, hi in spans)
    gap = Fraction(plan.hand.gap_mm)
    # All rims start at the same y, so the air between two is what lies between them across.
    crowded = any(max(a[0] - b[1], b[0] - a[1]) < gap for i, a in enumerate(spans) for b in spans[:i])
    assert ("rim-gap" in report.rules) == crowded


@settings(max_examples=60, deadline=None)
@given(rectangle_plans(), st.integers(0, 4), st.integers(-3, 3))
def test_shifted_strips_are_judged_exactly(plan: Plan, index: int, by: int) -> None:
    """A strip pulled on by some whole millimetres more or less: ``web`` and ``edge`` come as sums say."""
    index %= len(plan.passes)
    passes = list(plan.passes)
    first = passes[index].papers[0]
    moved = replace(first, pose=Pose(first.pose.x_mm, first.pose.y_mm + by, 0.0))
    passes[index] = replace(passes[index], papers=(moved, *passes[index].papers[1:]))
    report = check_plan(replace(plan, passes=tuple(passes)))
    height = Fraction(plan.dies[0].cut.bounds[3])
    tops = [
        Fraction(plan.layups[0].slots[0].pose.y_mm) - Fraction(a_pass.papers[0].pose.y_mm)
        for a_pass in passes
    ]
    long = Fraction(plan.scraps[0].outline.bounds[3])
    edge, web = Fraction(plan.hand.edge_mm), Fraction(plan.hand.web_mm)
    assert ("edge" in report.rules) == any(top < edge or top + height > long - edge for top in tops)
    near = any(max(a - b - height, b - a - height) < web for i, a in enumerate(tops) for b in tops[:i])
    assert ("web" in report.rules) == near
