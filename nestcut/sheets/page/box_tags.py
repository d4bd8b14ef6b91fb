"""Tags for scraps: a sheet to print, cut apart, and put with each scrap."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import shapely
from shapely.affinity import scale, translate

from nestcut.batch.model import Paper, Scrap
from nestcut.sheets.drawings.draw import INK, Svg, path_data
from nestcut.sheets.drawings.hatches import swatch_colour
from nestcut.sheets.drawings.layup import PAGE_MM
from nestcut.sheets.drawings.words import clipped, number, plain, text_width

__all__ = ["tag_sheets"]

COLUMNS, ROWS = 3, 9
_WIDTH_MM, _HEIGHT_MM = PAGE_MM[0] / COLUMNS, (PAGE_MM[1] - 6.0) / ROWS
_HEAD_MM = 6.0
_PICTURE_MM = 20.0
_PAD_MM = 2.5
_WORDS_MM = _WIDTH_MM - _PICTURE_MM - 3 * _PAD_MM
"""Room for a line of words; longer ones are written smaller."""


def tag_sheets(scraps: Sequence[Scrap], papers: Mapping[str, Paper]) -> list[str]:
    """A tag for each scrap: its id, its paper, its size and a small picture of it, good side up, its own up at the top.

    Args:
        scraps: outlines in mm, in the order of the tags.
        papers: name → paper, for the colours.
    Returns: SVG texts, a page each, 27 tags on a page; they print on A4 and on letter at true size.
    """
    most = COLUMNS * ROWS
    count = (len(scraps) + most - 1) // most
    return [
        _page(scraps[most * page : most * (page + 1)], papers, f"Tags for scraps, page {page + 1} of {count}")
        for page in range(count)
    ]


def _page(scraps: Sequence[Scrap], papers: Mapping[str, Paper], title: str) -> str:
    svg = Svg(*PAGE_MM, name=title)
    svg.add(
        svg.text(
            f"{title}. Cut along the lines; clip each tag to its scrap, or pencil the id and the arrow on the back.",
            0.5,
            3.6,
            size=2.6,
        )
    )
    for place, scrap in enumerate(scraps):
        x, y = (place % COLUMNS) * _WIDTH_MM, _HEAD_MM + (place // COLUMNS) * _HEIGHT_MM
        _tag(svg, scrap, papers.get(scrap.paper, Paper(scrap.paper)), x, y)
    return svg.tostring()


def _tag(svg: Svg, scrap: Scrap, paper: Paper, x: float, y: float) -> None:
    group = svg.group(class_="tag", title=plain(scrap.id))
    group.add(svg.rect(x, y, _WIDTH_MM, _HEIGHT_MM, fill="none", stroke="#888888", stroke_width="0.2"))
    left, top, right, low = scrap.outline.bounds
    wide, long = right - left, low - top
    factor = _PICTURE_MM / max(wide, long)
    small = scale(scrap.outline, factor, factor, origin=(left, top))
    # In the middle of its square at the right end of the tag.
    small = translate(
        small,
        x + _WIDTH_MM - _PAD_MM - (_PICTURE_MM + factor * wide) / 2 - left,
        y + (_HEIGHT_MM - factor * long) / 2 - top,
    )
    group.add(
        svg.path(
            path_data(shapely.simplify(small, 0.05)),
            class_="outline",
            fill=swatch_colour(paper) or "#dddddd",
            fill_rule="evenodd",
            stroke=INK,
            stroke_width="0.25",
        )
    )
    at = x + _PAD_MM
    for words, down, size, bold in (
        (clipped(scrap.id, 30), 8.5, 5.0, True),
        (clipped(scrap.paper, 30), 14.5, 3.2, False),
    ):
        size = min(size, size * _WORDS_MM / text_width(words, size))
        group.add(svg.text(words, at, y + down, size=size, bold=bold))
    group.add(svg.text(f"{number(wide)} × {number(long)} mm", at, y + 19.5, size=3.2))
    group.add(svg.text("↑ up, good side up", at, y + 24.5, size=2.6))
    svg.add(group)
