"""Scraps cut smaller before the evening: parts inside, apart, and made in a way the person allows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from nestcut.checks.measures.measure import overlap_depth, polygons_in, sticking_out
from nestcut.checks.measures.report import TOLERANCE_MM, Notebook, mm
from nestcut.checks.measures.table import PassTable
from nestcut.plans.model import Plan, Trim

__all__ = ["check_trims", "straight_cuts_make"]

Floats = NDArray[np.float64]
SAME_AREA_MM = 2e-6
"""Two outlines are the same when they differ by no more than a band this wide."""


def check_trims(plan: Plan, table: PassTable, notes: Notebook) -> None:
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
    """Whether straight cuts, each right across the piece in hand, can make these parts of it.

    A cut goes along a side of a part, where a person sets the trimmer; the piece falls into as many bits as the line
    leaves, also at holes and inward corners, and each goes on by itself. A cut that goes through no part may be made
    first: whatever else is cut afterwards, it never stands in the way. So the first one found is taken, and where
    none is left each part must be the bit that it lies in. Where sides run in two directions only, no other lines in
    these directions make more parts: any of them may be pushed to either side until it meets sides of parts.
    """
    todo = [(piece, list(parts))]
    while todo:
        piece, parts = todo.pop()
        if not parts or (len(parts) == 1 and _same(piece, parts[0])):
            continue
        bits = _one_cut(piece, parts)
        if bits is None:
            return False
        todo += bits
    return True


def _one_cut(piece: Polygon, parts: Sequence[Polygon]) -> list[tuple[Polygon, list[Polygon]]] | None:
    """What one straight cut along a side of a part leaves, each bit with its parts; None when there is no such cut."""
    corners = shapely.get_coordinates(piece)
    # From the middle of the list on: parts listed in order are then halved, not taken off one by one.
    middle_first = [*parts[len(parts) // 2 :], *parts[: len(parts) // 2]]
    points = np.concatenate([shapely.get_coordinates(part.exterior) for part in middle_first])
    first = np.cumsum([0, *(len(part.exterior.coords) for part in middle_first[:-1])])
    for part in middle_first:
        for start, end in pairwise(shapely.get_coordinates(part.exterior)):
            length = math.hypot(*(end - start))
            if length == 0.0:
                continue
            along = (end - start) / length
            off = _beside(along, start, corners)
            if off.min() >= -TOLERANCE_MM or off.max() <= TOLERANCE_MM:
                continue  # the whole piece lies on one side: nothing to cut
            off = _beside(along, start, points)
            right = np.minimum.reduceat(off, first) >= -TOLERANCE_MM
            left = np.maximum.reduceat(off, first) <= TOLERANCE_MM
            if not (right | left).all():
                continue  # the cut would go through a part
            reach = 2.0 * math.hypot(*np.ptp(corners, axis=0))
            bits = []
            for side, there in ((1, right), (-1, left)):
                own = [other for other, here in zip(middle_first, there, strict=True) if here]
                for bit in polygons_in(shapely.intersection(piece, _half_plane(along, start, reach, side))):
                    bits.append((bit, [other for other in own if bit.covers(other.representative_point())]))
            # Each part goes on in one bit, or (thinner than a cut can be told from its line) can't be made.
            return bits if sum(len(own) for _, own in bits) == len(parts) else None
    return None


def _same(a: Polygon, b: Polygon) -> bool:
    return shapely.symmetric_difference(a, b).area <= SAME_AREA_MM * (a.length + 1.0)


def _beside(along: Floats, start: Floats, points: Floats) -> Floats:
    """How far each point lies beside the line from ``start`` in the direction ``along``, mm."""
    away = points - start
    return along[0] * away[:, 1] - along[1] * away[:, 0]


def _half_plane(along: Floats, start: Floats, reach: float, side: int) -> Polygon:
    """Everything near the piece on one side of a line, less a hair: what rounding leaves along the line falls off."""
    out = side * np.array([-along[1], along[0]])
    near = start + TOLERANCE_MM * out
    far = near + reach * out
    return Polygon([near - reach * along, near + reach * along, far + reach * along, far - reach * along])
