"""Which strips serve a die in a lane: how many cuts beside and behind one another, and how they are laid pass by pass.

A strip with one column is pulled on along the feed. Where the lane is wide enough, a strip has several columns: it is
shifted sideways from one to the next, and where its paper may lie the other way round, half of them come under the
die after half a turn, so that two columns need no more room than they cover. Half a turn in the middle also lets a
single column be longer than the lane is deep. Fewer, larger parts: less trimming, and one web between two columns where
two strips would keep two edges.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from nestcut.passes.common.plate_rules import HAIR_MM

__all__ = ["MOST_COLUMNS", "StripForm", "fitting", "lane_width", "strip_forms"]

MOST_COLUMNS = 4
"""Columns of cuts in a strip, at most."""


@dataclass(frozen=True, slots=True)
class StripForm:
    """One way to cut and use a strip. Whole millimetres, as it lies on the plate."""

    width_mm: int
    length_mm: int
    steps: tuple[tuple[bool, int, int], ...]
    """For each cut: whether the strip is turned by half a turn, and how far it lies further left, and further out of the
    plate, than with its last cut under the die."""

    @property
    def cuts(self) -> int:
        return len(self.steps)


def _pitch(cut_mm: float, web_mm: float) -> int:
    return math.ceil(cut_mm + web_mm - HAIR_MM)


def _columns_wide(columns: int, cut_mm: float, web_mm: float, edge_mm: float, *, turned: bool) -> int:
    """Width of a strip, mm. Turned: half of the columns are counted from the other side."""
    step = _pitch(cut_mm, web_mm)
    if columns == 1 or not turned:
        return math.ceil((columns - 1) * step + cut_mm + 2 * edge_mm - HAIR_MM)
    return math.ceil((columns - 2) * step + 2 * cut_mm + web_mm + 2 * edge_mm - HAIR_MM)


def lane_width(columns: int, cut_mm: float, web_mm: float, edge_mm: float) -> tuple[int, int]:
    """(room that the columns need across, how much of it lies left of the place of the first column), mm."""
    shifts = (math.ceil(columns / 2) - 1) * _pitch(cut_mm, web_mm)
    return shifts + _columns_wide(columns, cut_mm, web_mm, edge_mm, turned=True), shifts


@lru_cache(maxsize=4096)
def strip_forms(
    *,
    cut_mm: tuple[float, float],
    web_mm: float,
    edge_mm: float,
    columns: int,
    inward_mm: float,
    outward_mm: float,
    half_turn: bool,
) -> tuple[StripForm, ...]:
    """All strips for a die in its lane, those with most cuts first, of equal ones the smaller first.

    Args:
        cut_mm: size of the die's cut across and along the feed, mm.
        columns: columns that the lane has room for (see :func:`lane_width`).
        inward_mm: how far a strip may reach beyond the die's place, further into the plate, mm.
        outward_mm: how far it may reach the other way, over the end of the plate, mm.
        half_turn: whether the paper may lie the other way round as well.
    """
    across, along = cut_mm
    step_x, step_y = _pitch(across, web_mm), _pitch(along, web_mm)
    inner = math.floor((inward_mm + HAIR_MM) / step_y)
    outer = math.floor((outward_mm + HAIR_MM) / step_y)
    room = (math.ceil(columns / 2) - 1) * step_x
    found = []
    for many in range(1, columns + 1):
        turning = half_turn and many > 1
        # Columns that come under the die without a turn lie side by side, each a shift further left.
        first = math.ceil(many / 2) if turning else many
        if (first - 1) * step_x > room:
            continue
        width = _columns_wide(many, across, web_mm, edge_mm, turned=turning)
        sides = [(False, c * step_x) for c in range(first)] + [
            (True, c * step_x) for c in range(many - first)
        ]
        for rows in range(1, 2 + min(inner, outer)):
            steps = [(turn, x, r * step_y) for turn, x in sides for r in reversed(range(rows))]
            found.append(StripForm(width, _rows_long(rows, along, step_y, edge_mm), tuple(steps)))
    if half_turn:
        found += _turned_midway(across, along, web_mm, edge_mm, inward_mm, outward_mm)
    return tuple(sorted(found, key=lambda form: (-form.cuts, form.width_mm * form.length_mm, form.width_mm)))


def _rows_long(rows: int, along: float, step: int, edge_mm: float) -> int:
    return math.ceil((rows - 1) * step + along + 2 * edge_mm - HAIR_MM)


def _turned_midway(
    across: float, along: float, web_mm: float, edge_mm: float, inward_mm: float, outward_mm: float
) -> list[StripForm]:
    """Single columns longer than the lane is deep: the inner half is cut, then the strip is turned."""
    step = _pitch(along, web_mm)
    # Both halves are counted from the end that hangs out: they must leave a web where they meet.
    if _rows_long(1, along, step, edge_mm) > 2 * edge_mm + step - web_mm + HAIR_MM:
        step += 1
    width = _columns_wide(1, across, web_mm, edge_mm, turned=False)
    inner = math.floor((inward_mm + HAIR_MM) / step)
    outer = math.floor((outward_mm + HAIR_MM) / step)
    found = []
    for rows in range(inner + 2, min(2 * (inner + 1), outer + 1) + 1):
        half = math.ceil(rows / 2)
        steps = [(False, 0, r * step) for r in range(rows - 1, rows - 1 - half, -1)]
        steps += [(True, 0, r * step) for r in range(rows - 1, half - 1, -1)]
        found.append(StripForm(width, _rows_long(rows, along, step, edge_mm), tuple(steps)))
    return found


def fitting(forms: Sequence[StripForm], sizes: Sequence[tuple[float, float]]) -> Sequence[StripForm]:
    """Those that lie in some scrap by its box; ``sizes`` are (short, long) sides of scraps, mm."""
    return [
        form
        for form in forms
        if any(
            min(form.width_mm, form.length_mm) <= short and max(form.width_mm, form.length_mm) <= long
            for short, long in sizes
        )
    ]
