"""The evening's time line."""

from __future__ import annotations

import pytest

from nestcut.batch.model import Evening, Pose
from nestcut.passes.advice.timeline import clock, time_line
from nestcut.plans.model import Cut, PaperOnPlate, Pass


def one_pass(number: int, layup: str, scrap: str, slot: int = 0) -> Pass:
    return Pass(number, layup, (PaperOnPlate(scrap, Pose(0, 0)),), (Cut(slot, scrap),))


def test_end_is_the_sum_of_all_that_takes_time() -> None:
    """Trims, every pass, and the breaks on top."""
    passes = (*(one_pass(n, "A", "red-1") for n in (1, 2, 3, 4)), one_pass(5, "B", "blue-1"))
    pass_s = [90.0, 30.0, 30.0, 60.0, 75.0]
    events = time_line(
        Evening(break_every=2, break_minutes=5), passes, 120.0, pass_s, {"red-1": "red", "blue-1": "blue"}
    )
    breaks = [e for e in events if e.kind == "break"]
    assert [e.after_pass for e in breaks] == [2, 4]
    assert events[-1].kind == "end"
    assert events[-1].minute == pytest.approx((120 + sum(pass_s)) / 60 + 2 * 5)
    done = [(e.what, e.after_pass, e.minute) for e in events if e.kind == "paper done"]
    assert done == [
        ("red", 4, pytest.approx((120 + 210) / 60 + 5)),
        ("blue", 5, pytest.approx((120 + 285) / 60 + 10)),
    ]
    set_up = [(e.what, e.after_pass, e.minute) for e in events if e.kind == "set up"]
    assert set_up == [("A", 0, 2.0), ("B", 4, pytest.approx((120 + 210) / 60 + 10))]
    assert events[0].kind == "trim"


def test_no_break_after_the_last_pass() -> None:
    """Who is done rests anyway."""
    passes = tuple(one_pass(n, "B", "x") for n in (1, 2))
    events = time_line(Evening(break_every=2), passes, 0.0, [60.0, 60.0], {"x": "red"})
    assert not [e for e in events if e.kind == "break"]


def test_clock_goes_past_midnight() -> None:
    """A long evening ends after midnight."""
    assert clock("22:30", 95) == "00:05"
    assert clock("18:00", 0) == "18:00"


def test_an_empty_plan_ends_at_once() -> None:
    """Nothing to cut, nothing to do."""
    events = time_line(Evening(), (), 0.0, [], {})
    assert [e.kind for e in events] == ["end"]
    assert events[0].minute == 0
