"""What comes after cutting, in words: sorting, kits, and what would save something next time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from nestcut.plans.claims import listed_beside
from nestcut.plans.model import Plan
from nestcut.sheets.drawings import words
from nestcut.sheets.drawings.plots import trade_off_plot
from nestcut.sheets.drawings.tables import (
    packing_rows,
    pieces_cut,
    shares_words,
)
from nestcut.sheets.drawings.words import number, plain
from nestcut.units import counted, minutes_words

__all__ = ["packing_text", "sorting_text", "trade_off_text", "what_if_text"]


def sorting_text(plan: Plan, codes: Mapping[str, str]) -> Mapping[str, Any]:
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


def packing_text(plan: Plan, codes: Mapping[str, str]) -> Mapping[str, Any]:
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


def trade_off_text(plan: Plan) -> Mapping[str, Any] | None:
    known = listed_beside(plan)
    if len(known) < 2:
        return None

    def cell(one: Mapping[str, Any], key: str) -> str:
        value = one.get(key)
        if not isinstance(value, int | float):
            return "–"
        if key == "paper_mm2":
            return words.area(value)
        return minutes_words(value) if key == "minutes" else number(value, 0)

    rows = [
        {
            "chosen": bool(one.get("chosen")),
            "cells": [cell(one, key) for key in ("passes", "layups", "trims", "paper_mm2", "minutes")],
        }
        for one in known
    ]
    plot = trade_off_plot(known)
    return {"rows": rows, "plot": Markup(plot) if plot else None}


def what_if_text(plan: Plan) -> list[Mapping[str, str]]:
    ideas = plan.extras.get("what_if")
    if not isinstance(ideas, Sequence) or isinstance(ideas, str) or plan.nothing_cut:
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
