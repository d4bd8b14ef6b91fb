"""Back into the box: what is left, for the run sheet and as a table of scraps that the next batch reads as it is."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup
from shapely.geometry import Polygon

from nestcut.plans.cutting_up import is_rectangle
from nestcut.plans.leftovers import Leftover, Leftovers
from nestcut.sheets.drawings.draw import INK, Svg
from nestcut.sheets.drawings.pictures import Album
from nestcut.sheets.drawings.words import area, file_stem, id_list, length, number
from nestcut.sheets.page.tables_csv import exact_cell, table
from nestcut.units import counted

__all__ = ["BOX_FOLDER", "box_files", "box_text", "offcuts_by_scrap"]

BOX_FOLDER = "box"
"""Where the outlines lie, beside ``box.csv``."""
MOST_ROWS = 400
"""A longer list is read by nobody; box.csv holds everything."""
MOST_PICTURES = 120
"""More make the page slow to open."""
MOST_BESIDE = 70
"""Letters of ids that stand in a column beside a picture; more take the whole width."""
_MARGIN_MM = 2.0
"""Around each picture."""
_DIGITS = 6
"""Of coordinates in box.csv: a millionth of a millimetre, as in plan.json."""
_HEADINGS = {
    "offcut": "Offcuts from trimming",
    "remnant": "What the dies left",
    "part": "Trimmed and not used",
    "scrap": "Not pulled out: still in the box",
}


# ---------------------------------------------------------------------- files


@dataclass(frozen=True, slots=True)
class _BoxRow:
    """One row of the table: so many pieces alike, and the id that numbers them."""

    kept: Leftover
    id_: str
    count: int


def _rows(left: Leftovers) -> Iterator[_BoxRow]:
    for one in left.kept:
        base = one.ids[0].removesuffix("-1")
        if len(one.ids) > 1 and list(one.ids) == [f"{base}-{k}" for k in range(1, len(one.ids) + 1)]:
            # A table numbers the pieces of a row itself: base-1, base-2, …
            yield _BoxRow(one, base, len(one.ids))
        else:
            yield from (_BoxRow(one, name, 1) for name in one.ids)


def box_files(left: Leftovers) -> dict[str, str]:
    """File name → text: ``box.csv``, and a drawing in ``box/`` for each outline that is no rectangle.

    Sizes and outlines are in mm, and say so; they lie in the true piece, to a millionth of a mm.
    """
    files: dict[str, str] = {}
    drawn: dict[int, str] = {}
    taken: set[str] = set()
    rows: list[list[object]] = [["paper", "width", "length", "outline", "count", "id"]]
    for row in _rows(left):
        outline = row.kept.outline
        size, name = ["", ""], ""
        if is_rectangle(outline):
            size = [f"{_whole(side)} mm" for side in outline.bounds[2:]]
        else:
            if id(row.kept) not in drawn:
                stem = file_stem(row.id_, taken)
                drawn[id(row.kept)] = f"{BOX_FOLDER}/{stem}.svg"
                files[drawn[id(row.kept)]] = _drawing(outline, row.id_)
            name = drawn[id(row.kept)]
        rows.append([exact_cell(row.kept.paper), *size, name, row.count, exact_cell(row.id_)])
    return {"box.csv": table(rows), **files}


def _whole(side_mm: float) -> str:
    """A side to a thousandth of a mm, never longer than it is."""
    return number(math.floor(side_mm * 1000 + 1e-3) / 1000, 3)


def _drawing(outline: Polygon, name: str) -> str:
    """The outline at true size, good side up, its own up at the top."""
    x0, y0, x1, y1 = outline.bounds
    svg = Svg(
        x1 - x0 + 2 * _MARGIN_MM,
        y1 - y0 + 2 * _MARGIN_MM,
        name=name,
        origin=(x0 - _MARGIN_MM, y0 - _MARGIN_MM),
    )
    svg.add(svg.path(_path(outline), fill="#e8e8e4", fill_rule="evenodd", stroke=INK, stroke_width="0.3"))
    return svg.tostring()


def _path(outline: Polygon) -> str:
    short = shapely.transform(outline, lambda points: np.round(points, _DIGITS) + 0.0)
    shape = short if short.is_valid and short.area > 0 else outline
    rings = []
    for ring in (shape.exterior, *shape.interiors):
        points = [f"{x!r},{y!r}" for x, y in shapely.get_coordinates(ring)[:-1].tolist()]
        rings.append(f"M{' '.join(points)}Z")
    return "".join(rings)


# ---------------------------------------------------------------------- run sheet


def box_text(left: Leftovers, album: Album, codes: Mapping[str, str]) -> Mapping[str, Any]:
    """What the run sheet shows: pieces kind by kind, and one line about the crumbs."""
    shown = left.kept[:MOST_ROWS]
    kinds = []
    pictures = 0
    for kind, heading in _HEADINGS.items():
        rows = []
        for one in shown:
            if one.kind != kind:
                continue
            pictures += 1
            rows.append(_thumb(one, album, codes, picture=pictures <= MOST_PICTURES))
        if rows:
            kinds.append({"heading": heading, "rows": rows, "pencil": kind == "offcut"})
    more = sum(len(one.ids) for one in left.kept[MOST_ROWS:])
    return {
        "kinds": kinds,
        "more": counted(more, "further piece") if more else "",
        "crumbs": area(left.crumbs_mm2) if left.crumbs_mm2 >= 1.0 else "",
    }


def _thumb(one: Leftover, album: Album, codes: Mapping[str, str], *, picture: bool) -> Mapping[str, Any]:
    whole = is_rectangle(one.outline)
    ids = id_list(one.ids, most=60)
    return {
        "code": codes[one.paper],
        "ids": ids,
        "wide": len(ids) > MOST_BESIDE,
        "count": len(one.ids),
        "size": size_down(one.outline.bounds),
        "area": area(one.outline.area),
        "rectangle": "" if whole else size_down(one.rectangle),
        "picture": Markup(
            album.paper_picture(
                one.paper,
                one.outline,
                most=(20.0, 20.0),
                words=one.ids[0],
                rectangle=None if whole else one.rectangle,
            )
        )
        if picture
        else None,
    }


def size_down(bounds: Sequence[float]) -> str:
    """ "86 × 210 mm": the sides of a box in whole mm, never more than there is."""
    across, along = (math.floor(bounds[k + 2] - bounds[k] + 0.01) for k in (0, 1))
    return f"{number(across, 0)}\u00a0×\u00a0{length(along)}"


def offcuts_by_scrap(left: Leftovers) -> dict[str, list[tuple[str, str]]]:
    """Scrap → (size in words, id) of the offcuts that are kept of it."""
    found: dict[str, list[tuple[str, str]]] = {}
    for one in left.kept:
        if one.kind == "offcut":
            for source, name in zip(one.sources, one.ids, strict=True):
                found.setdefault(source, []).append((size_down(one.outline.bounds), name))
    return found
