"""Papers under a rim are found anywhere on the plate and in every block of passes."""

from __future__ import annotations

import pytest
from shapely.geometry import box

from nestcut.batch.model import Hand, Paper, Pose
from nestcut.checks import check_plan
from nestcut.plans.model import Cut as CutOf
from nestcut.plans.model import Layup, Pass, Slot
from tests.shared.checked_plans import MACHINE, line, lying, make_plan, rectangle_die


@pytest.mark.parametrize("first", ["red-1", "red-2"])
@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("y", [16.0, 100.0])
@pytest.mark.parametrize("x", [22.5, 77.5])
def test_overlaps_are_found_all_over_the_plate(x: float, y: float, side: int, first: str) -> None:
    """A paper that reaches 1 mm under a rim beside its cut, wherever on the plate, on either side, listed first or last."""
    layup = Layup("A", (Slot("tile", Pose(x, y)),))
    beside = 10.5 if side > 0 else -20.5  # the cut ends 10 mm from its middle, the rim 11.5 mm
    for away, rules in ((0.0, {"metal-on-overlap"}), (side * 2.0, set())):
        papers = [lying("red-1", x - 12.5, y - 12), lying("red-2", x + beside + away, y - 5)]
        plan = make_plan(
            dies=[rectangle_die("tile", 20, 20)],
            scraps={"red-1": ("red", box(0, 0, 25, 24)), "red-2": ("red", box(0, 0, 10, 10))},
            papers=[Paper("red")],
            layups=[layup],
            passes=[Pass(1, "A", tuple(papers if first == "red-1" else papers[::-1]), (CutOf(0, "red-1"),))],
            demand=[line("card", ["tile"], ["red"], 1, [("tile", "red", 1)])],
            machine=MACHINE,
            hand=Hand(),
        )
        assert check_plan(plan).rules == rules


@pytest.mark.parametrize("block", [1, 2, 3])
def test_overlaps_are_found_in_every_block_of_passes(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Passes are measured some at a time: the last one is looked at like the first."""
    monkeypatch.setattr("nestcut.checks.rules.papers.BLOCK", block)
    layup = Layup("A", (Slot("tile", Pose(30.5, 30.0)),))
    outlines = {f"red-{n}": ("red", box(0, 0, 25, 24)) for n in range(4)} | {
        "small": ("red", box(0, 0, 10, 10))
    }
    for beside, wrong in ((43.0, set()), (41.0, {1, 2, 3, 4})):
        for number in wrong or {0}:
            passes = [
                Pass(
                    n + 1,
                    "A",
                    (lying(f"red-{n}", 18, 18), lying("small", beside if n + 1 == number else 43.0, 25)),
                    (CutOf(0, f"red-{n}"),),
                )
                for n in range(4)
            ]
            plan = make_plan(
                dies=[rectangle_die("tile", 20, 20)],
                scraps=outlines,
                papers=[Paper("red")],
                layups=[layup],
                passes=passes,
                demand=[line("card", ["tile"], ["red"], 4, [("tile", "red", 4)])],
                machine=MACHINE,
                hand=Hand(),
            )
            found = {(fault.rule, fault.pass_number) for fault in check_plan(plan).faults}
            assert found == ({("metal-on-overlap", number)} if wrong else set())
