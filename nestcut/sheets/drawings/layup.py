"""A lay-up at true size, as the person sees it, to be printed 1:1 and laid under or beside the plate.

The sheet fits what both A4 (210 × 297) and letter (215.9 × 279.4 mm) print inside usual margins of
10 mm (ISO 216; ANSI/ASME Y14.1). Where the plate is larger, tile sheets are added that overlap and carry
registration crosses.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from shapely.geometry import box
from svgwrite.container import Group

from nestcut.batch.model import Die
from nestcut.plans.model import Layup, Plan
from nestcut.sheets.drawings.draw import INK, Svg, add_die, mm
from nestcut.sheets.drawings.labels import BADGE_MM, Label, place_labels
from nestcut.sheets.drawings.view import view_of
from nestcut.sheets.drawings.words import clipped, number, plain, text_width, xml_id

__all__ = ["PAGE_MM", "SlotMeasure", "layup_sheet", "slot_measures"]

PAGE_MM = (189.0, 258.0)
"""What A4 and letter both print inside margins of 10 mm, a hair less for rounding."""
CHECK_MM = 50.0
"""A line to be measured after printing: whether the printer kept the scale."""
MARGIN_MM = 2.0
"""Around the plate."""
HEAD_MM = 17.0
"""Above it, for title and feed."""
FOOT_MM = 11.0
"""Below it."""
ARROW_MM = 7.0
"""Length of the arrow that shows the feed."""


@dataclass(frozen=True, slots=True)
class SlotMeasure:
    """Where a die's rim lies, measured by hand: its outermost points from the side and the first end."""

    number: int
    name: str
    across_mm: float
    along_mm: float
    width_mm: float
    height_mm: float
    deg: float


def slot_measures(layup: Layup, dies: Mapping[str, Die]) -> list[SlotMeasure]:
    """The measures of every die of a lay-up, in the order of its slots."""
    found = []
    for place, slot in enumerate(layup.slots, start=1):
        x0, y0, x1, y1 = slot.pose.apply(dies[slot.die].rim).bounds
        found.append(SlotMeasure(place, plain(slot.die), x0, y0, x1 - x0, y1 - y0, slot.pose.deg))
    return found


def half(value_mm: float) -> str:
    """A measure to the half millimetre, as read off a ruler."""
    return number(round(value_mm * 2) / 2, 1)


def _wrapped(text: str, width_mm: float, size_mm: float, lines: int = 3) -> list[str]:
    """Text broken into lines of at most ``width_mm``: at blanks, after hyphens, and where it must be, anywhere.

    The last line ends in … where the text is cut short.
    """
    rows: list[str] = [""]
    for piece in re.findall(r"[^\s-]+-*\s*|-+\s*|\s+", text):
        rest = piece
        if rows[-1] and text_width((rows[-1] + rest).rstrip(), size_mm) > width_mm:
            rows.append("")
        while text_width(rest.rstrip(), size_mm) > width_mm and len(rest) > 1 and len(rows) <= lines:
            keep = len(rest)
            while keep > 1 and text_width(rest[:keep], size_mm) > width_mm:
                keep -= 1
            rows[-1] = rest[:keep]
            rows.append("")
            rest = rest[keep:]
        rows[-1] += rest
    rows = [row.strip() for row in rows if row.strip()] or [""]
    if len(rows) > lines:
        rows = rows[:lines]
        rows[-1] = rows[-1][: max(1, len(rows[-1]) - 2)] + "…"
    return rows


class LayupDrawing:
    """What the whole sheet and its tiles draw alike."""

    def __init__(self, plan: Plan, layup: Layup):
        self.plan, self.layup = plan, layup
        self.view = view_of(plan.machine)
        self.dies = {die.name: die for die in plan.dies}
        self.rims = [self.view.shape(slot.pose.apply(self.dies[slot.die].rim)) for slot in layup.slots]
        self.cuts = [self.view.shape(slot.pose.apply(self.dies[slot.die].cut)) for slot in layup.slots]
        width, length = plan.machine.plate_mm
        names = [plain(slot.die) for slot in layup.slots]
        self.labels = place_labels(names, self.cuts, self.rims, box(0.5, 0.5, width - 0.5, length - 0.5))

    @property
    def title(self) -> str:
        return f"Lay-up {clipped(self.layup.id, 20)}"

    def plate(self, svg: Svg) -> Group:
        """The plate with everything on it, in seen plate coordinates."""
        width, length = self.plan.machine.plate_mm
        group = svg.group(id_=xml_id("layup", self.layup.id), class_="layup", title=self.title)
        frame = svg.group(id_="plate", class_="plate", title=f"plate {number(width)} × {number(length)} mm")
        frame.add(svg.rect(0, 0, width, length, fill="#ffffff", stroke=INK, stroke_width="0.6"))
        group.add(frame)
        x0, y0, x1, y1 = self.plan.machine.window.bounds
        window = svg.group(id_="window", class_="window", title="dies lie inside this line")
        window.add(
            svg.rect(
                x0,
                y0,
                x1 - x0,
                y1 - y0,
                fill="none",
                stroke="#666666",
                stroke_width="0.2",
                stroke_dasharray="2 1.2",
            )
        )
        group.add(window)
        slots = svg.group(id_="dies", class_="dies")
        for k, slot in enumerate(self.layup.slots):
            die = self.dies[slot.die]
            one = svg.group(id_=f"slot-{k + 1}", class_="die", title=f"{k + 1} {plain(slot.die)}")
            marks = [self.view.shape(slot.pose.apply(mark)) for mark in die.marks]
            edge = {"stroke_width": "0.45", "stroke_linejoin": "round"}
            add_die(one, svg, self.rims[k], self.cuts[k], marks, cut_line=edge)
            slots.add(one)
        group.add(slots)
        names = svg.group(id_="names", class_="names")
        for label in self.labels:
            names.add(self.label(svg, label))
        group.add(names)
        group.add(self.corner(svg))
        return group

    def label(self, svg: Svg, label: Label) -> Group:
        group = svg.group(class_="name")
        # A white seam keeps a name legible over pierced detail and score lines.
        halo: dict[str, Any] = {"stroke": "#ffffff", "stroke_width": "0.9", "paint_order": "stroke"}
        if label.leader:
            group.add(
                svg.line(
                    label.leader[0], label.leader[1], label.x_mm, label.y_mm, stroke=INK, stroke_width="0.25"
                )
            )
            group.add(svg.circle(label.leader[0], label.leader[1], 0.6, fill=INK))
        if label.beside:
            x, y = label.beside
            group.add(svg.text(label.name, x, y + label.size_mm * 0.35, size=label.size_mm, anchor="middle"))
        elif label.name:
            group.add(
                svg.text(
                    str(label.number),
                    label.x_mm,
                    label.y_mm - 0.7,
                    size=4.0,
                    anchor="middle",
                    bold=True,
                    **halo,
                )
            )
            group.add(
                svg.text(
                    label.name,
                    label.x_mm,
                    label.y_mm + label.size_mm * 0.95,
                    size=label.size_mm,
                    anchor="middle",
                    **halo,
                )
            )
            return group
        group.add(
            svg.circle(label.x_mm, label.y_mm, BADGE_MM, fill="#ffffff", stroke=INK, stroke_width="0.25")
        )
        size = 3.6 if label.number < 100 else 2.6
        group.add(
            svg.text(
                str(label.number), label.x_mm, label.y_mm + size * 0.36, size=size, anchor="middle", bold=True
            )
        )
        return group

    def corner(self, svg: Svg) -> Group:
        """The corner to measure from, as a filled angle outside the plate."""
        group = svg.group(id_="measure-from", class_="corner", title=f"measure from this {self.view.corner}")
        x = self.view.x(0.0)
        out = 1.0 if self.view.mirrored else -1.0
        group.add(
            svg.path(
                f"M{mm(x + out * 1.2)},14L{mm(x + out * 1.2)},-1.2L{mm(x - out * 14)},-1.2",
                fill="none",
                stroke=INK,
                stroke_width="1.4",
            )
        )
        return group

    def first_end(self, svg: Svg) -> Group:
        """The arrow above the plate."""
        width = self.plan.machine.plate_mm[0]
        group = svg.group(id_="first-end", class_="feed", title="this end goes in first")
        words = "this end goes in first"
        size = 4.0 if width >= 75 else 3.0
        text = text_width(words, size)
        x = width / 2
        group.add(svg.text(words, x, -2.6, size=size, anchor="middle", bold=True))
        for side in (-1, 1):
            at = x + side * (text / 2 + 4)
            group.add(svg.path(f"M{mm(at - 2)},-2.4L{mm(at)},-6.4L{mm(at + 2)},-2.4Z", fill=INK))
        return group


def check_line(svg: Svg, x: float, y: float) -> Group:
    """A line of exactly 50 mm with end ticks, to be measured after printing."""
    group = svg.group(id_="check-line", class_="check", title="this line must measure 50 mm")
    look = {"stroke": INK, "stroke_width": "0.3"}
    group.add(svg.line(x, y, x + CHECK_MM, y, id="check-50-mm", **look))
    for k in range(6):
        tick = 2.0 if k in (0, 5) else 1.0
        group.add(svg.line(x + 10 * k, y - tick, x + 10 * k, y + tick, **look))
    group.add(
        svg.text(
            "This line must measure 50 mm: print at 100 %, without fitting to the page.", x, y + 5.2, size=3.0
        )
    )
    return group


def draw_head(svg: Svg, sheet: LayupDrawing, x: float, y: float, width: float, more: str = "") -> None:
    title = clipped(f"{sheet.title}{more} · {plain(sheet.plan.title)}", 200)
    title_rows = _wrapped(title, width, 5.0, 1)
    svg.add(svg.text(title_rows[0], x, y + 4.6, size=5.0, bold=True, class_="title"))
    rows = _wrapped(sheet.view.words, width, 2.9, 3)
    for k, row in enumerate(rows):
        svg.add(svg.text(row, x, y + 8.6 + 3.5 * k, size=2.9, bold=sheet.view.mirrored, class_="view"))


def _table_rows(sheet: LayupDrawing, width: float) -> list[tuple[SlotMeasure, list[str]]]:
    measures = slot_measures(sheet.layup, sheet.dies)
    return [(one, _wrapped(one.name, width - 6.0, 3.3)) for one in measures]


def _table_head(sheet: LayupDrawing, width: float) -> list[str]:
    words = f"Outermost points of each rim: mm from the {sheet.view.side} side, mm from the first end"
    return _wrapped(words, width, 2.7, 6)


def _table_height(sheet: LayupDrawing, rows: list[tuple[SlotMeasure, list[str]]], width: float) -> float:
    return 8.0 + 3.5 * len(_table_head(sheet, width)) + sum(4.2 * len(names) + 6.8 for _, names in rows)


def _table(
    svg: Svg, sheet: LayupDrawing, rows: list[tuple[SlotMeasure, list[str]]], x: float, y: float, width: float
) -> None:
    group = svg.group(id_="measures", class_="measures", title="where each die's rim lies, mm")
    at = y + 3.0
    for row in _table_head(sheet, width):
        group.add(svg.text(row, x, at, size=2.7))
        at += 3.5
    at += 3.0
    arrow = "←" if sheet.view.mirrored else "→"
    for one, names in rows:
        line = svg.group(class_="measure", title=f"{one.number} {one.name}")
        line.add(svg.text(str(one.number), x, at, size=3.8, bold=True))
        for name in names:
            line.add(svg.text(name, x + 6.0, at, size=3.3))
            at += 4.2
        line.add(svg.text(f"{arrow} {half(one.across_mm)}", x, at + 0.2, size=3.0, bold=True))
        line.add(svg.text(f"↓ {half(one.along_mm)}", x + 14.5, at + 0.2, size=3.0, bold=True))
        at += 6.8
        group.add(line)
    svg.add(group)


def layup_sheet(plan: Plan, layup: Layup) -> tuple[str, bool]:
    """The whole lay-up as one SVG, and whether it fits a page (otherwise print :func:`nestcut.sheets.drawings.tiles.layup_tiles`)."""
    sheet = LayupDrawing(plan, layup)
    width, length = plan.machine.plate_mm
    page_w, page_h = PAGE_MM
    side_w = min(60.0, page_w - 2 * MARGIN_MM - 2.0 - width - 4.0)
    rows = _table_rows(sheet, side_w if side_w >= 28 else 60.0)
    beside = side_w >= 28.0
    body_w = width + (4.0 + side_w if beside else 0.0)
    total_w = max(body_w + 2 * MARGIN_MM + 2.0, 110.0)
    table_h = _table_height(sheet, rows, side_w if beside else total_w - 2 * MARGIN_MM)
    top = MARGIN_MM + HEAD_MM + ARROW_MM
    plate_x = MARGIN_MM + 1.5
    below = top + length + FOOT_MM
    if beside:
        total_h = max(below, top + table_h + 2.0)
    else:
        total_h = below + table_h + 2.0
    fits = total_w <= page_w + 1e-6 and total_h <= page_h + 1e-6
    svg = Svg(total_w, total_h, name=f"{sheet.title}, true size")
    draw_head(svg, sheet, MARGIN_MM, MARGIN_MM, total_w - 2 * MARGIN_MM)
    body = svg.group(transform=f"translate({mm(plate_x)},{mm(top)})")
    body.add(sheet.plate(svg))
    body.add(sheet.first_end(svg))
    svg.add(body)
    svg.add(check_line(svg, plate_x, top + length + 4.0))
    if beside:
        _table(svg, sheet, rows, plate_x + width + 4.5, top - 2.0, side_w)
    else:
        _table(svg, sheet, rows, plate_x, below + 2.0, total_w - 2 * MARGIN_MM)
    return svg.tostring(), fits
