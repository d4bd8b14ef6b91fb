"""The evening's time line: when each lay-up starts, when each paper is done, breaks, the end.

A person cranks, so every so many passes there is a break. How long trims and passes take is counted by
:mod:`nestcut.hands`; trims are made before the first pass.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from nestcut.batch.model import Evening
from nestcut.plans.model import Pass

__all__ = ["TimeEvent", "clock", "time_line"]


@dataclass(frozen=True, slots=True)
class TimeEvent:
    """Something that happens ``minute`` minutes after the start."""

    minute: float
    kind: Literal["trim", "set up", "break", "paper done", "end"]
    what: str
    """Lay-up id, paper name, or empty."""
    after_pass: int
    """The number of the pass that it follows; 0: before the first."""


def time_line(
    evening: Evening,
    passes: tuple[Pass, ...],
    trim_s: float,
    pass_s: Sequence[float],
    paper_of: Mapping[str, str],
) -> tuple[TimeEvent, ...]:
    """All events in order.

    Args:
        trim_s: seconds of trimming before the first pass.
        pass_s: seconds of each pass, with all that is done for it.
        paper_of: scrap or part id → paper name.
    """
    events: list[TimeEvent] = []
    seconds = 0.0
    if trim_s:
        events.append(TimeEvent(0.0, "trim", "", 0))
        seconds += trim_s
    last_pass_of: dict[str, int] = {}
    for a_pass in passes:
        for cut in a_pass.cuts:
            last_pass_of[paper_of[cut.scrap]] = a_pass.number
    on_plate: str | None = None
    rested_at = 0
    for count, (a_pass, takes) in enumerate(zip(passes, pass_s, strict=True), start=1):
        if a_pass.layup != on_plate:
            events.append(TimeEvent(seconds / 60.0, "set up", a_pass.layup, a_pass.number - 1))
            on_plate = a_pass.layup
        seconds += takes
        for paper, number in last_pass_of.items():
            if number == a_pass.number:
                events.append(TimeEvent(seconds / 60.0, "paper done", paper, a_pass.number))
        if evening.break_every and count - rested_at >= evening.break_every and count < len(passes):
            events.append(TimeEvent(seconds / 60.0, "break", "", a_pass.number))
            seconds += evening.break_minutes * 60.0
            rested_at = count
    events.append(TimeEvent(seconds / 60.0, "end", "", passes[-1].number if passes else 0))
    return tuple(events)


def clock(start: str, minute: float) -> str:
    """The time of day, "HH:MM", some minutes after ``start``, rounded up; past midnight it goes on from 00:00.

    Raises: ValueError when ``start`` is not "HH:MM".
    """
    hours, minutes = (int(part) for part in start.split(":"))
    total = hours * 60 + minutes + math.ceil(minute - 1e-9)
    return f"{total // 60 % 24:02d}:{total % 60:02d}"
