"""The plate's rules: window, gap, turns, places of papers."""

from __future__ import annotations

import pytest
import shapely
from shapely.geometry import box

from nestcut.batch.model import CardLine, Die, Machine, Paper, Pose, Scrap
from nestcut.passes.common.load import stagger
from nestcut.passes.common.plate_rules import keeps_gap, lay_up_holds, places_of, suits, turns_in_rows
from nestcut.plans.model import Slot
from tests.shared.batches import batch_of

MACHINE = Machine(plate_mm=(150.0, 220.0), clear_mm=2.0, overhang_mm=100.0)
BAR = Die("bar", cut=box(-20, -4, 20, 4), rim=box(-21, -5, 21, 5))


@pytest.mark.parametrize(
    ("gap_mm", "apart_mm", "holds"),
    [
        (1.0, 1.0, True),
        (1.0, 1.0 - 4e-7, True),
        (1.0, 0.99999, False),
        (0.0, 0.0, True),
        (0.0, -1e-5, False),
        (0.0, -5.0, False),
    ],
)
def test_rims_keep_the_gap_and_never_overlap(gap_mm: float, apart_mm: float, holds: bool) -> None:
    """Two rims are a gap apart, within half a millionth of a millimetre; without a gap they may touch, not overlap."""
    one, two = box(10, 10, 50, 20), box(50 + apart_mm, 10, 90, 20)
    assert keeps_gap(one, [two], gap_mm) is holds
    assert lay_up_holds(MACHINE.window, gap_mm, [one, two]) is holds


def test_rims_stay_in_the_window() -> None:
    """A rim that comes nearer to the plate's edge than the batch keeps clear is no lay-up."""
    assert lay_up_holds(MACHINE.window, 1.0, [box(2, 2, 40, 40)])
    assert not lay_up_holds(MACHINE.window, 1.0, [box(1.9, 2, 40, 40)])
    assert not lay_up_holds(MACHINE.window, 1.0, [box(100, 2, 148.1, 40)])


def test_dies_turned_for_the_crank_do_not_overlap_without_a_gap() -> None:
    """Where the batch asks for no gap, dies that are turned and shifted still lie beside each other."""
    slots = tuple(Slot("bar", Pose(30 + 43 * i, 100, 0)) for i in range(3))
    moved = stagger(slots, {"bar": BAR}, MACHINE, gap_mm=0.0, turns={"bar": None}, seed=3)
    assert moved != slots
    rims = [slot.pose.apply(BAR.rim) for slot in moved]
    assert all(shapely.intersection(a, b).area < 1e-3 for i, a in enumerate(rims) for b in rims[:i])


def test_papers_hang_out_at_the_ends_only() -> None:
    """A paper begins on whole millimetres, between the sides of the plate, and hangs out over an end by the overhang at most."""
    assert places_of(MACHINE, (100.0, 300.0)) == (50, -100, 20)
    assert places_of(MACHINE, (150.5, 10.0)) is None
    assert places_of(MACHINE, (10.0, 421.0)) is None


def test_turns_of_a_die_in_rows_suit_its_papers() -> None:
    """A die that may be turned freely lies square where a paper has a direction; listed turns come with those of the papers."""
    listed = Die("bar", cut=BAR.cut, rim=BAR.rim, turns=(0.8,))
    paper = Paper("felt", direction="up")
    scraps = [Scrap("s", "felt", box(0, 0, 100, 100))]
    batch = batch_of([BAR, listed], scraps, [CardLine(("bar",), ("felt",), 1)], papers=[paper])
    assert turns_in_rows(batch, BAR, ["felt"]) == (0.0,)
    assert turns_in_rows(batch, listed, ["felt"]) == (0.8, pytest.approx(0.4))
    assert suits(batch, listed, ["felt"], 90.4)
    assert not suits(batch, listed, ["felt"], 90.8)
