"""True-size drawings of single papers: a scrap filled with cuts, and a template for scissors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from shapely.geometry import Polygon

from nestcut.batch.model import Die, Pose
from nestcut.plans.model import Plan
from nestcut.sheets.drawings.draw import INK, Svg, inner_circle, line_path, mm, path_data
from nestcut.sheets.drawings.layup import check_line
from nestcut.sheets.drawings.trimming import TrimKind
from nestcut.sheets.drawings.words import clipped, id_list, number, plain
from nestcut.units import counted

__all__ = ["fill_sheet", "trim_template"]

_MARGIN_MM = 4.0
"""Around the sheet; most printers leave as much white."""
_HEAD_MM = 14.0
"""Above the scrap, for its name."""
_FOOT_MM = 12.0
"""Below it."""
_LEAST_TEXT_MM = 1.6
"""Smaller letters can't be read at arm's length."""


def _paper_page(outline: Polygon, title: str, second: str) -> tuple[Svg, object]:
    """A page around an outline; returns it and the group that takes the scrap's coordinates."""
    x0, y0, x1, y1 = outline.bounds
    width = max(x1 - x0 + 2 * _MARGIN_MM, 110.0)
    svg = Svg(width, _HEAD_MM + (y1 - y0) + _FOOT_MM + _MARGIN_MM, name=title)
    svg.add(svg.text(clipped(title, int(width / 3.2)), _MARGIN_MM, 6.0, size=4.6, bold=True, class_="title"))
    svg.add(svg.text(clipped(second, int(width / 1.9)), _MARGIN_MM, 11.0, size=2.9))
    body = svg.group(class_="paper", transform=f"translate({mm(_MARGIN_MM - x0)},{mm(_HEAD_MM - y0)})")
    body.add(
        svg.path(
            path_data(outline),
            class_="scrap",
            fill="#f1f1ee",
            fill_rule="evenodd",
            stroke=INK,
            stroke_width="0.5",
        )
    )
    svg.add(body)
    svg.add(check_line(svg, _MARGIN_MM, _HEAD_MM + (y1 - y0) + 4.0))
    return svg, body


def fill_sheet(
    outline: Polygon, placed: Sequence[tuple[Die, Pose]], *, title: str = "scrap", note: str = ""
) -> str:
    """One scrap at true size with its cuts, good side up: which die comes down where.

    Args:
        outline: the scrap, mm, its own frame.
        placed: dies and their poses in the scrap's frame, in the order in which they may be cut.
        title, note: what the head says beside the count of each die and the share of paper used.
    Returns: SVG text.
    """
    counts: dict[str, int] = {}
    for die, _ in placed:
        counts[die.name] = counts.get(die.name, 0) + 1
    letters = {name: str(k + 1) for k, name in enumerate(counts)}
    told = " · ".join(f"{letters[name]} {clipped(name, 30)} × {count}" for name, count in counts.items())
    used = sum(die.cut.area for die, _ in placed)
    share = f"{number(100 * used / outline.area, 0)} % of the paper" if outline.area > 0 else ""
    second = "; ".join(part for part in (told, share, plain(note)) if part)
    svg, body = _paper_page(outline, plain(title), second)
    cuts = svg.group(id_="cuts", class_="cuts")
    body.add(cuts)  # type: ignore[attr-defined]
    for place, (die, pose) in enumerate(placed, start=1):
        one = svg.group(id_=f"cut-{place}", class_="cut", title=f"{place} {plain(die.name)}")
        shape = pose.apply(die.cut)
        one.add(
            svg.path(path_data(shape), fill="#ffffff", fill_rule="evenodd", stroke=INK, stroke_width="0.3")
        )
        for mark in die.marks:
            one.add(svg.path(line_path(pose.apply(mark)), fill="none", stroke="#666666", stroke_width="0.2"))
        # beside pierced detail, not over it; where only one die is used, or no number could be read, none
        spot, radius = inner_circle(shape)
        size = min(3.4, 1.3 * radius)
        if len(letters) > 1 and not spot.is_empty and size >= _LEAST_TEXT_MM:
            one.add(svg.text(letters[die.name], spot.x, spot.y + size * 0.36, size=size, anchor="middle"))
        cuts.add(one)
    return svg.tostring()


def trim_template(plan: Plan, kind: TrimKind) -> str:
    """The outlines of a trim at true size, lettered as on the run sheet, for cutting with scissors."""
    count = counted(len(kind.scraps), "scrap")
    title = f"Trim {id_list(kind.scraps, most=4)}"
    svg, body = _paper_page(kind.outline, title, f"{plain(kind.paper)}, {count}; good side up, arrow up")
    parts = svg.group(id_="parts", class_="parts")
    body.add(parts)  # type: ignore[attr-defined]
    labels = kind.labels
    for place, part in enumerate(kind.parts, start=1):
        ids: Mapping[int, str] = {k: names[place - 1] for k, names in enumerate(kind.part_ids)}
        one = svg.group(id_=f"part-{place}", class_="part", title=id_list(ids.values(), most=6))
        one.add(
            svg.path(path_data(part), fill="#ffffff", fill_rule="evenodd", stroke=INK, stroke_width="0.35")
        )
        spot, radius = inner_circle(part)
        if not spot.is_empty:
            size = min(4.0, 1.4 * radius)
            one.add(
                svg.text(
                    labels[place - 1], spot.x, spot.y + size * 0.36, size=size, anchor="middle", bold=True
                )
            )
        parts.add(one)
    return svg.tostring()
