"""What lies under the dies: slabs, chips, schedules."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, MultiPoint, Point, Polygon, box

from nestcut.batch.model import CardLine, Hand, Paper, Pose
from nestcut.passes.common.convex_paper import grown_hull
from nestcut.passes.common.plate_rules import apart
from nestcut.passes.common.schedule import RunTask, run_tasks, stretches
from nestcut.passes.common.turns import paper_turns
from nestcut.passes.common.types import PlateRun
from nestcut.passes.parts.chips import chips_of, sites_of, whole_mm
from nestcut.passes.parts.regions import groups_of
from nestcut.passes.parts.slabs import Bed, Form, lay, moved
from nestcut.plans.model import Slot
from tests.shared.batches import batch_of, disc_die, label_die, sheets

QUARTERS = (0.0, 90.0, 180.0, 270.0)

corners = st.lists(
    st.tuples(st.floats(-30, 30).map(lambda v: round(v, 3)), st.floats(-30, 30).map(lambda v: round(v, 3))),
    min_size=3,
    max_size=9,
)
hulls = corners.map(lambda pts: MultiPoint(pts).convex_hull).filter(
    lambda h: isinstance(h, Polygon) and h.area > 20
)


@settings(max_examples=60, deadline=None)
@given(hulls, st.floats(0.0, 4.0), st.floats(0.0, 0.05))
def test_grown_hull_contains_everything_within_the_margin(hull: Polygon, margin: float, added: float) -> None:
    """Every point within the margin of the shape lies in the grown hull (Minkowski sum with a disc)."""
    grown = grown_hull(hull, margin, added=added)
    assert grown.covers(hull)
    assert hull.distance(grown.exterior) >= margin - 1e-9


@pytest.mark.parametrize("clockwise", [True, False])
def test_grown_hull_is_tight_whatever_way_the_ring_runs(clockwise: bool) -> None:
    """A triangle's margin follows its own sides, not the opposite ones."""
    triangle = Polygon([(0, 0), (30, 0), (0, 40)])
    shape = Polygon(list(triangle.exterior.coords)[:: -1 if clockwise else 1])
    grown = grown_hull(shape, 2.0, added=0.0)
    # Steiner's formula for convex sets: area + margin · perimeter + π · margin²; corners add a little.
    steiner = 600 + 2 * 120 + math.pi * 4
    assert steiner <= grown.area <= steiner * 1.02


@settings(max_examples=40, deadline=None)
@given(st.lists(hulls, min_size=1, max_size=4), st.integers(40, 140), st.integers(40, 140))
def test_laid_parts_are_apart_and_inside(outlines: list[Polygon], width: int, height: int) -> None:
    """No two laid parts share area, and none leaves the scrap or enters its hole."""
    scrap = box(0, 0, width, height).difference(Point(width / 2, height / 2).buffer(9))
    bed = Bed(scrap)
    laid = []
    for number, outline in enumerate(outlines):
        for part in lay(bed, 0, Form(outline, QUARTERS, 30), number, 30):
            laid.append(moved(outline, part.pose))
    for shape in laid:
        assert shape.difference(scrap).area < 1e-6
    for a, b in itertools.combinations(laid, 2):
        assert a.intersection(b).area < 1e-6


def test_squares_that_fill_a_sheet_all_fit() -> None:
    """20 mm squares with a hair of room: six by eight on 121 × 161 mm."""
    bed = Bed(box(0, 0, 121, 161))
    assert len(lay(bed, 0, Form(box(0, 0, 20, 20), (0.0,), 100), 0, 100)) == 48


def test_nothing_fits_a_scrap_that_is_too_small() -> None:
    """A part that is larger than the scrap is not laid."""
    assert lay(Bed(box(0, 0, 19, 100)), 0, Form(box(0, 0, 20, 20), QUARTERS, 5), 0, 5) == []


def test_chips_lie_on_whole_millimetres_and_keep_the_edge() -> None:
    """Each chip holds its cut and edge, stays off its neighbours, and starts on whole millimetres."""
    dies = [disc_die("a", 20), disc_die("b", 24), label_die("c", 30, 12)]
    batch = batch_of(dies, sheets("red", (100, 100)), [CardLine(("a",), ("red",), 1)])
    slots = [
        Slot("a", Pose(20.3, 20.7)),
        Slot("b", Pose(20.3 + 26.4, 20.7)),
        Slot("c", Pose(40.1, 60.2, 33.0)),
    ]
    sites = sites_of(batch, slots)
    chips = chips_of(batch, sites)
    assert chips is not None
    for chip, site in zip(chips, sites, strict=True):
        assert whole_mm(chip)
        assert chip.covers(site.cut)
        assert chip.exterior.distance(site.cut) >= 2.0
    for a, b in itertools.combinations(chips, 2):
        assert apart(a, b)


def test_no_chips_where_dies_leave_no_room_for_paper() -> None:
    """Two dies a hair apart, with an edge wider than their rims: no chip can keep off the other's cut."""
    dies = [disc_die("a", 20, rim_mm=0.2), disc_die("b", 20, rim_mm=0.2)]
    batch = batch_of(dies, sheets("red", (100, 100)), [CardLine(("a",), ("red",), 1)], hand=Hand(edge_mm=6.0))
    sites = sites_of(batch, [Slot("a", Pose(30, 30)), Slot("b", Pose(51.5, 30))])
    assert chips_of(batch, sites) is None


@pytest.mark.parametrize(
    ("direction", "turns", "plate", "expected"),
    [
        ("none", "any", 33.0, (0.0, 90.0, 180.0, 270.0)),
        ("stripe", "any", 33.0, ()),
        ("stripe", "any", 90.0, (90.0, 270.0)),
        ("up", "any", 90.0, (270.0,)),
        ("none", (0.0,), 90.0, (270.0,)),
        ("up", (180.0,), 0.0, ()),
    ],
)
def test_paper_turns_follow_the_turn_rules(direction, turns, plate, expected) -> None:
    """The die's angle in the scrap's frame is the plate's angle plus the part's turn."""
    die = label_die("a", 20, 10, turns=turns)
    assert paper_turns(die, Paper("red", direction=direction), plate) == expected


def test_every_cut_is_scheduled_once_and_rows_fit_the_passes() -> None:
    """A lay-up kept for x passes serves every table with rows up to x (König 1916)."""
    dies = [disc_die("a", 20), disc_die("b", 20)]
    lines = [CardLine((d,), (p,), 1) for d in "ab" for p in ("red", "white")]
    batch = batch_of(dies, sheets("red", (9, 9)) + sheets("white", (9, 9)), lines)
    run = PlateRun((Slot("a", Pose(20, 20)), Slot("b", Pose(60, 20))), 9, (9, 7))
    from collections import Counter

    wanted = Counter({("a", "red"): 5, ("a", "white"): 4, ("b", "red"): 1, ("b", "white"): 6})
    tasks, left = run_tasks(batch, [run], wanted)
    assert not left
    assert tasks[0].passes == 9
    done: Counter[tuple[str, str]] = Counter()
    for stretch in stretches(tasks[0]):
        for slot, paper in zip(run.slots, stretch.papers, strict=True):
            if paper:
                done[slot.die, paper] += stretch.last - stretch.first
    assert done == wanted


def test_slots_wait_for_the_busiest_to_share_its_paper() -> None:
    """With idle passes to spare, a slot takes a paper when the busiest slot takes it."""
    slots = (Slot("a", Pose(0, 0)), Slot("b", Pose(0, 0)))
    task = RunTask(slots, 10, ((("red", 6), ("white", 4)), (("red", 2), ("white", 3))))
    assert [(s.first, s.last, s.papers) for s in stretches(task)] == [
        (0, 2, ("red", "red")),
        (2, 6, ("red", None)),
        (6, 9, ("white", "white")),
        (9, 10, ("white", None)),
    ]


def test_neighbours_of_one_paper_share_a_part_and_others_keep_theirs() -> None:
    """Groups are hulls of chips, never across a chip of another paper."""
    chips = [box(0, 0, 20, 20), box(22, 0, 42, 20), box(44, 0, 64, 20), box(66, 0, 86, 20)]
    cuts = [chip.buffer(-2) for chip in chips]
    groups = groups_of(["red", "red", "white", "red"], chips, cuts, suits=lambda *_: True, waste={})
    assert sorted((paper, group.slots) for paper, group in groups) == [
        ("red", (0, 1)),
        ("red", (3,)),
        ("white", (2,)),
    ]
    assert not any(group.outline.crosses(LineString([(66, 0), (66, 20)])) for _, group in groups)
