"""The run sheet: one self-contained HTML page to print and keep at the machine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from importlib.resources import files
from typing import Any

import jinja2
from markupsafe import Markup

from nestcut.plans.claims import claims
from nestcut.plans.leftovers import Leftovers, keep_mm
from nestcut.plans.model import Plan, Shortage
from nestcut.sheets.drawings import words
from nestcut.sheets.drawings.pictures import Album
from nestcut.sheets.drawings.tables import (
    PullRow,
    Timetable,
    clock_words,
    pass_ranges,
    pieces_cut,
    pull_rows,
    time_line,
    trips_of_passes,
)
from nestcut.sheets.drawings.trimming import straight_cuts, trim_kinds
from nestcut.sheets.drawings.words import clipped, id_list, length, number, plain
from nestcut.sheets.page.after_texts import packing_text, sorting_text, trade_off_text, what_if_text
from nestcut.sheets.page.box import box_text, offcuts_by_scrap
from nestcut.sheets.page.whatif import advice_text
from nestcut.sheets.runs.pass_texts import PLATES_EVERY, group_texts
from nestcut.units import counted, minutes_words

__all__ = ["label_sheet", "run_sheet"]


def run_sheet(
    plan: Plan, left: Leftovers, layup_files: Mapping[str, Sequence[str]], trim_files: Mapping[int, str]
) -> str:
    """The page as text.

    Args:
        plan: the evening.
        left: what goes back into the box (:func:`nestcut.plans.leftovers.leftovers`).
        layup_files: lay-up id → names of the true-size files to print for it.
        trim_files: place in :func:`trim_kinds` → name of its true-size template.
    """
    album = Album(plan)
    codes = words.paper_codes([paper.name for paper in plan.papers])
    clock = time_line(plan)
    groups = group_texts(plan, album, codes, clock)
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
        "trim_files": id_list((name.removesuffix(".svg") for name in trim_files.values()), most=40),
        "pull": _pull(pull, album, codes),
        "trims": _trims(plan, left, album, codes, trim_files),
        "groups": groups,
        "sorting": sorting_text(plan, codes),
        "packing": packing_text(plan, codes),
        "back": box_text(left, album, codes),
        "trade_off": trade_off_text(plan),
        "what_if": what_if_text(plan),
        "advice": advice_text(plan),
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
    room = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    room.filters.update(plain=plain, counted=counted)
    return room.from_string(text)


# ---------------------------------------------------------------------- head


def _summary(plan: Plan, clock: Timetable) -> Mapping[str, Any]:
    totals = plan.totals
    proof = " ".join(f"{plain(sentence)}." for sentence in claims(plan))
    rest = len(clock.breaks) * plan.evening.break_minutes
    end = clock_words(plan.evening.start, clock.end)
    facts = [
        (f"{totals.passes:,}".replace(",", "\u202f"), "passes" if totals.passes != 1 else "pass"),
        (str(totals.changes), "lay-up to set up" if totals.changes == 1 else "lay-ups to set up"),
        (f"{totals.pieces:,}".replace(",", "\u202f"), "pieces"),
        (
            minutes_words(totals.minutes + rest),
            f"with {counted(len(clock.breaks), 'break')}" if clock.breaks else "in all",
        ),
        (f"{totals.cranks:,}".replace(",", "\u202f"), "cranks" if totals.cranks != 1 else "crank"),
    ]
    if plan.pass_clock is None:
        moved = totals.actions.papers_moved
        facts.append((f"{moved:,}".replace(",", "\u202f"), "papers moved" if moved != 1 else "paper moved"))
    if end and plan.evening.start:
        facts.append((f"{plain(plan.evening.start)} – {end}", "start and end"))
    parts = [
        f"{counted(totals.cranks, 'crank')} through the machine{_several_trips(plan)}"
        if totals.cranks != totals.passes
        else ""
    ]
    if totals.trims:
        parts.append(f"{counted(totals.trims, 'trim')} beforehand")
    if plan.kits > 1:
        parts.append(f"{counted(plan.kits, 'kit')}")
    return {"facts": facts, "proof": proof, "more": ", ".join(part for part in parts if part)}


def _several_trips(plan: Plan) -> str:
    """ " (14 passes go through twice: 54 to 67)": why there are more cranks than passes."""
    passes: dict[int, list[int]] = {}
    for number_, trips in trips_of_passes(plan).items():
        if trips > 1:
            passes.setdefault(trips, []).append(number_)
    told = "; ".join(
        f"{counted(len(some), 'pass goes', 'passes go')} through {words.times_words(trips)}: {pass_ranges(some)}"
        for trips, some in sorted(passes.items())
    )
    return f" ({told})" if told else ""


def _clock_rows(plan: Plan, clock: Timetable) -> Mapping[str, Any]:
    start = plan.evening.start

    def at(minutes: float) -> str:
        return clock_words(start, minutes) or f"after {minutes_words(minutes)}"

    # On a short evening this is told by the passes themselves.
    done = (
        []
        if len(plan.passes) < 10
        else [
            f"{plain(paper)} after pass {number_} ({at(minutes)})"
            for paper, number_, minutes in clock.paper_done
        ]
    )
    breaks = ""
    if clock.breaks:
        shown = ", ".join(str(one) for one in clock.breaks[:12])
        tail = " …" if len(clock.breaks) > 12 else ""
        breaks = f"{number(plan.evening.break_minutes)} min after pass {shown}{tail}"
    return {"done": done, "breaks": breaks, "trims": minutes_words(clock.trims) if clock.trims else ""}


def _shortage(one: Shortage) -> Mapping[str, str]:
    what = (
        f"{plain(one.paper)} paper" if one.paper else f"the {', '.join(plain(die) for die in one.dies)} die"
    )
    dies = ", ".join(plain(die) for die in one.dies)
    pieces = counted(one.pieces, "piece")
    sheets = " or ".join(
        f"{counted(count, f'sheet of {plain(size)}', f'sheets of {plain(size)}')}"
        for size, count in one.sheets.items()
        if count
    )
    return {
        "what": what,
        "how_much": f"{pieces}{f' ({dies})' if one.paper and dies else ''} missing"
        + (f", about {words.area(one.area_mm2)} of paper" if one.area_mm2 else ""),
        "buy": f"Buy {sheets}." if sheets else "",
        "proved": "Proved."
        if one.proved
        else "Not proved: time ran out. With more time, nestcut may find room.",
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
        "lost": f"{counted(spare, 'spare')}"
        + (f" and {counted(lost - spare, 'piece')} of the kits" if lost > spare else ""),
    }


# ---------------------------------------------------------------------- papers


def _pull(pull: Sequence[PullRow], album: Album, codes: Mapping[str, str]) -> list[Mapping[str, Any]]:
    rows: list[Mapping[str, Any]] = []
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
    plan: Plan, left: Leftovers, album: Album, codes: Mapping[str, str], trim_files: Mapping[int, str]
) -> list[Mapping[str, Any]]:
    rows: list[Mapping[str, Any]] = []
    least, offcuts = keep_mm(plan), offcuts_by_scrap(left)
    for place, kind in enumerate(trim_kinds(plan)):
        labels = kind.labels
        cuts = straight_cuts(kind.outline, kind.parts, labels, keep_mm=least) or []
        sizes: dict[object, list[int]] = {}
        for k, part in enumerate(kind.parts):
            x0, y0, x1, y1 = part.bounds
            across, along = sorted((x1 - x0, y1 - y0)) if not cuts else (x1 - x0, y1 - y0)
            sizes.setdefault(f"{number(across, 0)} × {length(along)}", []).append(k)
        # Where each part lies is told by the cuts, or drawn at true size: parts of one size share a line.
        parts = [
            {
                "label": id_list((labels[k] for k in same), most=12),
                "size": size,
                "ids": ""
                if kind.named_by_labels
                else id_list((ids[k] for ids in kind.part_ids for k in same), most=12),
            }
            for size, same in sizes.items()
        ]
        first = kind.part_ids[0][0] if kind.part_ids and kind.part_ids[0] else ""
        rows.append(
            {
                "code": codes[kind.paper],
                "paper": plain(kind.paper),
                "scraps": id_list(kind.scraps, most=30),
                "count": len(kind.scraps),
                "size": album.size_words(kind.outline),
                "cuts": cuts,
                "parts": parts,
                "named": clipped(first) if kind.named_by_labels else "",
                "first": labels[0] if labels else "",
                "file": trim_files.get(place, ""),
                "keep": _keep_words(kind.scraps, offcuts),
                "picture": Markup(
                    album.paper_picture(
                        kind.paper,
                        kind.outline,
                        parts=list(zip(labels, kind.parts, strict=True)),
                        most=(50.0, 44.0),
                    )
                ),
            }
        )
    return rows


def _keep_words(scraps: Sequence[str], offcuts: Mapping[str, Sequence[tuple[str, str]]]) -> list[str]:
    """The offcuts of trims that are alike: size, and what to pencil on the back of each."""
    by_size: dict[str, list[str]] = {}
    for scrap in scraps:
        for size, name in offcuts.get(scrap, ()):
            by_size.setdefault(size, []).append(name)
    return [f"{size} ({id_list(names, most=12)})" for size, names in by_size.items()]
