"""A run pass by pass: the boxes to tick, and before them which scraps are laid when.

Where a lane eats up strip after strip, a sentence that names them all can't be followed at the machine.
The run is then told as *stages*: the scraps to lay now, and a box for each pass until the next change.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from nestcut.batch.model import Pose
from nestcut.plans.model import PaperOnPlate
from nestcut.sheets.drawings.pictures import Album
from nestcut.sheets.drawings.words import clipped, number, trip_word
from nestcut.sheets.runs.runs import Feed, Lane, Run

__all__ = [
    "PLATES_EVERY",
    "FeedText",
    "StageText",
    "Tick",
    "along_words",
    "differs",
    "feed_arrow",
    "in_stages",
    "stages",
    "ticks",
]

MOST_TICKS = 120
"""Boxes to tick in a row of the course; above, counts are written."""
MOST_TICKS_TWICE = 600
"""The same where some pass needs several trips: a box for ten passes could not show them."""
MOST_ALIKE = 6
"""Scraps all alike that follow each other; more of them are told by their rule (each one lasts so many passes)."""
PLATES_EVERY = 10
"""Passes after which the plates are turned over (common practice: now and then, so that they bow evenly)."""


@dataclass(slots=True)
class Tick:
    """A box to tick off."""

    label: str
    turn: bool = False
    rest: bool = False
    again: tuple[str, ...] = ()
    """Further boxes of the same pass, one for each trip after the first: "2nd", "3rd"."""


@dataclass(slots=True)
class FeedText:
    """A scrap to lay: in whose place, which one, how it is turned and how far from the first end."""

    label: str
    arrow: str
    does: str
    """Empty for a fresh scrap; "turn" or "move" for one that lies there already."""
    scrap: str
    where: str


@dataclass(slots=True)
class StageText:
    """The passes between two changes of scraps."""

    first: int
    feeds: list[FeedText]
    ticks: list[Tick]


def ticks(
    first: int, final: int, rests: set[int], last: int, trips: Mapping[int, int]
) -> tuple[list[Tick], str]:
    """The boxes of passes ``first`` to ``final``: one for each trip, or one for ten passes where there would be too many.

    Args:
        rests: passes after which the person rests.
        last: the plan's last pass; plates need not be turned after it.
        trips: number of a pass → its trips through the rollers.
    """
    count = final - first + 1
    often = [trips.get(one, 1) for one in range(first, final + 1)]
    if count <= MOST_TICKS or (max(often) > 1 and sum(often) <= MOST_TICKS_TWICE):
        return [
            Tick(
                str(one),
                one % PLATES_EVERY == 0 and one != last,
                one in rests,
                tuple(trip_word(trip) for trip in range(2, times + 1)),
            )
            for one, times in zip(range(first, final + 1), often, strict=True)
        ], ""
    size = 10
    while count / size > 250:
        size *= 10
    boxes = []
    for low in range(first, final + 1, size):
        high = min(low + size - 1, final)
        resting = any(low <= one <= high for one in rests) if len(rests) < 500 else False
        boxes.append(Tick(str(high), True, resting))
    return boxes, f"One box for {size} passes; its number is the last of them."


def along_words(y_mm: float) -> str:
    """How far a paper's upper edge lies from the end that goes in first, mm."""
    return f"{number(-y_mm, 0)} past it" if y_mm < -0.5 else number(y_mm, 0)


def in_stages(lane: Lane) -> bool:
    """True where the scraps that follow in a lane are told one by one, before the passes they are laid for."""
    if len(lane.feeds) == 1:
        return False
    return lane.uneven or (len(lane.feeds) <= MOST_ALIKE and lane.per_scrap != 1)


def stages(
    run: Run, labels: Sequence[str], album: Album, rests: set[int], last: int, trips: Mapping[int, int]
) -> list[StageText]:
    """The stages of a run; the first has nothing to lay but what the run's table says.

    Args:
        labels: the lanes' labels, in order.
        rests, last, trips: as for :func:`ticks`.
    """
    changes: dict[int, list[FeedText]] = {run.first: []}
    for lane, label in zip(run.lanes, labels, strict=True):
        if not in_stages(lane):
            continue
        across, told_apart = _across(lane), differs(lane)
        at, told = run.first, "" if lane.before == "moved" else _where(lane.feeds[0], across)
        for place, feed in enumerate(lane.feeds):
            if place:
                where = _where(feed, across)
                # Told once; then again only where it changes.
                said = "" if where == told else where
                former = lane.feeds[place - 1]
                does = ""
                if former.scrap == feed.scrap:
                    does = "turn" if abs(former.deg - feed.deg) > 1e-6 else "move"
                arrow = feed_arrow(feed, lane, album) if told_apart else ""
                changes.setdefault(at, []).append(FeedText(label, arrow, does, clipped(feed.scrap), said))
                told = where
            at += feed.uses
    starts = [*sorted(changes), run.last + 1]
    return [
        StageText(first, changes[first], ticks(first, after - 1, rests, last, trips)[0])
        for first, after in pairwise(starts)
    ]


def _across(lane: Lane) -> bool:
    """True where the scraps do not all begin at the same distance from the side."""
    return len({round(feed.corner[0], 1) for feed in lane.feeds}) > 1


def _where(feed: Feed, across: bool) -> str:
    along = along_words(feed.corner[1])
    return f"{number(feed.corner[0], 0)}, {along}" if across else along


def differs(lane: Lane) -> bool:
    """True where not all scraps of a lane point the same way."""
    return not lane.any_turn and len({one.deg for one in lane.feeds}) > 1


def feed_arrow(feed: Feed, lane: Lane, album: Album) -> str:
    """Which way the scrap points."""
    return album.laid_words(PaperOnPlate(feed.scrap, Pose(0.0, 0.0, feed.deg), lane.first.flipped))
