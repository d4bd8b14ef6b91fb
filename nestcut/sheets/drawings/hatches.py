"""Papers told apart without colour: a hatch each, under it a pale tint of the paper's own colour."""

from __future__ import annotations

import re
from collections.abc import Sequence

from nestcut.batch.model import Paper
from nestcut.sheets.drawings.draw import Svg
from nestcut.sheets.drawings.words import plain

__all__ = ["HATCHES", "add_hatches", "swatch_colour", "tint"]

# Each hatch is a tile of 8 × 8 mm (on the plate's scale), lines drawn as path data. The order puts the
# most different ones first; after the last one they start again, and only the code letters differ.
HATCHES: tuple[tuple[str, str, str], ...] = (
    ("slanting lines", "M-1,9L9,-1M-1,1L1,-1M7,9L9,7", ""),
    ("dots", "", "1.15"),
    ("level lines", "M0,2H8M0,6H8", ""),
    ("a lattice", "M0,4H8M4,0V8", ""),
    ("upright lines", "M2,0V8M6,0V8", ""),
    ("crossed lines", "M-1,9L9,-1M-1,-1L9,9", ""),
    ("dashes", "M1,2H4M5,6H8", ""),
    ("lines slanting back", "M-1,-1L9,9M7,-1L9,1M-1,7L1,9", ""),
    ("zigzag", "M0,3L2,6L4,3L6,6L8,3", ""),
    ("plus signs", "M2,4H6M4,2V6", ""),
    ("no hatch", "", ""),
)

_HEX = re.compile(r"#(?:[0-9a-fA-F]{3}){1,2}")


def swatch_colour(paper: Paper) -> str | None:
    """The paper's colour as #rrggbb, or None where it is missing or not written that way."""
    text = (paper.swatch or "").strip()
    if not _HEX.fullmatch(text):
        return None
    if len(text) == 4:
        text = "#" + "".join(2 * char for char in text[1:])
    return text.lower()


def tint(paper: Paper, *, share: float = 0.35) -> str:
    """A pale tint of the paper's colour, so that lines and letters on it stay legible."""
    colour = swatch_colour(paper) or "#cccccc"
    parts = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    return "#" + "".join(f"{round(255 - (255 - part) * share):02x}" for part in parts)


def add_hatches(svg: Svg, papers: Sequence[Paper]) -> dict[str, str]:
    """Put a pattern for each paper into the drawing's definitions.

    Returns: paper name → fill, ``url(#paper-1)``.
    """
    fills = {}
    for place, paper in enumerate(papers, start=1):
        words, lines, dot = HATCHES[(place - 1) % len(HATCHES)]
        name = f"paper-{place}"
        pattern = svg.sheet.pattern(
            insert=("0", "0"), size=("8", "8"), id=name, patternUnits="userSpaceOnUse"
        )
        pattern.set_desc(title=f"{plain(paper.name)}: {words}")
        pattern.add(svg.rect(0, 0, 8, 8, fill=tint(paper)))
        if lines:
            pattern.add(svg.path(lines, fill="none", stroke="#555555", stroke_width="0.55"))
        if dot:
            for x, y in ((2.0, 2.0), (6.0, 6.0)):
                pattern.add(svg.circle(x, y, float(dot), fill="#555555"))
        svg.sheet.defs.add(pattern)
        fills[paper.name] = f"url(#{name})"
    return fills
