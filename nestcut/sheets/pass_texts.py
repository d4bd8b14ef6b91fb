"""The passes in words, as the run sheet's template takes them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from markupsafe import Markup

from nestcut.batch.model import Pose
from nestcut.plan.model import Layup, PaperOnPlate, Plan
from nestcut.sheets.course import PLATES_EVERY, StageText, Tick, along_words, course, needs_course, ticks
from nestcut.sheets.layup import half, slot_measures
from nestcut.sheets.pictures import Album
from nestcut.sheets.plots import load_plot
from nestcut.sheets.runs import Feed, Lane, Run, group_passes
from nestcut.sheets.tables import (
    Clock,
    clock_words,
)
from nestcut.sheets.words import clipped, counted, id_list, length, number, plain

__all__ = ["PLATES_EVERY", "BlockText", "GroupText", "LaneText", "RunText", "group_texts"]

MOST_PICTURES = 120


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

    @property
    def short(self) -> bool:
        """True where what to do fits beside the scrap's id."""
        return len(self.ids) + len(self.does) + len(self.rule) < 54


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
    course: list[StageText] = field(default_factory=list)
    """The run pass by pass, where too many scraps follow each other for a sentence; else empty."""
    course_words: str = ""


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


def group_texts(plan: Plan, album: Album, codes: Mapping[str, str], clock: Clock) -> list[GroupText]:
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
                    shown = {
                        lane.first.scrap: f"{names[k]} {_arrow(lane, album)}".strip()
                        for k, lane in enumerate(run.lanes)
                    }
                    picture = Markup(album.pass_picture(one, shown, earlier))
                twins = block.all_runs[index :: len(block.runs)]
                staged = block.times == 1 and needs_course(run)
                told_run = _run_text(run, twins, names, album, layup, codes, picture, staged)
                if staged:
                    told_run.course, told_run.course_words = course(run, names, album, rests, last_number)
                runs.append(told_run)
            boxes, each = ticks(block.first, block.last, rests, last_number)
            text.blocks.append(BlockText(runs, block.times, block.first, block.last, boxes, each))
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
            keys = (
                [("scrap", lane.scraps[0]), (lane.paper, lane.slots)]
                if lane.slots
                else [("scrap", lane.scraps[0])]
            )
            name = next(
                (self.names[key] for key in keys if self.names.get(key) and self.names[key] not in found),
                None,
            )
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
        {
            "number": str(one.number),
            "name": one.name,
            "across": half(one.across_mm),
            "along": half(one.along_mm),
        }
        for one in slot_measures(layup, album.dies)
    ]


def _load(load: Mapping[str, Any], plan: Plan) -> tuple[Markup | None, str]:
    plot = load_plot(load, plan.machine.plate_mm[1])
    peak, at = load.get("peak_mm"), load.get("at_mm")
    said = ""
    if isinstance(peak, int | float) and isinstance(at, int | float):
        said = f"Hardest to crank {number(at, 0)} mm from the first end: {number(peak, 0)} mm of cutting edge under the roller at once."
    return (Markup(plot), said) if plot else (None, "")


def _arrow(lane: Lane, album: Album) -> str:
    return "" if lane.any_turn else album.laid_words(lane.first)


def _lane_text(
    lane: Lane,
    twins: Sequence[Lane],
    label: str,
    run: Run,
    album: Album,
    codes: Mapping[str, str],
    staged: bool,
) -> LaneText:
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
        if lane.uneven:
            return LaneText(
                label,
                codes[lane.paper],
                plain(lane.paper),
                album.laid_words(lane.first),
                id_list(distinct[:1], most=1),
                number(lane.box[0], 0 if abs(lane.box[0] - round(lane.box[0])) < 0.05 else 1),
                along_words(lane.box[1]),
                ", ".join(part for part in (does, turned_over) if part),
                _feed_words(
                    lane,
                    [] if staged else [twin.feeds for twin in twins],
                    album,
                    "after each pass" not in does,
                ),
                lane.before in ("new", "next"),
            )
        still = lane.step is None or (abs(lane.step[0]) < 0.05 and abs(lane.step[1]) < 0.05)
        if not still and lane.step is not None and "after each pass" not in does:
            parts.append(f"after each pass pull it on {view.step_words(*lane.step)}")
        if len(lane.scraps) > 1:
            follow = counted(len(lane.scraps) - 1, "more like it", "more like it")
            begin = ""
            if lane.start is not None and (
                abs(lane.start[0] - lane.box[0]) > 0.05 or abs(lane.start[1] - lane.box[1]) > 0.05
            ):
                along = (
                    f"sticking out {length(-lane.start[1])} past the first end"
                    if lane.start[1] < -0.5
                    else f"{length(lane.start[1])} from the first end"
                )
                begin = f", laid {length(lane.start[0])} from the {view.side}, {along}"
            elif not still:
                begin = ", begun where this one began"
            if lane.per_scrap == 1 and lane.first_uses == 1:
                parts.append("a fresh one each pass")
            elif lane.per_scrap and lane.per_scrap == lane.first_uses:
                parts.append(
                    f"each one lasts {counted(lane.per_scrap, 'pass', 'passes')}, then the next ({follow}){begin}"
                )
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
        _arrow(lane, album),
        id_list(distinct, most=8),
        number(lane.box[0], 0 if abs(lane.box[0] - round(lane.box[0])) < 0.05 else 1),
        along_words(lane.box[1]),
        ", ".join(part for part in (does, turned_over) if part),
        rule,
        lane.before in ("new", "next"),
    )


def _feed_words(lane: Lane, twins: Sequence[Sequence[Feed]], album: Album, tell_step: bool) -> str:
    """How a lane goes through scraps that are not all alike: which, for how many passes, laid where.

    Args:
        twins: the scraps of each repeat; none where the run's stages name them.
        tell_step: say how far they are pulled on; False where that was said already.
    """
    view = album.view
    several_turns = len({feed.deg for feed in lane.feeds}) > 1
    one_column = len({round(feed.corner[0], 1) for feed in lane.feeds}) == 1
    parts = []
    if tell_step and lane.step is not None and max(abs(lane.step[0]), abs(lane.step[1])) >= 0.05:
        parts.append(f"pull each one on {view.step_words(*lane.step)} after every pass")
    if not twins:
        return "; ".join([*parts, "fresh ones as told below"])
    stretch: list[tuple[Feed, list[str]]] = []
    for k, feed in enumerate(lane.feeds):
        names = [feeds[k].scrap for feeds in twins]
        last = stretch[-1][0] if stretch else None
        alike = (
            last is not None
            and last.uses == feed.uses
            and abs(last.deg - feed.deg) < 1e-6
            and all(abs(a - b) < 0.05 for a, b in zip(last.corner, feed.corner, strict=True))
        )
        if alike:
            stretch[-1][1].extend(names)
        else:
            stretch.append((feed, names))
    for place, (feed, names) in enumerate(stretch):
        lasts = f"{counted(feed.uses, 'pass', 'passes')}" + (" each" if len(set(names)) > 1 else "")
        if not place and len(set(names)) == 1:
            # The scrap itself and its arrow stand beside these words.
            parts.append(f"it lasts {lasts}")
            continue
        words = id_list(dict.fromkeys(names), most=30)
        if several_turns:
            paper = PaperOnPlate(feed.scrap, Pose(0.0, 0.0, feed.deg), lane.first.flipped)
            words += f" {album.laid_words(paper)}"
        words = ("then " if place else "") + f"{words}, {lasts}"
        if place:
            where = "" if one_column else f"{number(feed.corner[0], 0)} from the {view.side}, "
            words += f", begun {where}{along_words(feed.corner[1])}" + (
                "" if feed.corner[1] < -0.5 else " from the first end"
            )
        parts.append(words)
    return "; ".join(parts)


def _run_text(
    run: Run,
    twins: Sequence[Run],
    names: Sequence[str],
    album: Album,
    layup: Layup,
    codes: Mapping[str, str],
    picture: Markup | None,
    staged: bool,
) -> RunText:
    lanes = [
        _lane_text(lane, [twin.lanes[k] for twin in twins], names[k], run, album, codes, staged)
        for k, lane in enumerate(run.lanes)
    ]
    down = set(run.down)
    lifted = [f"{k + 1} {clipped(slot.die, 30)}" for k, slot in enumerate(layup.slots) if k not in down]
    heading = f"Pass {run.first}" if run.count == 1 else f"Passes {run.first} to {run.last}"
    kept = any(lane.before in ("stays", "moved") for lane in run.lanes)
    gone = id_list(run.gone, most=8) if kept or len(run.gone) < 4 else "all papers"
    return RunText(run.first, run.last, run.count, heading, lanes, gone, ", ".join(lifted), picture)
