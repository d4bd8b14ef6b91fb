"""A lay-up larger than a page, cut into pages that overlap and are joined at registration crosses."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from svgwrite.container import Group

from nestcut.plans.model import Layup, Plan
from nestcut.sheets.drawings.draw import INK, Svg, mm
from nestcut.sheets.drawings.layup import (
    ARROW_MM,
    FOOT_MM,
    HEAD_MM,
    MARGIN_MM,
    PAGE_MM,
    LayupDrawing,
    check_line,
    draw_head,
)

__all__ = ["layup_tiles"]

_OVERLAP_MM = 12.0
"""What neighbouring pages have in common: room to glue."""


@dataclass(frozen=True, slots=True)
class _TileCells:
    columns: int
    rows: int
    cell_w: float
    cell_h: float
    landscape: bool


def _cells(width: float, length: float) -> _TileCells:
    """The fewest tiles that cover the plate, upright or landscape pages."""
    best: _TileCells | None = None
    for landscape in (False, True):
        page_w, page_h = PAGE_MM[::-1] if landscape else PAGE_MM
        cell_w, cell_h = page_w - 2 * MARGIN_MM, page_h - 2 * MARGIN_MM - HEAD_MM - FOOT_MM
        # 3 mm outside the plate belong to the drawing: the corner mark and the arrow.
        across = width + 6.0
        along = length + ARROW_MM + 3.0
        columns = max(1, math.ceil((across - _OVERLAP_MM) / (cell_w - _OVERLAP_MM) - 1e-9))
        rows = max(1, math.ceil((along - _OVERLAP_MM) / (cell_h - _OVERLAP_MM) - 1e-9))
        cells = _TileCells(columns, rows, cell_w, cell_h, landscape)
        if best is None or columns * rows < best.columns * best.rows:
            best = cells
    assert best is not None
    return best


def layup_tiles(plan: Plan, layup: Layup) -> list[str]:
    """The lay-up cut into true-size pages that overlap by 12 mm and are joined at the crosses."""
    sheet = LayupDrawing(plan, layup)
    width, length = plan.machine.plate_mm
    cells = _cells(width, length)
    step_w, step_h = cells.cell_w - _OVERLAP_MM, cells.cell_h - _OVERLAP_MM
    total = cells.columns * cells.rows
    left, upper = -3.0, -ARROW_MM
    tiles = []
    for row in range(cells.rows):
        for column in range(cells.columns):
            place = row * cells.columns + column + 1
            x0, y0 = left + column * step_w, upper + row * step_h
            page_w, page_h = PAGE_MM[::-1] if cells.landscape else PAGE_MM
            svg = Svg(page_w, page_h, name=f"{sheet.title}, true size, tile {place} of {total}")
            top = MARGIN_MM + HEAD_MM
            draw_head(
                svg,
                sheet,
                MARGIN_MM,
                MARGIN_MM,
                page_w - 2 * MARGIN_MM - 24,
                f" · tile {place} of {total}",
            )
            _tile_map(svg, cells, row, column, page_w - MARGIN_MM - 22, MARGIN_MM + 1)
            clip = svg.sheet.defs.add(svg.sheet.clipPath(id="tile-clip"))
            clip.add(svg.rect(x0, y0, cells.cell_w, cells.cell_h))
            moved = svg.group(transform=f"translate({mm(MARGIN_MM - x0)},{mm(top - y0)})")
            body = svg.group(clip_path="url(#tile-clip)")
            body.add(sheet.plate(svg))
            body.add(sheet.first_end(svg))
            moved.add(body)
            moved.add(_crosses(svg, cells, row, column, x0, y0, step_w, step_h))
            svg.add(moved)
            svg.add(
                svg.rect(
                    MARGIN_MM,
                    top,
                    cells.cell_w,
                    cells.cell_h,
                    fill="none",
                    stroke="#999999",
                    stroke_width="0.15",
                    stroke_dasharray="0.6 1.4",
                )
            )
            svg.add(check_line(svg, MARGIN_MM + 1.5, top + cells.cell_h + 4.0))
            tiles.append(svg.tostring())
    return tiles


def _tile_map(svg: Svg, cells: _TileCells, row: int, column: int, x: float, y: float) -> None:
    size = min(20.0 / cells.columns, 14.0 / cells.rows, 6.0)
    group = svg.group(class_="tile-map", title="how the tiles lie")
    for r in range(cells.rows):
        for c in range(cells.columns):
            here = (r, c) == (row, column)
            fill = INK if here else "#ffffff"
            group.add(
                svg.rect(x + c * size, y + r * size, size, size, fill=fill, stroke=INK, stroke_width="0.2")
            )
            group.add(
                svg.text(
                    str(r * cells.columns + c + 1),
                    x + (c + 0.5) * size,
                    y + (r + 0.5) * size + 1.0,
                    size=min(3.0, size * 0.6),
                    anchor="middle",
                    fill="#ffffff" if here else INK,
                )
            )
    svg.add(group)


def _crosses(
    svg: Svg, cells: _TileCells, row: int, column: int, x0: float, y0: float, step_w: float, step_h: float
) -> Group:
    """Registration crosses in the middle of each overlap: the same places of the plate on both tiles."""
    group = svg.group(class_="registration", title="lay the crosses of neighbouring tiles over each other")
    look = {"stroke": INK, "stroke_width": "0.25", "fill": "none"}

    def cross(x: float, y: float) -> None:
        one = svg.group(class_="cross")
        one.add(svg.line(x - 4, y, x + 4, y, **look))
        one.add(svg.line(x, y - 4, x, y + 4, **look))
        one.add(svg.circle(x, y, 2.0, **look))
        group.add(one)

    def joins(words: str, x: float, y: float, turn: bool) -> None:
        extra: dict[str, Any] = {"transform": f"rotate(-90 {mm(x)} {mm(y)})"} if turn else {}
        group.add(svg.text(words, x, y, size=2.8, anchor="middle", **extra))

    w, h = cells.cell_w, cells.cell_h
    for side, there in ((0, column > 0), (1, column < cells.columns - 1)):
        if there:
            x = x0 + _OVERLAP_MM / 2 if side == 0 else x0 + step_w + _OVERLAP_MM / 2
            for part in (0.2, 0.8):
                cross(x, y0 + part * h)
            other = row * cells.columns + column + (2 if side else 0)
            joins(f"joins tile {other}", x + (4.5 if side else -3.5), y0 + 0.5 * h, True)
    for side, there in ((0, row > 0), (1, row < cells.rows - 1)):
        if there:
            y = y0 + _OVERLAP_MM / 2 if side == 0 else y0 + step_h + _OVERLAP_MM / 2
            for part in (0.2, 0.8):
                cross(x0 + part * w, y)
            other = (row + (1 if side else -1)) * cells.columns + column + 1
            joins(f"joins tile {other}", x0 + 0.5 * w, y + (5.0 if side else -3.5), False)
    return group
