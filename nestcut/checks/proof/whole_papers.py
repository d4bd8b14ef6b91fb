"""Which papers can be cut in one pass where no scrap may be trimmed.

A rectangular scrap that is nearly as wide as the plate leaves no room beside it: the cuts in other papers lie
above or below it, along the feed. Each cut holds a disc. Let r be the disc's radius, w and h the scrap's sides
as it lies, and P, L, c, o the plate's width and length, what is kept clear, and the overhang. A disc in the
window whose middle is not over the scrap's width lies off it sideways by at most s = P − w − c − r. Where s < r,
the middle is above the scrap's upper side or below its lower side, by v = √(r² − max(s, 0)²) at least.

So the scraps of a pass, one of each of these papers, come in an order along the feed: each lies wholly between
the middles of the discs of those before it and of those after it. A disc takes r + v of the length at least. What
one scrap and the discs of the others take must fit into the window's length, or, for the first and the last
scrap, into the length with the overhang. A paper none of whose scraps can lie on the plate is not there at all.
Source: own.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import shapely
from shapely.geometry import MultiPolygon, Polygon

from nestcut.checks.measures.measure import polygons_in
from nestcut.checks.proof.turning import MOST_CORNERS

__all__ = ["Sheets", "papers_in_a_pass", "sheets_of"]

HAIR_MM = 1e-3
"""Given away in every comparison, far above the rules' tolerance."""
MOST_PAPERS = 12
"""Papers that shut each other out, at most: their sets are gone through."""


class _PaperLine(Protocol):
    @property
    def dies(self) -> Sequence[str]: ...
    @property
    def papers(self) -> Sequence[str]: ...


class _PlateSize(Protocol):
    @property
    def plate_mm(self) -> tuple[float, float]: ...
    @property
    def clear_mm(self) -> float: ...
    @property
    def overhang_mm(self) -> float: ...


@dataclass(frozen=True, slots=True)
class Sheets:
    """A paper: how its scraps can lie on the plate, and the least disc that a cut in it holds."""

    sides: tuple[tuple[float, float], ...]
    """(width, length) of each scrap in each way that it can lie, mm."""
    rectangles: bool
    """Whether all of these are rectangles."""
    disc_mm: float
    """Radius; 0 where nothing is known."""


def sheets_of(
    machine: _PlateSize,
    scraps: Sequence[tuple[str, Polygon]],
    lines: Sequence[_PaperLine],
    cuts: Mapping[str, Polygon | MultiPolygon],
) -> dict[str, Sheets]:
    """What is to be known of each paper that a line names.

    Args:
        scraps: (paper, outline), lying square to the plate.
        lines: demand for which something is cut.
        cuts: of each die, by name.
    """
    width, length = machine.plate_mm
    discs: dict[str, float] = {}
    radius = {name: _inner_radius_mm(cuts[name]) for name in {name for line in lines for name in line.dies}}
    for line in lines:
        for paper in line.papers:
            for die in line.dies:
                discs[paper] = min(discs.get(paper, math.inf), radius[die])
    sides: dict[str, set[tuple[float, float]]] = {paper: set() for paper in discs}
    rectangles = dict.fromkeys(discs, True)
    for paper, outline in scraps:
        if paper not in discs:
            continue
        left, top, right, bottom = outline.bounds
        box = (right - left, bottom - top)
        ways = {
            (w, h)
            for w, h in (box, box[::-1])
            if w <= width + HAIR_MM and h <= length + 2 * machine.overhang_mm + HAIR_MM
        }
        sides[paper] |= ways
        if ways and not _is_rectangle(outline):
            rectangles[paper] = False
    return {paper: Sheets(tuple(sorted(sides[paper])), rectangles[paper], discs[paper]) for paper in discs}


def _is_rectangle(outline: Polygon) -> bool:
    """Whether an outline is its own box, but for rounding errors."""
    if len(outline.interiors):
        return False
    corners = shapely.get_coordinates(outline.exterior)[:-1]
    left, top, right, bottom = outline.bounds
    ends = [(x, y) for x in (left, right) for y in (top, bottom)]
    if len(corners) != len(ends):
        return False
    return all(any(math.dist(end, corner) <= HAIR_MM / 10 for corner in corners) for end in ends)


def _inner_radius_mm(shape: Polygon | MultiPolygon) -> float:
    """Radius, from below, of a disc inside the shape."""
    best = 0.0
    if shapely.get_num_coordinates(shape) > MOST_CORNERS:
        return best
    for part in polygons_in(shape):
        x_mm, y_mm = part.bounds[2] - part.bounds[0], part.bounds[3] - part.bounds[1]
        line = shapely.maximum_inscribed_circle(part, tolerance=max(0.005, (x_mm + y_mm) / 2000))
        middle = shapely.Point(line.coords[0])
        if part.contains(middle):
            best = max(best, float(part.boundary.distance(middle)) - HAIR_MM)
    return best


def papers_in_a_pass(
    machine: _PlateSize, sheets: Mapping[str, Sheets], apart: Collection[str]
) -> list[frozenset[str]] | str:
    """The largest sets of papers that can be cut in one pass, or why the papers ``apart`` don't shut each other out.

    Every set of papers in a pass lies in one of these sets.

    Args:
        apart: papers that are said to leave no room beside each other; all others go with any.
    """
    lying = {paper for paper, known in sheets.items() if known.sides}
    limited = sorted(set(apart) & lying)
    if len(limited) > MOST_PAPERS:
        return f"it sets {len(limited)} papers apart, and {MOST_PAPERS} can be gone through"
    width, length = machine.plate_mm
    inside = length - 2 * machine.clear_mm + HAIR_MM
    beyond = length - machine.clear_mm + machine.overhang_mm + HAIR_MM
    takes: dict[tuple[str, str], float] = {}
    for p in limited:
        if not sheets[p].rectangles:
            return f"not all scraps of {p} are rectangles"
        narrow = min(w for w, _ in sheets[p].sides)
        for q in limited:
            r = sheets[q].disc_mm
            aside = width - narrow - machine.clear_mm - r + HAIR_MM
            if p != q and aside >= r:
                return f"a cut in {q} may lie beside a scrap of {p}"
            if p != q:
                takes[p, q] = r + math.sqrt(r * r - max(aside, 0.0) ** 2) - 2 * HAIR_MM
    short = {p: min(h for _, h in sheets[p].sides) for p in limited}

    def may_lie(chosen: Sequence[str]) -> bool:
        if len(chosen) == 1:
            return True
        ends = 0
        for p in chosen:
            others = sum(min(takes[t, q] for t in chosen if t != q) for q in chosen if q != p)
            if short[p] + others > beyond:
                return False
            ends += short[p] + others > inside
        return ends <= 2

    free = frozenset(lying - set(limited))
    if not limited:
        return [free]
    good = {
        mask
        for mask in range(1, 1 << len(limited))
        if may_lie([p for i, p in enumerate(limited) if mask >> i & 1])
    }
    largest = [
        mask
        for mask in sorted(good)
        if not any(mask | 1 << i in good for i in range(len(limited)) if not mask >> i & 1)
    ]
    return [free | {p for i, p in enumerate(limited) if mask >> i & 1} for mask in largest] or [free]
