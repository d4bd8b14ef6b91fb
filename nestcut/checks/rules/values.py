"""First look at a plan: are the numbers numbers, the shapes shapes, the names names?

If anything is broken here, nothing further is measured: distances to a shape that crosses itself
mean nothing.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import fields

import numpy as np
import shapely

from nestcut.checks.measures.report import Notebook
from nestcut.plans.model import Actions, Plan

__all__ = ["check_values"]


def check_values(plan: Plan, notes: Notebook) -> None:
    """Rules ``number``, ``shape`` and ``name``."""
    _settings(plan, notes)
    _counts(plan, notes)
    _poses(plan, notes)
    _shapes(plan, notes)
    _names(plan, notes)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float | np.number) and not isinstance(value, bool) and math.isfinite(value)


def _is_count(value: object) -> bool:
    return isinstance(value, int | np.integer) and not isinstance(value, bool)


def _settings(plan: Plan, notes: Notebook) -> None:
    machine, hand = plan.machine, plan.hand
    above_zero = {
        "plate width": machine.plate_mm[0],
        "plate length": machine.plate_mm[1],
        "pace": hand.seconds.pace,
    }
    from_zero = {
        "clear": machine.clear_mm,
        "overhang": machine.overhang_mm,
        "web": hand.web_mm,
        "edge": hand.edge_mm,
        "gap": hand.gap_mm,
    }
    from_zero |= {
        f"{one.name} (seconds)": getattr(own, one.name)
        for own in (hand.seconds, plan.pass_clock)
        if own is not None
        for one in fields(own)
        if one.name not in ("pace", "dies")
    }
    for what, value in (above_zero | from_zero).items():
        if not _is_number(value) or value < 0 or (what in above_zero and value == 0):
            notes.fault("number", f"{what} is {value}, which can't be")
    for what, word, known in (
        ("papers", hand.papers, ("square", "any")),
        ("trims", hand.trims, ("none", "straight", "scissors")),
        ("dies", machine.dies, ("over", "under")),
        ("dies of the hand", hand.seconds.dies, ("held", "loose")),
    ):
        if word not in known:
            notes.fault("number", f"{what} is {word!r}; it can be {' or '.join(known)}")
    for paper in plan.papers:
        if paper.direction not in ("none", "stripe", "up"):
            notes.fault("number", f"the direction of paper {paper.name} is {paper.direction!r}")
    for die in plan.dies:
        if die.turns != "any" and not (
            isinstance(die.turns, tuple) and die.turns and all(map(_is_number, die.turns))
        ):
            notes.fault("number", f"the turns of the {die.name} die are {die.turns!r}", die=die.name)
        for what, value in (("copies", die.copies), ("trips", die.trips)):
            if not _is_count(value) or value < 1:
                notes.fault("number", f"{what} of the {die.name} die is {value}, not 1 or more", die=die.name)


def _counts(plan: Plan, notes: Notebook) -> None:
    """Everything counted is a whole number, 0 or more."""

    def want(value: object, what: str, least: int = 0) -> None:
        if not _is_count(value) or value < least:  # type: ignore[operator]
            notes.fault("number", f"{what} is {value}, not a whole number of {least} or more")

    for number, line in enumerate(plan.demand, start=1):
        for what, value in (("count", line.count), ("spares", line.spares), ("met", line.met)):
            want(value, f"{what} of demand line {number}")
        for share in line.by:
            want(share.count, f"a count in demand line {number}")
    for what in ("passes", "cranks", "changes", "trims", "pieces"):
        want(getattr(plan.totals, what), f"total of {what}")
    if not _is_number(plan.totals.minutes) or plan.totals.minutes < 0:
        notes.fault("number", f"total of minutes is {plan.totals.minutes}")
    for one in fields(Actions):
        count = getattr(plan.totals.actions, one.name)
        if one.name != "scissors_mm":
            want(count, f"count of '{one.name}'")
        elif not _is_number(count) or count < 0:
            notes.fault("number", f"mm cut with scissors are {count}")
    want(plan.bound.passes, "the bound")
    if plan.bound.minutes is not None and (not _is_number(plan.bound.minutes) or plan.bound.minutes < 0):
        notes.fault("number", f"the bound on the minutes is {plan.bound.minutes}")
    want(plan.kits, "kits")
    for card in plan.cards:
        want(card.count, f"count of card {card.name}")
        for card_line in card.lines:
            want(card_line.count, f"count in card {card.name}")
    for packed in plan.packing:
        want(packed.first, "first kit of a packing", 1)
        want(packed.last, "last kit of a packing", 1)
        want(packed.copy, "copy of a card in a packing", 1)
        for share in packed.pieces:
            want(share.count, "pieces in a packing")
    for shortage in plan.short:
        want(shortage.pieces, "pieces short")
        if not _is_number(shortage.area_mm2) or shortage.area_mm2 < 0:
            notes.fault("number", f"area short is {shortage.area_mm2}")
        for sheets in shortage.sheets.values():
            want(sheets, "sheets to buy")
        for missing in shortage.by:
            want(missing.line, "a line of demand that a shortage names", 1)
            want(missing.count, "pieces that a line lacks")
    for a_pass in plan.passes:
        if not _is_count(a_pass.number):
            notes.fault("number", f"a pass has the number {a_pass.number!r}")
        for cut in a_pass.cuts:
            if not _is_count(cut.slot):
                notes.fault("number", f"a cut names slot {cut.slot!r}", pass_number=_plain(a_pass.number))


def _plain(number: object) -> int | None:
    return int(number) if _is_count(number) else None  # type: ignore[call-overload]


def _poses(plan: Plan, notes: Notebook) -> None:
    for layup in plan.layups:
        for slot in layup.slots:
            pose = slot.pose
            if not all(map(_is_number, (pose.x_mm, pose.y_mm, pose.deg))):
                notes.fault(
                    "number",
                    f"the {slot.die} die lies at ({pose.x_mm}, {pose.y_mm}) turned by {pose.deg}",
                    layup=layup.id,
                    die=slot.die,
                )
    for a_pass in plan.passes:
        for paper in a_pass.papers:
            pose = paper.pose
            if not all(map(_is_number, (pose.x_mm, pose.y_mm, pose.deg))):
                notes.fault(
                    "number",
                    f"scrap {paper.scrap} lies at ({pose.x_mm}, {pose.y_mm}) turned by {pose.deg}",
                    pass_number=_plain(a_pass.number),
                    scrap=paper.scrap,
                )


def _shapes(plan: Plan, notes: Notebook) -> None:
    for die in plan.dies:
        for what, shape in (("cut", die.cut), ("rim", die.rim)):
            _one_shape(shape, f"the {what} of the {die.name} die", notes, die=die.name)
    for scrap in plan.scraps:
        _one_shape(scrap.outline, f"scrap {scrap.id}", notes, kinds=("Polygon",), scrap=scrap.id)
    for trim in plan.trims:
        for part_id, outline in trim.into:
            _one_shape(outline, f"part {part_id}", notes, kinds=("Polygon",), scrap=part_id)
    for remnant in plan.remnants:
        if not remnant.outline.is_empty:
            _one_shape(
                remnant.outline, f"the remnant of {remnant.scrap}", notes, rule="remnant", scrap=remnant.scrap
            )


def _one_shape(
    shape: shapely.Geometry,
    what: str,
    notes: Notebook,
    *,
    kinds: tuple[str, ...] = ("Polygon", "MultiPolygon"),
    rule: str = "shape",
    **place: object,
) -> None:
    notes.count("shapes")
    if getattr(shape, "geom_type", None) not in kinds:
        notes.fault(rule, f"{what} is no polygon", **place)
    elif not np.isfinite(shapely.get_coordinates(shape)).all():
        notes.fault("number", f"{what} has a corner that is not a number", **place)
    elif shape.is_empty or shape.area <= 0.0:
        notes.fault(rule, f"{what} has no area", **place)
    elif not shape.is_valid:
        notes.fault(rule, f"{what} is broken: {shapely.is_valid_reason(shape)}", **place)


def _twice(names: Iterable[object]) -> list[object]:
    return [name for name, times in Counter(names).items() if times > 1]


def _names(plan: Plan, notes: Notebook) -> None:
    part_ids = [part_id for trim in plan.trims for part_id, _ in trim.into]
    kinds: dict[str, list[str]] = {
        "paper": [paper.name for paper in plan.papers],
        "die": [die.name for die in plan.dies],
        "scrap or part": [scrap.id for scrap in plan.scraps] + part_ids,
        "lay-up": [layup.id for layup in plan.layups],
    }
    for kind, names in kinds.items():
        for name in _twice(names):
            notes.fault("name", f"two {kind}s are called {name}")
        if any(not isinstance(name, str) or not name for name in names):
            notes.fault("name", f"a {kind} has no name")
    for card in _twice(card.name for card in plan.cards):
        notes.fault("name", f"two cards are called {card}")
