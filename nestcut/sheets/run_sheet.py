"""The run sheet: one self-contained HTML page to print and keep at the machine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import Any

import jinja2
from markupsafe import Markup

from nestcut.plan.model import Layup, Plan, Shortage
from nestcut.sheets import words
from nestcut.sheets.layup import half, slot_measures
from nestcut.sheets.pictures import Album
from nestcut.sheets.plots import load_plot, trade_off_plot
from nestcut.sheets.runs import Block, Group, Lane, Run, group_passes
from nestcut.sheets.tables import (
    Clock,
    PullRow,
    clock_words,
    packing_rows,
    pieces_cut,
    pull_rows,
    remnant_rows,
    shares_words,
    time_line,
)
from nestcut.sheets.trimming import straight_cuts, trim_kinds
from nestcut.sheets.view import View
from nestcut.sheets.words import clipped, counted, id_list, length, number, plain

__all__ = ["label_sheet", "run_sheet"]

MOST_PICTURES = 120
MOST_TICKS = 120
PLATES_EVERY = 10
"""Passes after which the plates are turned over (common practice: now and then, so that they bow evenly)."""


@dataclass(slots=True)
class LaneText:
    """One paper of a run, in words."""

    label: str
    code: str
    paper: str
    arrow: str
    ids: str
    across: str
    along: str
    does: str
    rule: str
    new: bool


@dataclass(slots=True)
class RunText:
    """One run in words and a picture."""

    first: int
    last: int
    count: int
    heading: str
    lanes: list[LaneText]
    gone: str
    lifted: str
    picture: Markup | None


@dataclass(slots=True)
class BlockText:
    """Runs and their tick boxes."""

    runs: list[RunText]
    times: int
    first: int
    last: int
    ticks: list[Tick]
    each_box: str


@dataclass(slots=True)
class Tick:
    """A box to tick off."""

    label: str
    turn: bool = False
    rest: bool = False


@dataclass(slots=True)
class GroupText:
    """A lay-up that is set up once."""

    layup: str
    first: int
    last: int
    clock: str | None
    again: bool
    picture: Markup | None
    measures: list[Mapping[str, str]]
    load: Markup | None
    load_words: str
    blocks: list[BlockText] = field(default_factory=list)


def run_sheet(plan: Plan, layup_files: Mapping[str, Sequence[str]], trim_files: Mapping[int, str]) -> str:
    """The page as text.

    Args:
        plan: the evening.
        layup_files: lay-up id → names of the true-size files to print for it.
        trim_files: place in :func:`trim_kinds` → name of its true-size template.
    """
    album = Album(plan)
    codes = words.paper_codes([paper.name for paper in plan.papers])
    clock = time_line(plan)
    groups = _groups(plan, album, codes, clock)
    pull = pull_rows(plan)
    used = {row.paper for row in pull}
    context = {
        "plan": plan,
        "title": plain(plan.title),
        "view": album.view,
        "definitions": Markup(album.definitions()),
        "papers": [
            {"code": codes[paper.name], "name": plain(paper.name), "swatch": Markup(album.swatch(paper))}
            for paper in plan.papers
            if paper.name in used
        ],
        "summary": _summary(plan, clock),
        "clock": _clock_rows(plan, clock),
        "short": [_shortage(one) for one in plan.short],
        "missing": [_missing(one) for one in plan.demand if one.met < one.count],
        "files": [(plain(layup.id), list(layup_files.get(layup.id, ()))) for layup in plan.layups],
        "pull": _pull(pull, album, codes),
        "trims": _trims(plan, album, codes, trim_files),
        "groups": groups,
        "sorting": _sorting(plan, codes),
        "packing": _packing(plan, codes),
        "remnants": _remnants(plan, album, codes),
        "trade_off": _trade_off(plan),
        "what_if": _what_if(plan),
        "notes": [plain(note) for note in plan.notes],
        "plates_every": PLATES_EVERY,
    }
    return _template("run_sheet.html").render(context)


def label_sheet(plan: Plan) -> str:
    """Labels for the containers, one for each die and paper, to print and cut apart."""
    album = Album(plan)
    codes = words.paper_codes([paper.name for paper in plan.papers])
    found = pieces_cut(plan)
    labels = [
        {
            "die": clipped(die.name, 40),
            "paper": clipped(paper.name, 30),
            "code": codes[paper.name],
            "count": found[die.name, paper.name],
            "picture": Markup(album.piece_picture(die, paper.name)),
        }
        for die in plan.dies
        for paper in plan.papers
        if found.get((die.name, paper.name))
    ]
    context = {"title": plain(plan.title), "definitions": Markup(album.definitions()), "labels": labels}
    return _template("labels.html").render(context)


@lru_cache(maxsize=2)
def _template(name: str) -> jinja2.Template:
    text = (files("nestcut.sheets") / "templates" / name).read_text(encoding="utf-8")
    room = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    room.filters.update(plain=plain, counted=counted)
    return room.from_string(text)


# ---------------------------------------------------------------------- head


def _summary(plan: Plan, clock: Clock) -> Mapping[str, Any]:
    totals, bound = plan.totals, plan.bound
    reason = plain(bound.reason).rstrip(".")
    if totals.passes == bound.passes:
        proof = f"{counted(totals.passes, 'pass', 'passes')}, the fewest possible"
        proof += f": {reason}." if reason else "."
    elif bound.passes > 0:
        proof = f"No plan can do it in fewer than {counted(bound.passes, 'pass', 'passes')}"
        proof += f": {reason}." if reason else "."
    else:
        proof = ""
    rest = len(clock.breaks) * plan.evening.break_minutes
    end = clock_words(plan.evening.start, clock.end)
    facts = [
        (f"{totals.passes:,}".replace(",", "\u202f"), "passes" if totals.passes != 1 else "pass"),
        (str(totals.changes), "lay-up to set up" if totals.changes == 1 else "lay-ups to set up"),
        (f"{totals.pieces:,}".replace(",", "\u202f"), "pieces"),
        (words.minutes_words(totals.minutes + rest), f"with {counted(len(clock.breaks), 'break')}" if clock.breaks else "in all"),
    ]
    if end and plan.evening.start:
        facts.append((f"{plain(plan.evening.start)} – {end}", "start and end"))
    parts = [f"{counted(totals.cranks, 'crank')} through the machine" if totals.cranks != totals.passes else ""]
    if totals.trims:
        parts.append(f"{counted(totals.trims, 'trim')} beforehand")
    if plan.kits > 1:
        parts.append(f"{counted(plan.kits, 'kit')}")
    return {"facts": facts, "proof": proof, "more": ", ".join(part for part in parts if part)}


def _clock_rows(plan: Plan, clock: Clock) -> Mapping[str, Any]:
    start = plan.evening.start

    def at(minutes: float) -> str:
        return clock_words(start, minutes) or f"after {words.minutes_words(minutes)}"

    # On a short evening this is told by the passes themselves.
    done = [] if len(plan.passes) < 10 else [f"{plain(paper)} after pass {number_} ({at(minutes)})" for paper, number_, minutes in clock.paper_done]
    breaks = ""
    if clock.breaks:
        shown = ", ".join(str(one) for one in clock.breaks[:12])
        tail = " …" if len(clock.breaks) > 12 else ""
        breaks = f"{number(plan.evening.break_minutes)} min after pass {shown}{tail}"
    return {"done": done, "breaks": breaks, "trims": words.minutes_words(clock.trims) if clock.trims else ""}


def _shortage(one: Shortage) -> Mapping[str, str]:
    what = f"{plain(one.paper)} paper" if one.paper else f"the {', '.join(plain(die) for die in one.dies)} die"
    dies = ", ".join(plain(die) for die in one.dies)
    pieces = counted(one.pieces, "piece")
    sheets = " or ".join(
        f"{counted(count, f'sheet of {plain(size)}', f'sheets of {plain(size)}')}" for size, count in one.sheets.items() if count
    )
    return {
        "what": what,
        "how_much": f"{pieces}{f' ({dies})' if one.paper and dies else ''} missing"
        + (f", about {words.area(one.area_mm2)} of paper" if one.area_mm2 else ""),
        "buy": f"Buy {sheets}." if sheets else "",
        "proved": "Proved." if one.proved else "Not proved: the time ran out, and more time may find room.",
        "reason": plain(one.reason),
    }


def _missing(line: Any) -> Mapping[str, str]:
    dies = " or ".join(clipped(die) for die in line.dies)
    papers = " or ".join(clipped(paper) for paper in line.papers)
    lost = line.count - line.met
    spare = min(lost, line.spares)
    return {
        "card": plain(line.card),
        "what": f"{dies} in {papers}",
        "met": f"{line.met} of {line.count}",
        "lost": f"{counted(spare, 'spare')}" + (f" and {counted(lost - spare, 'piece')} of the kits" if lost > spare else ""),
    }


# ---------------------------------------------------------------------- papers


def _pull(pull: Sequence[PullRow], album: Album, codes: Mapping[str, str]) -> list[Mapping[str, Any]]:
    rows = []
    for row in pull:
        rows.append(
            {
                "code": codes[row.paper],
                "paper": plain(row.paper),
                "ids": id_list(row.ids, most=30),
                "count": len(row.ids),
                "size": album.size_words(row.outline),
                "trimmed": row.trimmed,
                "picture": Markup(album.paper_picture(row.paper, row.outline, most=(20.0, 20.0))),
            }
        )
    return rows


def _trims(
    plan: Plan, album: Album, codes: Mapping[str, str], trim_files: Mapping[int, str]
) -> list[Mapping[str, Any]]:
    rows = []
    for place, kind in enumerate(trim_kinds(plan)):
        labels = [str(k + 1) for k in range(len(kind.parts))]
        cuts = straight_cuts(kind.outline, kind.parts, labels) or []
        left, upper = kind.outline.bounds[:2]
        sizes: dict[object, list[int]] = {}
        for k, part in enumerate(kind.parts):
            # After straight cuts, parts of one size are told in one line; scissors need each part's place.
            sizes.setdefault(album.size_words(part) if cuts else k, []).append(k)
        parts = [
            {
                "label": id_list((labels[k] for k in same), most=12),
                "size": album.size_words(kind.parts[same[0]]),
                "at": f"{number(kind.parts[same[0]].bounds[0] - left)} / {number(kind.parts[same[0]].bounds[1] - upper)}",
                "ids": id_list((ids[k] for ids in kind.part_ids for k in same), most=12),
            }
            for same in sizes.values()
        ]
        rows.append(
            {
                "code": codes[kind.paper],
                "paper": plain(kind.paper),
                "scraps": id_list(kind.scraps, most=30),
                "count": len(kind.scraps),
                "size": album.size_words(kind.outline),
                "cuts": cuts,
                "parts": parts,
                "file": trim_files.get(place, ""),
                "picture": Markup(
                    album.paper_picture(
                        kind.paper, kind.outline, parts=list(zip(labels, kind.parts, strict=True)), most=(50.0, 44.0)
                    )
                ),
            }
        )
    return rows


def _remnants(plan: Plan, album: Album, codes: Mapping[str, str]) -> Mapping[str, Any]:
    kept, rest = remnant_rows(plan)
    pictures = {id(row): index < 60 for index, row in enumerate(kept)}
    rows = [
        {
            "code": codes[row.paper],
            "scrap": id_list(row.scraps, most=6),
            "count": len(row.scraps),
            "size": album.size_words(row.outline),
            "rectangle": f"{number(row.rectangle[0], 0)} × {length(row.rectangle[1])}",
            "area": words.area(row.outline.area),
            "picture": Markup(album.paper_picture(row.paper, row.outline, most=(20.0, 20.0)))
            if pictures[id(row)]
            else None,
        }
        for row in kept
    ]
    return {"rows": rows, "rest": len(rest), "rest_ids": id_list(rest, most=20)}


# ---------------------------------------------------------------------- passes


def _groups(plan: Plan, album: Album, codes: Mapping[str, str], clock: Clock) -> list[GroupText]:
    groups = group_passes(plan)
    drawn = [run for group in groups for block in group.blocks for run in block.runs][:MOST_PICTURES]
    wanted = {lane.first.scrap for run in drawn for lane in run.lanes}
    earlier: dict[str, list[Any]] = {name: [] for name in wanted}
    by_number = {one.number: one for one in plan.passes}
    rests, last_number = set(clock.breaks), plan.passes[-1].number if plan.passes else 0
    loads = plan.extras.get("loads") if isinstance(plan.extras.get("loads"), Mapping) else {}
    seen: set[str] = set()
    told: list[GroupText] = []
    at = 0
    passes = list(plan.passes)
    left = {id(run) for run in drawn}
    for place, group in enumerate(groups):
        layup = album.layups[group.layup]
        again = group.layup in seen
        seen.add(group.layup)
        minutes = clock.group_starts[place]
        load = loads.get(group.layup) if isinstance(loads, Mapping) else None
        text = GroupText(
            plain(layup.id),
            group.first,
            group.last,
            clock_words(plan.evening.start, minutes),
            again,
            None if again else Markup(album.layup_picture(layup)),
            [] if again else _measures(layup, album),
            *(_load(load, plan) if isinstance(load, Mapping) and not again else (None, "")),
        )
        labels = _Labels(codes)
        for block in group.blocks:
            runs = []
            for index, run in enumerate(block.runs):
                names = labels.of(run)
                picture = None
                if id(run) in left:
                    while at < len(passes) and passes[at].number < run.first:
                        album.add_cuts(earlier, passes[at])
                        at += 1
                    one = by_number[run.first]
                    shown = {lane.first.scrap: names[k] for k, lane in enumerate(run.lanes)}
                    picture = Markup(album.pass_picture(one, shown, earlier))
                twins = block.all_runs[index :: len(block.runs)]
                runs.append(_run_text(run, twins, names, album, layup, codes, picture))
            ticks, each = _ticks(block, rests, last_number)
            text.blocks.append(BlockText(runs, block.times, block.first, block.last, ticks, each))
        told.append(text)
    return told


class _Labels:
    """R1, R2, W1: a paper's code and a number that stays with its place while the lay-up stays."""

    def __init__(self, codes: Mapping[str, str]):
        self.codes = codes
        self.names: dict[object, str] = {}
        self.counts: dict[str, int] = {}

    def of(self, run: Run) -> list[str]:
        found: list[str] = []
        for lane in run.lanes:
            keys = [("scrap", lane.scraps[0]), (lane.paper, lane.slots)] if lane.slots else [("scrap", lane.scraps[0])]
            name = next((self.names[key] for key in keys if self.names.get(key) and self.names[key] not in found), None)
            if name is None:
                self.counts[lane.paper] = self.counts.get(lane.paper, 0) + 1
                name = f"{self.codes[lane.paper]}{self.counts[lane.paper]}"
            found.append(name)
            for scrap in lane.scraps:
                self.names["scrap", scrap] = name
            if lane.slots:
                self.names[lane.paper, lane.slots] = name
        return found


def _measures(layup: Layup, album: Album) -> list[Mapping[str, str]]:
    return [
        {"number": str(one.number), "name": one.name, "across": half(one.across_mm), "along": half(one.along_mm)}
        for one in slot_measures(layup, album.dies)
    ]


def _load(load: Mapping[str, Any], plan: Plan) -> tuple[Markup | None, str]:
    plot = load_plot(load, plan.machine.plate_mm[1])
    peak, at = load.get("peak_mm"), load.get("at_mm")
    said = ""
    if isinstance(peak, int | float) and isinstance(at, int | float):
        said = f"Hardest to crank {number(at, 0)} mm from the first end: {number(peak, 0)} mm of cutting edge under the roller at once."
    return (Markup(plot), said) if plot else (None, "")


def _along(view: View, y_mm: float) -> str:
    return f"{number(-y_mm, 0)} past it" if y_mm < -0.5 else number(y_mm, 0)


def _lane_text(lane: Lane, twins: Sequence[Lane], label: str, run: Run, album: Album, codes: Mapping[str, str]) -> LaneText:
    view = album.view
    ids = [scrap for twin in twins for scrap in twin.scraps]
    distinct = list(dict.fromkeys(ids))
    does = {
        "new": "lay it",
        "next": "lay the next one",
        "stays": "stays where it is",
        "moved": f"pull it on {view.step_words(*lane.moved)}",
    }[lane.before]
    turned_over = "other side up" if lane.first.flipped else ""
    rule = ""
    if lane.before == "moved" and run.count > 1 and lane.step is not None:
        dx, dy = lane.step[0] - lane.moved[0], lane.step[1] - lane.moved[1]
        if abs(dx) < 0.05 and abs(dy) < 0.05:
            does = f"pull it on {view.step_words(*lane.step)}, now and after each pass"
    if run.count > 1:
        parts = []
        still = lane.step is None or (abs(lane.step[0]) < 0.05 and abs(lane.step[1]) < 0.05)
        if not still and lane.step is not None and "after each pass" not in does:
            parts.append(f"after each pass pull it on {view.step_words(*lane.step)}")
        if len(lane.scraps) > 1:
            follow = counted(len(lane.scraps) - 1, "more like it", "more like it")
            begin = ""
            if lane.start is not None and (abs(lane.start[0] - lane.box[0]) > 0.05 or abs(lane.start[1] - lane.box[1]) > 0.05):
                along = (
                    f"sticking out {length(-lane.start[1])} past the first end"
                    if lane.start[1] < -0.5
                    else f"{length(lane.start[1])} from the first end"
                )
                begin = f", laid {length(lane.start[0])} from the {view.side}, {along}"
            elif not still:
                begin = ", begun where this one began"
            if lane.per_scrap == 1 and lane.first_uses == 1:
                parts.append("a fresh one for each pass")
            elif lane.per_scrap and lane.per_scrap == lane.first_uses:
                parts.append(f"each one lasts {counted(lane.per_scrap, 'pass', 'passes')}, then the next ({follow}){begin}")
            elif lane.per_scrap:
                parts.append(
                    f"this one lasts {counted(lane.first_uses, 'pass', 'passes')}, then {follow}, "
                    f"{counted(lane.per_scrap, 'pass', 'passes')} each{begin}"
                )
            else:
                parts.append(f"after {counted(lane.first_uses, 'pass', 'passes')} the next{begin}")
        elif still:
            parts.append("stays through these passes")
        rule = "; ".join(parts)
    return LaneText(
        label,
        codes[lane.paper],
        plain(lane.paper),
        album.laid_words(lane.first),
        id_list(distinct, most=8),
        number(lane.box[0], 0 if abs(lane.box[0] - round(lane.box[0])) < 0.05 else 1),
        _along(view, lane.box[1]),
        ", ".join(part for part in (does, turned_over) if part),
        rule,
        lane.before in ("new", "next"),
    )


def _run_text(
    run: Run, twins: Sequence[Run], names: Sequence[str], album: Album, layup: Layup, codes: Mapping[str, str], picture: Markup | None
) -> RunText:
    lanes = [
        _lane_text(lane, [twin.lanes[k] for twin in twins], names[k], run, album, codes)
        for k, lane in enumerate(run.lanes)
    ]
    down = set(run.down)
    lifted = [f"{k + 1} {clipped(slot.die, 30)}" for k, slot in enumerate(layup.slots) if k not in down]
    heading = f"Pass {run.first}" if run.count == 1 else f"Passes {run.first} to {run.last}"
    return RunText(
        run.first, run.last, run.count, heading, lanes, id_list(run.gone, most=8), ", ".join(lifted), picture
    )


def _ticks(block: Block, rests: set[int], last: int) -> tuple[list[Tick], str]:
    """The boxes of a block: one per pass; one per repeat or ten passes where there would be too many."""
    count = block.last - block.first + 1
    if count <= MOST_TICKS:
        return [
            Tick(str(one), one % PLATES_EVERY == 0 and one != last, one in rests)
            for one in range(block.first, block.last + 1)
        ], ""
    size = 10
    while count / size > 250:
        size *= 10
    ticks = []
    for low in range(block.first, block.last + 1, size):
        high = min(low + size - 1, block.last)
        ticks.append(Tick(str(high), True, any(low <= one <= high for one in rests) if len(rests) < 500 else False))
    return ticks, f"One box for {size} passes; its number is the last of them."


# ---------------------------------------------------------------------- afterwards


def _sorting(plan: Plan, codes: Mapping[str, str]) -> Mapping[str, Any]:
    found = pieces_cut(plan)
    wanted: dict[tuple[str, str], int] = {}
    for line in plan.demand:
        for share in line.by:
            wanted[share.die, share.paper] = wanted.get((share.die, share.paper), 0) + share.count
    extra = sum(found.values()) - sum(wanted.values())
    spares = sum(max(0, line.spares - (line.count - line.met)) for line in plan.demand)
    parts = [f"{counted(spares, 'spare')} as asked for"] if spares else []
    if extra > 0:
        parts.append(f"{counted(extra, 'piece')} cut beyond the demand")
    told = f"Among them {' and '.join(parts)}." if parts else ""
    papers = [paper.name for paper in plan.papers if any(key[1] == paper.name for key in found)]
    dies = [die.name for die in plan.dies if any(key[0] == die.name for key in found)]
    rows = [
        {
            "die": plain(die),
            "cells": [found.get((die, paper), 0) for paper in papers],
            "total": sum(found.get((die, paper), 0) for paper in papers),
        }
        for die in dies
    ]
    return {
        "papers": [(codes[paper], plain(paper)) for paper in papers],
        "rows": rows,
        "totals": [sum(found.get((die, paper), 0) for die in dies) for paper in papers],
        "total": sum(found.values()),
        "words": told,
        "containers": sum(1 for count in found.values() if count),
    }


def _packing(plan: Plan, codes: Mapping[str, str]) -> Mapping[str, Any]:
    rows = [
        {
            "card": plain(row.card),
            "kits": row.kits,
            "copies": ", ".join(str(copy) for copy in row.copies),
            "pieces": [(count, plain(die), plain(paper)) for count, die, paper in shares_words(row.pieces)],
        }
        for row in packing_rows(plan)
    ]
    lines = [
        {
            "card": plain(line.card),
            "pieces": [(share.count, plain(share.die), plain(share.paper)) for share in line.by],
            "met": line.met,
            "spares": max(0, line.spares - (line.count - line.met)),
        }
        for line in plan.demand
    ]
    return {"rows": rows, "lines": lines, "copies": any(row["copies"] != "1" for row in rows)}


def _signed(value: object, unit: str) -> str:
    if not isinstance(value, int | float) or value != value:
        return "–"
    if unit == "mm2":
        value, unit = value / 100.0, "cm²"
    text = number(abs(value), 0 if abs(value) >= 10 else 1)
    sign = "−" if value < 0 else "+"
    return f"{sign}{text} {unit}".strip() if text != "0" else "0"


def _trade_off(plan: Plan) -> Mapping[str, Any] | None:
    points = plan.extras.get("trade_off")
    if not isinstance(points, Sequence) or isinstance(points, str):
        return None
    known = [one for one in points if isinstance(one, Mapping)]
    if len(known) < 2:
        return None

    def cell(one: Mapping[str, Any], key: str) -> str:
        value = one.get(key)
        if not isinstance(value, int | float):
            return "–"
        if key == "paper_mm2":
            return words.area(value)
        return words.minutes_words(value) if key == "minutes" else number(value, 0)

    rows = [
        {"chosen": bool(one.get("chosen")), "cells": [cell(one, key) for key in ("passes", "layups", "trims", "paper_mm2", "minutes")]}
        for one in known
    ]
    plot = trade_off_plot(known)
    return {"rows": rows, "plot": Markup(plot) if plot else None}


def _what_if(plan: Plan) -> list[Mapping[str, str]]:
    ideas = plan.extras.get("what_if")
    if not isinstance(ideas, Sequence) or isinstance(ideas, str):
        return []
    return [
        {
            "what": plain(one.get("what", "")),
            "passes": _signed(one.get("passes"), ""),
            "minutes": _signed(one.get("minutes"), "min"),
            "paper": _signed(one.get("paper_mm2"), "mm2"),
        }
        for one in ideas
        if isinstance(one, Mapping)
    ]
