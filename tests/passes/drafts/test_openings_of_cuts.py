"""Frames and what could lie inside: between passes an opening of a cut is gone with it."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import pytest
from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, CardLine, Die, Hand, Machine, Paper, Pose
from nestcut.checks import check_plan
from nestcut.passes import plan_batch
from nestcut.passes.common.schedule import RunTask
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.drafts.inside import inside_openings
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft, RunDraft
from nestcut.passes.parts.chips import sites_of
from nestcut.plans.model import Bound, Share, Slot
from tests.shared.batches import batch_of, disc_die, sheets


def frame_die(name: str, outer_mm: float, inner_mm: float, *, metal_mm: float = 2.0, copies: int = 1) -> Die:
    """A square frame; its metal leaves an opening."""

    def square(side: float) -> Polygon:
        return box(-side / 2, -side / 2, side / 2, side / 2)

    cut = square(outer_mm).difference(square(inner_mm))
    rim = square(outer_mm + 2 * metal_mm).difference(square(inner_mm - 2 * metal_mm))
    return Die(name, cut, rim, copies=copies, turns=(0.0,))


def class_of_frames(*, web_mm: float, edge_mm: float, side_mm: float, kits: int = 9) -> Batch:
    """Frames with discs that fit into them, and too little paper for all side by side."""
    dies = [frame_die("frame", 54.0, 36.0), replace(disc_die("disc", 15.0), copies=2)]
    lines = [CardLine(("frame",), ("red",), 1), CardLine(("disc",), ("red",), 2)]
    scraps = sheets("red", *[(side_mm, side_mm)] * 2)
    hand = Hand(web_mm=web_mm, edge_mm=edge_mm)
    return batch_of(dies, scraps, lines, kits=kits, plate=(150.0, 220.0), hand=hand)


@pytest.mark.parametrize(("web", "edge", "side"), [(2.5, 1.0, 125.0), (2.5, 2.0, 129.0), (0.0, 1.0, 125.0)])
def test_scarce_paper_for_frames_and_discs_is_planned(web: float, edge: float, side: float) -> None:
    """Nests laid discs into openings that another pass had cut away: no plan came out of it."""
    plan = plan_batch(class_of_frames(web_mm=web, edge_mm=edge, side_mm=side), seconds=4)
    report = check_plan(plan)
    assert report.ok, report.faults[:3]
    assert not [note for note in plan.notes if "broke a rule" in note]
    assert not plan.complete


def frames_only(*, disc_mm: float = 15.0, copies: int = 1, discs: int = 1, **change: Any) -> Batch:
    """Three scraps, each just large enough for a frame: discs can only come out of the openings."""
    dies = [frame_die("frame", 54.0, 36.0), replace(disc_die("disc", disc_mm), copies=copies)]
    lines = [CardLine(("frame",), ("red",), 1), CardLine(("disc",), ("red",), discs)]
    scraps = sheets("red", *[(60.0, 60.0)] * 3)
    return replace(batch_of(dies, scraps, lines, kits=3, plate=(150.0, 220.0)), **change)


def test_discs_are_cut_in_the_openings_of_frames_in_the_same_pass() -> None:
    """All there is room for at all: three frames, and a disc out of each."""
    plan = plan_batch(frames_only(), seconds=60, work_limit=2)
    report = check_plan(plan)
    assert report.ok, report.faults[:3]
    assert [line.met for line in plan.demand] == [3, 3]
    assert plan.totals.passes == 3
    frame = Polygon(frames_only().dies[0].cut.exterior)  # type: ignore[union-attr]
    assert sum(remnant.outline.area for remnant in plan.remnants) == pytest.approx(3 * (3600 - frame.area))


def in_frames(batch: Batch) -> PaperedPasses:
    """A pass with a frame for each scrap, all discs missing."""
    slots = (Slot("frame", Pose(40.0, 50.0, 90.0)),)
    runs = [RunDraft(RunTask(slots, 3, ((),)), sites_of(batch, slots), [], [])]
    uses = [
        PartUse(scrap.id, scrap.outline, Pose(10.0, 20.0, 0.0), (0,), "red", whole=True)
        for scrap in batch.scraps
    ]
    missing = Counter({("disc", "red"): batch.demand[1].count})
    return PaperedPasses(runs, [PassDraft(0, [use]) for use in uses], missing)


@pytest.mark.parametrize(
    ("change", "made"),
    [
        ({}, 3),
        ({"copies": 2, "discs": 2}, 3),  # two rims of 18.2 mm and a gap do not go into an opening of 32 mm
        ({"copies": 2, "discs": 2, "disc_mm": 9.0}, 6),
        ({"copies": 1, "discs": 2, "disc_mm": 9.0}, 3),  # a copy cuts once a pass
        ({"disc_mm": 28.0}, 0),  # its rim and the gap do not go into it at all
        ({"hand": Hand(web_mm=9.0)}, 3),  # 10.5 mm stay between the cuts
        ({"hand": Hand(web_mm=11.0)}, 0),
        ({"papers": (Paper("red", direction="up"),)}, 3),  # the frame is turned on it, the disc need not be
        ({"machine": Machine((150.0, 220.0), clear_mm=0.0)}, 3),
    ],
)
def test_openings_hold_what_metal_web_and_copies_allow(change: dict[str, Any], made: int) -> None:
    """Counted by hand; every pass obeys the rules, and no cut is made twice or forgotten."""
    batch = frames_only(**change)
    given = in_frames(batch)
    got = inside_openings(batch, given)
    asked = batch.demand[1].count
    assert got.missing["disc", "red"] == asked - made
    assert given.missing["disc", "red"] == asked
    shares = ((Share("frame", "red", 3),), (Share("disc", "red", made),) if made else ())
    plan = assemble(batch, batch.demand, shares, got, Bound(1, ""), proof={})
    faults = check_plan(plan).faults
    # The frame lies across on a paper with an up here, and what is missing is not explained.
    assert {fault.rule for fault in faults} <= {"turn", "direction", "short"}
    assert not [fault for fault in faults if fault.die == "disc"]
    assert sum(cut.slot > 0 for one in plan.passes for cut in one.cuts) == made
    assert len({one.layup for one in plan.passes}) == 1
