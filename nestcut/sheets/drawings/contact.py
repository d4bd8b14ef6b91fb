"""A contact sheet: a folder of dies at true size, with sizes, areas and cut lengths."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from svgwrite.container import Group

from nestcut.batch.model import Die
from nestcut.sheets.drawings.draw import Svg, add_die, mm
from nestcut.sheets.drawings.layup import PAGE_MM, check_line
from nestcut.sheets.drawings.words import area, clipped, length, number, plain, text_width

__all__ = ["contact_sheet", "is_contact_sheet"]

_HEAD = '<?xml version="1.0" encoding="utf-8"?>\n'
_MARK = "<!-- nestcut contact sheet -->"
"""Tells a contact sheet of ours from anybody's drawing: only the former may be written anew."""

_GAP_MM = 4.0
"""Between two dies."""
_MARGIN_MM = 4.0
"""Around the sheet; most printers leave as much white."""
_WORDS_MM = 15.0
"""Below each die, for its name and sizes."""
_HEAD_MM = 13.0
"""Above all, for the title."""


def _words(die: Die) -> list[str]:
    x0, y0, x1, y1 = die.cut.bounds
    rx0, ry0, rx1, ry1 = die.rim.bounds
    lines = [
        f"{number(x1 - x0)} × {number(y1 - y0)} mm, {area(die.cut.area)}",
        f"cutting edge {length(die.cut.length)}",
        f"rim {number(rx1 - rx0)} × {number(ry1 - ry0)} mm",
    ]
    if die.pieces > 1:
        lines[0] += f", {die.pieces} pieces"
    return lines


def contact_sheet(dies: Sequence[Die], *, title: str = "Dies") -> str:
    """All dies on one drawing at true size, in rows, each with its name, size, area and cutting edge.

    Args:
        dies: the dies, drawn in this order.
        title: the head line.
    Returns: SVG text; as wide as a page, as long as it takes.
    """
    rows = _in_rows([_cell(die) for die in dies])
    width = max([PAGE_MM[0]] + [cell.width_mm + 2 * _MARGIN_MM for row in rows for cell in row])
    height = _HEAD_MM + 10.0 + sum(_tall(row) + _WORDS_MM + _GAP_MM for row in rows) + _MARGIN_MM
    svg = Svg(width, height, name=plain(title))
    svg.add(svg.text(clipped(title, 60), _MARGIN_MM, 7.5, size=5.0, bold=True, class_="title"))
    y = _HEAD_MM
    place = 0
    for row in rows:
        x = _MARGIN_MM
        for cell in row:
            place += 1
            svg.add(_drawn(svg, cell, place, x, y + _tall(row)))
            x += cell.width_mm + _GAP_MM
        y += _tall(row) + _WORDS_MM + _GAP_MM
    svg.add(check_line(svg, _MARGIN_MM, y + 2.0))
    return svg.tostring().replace(_HEAD, f"{_HEAD}{_MARK}\n", 1)


@dataclass(frozen=True, slots=True)
class _DieCell:
    """A die and what is written below it."""

    die: Die
    texts: list[str]
    width_mm: float
    """Of the wider of both."""
    high_mm: float
    """Of the die alone."""


def _cell(die: Die) -> _DieCell:
    x0, y0, x1, y1 = die.rim.bounds
    texts = [clipped(die.name, 28), *_words(die)]
    wide = max([x1 - x0] + [text_width(text, 2.7 if k else 3.6) for k, text in enumerate(texts)])
    return _DieCell(die, texts, wide, y1 - y0)


def _in_rows(cells: Sequence[_DieCell]) -> list[list[_DieCell]]:
    """Rows as wide as a page; a die that is wider has one of its own."""
    rows: list[list[_DieCell]] = []
    used = math.inf
    for cell in cells:
        if used + cell.width_mm > PAGE_MM[0] - 2 * _MARGIN_MM:
            rows.append([])
            used = 0.0
        rows[-1].append(cell)
        used += cell.width_mm + _GAP_MM
    return rows


def _tall(row: Sequence[_DieCell]) -> float:
    return max(cell.high_mm for cell in row)


def _drawn(svg: Svg, cell: _DieCell, place: int, x: float, foot: float) -> Group:
    """The die, its left side at ``x`` and its lower one at ``foot``, with its words below."""
    die = cell.die
    group = svg.group(id_=f"die-{place}", class_="die", title=plain(die.name))
    rx0, ry0, *_ = die.rim.bounds
    shape = svg.group(transform=f"translate({mm(x - rx0)},{mm(foot - cell.high_mm - ry0)})")
    add_die(shape, svg, die.rim, die.cut, die.marks, cut_line={"stroke_width": "0.4"})
    group.add(shape)
    for k, text in enumerate(cell.texts):
        group.add(svg.text(text, x, foot + 4.2 + 3.5 * k, size=2.7 if k else 3.6, bold=not k))
    return group


def is_contact_sheet(path: Path) -> bool:
    """Whether the file is a contact sheet that :func:`contact_sheet` drew. Raises: OSError."""
    with path.open("rb") as file:
        return _MARK.encode() in file.read(200)
