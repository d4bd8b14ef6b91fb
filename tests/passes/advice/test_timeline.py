"""The evening's time line."""

from __future__ import annotations

import pytest

from nestcut.batch.model import Evening, Machine, Pose
from nestcut.passes.advice.timeline import clock, time_line
from nestcut.plans.model import Cut, Layup, PaperOnPlate, Pass, Slot

MACHINE = Machine((150.0, 220.0), seconds_per_pass=60, seconds_per_die=15, seconds_per_trim=30)
LAYUPS = {
    "A": Layup("A", (Slot("leaf", Pose(20, 20)), Slot("fern", Pose(90, 90)))),
    "B": Layup("B", (Slot("leaf", Pose(20, 20)),)),
}


def one_pass(number: int, layup: str, scrap: str, slot: int = 0) -> Pass:
    return Pass(number, layup, (PaperOnPlate(scrap, Pose(0, 0)),), (Cut(slot, scrap),))


def test_end_agrees_with_the_contract_plus_breaks() -> None:
    """minutes = (cranks × 60 + dies set up × 15 + trims × 30) / 60, and the breaks on top."""
    passes = (
        *(one_pass(n, "A", "red-1") for n in (1, 2, 3)),
        one_pass(4, "A", "red-1", 1),
        one_pass(5, "B", "blue-1"),
    )
    events = time_line(
        MACHINE,
        Evening(break_every=2, break_minutes=5),
        LAYUPS,
        passes,
        trims=4,
        trips={"leaf": 1, "fern": 2},
        paper_of={"red-1": "red", "blue-1": "blue"},
    )
    breaks = [e for e in events if e.kind == "break"]
    assert [e.after_pass for e in breaks] == [2, 4]
    cranks = 3 + 2 + 1
    assert events[-1].kind == "end"
    assert events[-1].minute == pytest.approx((cranks * 60 + 3 * 15 + 4 * 30) / 60 + 2 * 5)
    assert [(e.what, e.after_pass) for e in events if e.kind == "paper done"] == [("red", 4), ("blue", 5)]
    assert [(e.what, e.after_pass) for e in events if e.kind == "set up"] == [("A", 0), ("B", 4)]
    assert events[0].kind == "trim"


def test_no_break_after_the_last_pass() -> None:
    """Who is done rests anyway."""
    passes = tuple(one_pass(n, "B", "x") for n in (1, 2))
    events = time_line(
        MACHINE, Evening(break_every=2), LAYUPS, passes, 0, {"leaf": 1, "fern": 1}, {"x": "red"}
    )
    assert not [e for e in events if e.kind == "break"]


def test_clock_goes_past_midnight() -> None:
    """A long evening ends after midnight."""
    assert clock("22:30", 95) == "00:05"
    assert clock("18:00", 0) == "18:00"


def test_an_empty_plan_ends_at_once() -> None:
    """Nothing to cut, nothing to do."""
    events = time_line(MACHINE, Evening(), LAYUPS, (), 0, {}, {})
    assert [e.kind for e in events] == ["end"]
    assert events[0].minute == 0
