"""Frames and what could lie inside: between passes an opening of a cut is gone with it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, CardLine, Die, Hand
from nestcut.check import check_plan
from nestcut.passes import plan_batch
from tests.passes.classes import batch_of, disc_die, sheets


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
