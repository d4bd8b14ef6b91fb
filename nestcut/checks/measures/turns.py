"""Which turns a die can have on the plate when it cuts something that is asked for."""

from __future__ import annotations

from nestcut.batch.model import Die
from nestcut.checks.measures.report import TOLERANCE_MM
from nestcut.plans.model import Plan

__all__ = ["ALL_TURNS", "Interval", "paper_turns", "plate_turns"]

Interval = tuple[float, float]
"""Degrees, low ≤ high; turns are counted modulo 360."""

ALL_TURNS: tuple[Interval, ...] = ((0.0, 360.0),)
# The rules allow half a degree; a paper's quarter turn may be off by the tolerance. A little more is safe.
SLACK_DEG = 0.5 + 2 * TOLERANCE_MM


def plate_turns(plan: Plan, die_name: str) -> tuple[Interval, ...]:
    """Intervals of degrees that contain every turn of the die in any pass in which it cuts for the demand.

    A die that serves no line of demand may lie as it likes.
    """
    die = plan.die(die_name)
    if plan.hand.papers != "square":
        return ALL_TURNS
    papers = {paper for line in plan.demand if die_name in line.dies for paper in line.papers}
    directions = {paper.direction for paper in plan.papers if paper.name in papers}
    on_paper: list[Interval] = []
    for direction in directions:
        own = paper_turns(die, direction)
        if own == ALL_TURNS:
            return ALL_TURNS
        on_paper += own
    if not on_paper:
        return ALL_TURNS
    return tuple(
        sorted({(lo + quarter, hi + quarter) for lo, hi in on_paper for quarter in (0, 90, 180, 270)})
    )


def paper_turns(die: Die, direction: str) -> tuple[Interval, ...]:
    """Intervals of degrees that contain every turn of the die in the frame of a scrap with this direction."""
    wanted = {"none": None, "stripe": (0.0, 180.0), "up": (0.0,)}[direction]
    if die.turns == "any" and wanted is None:
        return ALL_TURNS
    if die.turns == "any" or wanted is None:
        return tuple(_around(float(turn)) for turn in (wanted or die.turns))
    return tuple(_both(die.turns, wanted))


def _around(turn: float) -> Interval:
    return (turn % 360.0 - SLACK_DEG, turn % 360.0 + SLACK_DEG)


def _both(turns: tuple[float, ...], wanted: tuple[float, ...]) -> list[Interval]:
    """Where a turn is near one of the die's own and near one of the paper's."""
    found = []
    for turn in turns:
        for want in wanted:
            off = (turn - want + 180.0) % 360.0 - 180.0
            if abs(off) <= 2 * SLACK_DEG:
                lo, hi = max(off, 0.0) - SLACK_DEG, min(off, 0.0) + SLACK_DEG
                found.append((want + lo, want + hi))
    return found
