"""A plan as plain JSON values, and as text that is compact but can be read.

Numbers are written by ``repr``, so that reading gives back the very same floats; a whole number
of millimetres is written without its ``.0``. Keys come in a fixed order.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon
from shapely.geometry.polygon import orient

from nestcut.batch.model import Die, HandSeconds, Paper, Pose, Shape
from nestcut.plans.model import Actions, Missing, Pass, PassClock, Plan, Share

__all__ = [
    "FORMAT",
    "OLD_VERSION",
    "VERSION",
    "die_to_json",
    "paper_to_json",
    "plan_digest",
    "plan_text",
    "plan_to_json",
    "shape_to_json",
]

FORMAT = "nestcut-plan"
VERSION = 2
OLD_VERSION = 1
"""Still read, and written again as it was: its minutes count passes, dies set up and trims, no actions."""


def plan_to_json(plan: Plan) -> dict[str, Any]:
    """The plan as plain JSON values: contract B, ``plan.json`` version 2 (or 1, where it was read from one).

    Rings are turned counter-clockwise (outer) and clockwise (holes), as RFC 7946 section 3.1.6 asks.

    Raises: ValueError for a number that is not finite, TypeError for an extra that is not plain JSON;
    both are mistakes of the program, not of a person.
    """
    machine, hand, totals, evening = plan.machine, plan.hand, plan.totals, plan.evening
    old = plan.pass_clock
    data: dict[str, Any] = {
        "format": FORMAT,
        "version": OLD_VERSION if old else VERSION,
        "title": plan.title,
        "complete": bool(plan.complete),
        "machine": {
            "plate": [_number(side) for side in machine.plate_mm],
            "clear": _number(machine.clear_mm),
            "overhang": _number(machine.overhang_mm),
            "dies": machine.dies,
            **(_pass_clock(old) if old else {}),
        },
        "hand": {
            "web": _number(hand.web_mm),
            "edge": _number(hand.edge_mm),
            "gap": _number(hand.gap_mm),
            "papers": hand.papers,
            "trims": hand.trims,
            **({} if old else _hand_seconds(hand.seconds)),
        },
        "papers": [paper_to_json(paper) for paper in plan.papers],
        "dies": [die_to_json(die) for die in plan.dies],
        "scraps": [{"id": s.id, "paper": s.paper, "outline": shape_to_json(s.outline)} for s in plan.scraps],
        "trims": [
            {
                "scrap": trim.scrap,
                "into": [{"id": part, "outline": shape_to_json(outline)} for part, outline in trim.into],
            }
            for trim in plan.trims
        ],
        "demand": [
            {
                "card": line.card,
                "dies": list(line.dies),
                "papers": list(line.papers),
                "count": int(line.count),
                "spares": int(line.spares),
                "met": int(line.met),
                "by": _shares(line.by),
            }
            for line in plan.demand
        ],
        "layups": [
            {"id": layup.id, "slots": [{"die": s.die, "pose": _pose(s.pose)} for s in layup.slots]}
            for layup in plan.layups
        ],
        "passes": [_pass(one) for one in plan.passes],
        "bound": {
            "passes": int(plan.bound.passes),
            "reason": plan.bound.reason,
            **({} if plan.bound.minutes is None else {"minutes": _number(plan.bound.minutes)}),
        },
        "totals": {
            "passes": int(totals.passes),
            "cranks": int(totals.cranks),
            "changes": int(totals.changes),
            "trims": int(totals.trims),
            "pieces": int(totals.pieces),
            "minutes": _number(totals.minutes),
            **({} if old else {"actions": _actions(totals.actions)}),
        },
        "remnants": [{"scrap": r.scrap, "outline": shape_to_json(r.outline)} for r in plan.remnants],
        "short": [
            {
                "paper": s.paper,
                "dies": list(s.dies),
                "pieces": int(s.pieces),
                "area_mm2": _number(s.area_mm2),
                "sheets": {str(size): int(count) for size, count in s.sheets.items()},
                "proved": bool(s.proved),
                "reason": s.reason,
                **({"by": _missing(s.by)} if s.by else {}),
                **({"proof": _plain(s.proof)} if s.proof else {}),
            }
            for s in plan.short
        ],
        "kits": int(plan.kits),
        "cards": [
            {
                "name": card.name,
                "count": int(card.count),
                "lines": [
                    {"dies": list(line.dies), "papers": list(line.papers), "count": int(line.count)}
                    for line in card.lines
                ],
            }
            for card in plan.cards
        ],
        "packing": [
            {
                "first": int(pack.first),
                "last": int(pack.last),
                "card": pack.card,
                "copy": int(pack.copy),
                "pieces": _shares(pack.pieces),
            }
            for pack in plan.packing
        ],
        "evening": {
            "start": evening.start,
            "break_every": int(evening.break_every),
            "break_minutes": _number(evening.break_minutes),
        },
        "proof": _plain(plan.proof),
        "extras": _plain(plan.extras),
        "notes": list(plan.notes),
    }
    if plan.done:
        data["done"] = int(plan.done)
    if plan.missed:
        data["missed"] = [{"pass": int(one.pass_number), "slot": int(one.slot)} for one in plan.missed]
    if plan.spoilt:
        data["spoilt"] = [{"scrap": one.scrap, "after": int(one.after)} for one in plan.spoilt]
    if plan.broken:
        data["broken"] = [{"die": one.die, "after": int(one.after)} for one in plan.broken]
    if machine.load_limit_mm is not None:
        data["machine"]["load_limit"] = _number(machine.load_limit_mm)
    return data


def plan_text(data: Mapping[str, Any]) -> str:
    """The JSON text: one top-level key per line, lists of objects with one object per line."""
    lines = []
    for key, value in data.items():
        if isinstance(value, list) and value and all(isinstance(item, dict) for item in value):
            # No blanks in long lists: the plan of 10,000 kits stays below what is read (files.MOST_BYTES).
            items = ",\n".join(" " + _dump(item, separators=(",", ":")) for item in value)
            lines.append(f"{_dump(key)}: [\n{items}\n]")
        else:
            lines.append(f"{_dump(key)}: {_dump(value)}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def plan_digest(plan: Plan) -> str:
    """SHA-256 of the plan as it is written, hexadecimal."""
    return hashlib.sha256(plan_text(plan_to_json(plan)).encode("utf-8")).hexdigest()


def shape_to_json(shape: Shape) -> dict[str, Any]:
    """A GeoJSON geometry object (RFC 7946 section 3.1), coordinates in mm."""
    if isinstance(shape, Polygon):
        return {"type": "Polygon", "coordinates": _rings(shape)}
    return {"type": "MultiPolygon", "coordinates": [_rings(part) for part in shape.geoms]}


def _dump(value: Any, *, separators: tuple[str, str] | None = None) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=separators)


def _number(value: float) -> int | float:
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"a number in the plan is {number}")
    # −0.0 keeps its sign, so that what is read back is the same to the last bit.
    if number.is_integer() and abs(number) < 1e15 and (number or math.copysign(1, number) > 0):
        return int(number)
    return number


def _positions(line: LineString) -> list[list[int | float]]:
    """What :func:`_number` gives for every coordinate, many at a time: a large plan has millions."""
    corners = shapely.get_coordinates(line)
    points: list[list[int | float]] = corners.tolist()
    plain = (corners == np.rint(corners)) | ~np.isfinite(corners)
    for row, axis in np.argwhere(plain).tolist():
        points[row][axis] = _number(points[row][axis])
    return points


def _rings(polygon: Polygon) -> list[list[list[int | float]]]:
    if polygon.is_empty:
        return []
    turned = orient(polygon, 1.0)
    return [_positions(ring) for ring in (turned.exterior, *turned.interiors)]


def _lines(marks: Iterable[LineString]) -> dict[str, Any]:
    return {"type": "MultiLineString", "coordinates": [_positions(mark) for mark in marks]}


def _pass_clock(clock: PassClock) -> dict[str, Any]:
    return {
        "seconds_per_pass": _number(clock.per_pass_s),
        "seconds_per_die": _number(clock.per_die_s),
        "seconds_per_trim": _number(clock.per_trim_s),
    }


def _hand_seconds(seconds: HandSeconds) -> dict[str, Any]:
    each = {one.name: getattr(seconds, one.name) for one in fields(seconds)}
    return {
        "dies": each.pop("dies"),
        "pace": _number(each.pop("pace")),
        "seconds": {name: _number(value) for name, value in each.items()},
    }


def _actions(actions: Actions) -> dict[str, Any]:
    """Times that each action is done; the length cut with scissors in mm."""
    return {one.name: _number(getattr(actions, one.name)) for one in fields(actions)}


def paper_to_json(paper: Paper) -> dict[str, Any]:
    """A paper as plain JSON values, as in ``plan.json``."""
    return {
        "name": paper.name,
        "swatch": paper.swatch,
        "direction": paper.direction,
        "both_sides": bool(paper.both_sides),
    }


def die_to_json(die: Die) -> dict[str, Any]:
    """A die as plain JSON values, as in ``plan.json``."""
    data: dict[str, Any] = {
        "name": die.name,
        "copies": int(die.copies),
        "turns": die.turns if isinstance(die.turns, str) else [_number(turn) for turn in die.turns],
        "trips": int(die.trips),
        "cut": shape_to_json(die.cut),
        "rim": shape_to_json(die.rim),
    }
    if die.marks:
        data["marks"] = _lines(die.marks)
    return data


def _pose(pose: Pose) -> list[int | float]:
    return [_number(pose.x_mm), _number(pose.y_mm), _number(pose.deg)]


def _pass(one: Pass) -> dict[str, Any]:
    return {
        "number": int(one.number),
        "layup": one.layup,
        "papers": [{"scrap": p.scrap, "pose": _pose(p.pose), "flipped": bool(p.flipped)} for p in one.papers],
        "cuts": [{"slot": int(cut.slot), "scrap": cut.scrap} for cut in one.cuts],
    }


def _shares(shares: Iterable[Share]) -> list[dict[str, Any]]:
    return [{"die": s.die, "paper": s.paper, "count": int(s.count)} for s in shares]


def _missing(lines: Iterable[Missing]) -> list[dict[str, Any]]:
    return [{"line": int(one.line), "die": one.die, "count": int(one.count)} for one in lines]


def _plain(value: Any) -> Any:
    """Plain JSON values from mappings, sequences and numbers of any library."""
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, Mapping):
        return {_plain_key(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "item") and not hasattr(value, "__len__"):  # a number of numpy's
        value = value.item()
    if isinstance(value, (bool, int)):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"a number in the plan is {value}")
        return value
    raise TypeError(f"{type(value).__name__} is not a plain JSON value")


def _plain_key(key: Any) -> str:
    if not isinstance(key, str):
        raise TypeError(f"a key is {key!r}, not a text")
    return key
