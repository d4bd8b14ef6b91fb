"""The passes in words, as the run sheet's template takes them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from markupsafe import Markup

from nestcut.plans.model import Layup, Plan
from nestcut.sheets.drawings.layup import half, slot_measures
from nestcut.sheets.drawings.pictures import Album
from nestcut.sheets.drawings.plots import load_plot
from nestcut.sheets.drawings.tables import (
    Timetable,
    clock_words,
    trips_of_passes,
)
from nestcut.sheets.drawings.words import clipped, id_list, number, plain, times_words
from nestcut.sheets.runs.course import PLATES_EVERY, StageText, Tick, along_words, in_stages, stages, ticks
from nestcut.sheets.runs.lane_texts import LaneText, arrow_words, goes_on, lane_text
from nestcut.sheets.runs.runs import Run, group_passes

__all__ = ["PLATES_EVERY", "BlockText", "GroupText", "RunText", "group_texts"]

MOST_PICTURES = 120
"""More make the page slow to open."""


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
    """Dies that lie beside the plate; for a run that is told by what changes, empty."""
    lift: str
    """Dies to lift off now."""
    put_back: str
    """Dies to lay back in their places."""
    crank: str
    """How often to crank in each pass, and for which dies; empty where once will do."""
    picture: Markup | None
    as_before: list[tuple[str, str, str]] = field(default_factory=list)
    """Papers that go on as in the run before: label, scrap, how far from the first end."""
    stages: list[StageText] = field(default_factory=list)
    """The run between changes of scraps; empty where none changes."""

    @property
    def long(self) -> bool:
        """True where the stages take more room than the column beside the picture has."""
        return len(self.stages) > 8


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


def group_texts(plan: Plan, album: Album, codes: Mapping[str, str], clock: Timetable) -> list[GroupText]:
    groups = group_passes(plan)
    drawn = [run for group in groups for block in group.blocks for run in block.runs][:MOST_PICTURES]
    wanted = {lane.first.scrap for run in drawn for lane in run.lanes}
    earlier: dict[str, list[Any]] = {name: [] for name in wanted}
    by_number = {one.number: one for one in plan.passes}
    rests, last_number = set(clock.breaks), plan.passes[-1].number if plan.passes else 0
    trips = trips_of_passes(plan)
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
        pulled: dict[str, tuple[float, float]] = {}
        lifted: set[int] | None = None
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
                        lane.first.scrap: f"{names[k]} {arrow_words(lane, album)}".strip()
                        for k, lane in enumerate(run.lanes)
                    }
                    picture = Markup(album.pass_picture(one, shown, earlier))
                twins = block.all_runs[index :: len(block.runs)]
                told_run = _run_text(run, twins, names, album, layup, pulled, lifted, picture)
                if block.times == 1 and any(in_stages(lane) for lane in run.lanes):
                    told_run.stages = stages(run, names, album, rests, last_number, trips)
                runs.append(told_run)
                lifted = _beside(run, layup) if block.times == 1 else None
            boxes, each = ticks(block.first, block.last, rests, last_number, trips)
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
            "trips": f"{trips} trips" if (trips := album.dies[slot.die].trips) > 1 else "",
            "across": half(one.across_mm),
            "along": half(one.along_mm),
        }
        for one, slot in zip(slot_measures(layup, album.dies), layup.slots, strict=True)
    ]


def _load(load: Mapping[str, Any], plan: Plan) -> tuple[Markup | None, str]:
    plot = load_plot(load, plan.machine.plate_mm[1])
    peak, at = load.get("peak_mm"), load.get("at_mm")
    said = ""
    if isinstance(peak, int | float) and isinstance(at, int | float):
        said = f"Hardest to crank {number(at, 0)} mm from the first end: {number(peak, 0)} mm of cutting edge under the roller at once."
    return (Markup(plot), said) if plot else (None, "")


def _beside(run: Run, layup: Layup) -> set[int]:
    """Slots whose dies lie beside the plate through a run."""
    return set(range(len(layup.slots))) - set(run.down)


def _run_text(
    run: Run,
    twins: Sequence[Run],
    names: Sequence[str],
    album: Album,
    layup: Layup,
    pulled: dict[str, tuple[float, float]],
    lifted: set[int] | None,
    picture: Markup | None,
) -> RunText:
    """A run in words.

    Args:
        pulled: label → how its paper is pulled on, as it was told last; brought up to this run.
        lifted: dies that lie beside the plate before this run; None where the run has to tell all of them.
    """
    lanes, as_before = [], []
    told = {}
    for k, (lane, name) in enumerate(zip(run.lanes, names, strict=True)):
        last = pulled.get(name)
        if len(twins) == 1 and last is not None and goes_on(lane, run, last):
            as_before.append((name, clipped(lane.feeds[0].scrap), along_words(lane.box[1])))
            told[name] = last
            continue
        lanes.append(
            lane_text(lane, [twin.lanes[k] for twin in twins], name, run, album, folded=len(twins) > 1)
        )
        if run.count > 1 and (lane.step is not None or len(lane.feeds) == 1):
            told[name] = lane.step or (0.0, 0.0)
    pulled.clear()
    if len(twins) == 1:
        pulled.update(told)
    off = _beside(run, layup)

    def dies(places: set[int]) -> str:
        return ", ".join(f"{k + 1} {clipped(layup.slots[k].die, 30)}" for k in sorted(places))

    all_off, now_off, back = (
        (dies(off), "", "") if lifted is None else ("", dies(off - lifted), dies(lifted - off))
    )
    heading = f"Pass {run.first}" if run.count == 1 else f"Passes {run.first} to {run.last}"
    kept = any(lane.before in ("stays", "moved") for lane in run.lanes)
    gone = id_list(run.gone, most=8) if kept or len(run.gone) < 4 else "all papers"
    return RunText(
        run.first, run.last, run.count, heading, lanes, gone, all_off, now_off, back, _crank_words(run, album, layup),
        picture, as_before,
    )  # fmt: skip


def _crank_words(run: Run, album: Album, layup: Layup) -> str:
    """ "Crank twice in each pass: 12 rosehip-twig", or nothing where one trip cuts clean."""
    trips = {k: album.dies[layup.slots[k].die].trips for k in run.down}
    most = max(trips.values(), default=1)
    if most == 1:
        return ""
    each = " in each pass" if run.count > 1 else ""
    dies = ", ".join(f"{k + 1} {clipped(layup.slots[k].die, 30)}" for k in sorted(trips) if trips[k] == most)
    return f"Crank {times_words(most)}{each}: {dies}"
