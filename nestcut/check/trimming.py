"""Scraps cut smaller before the evening: parts inside, apart, and made in a way the person allows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import shapely
from shapely.geometry import Polygon

from nestcut.check.measure import overlap_depth, polygons_in, sticking_out
from nestcut.check.report import TOLERANCE_MM, Notebook, mm
from nestcut.check.table import Table
from nestcut.plan.model import Plan, Trim

__all__ = ["check_trims", "straight_cuts_make"]

SAME_AREA_MM = 2e-6
"""Two outlines are the same when they differ by no more than a band this wide."""


def check_trims(plan: Plan, table: Table, notes: Notebook) -> None:
    """Rule ``trim``."""
    done: set[str] = set()
    straight: dict[tuple[bytes, ...], bool] = {}  # scraps cut up in the same way are asked once
    for trim in plan.trims:
        notes.count("trims")
        sheet = table.sheets.get(trim.scrap)
        if sheet is None:
            continue  # reported as unknown
        if trim.scrap in done:
            notes.fault("trim", f"scrap {trim.scrap} is trimmed twice", scrap=trim.scrap)
        done.add(trim.scrap)
        if not trim.into:
            notes.fault("trim", f"scrap {trim.scrap} is trimmed into nothing", scrap=trim.scrap)
        fit = _parts_fit(trim, sheet.outline, notes)
        if plan.hand.trims == "none":
            notes.fault("trim", f"scrap {trim.scrap} is trimmed, but no trims are wanted", scrap=trim.scrap)
        elif fit and plan.hand.trims == "straight":
            parts = [outline for _, outline in trim.into]
            cut_up = (sheet.outline.wkb, *(part.wkb for part in parts))
            if cut_up not in straight:
                straight[cut_up] = straight_cuts_make(sheet.outline, parts)
            if not straight[cut_up]:
                notes.fault(
                    "trim",
                    f"the parts of scrap {trim.scrap} can't be made by straight cuts from side to side",
                    scrap=trim.scrap,
                )


def _parts_fit(trim: Trim, outline: Polygon, notes: Notebook) -> bool:
    """Whether all parts lie inside and apart."""
    fit = True
    for part_id, part in trim.into:
        beyond = sticking_out(part, outline)
        if beyond > TOLERANCE_MM:
            fit = False
            notes.fault(
                "trim",
                f"part {part_id} reaches {mm(beyond)} mm out of scrap {trim.scrap}",
                scrap=part_id,
                measured_mm=beyond,
                allowed_mm=0.0,
            )
    shapes = [part for _, part in trim.into]
    near = shapely.STRtree(shapes).query(shapes, predicate="intersects").T if shapes else ()
    for i, j in near:
        if i < j:
            depth = overlap_depth(shapes[i], shapes[j])
            if depth > TOLERANCE_MM:
                fit = False
                notes.fault(
                    "trim",
                    f"parts {trim.into[i][0]} and {trim.into[j][0]} overlap by {mm(depth)} mm",
                    scrap=trim.into[i][0],
                    measured_mm=depth,
                    allowed_mm=0.0,
                )
    return fit


def straight_cuts_make(piece: Polygon, parts: Sequence[Polygon]) -> bool:
    """Whether straight cuts, each right through the piece in hand, can make these parts of it.

    Any cut that goes through no part may be made first: it never stands in the way of another. So the
    first one found along a side of a part is taken, and both halves are looked at in turn.
    """
    todo = [(piece, list(parts))]
    while todo:
        piece, parts = todo.pop()
        if not parts or (len(parts) == 1 and _same(piece, parts[0])):
            continue
        halves = _one_cut(piece, parts)
        if halves is None:
            return False
        todo += halves
    return True


def _one_cut(piece: Polygon, parts: Sequence[Polygon]) -> list[tuple[Polygon, list[Polygon]]] | None:
    """The pieces after one straight cut along a side of a part, each with its parts; None when there is none."""
    reach = 4.0 * math.hypot(*(hi - lo for lo, hi in zip(piece.bounds[:2], piece.bounds[2:], strict=True)))
    boundary = piece.boundary
    # From the middle of the list on: parts listed in order are then halved, not taken off one by one.
    middle_first = [*parts[len(parts) // 2 :], *parts[: len(parts) // 2]]
    for part in middle_first:
        for start, end in pairwise(part.exterior.coords):
            middle = shapely.Point((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
            if not piece.contains(middle) or middle.distance(boundary) <= TOLERANCE_MM:
                continue  # a side of the piece itself: nothing to cut
            sides = [_beside(start, end, other) for other in parts]
            if None in sides:
                continue  # the cut would go through a part
            halves = []
            for side in (1, -1):
                beside = [other for other, where in zip(parts, sides, strict=True) if where == side]
                for bit in polygons_in(shapely.intersection(piece, _half_plane(start, end, reach, side))):
                    halves.append((bit, [o for o in beside if bit.covers(o.representative_point())]))
            return halves
    return None


def _same(a: Polygon, b: Polygon) -> bool:
    return shapely.symmetric_difference(a, b).area <= SAME_AREA_MM * (a.length + 1.0)


def _beside(start: tuple[float, ...], end: tuple[float, ...], shape: Polygon) -> int | None:
    """On which side of the line the shape lies: 1, −1, or None when the line goes through it."""
    along_x, along_y = end[0] - start[0], end[1] - start[1]
    length = math.hypot(along_x, along_y)
    offs = [
        (along_x * (y - start[1]) - along_y * (x - start[0])) / length
        for x, y in shapely.get_coordinates(shape)
    ]
    if min(offs) >= -TOLERANCE_MM:
        return 1
    return -1 if max(offs) <= TOLERANCE_MM else None


def _half_plane(start: tuple[float, ...], end: tuple[float, ...], reach: float, side: int) -> Polygon:
    """Everything near the piece on one side of the line through two points."""
    length = math.hypot(end[0] - start[0], end[1] - start[1])
    ux, uy = (end[0] - start[0]) / length, (end[1] - start[1]) / length
    nx, ny = -uy * side * reach, ux * side * reach
    a = (start[0] - ux * reach, start[1] - uy * reach)
    b = (start[0] + ux * reach, start[1] + uy * reach)
    return Polygon([a, b, (b[0] + nx, b[1] + ny), (a[0] + nx, a[1] + ny)])
