"""The tables of the run sheet as plain values: time, scraps to pull, sorting, kits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.hands import seconds_by_pass
from nestcut.passes.advice import timeline
from nestcut.plans.model import Plan, Share
from nestcut.sheets.drawings.draw import parts_of

__all__ = [
    "PackingRow",
    "PullRow",
    "Timetable",
    "clock_words",
    "packing_rows",
    "pass_ranges",
    "pieces_cut",
    "pull_rows",
    "time_line",
    "trips_of_passes",
]


@dataclass(frozen=True, slots=True)
class Timetable:
    """Minutes after the start, trims included, at which things happen."""

    trims: float
    group_starts: tuple[float, ...]
    """For each setting-up of a lay-up, in order."""
    breaks: tuple[int, ...]
    """Numbers of the passes after which there is a break."""
    paper_done: tuple[tuple[str, int, float], ...]
    """(paper, last pass, minutes) in the order in which papers are done with."""
    end: float


def time_line(plan: Plan) -> Timetable:
    """When lay-ups begin, when to rest, and when the evening ends."""
    trim_s, pass_s = seconds_by_pass(plan)
    events = timeline.time_line(
        plan.evening,
        plan.passes,
        trim_s,
        pass_s,
        {name: paper for name, (paper, _) in plan.pieces_of_paper().items()},
    )
    done = sorted((e.after_pass, e.what, e.minute) for e in events if e.kind == "paper done")
    return Timetable(
        trim_s / 60.0,
        tuple(e.minute for e in events if e.kind == "set up"),
        tuple(e.after_pass for e in events if e.kind == "break"),
        tuple((paper, number, minute) for number, paper, minute in done),
        events[-1].minute,
    )


def trips_of_passes(plan: Plan) -> dict[int, int]:
    """Number of each pass → trips through the rollers: as many as the most demanding die that is down needs."""
    trips = {die.name: die.trips for die in plan.dies}
    slots = {layup.id: layup.slots for layup in plan.layups}
    return {
        one.number: max((trips[slots[one.layup][cut.slot].die] for cut in one.cuts), default=1)
        for one in plan.passes
    }


def pass_ranges(numbers: Iterable[int], *, most: int = 12) -> str:
    """Numbers of passes as a person lists them: "3, 54 to 67"."""
    spans: list[list[int]] = []
    for one in sorted(numbers):
        if spans and one == spans[-1][1] + 1:
            spans[-1][1] = one
        else:
            spans.append([one, one])
    told = []
    for first, last in spans[:most]:
        told += (
            [str(first)]
            if first == last
            else [f"{first} to {last}"]
            if last > first + 1
            else [f"{first}, {last}"]
        )
    return ", ".join(told) + (" and more" if len(spans) > most else "")


def clock_words(start: str | None, minutes: float) -> str | None:
    """The time of day, "20:05", so many minutes after the start; None where no start is known."""
    if not start:
        return None
    try:
        return timeline.clock(start, minutes)
    except ValueError:
        return None


def pieces_cut(plan: Plan) -> dict[tuple[str, str], int]:
    """(die, paper) → pieces that the passes cut, spares included."""
    pieces = {die.name: die.pieces for die in plan.dies}
    slots = {layup.id: layup.slots for layup in plan.layups}
    known = {name: paper for name, (paper, _) in plan.pieces_of_paper().items()}
    found: Counter[tuple[str, str]] = Counter()
    for one in plan.passes:
        for cut in one.cuts:
            die = slots[one.layup][cut.slot].die
            found[die, known[cut.scrap]] += pieces[die]
    return dict(found)


@dataclass(slots=True)
class PullRow:
    """Scraps of one paper and one outline that are taken from the box."""

    paper: str
    ids: list[str]
    outline: Polygon
    trimmed: bool


def pull_rows(plan: Plan) -> list[PullRow]:
    """All scraps that the evening uses, equal ones together; by paper, then in the box's order."""
    parts = {part: trim.scrap for trim in plan.trims for part, _ in trim.into}
    trimmed = {trim.scrap for trim in plan.trims}
    used: set[str] = set(trimmed)
    for one in plan.passes:
        used.update(paper.scrap for paper in one.papers)
    for name in list(used):
        while name in parts:
            name = parts[name]
            used.add(name)
    order = {paper.name: place for place, paper in enumerate(plan.papers)}
    rows: dict[object, PullRow] = {}
    for scrap in sorted(
        (one for one in plan.scraps if one.id in used), key=lambda one: order.get(one.paper, 0)
    ):
        key = (scrap.paper, scrap.id in trimmed, _ring_key(scrap.outline))
        rows.setdefault(key, PullRow(scrap.paper, [], scrap.outline, scrap.id in trimmed)).ids.append(
            scrap.id
        )
    return list(rows.values())


def _ring_key(shape: BaseGeometry) -> object:
    x0, y0, *_ = shape.bounds
    # + 0.0 turns −0.0 into 0.0, which has other bytes.
    return tuple(
        (np.round(shapely.get_coordinates(ring) - (x0, y0), 1) + 0.0).tobytes()
        for part in parts_of(shape)
        for ring in (part.exterior, *part.interiors)
    )


@dataclass(frozen=True, slots=True)
class PackingRow:
    """Kits that get the same pieces on a card."""

    card: str
    kits: str
    """"1–12" or "1–3, 7"."""
    copies: tuple[int, ...]
    """Which of the kit's cards of this name, 1 for the first."""
    pieces: tuple[Share, ...]


def _ranges(spans: Iterable[tuple[int, int]]) -> str:
    merged: list[list[int]] = []
    for first, last in sorted(spans):
        if merged and first <= merged[-1][1] + 1:
            merged[-1][1] = max(merged[-1][1], last)
        else:
            merged.append([first, last])
    return ", ".join(str(first) if first == last else f"{first}–{last}" for first, last in merged)


def packing_rows(plan: Plan) -> list[PackingRow]:
    """The kit pick list, kits with the same pieces together, cards in the plan's order."""
    by_kits: dict[tuple[str, int, tuple[Share, ...]], list[tuple[int, int]]] = {}
    for one in plan.packing:
        by_kits.setdefault((one.card, one.copy, one.pieces), []).append((one.first, one.last))
    merged: dict[tuple[str, str, tuple[Share, ...]], list[int]] = {}
    for (card, copy, pieces), spans in by_kits.items():
        merged.setdefault((card, _ranges(spans), pieces), []).append(copy)
    order = {card.name: place for place, card in enumerate(plan.cards)}
    rows = [
        PackingRow(card, kits, tuple(sorted(copies)), pieces)
        for (card, kits, pieces), copies in merged.items()
    ]
    return sorted(rows, key=lambda row: (order.get(row.card, 0), row.card, row.copies, _first(row.kits)))


def _first(kits: str) -> int:
    return int(kits.replace(",", "–").split("–")[0])


def shares_words(shares: Sequence[Share]) -> list[tuple[int, str, str]]:
    """(count, die, paper) of each share, equal ones added up."""
    found: Counter[tuple[str, str]] = Counter()
    for share in shares:
        found[share.die, share.paper] += share.count
    return [(count, die, paper) for (die, paper), count in found.items()]
