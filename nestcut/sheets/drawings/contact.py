"""A contact sheet: a folder of dies at true size, with sizes, areas and cut lengths."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from nestcut.batch.model import Die
from nestcut.sheets.drawings.draw import INK, Svg, line_path, mm, path_data
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
    page_w = PAGE_MM[0]
    cells = []
    for die in dies:
        x0, y0, x1, y1 = die.rim.bounds
        texts = [clipped(die.name, 28), *_words(die)]
        wide = max([x1 - x0] + [text_width(text, 2.7 if k else 3.6) for k, text in enumerate(texts)])
        cells.append((die, texts, wide, y1 - y0))
    rows: list[list[tuple[Die, list[str], float, float]]] = []
    used = math.inf
    for cell in cells:
        if used + cell[2] > page_w - 2 * _MARGIN_MM:
            rows.append([])
            used = 0.0
        rows[-1].append(cell)
        used += cell[2] + _GAP_MM
    width = max([page_w] + [cell[2] + 2 * _MARGIN_MM for cell in cells])
    height = (
        _HEAD_MM + 10.0 + sum(max(cell[3] for cell in row) + _WORDS_MM + _GAP_MM for row in rows) + _MARGIN_MM
    )
    svg = Svg(width, height, name=plain(title))
    svg.add(svg.text(clipped(title, 60), _MARGIN_MM, 7.5, size=5.0, bold=True, class_="title"))
    y = _HEAD_MM
    place = 0
    for row in rows:
        tall = max(cell[3] for cell in row)
        x = _MARGIN_MM
        for die, texts, wide, high in row:
            place += 1
            group = svg.group(id_=f"die-{place}", class_="die", title=plain(die.name))
            rx0, ry0, *_ = die.rim.bounds
            shape = svg.group(transform=f"translate({mm(x - rx0)},{mm(y + tall - high - ry0)})")
            shape.add(
                svg.path(
                    path_data(die.rim),
                    class_="rim",
                    fill="#dddddd",
                    fill_rule="evenodd",
                    stroke="#555555",
                    stroke_width="0.2",
                )
            )
            shape.add(
                svg.path(
                    path_data(die.cut),
                    class_="cut",
                    fill="#ffffff",
                    fill_rule="evenodd",
                    stroke=INK,
                    stroke_width="0.4",
                )
            )
            for mark in die.marks:
                shape.add(
                    svg.path(
                        line_path(mark),
                        class_="mark",
                        fill="none",
                        stroke="#666666",
                        stroke_width="0.25",
                        stroke_dasharray="1.2 0.8",
                    )
                )
            group.add(shape)
            for k, text in enumerate(texts):
                group.add(svg.text(text, x, y + tall + 4.2 + 3.5 * k, size=2.7 if k else 3.6, bold=not k))
            svg.add(group)
            x += wide + _GAP_MM
        y += tall + _WORDS_MM + _GAP_MM
    svg.add(check_line(svg, _MARGIN_MM, y + 2.0))
    return svg.tostring().replace(_HEAD, f"{_HEAD}{_MARK}\n", 1)


def is_contact_sheet(path: Path) -> bool:
    """Whether the file is a contact sheet that :func:`contact_sheet` drew. Raises: OSError."""
    with path.open("rb") as file:
        return _MARK.encode() in file.read(200)
