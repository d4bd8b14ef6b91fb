"""What goes back into the box: offcuts of trims, remnants, parts and scraps that were not used; and the crumbs.

Everything follows from the plan's scraps, trims and remnants, so the sheets and ``box.csv`` say the same. An offcut is what
the cuts told on the run sheet leave: with a paper trimmer every cut goes right through the piece in hand.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from pydantic_core import PydanticCustomError
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from nestcut.batch.fields import clean_name
from nestcut.plans.cutting_up import is_rectangle, straight_cuts_of
from nestcut.plans.fitting import SQUARE_MM, Fitting
from nestcut.plans.model import Plan, Trim
from nestcut.plans.rectangles import largest_rectangle
from nestcut.units import letters

__all__ = ["Leftover", "Leftovers", "keep_mm", "leftovers", "offcuts_of"]

Rectangle = tuple[float, float, float, float]
Kind = Literal["offcut", "remnant", "part", "scrap"]
_KINDS: tuple[Kind, ...] = ("offcut", "remnant", "part", "scrap")
_HAIR_MM = 0.02
"""Beside parts cut out by scissors, paper thinner than twice this is a frayed edge, not paper."""
_NAME_LIMIT = 80
"""Longest id that a batch takes."""


@dataclass(frozen=True, slots=True)
class Leftover:
    """Pieces of one paper, all alike, that go back into the box."""

    kind: Kind
    """``offcut`` of a trim; ``remnant``: what the dies left; ``part``: trimmed and not used; ``scrap``: never pulled out."""
    paper: str
    ids: tuple[str, ...]
    """One for each piece, as the next batch will know it; different from all ids of the plan but a piece's own."""
    sources: tuple[str, ...]
    """The scrap or part that each piece was, or was cut from."""
    outline: Polygon
    """Its box's upper left corner at (0, 0), its up as on the scrap; mm."""
    rectangle: Rectangle
    """The largest one in it, square to its frame (see :func:`nestcut.plans.rectangles.largest_rectangle`)."""


@dataclass(frozen=True, slots=True)
class Leftovers:
    """All paper that the evening leaves: what is kept, and what is too small for anything."""

    kept: tuple[Leftover, ...]
    crumbs: int
    crumbs_mm2: float


@dataclass(frozen=True, slots=True)
class _Offcut:
    kind: Kind
    paper: str
    source: str
    outline: Polygon


def keep_mm(plan: Plan) -> float:
    """How wide a free piece must be, both ways, to be cut off whole before cuts run through it, mm."""
    edge = plan.hand.edge_mm
    sides = [
        min(die.cut.bounds[2] - die.cut.bounds[0], die.cut.bounds[3] - die.cut.bounds[1]) for die in plan.dies
    ]
    return float(min([SQUARE_MM, *(side + 2 * edge for side in sides)]))


def leftovers(plan: Plan) -> Leftovers:
    """What is left of all paper in stock after the evening.

    Kept are scraps that were not touched, and every other piece on which a die of the plan still fits (with its turns, the
    paper's direction and the edge of a fresh scrap), or which has a free square of 30 mm. Doubt keeps a piece.
    """
    pieces = list(_pieces(plan))
    papers = {paper.name: paper for paper in plan.papers}
    order = {name: place for place, name in enumerate(papers)}
    fitting = Fitting(plan.dies, plan.hand.edge_mm)
    rectangles: dict[bytes, Rectangle | None] = {}
    usable: dict[object, bool] = {}
    groups: dict[tuple[str, Kind, bytes], list[_Offcut]] = {}
    crumbs, crumbs_mm2 = 0, 0.0
    for piece, shape in zip(pieces, _keys(pieces), strict=True):

        def rectangle(piece: _Offcut = piece, shape: bytes = shape) -> Rectangle | None:
            if shape not in rectangles:
                rectangles[shape] = largest_rectangle(piece.outline)
            return rectangles[shape]

        paper = papers[piece.paper]
        asked = paper.direction, paper.both_sides, shape
        if piece.kind != "scrap" and asked not in usable:
            usable[asked] = fitting.usable(piece.outline, rectangle, paper)
        # What was never pulled out is stock, however small: nobody is told to throw it away.
        if (piece.kind == "scrap" or usable[asked]) and _is_paper(piece.outline):
            rectangle()
            groups.setdefault((piece.paper, piece.kind, shape), []).append(piece)
        else:
            crumbs, crumbs_mm2 = crumbs + 1, crumbs_mm2 + piece.outline.area
    names = _Names(plan, Counter(p.source for alike in groups.values() for p in alike if p.kind == "remnant"))

    def place(group: tuple[str, Kind, bytes]) -> tuple[int, int, float, str]:
        paper, kind, shape = group
        return order[paper], _KINDS.index(kind), -_area(rectangles[shape]), groups[group][0].source

    kept = []
    for group in sorted(groups, key=place):
        alike = groups[group]
        outline = alike[0].outline
        # A hair's breadth in every direction of the frame may hold none.
        found = rectangles[group[2]] or outline.representative_point().bounds
        sources = tuple(piece.source for piece in alike)
        kept.append(Leftover(group[1], group[0], names.of(alike), sources, outline, found))
    return Leftovers(tuple(kept), crumbs, crumbs_mm2)


def _is_paper(shape: Polygon) -> bool:
    """False for what no hand could pick up: a tenth of a mm wide, or a mm² in all."""
    x0, y0, x1, y1 = shape.bounds
    return bool(min(x1 - x0, y1 - y0) >= 0.1 and shape.area >= 1.0)


def _area(rectangle: Rectangle | None) -> float:
    return 0.0 if rectangle is None else (rectangle[2] - rectangle[0]) * (rectangle[3] - rectangle[1])


def _pieces(plan: Plan) -> Iterator[_Offcut]:
    """All paper after the evening, piece by piece, each with its box's upper left corner at (0, 0)."""
    trims = {trim.scrap: trim for trim in plan.trims}
    remnants = {remnant.scrap: remnant.outline for remnant in plan.remnants}
    stock = {scrap.id for scrap in plan.scraps}
    cut = {one.scrap for a_pass in plan.passes for one in a_pass.cuts}
    least = keep_mm(plan)
    same: dict[object, list[Polygon]] = {}
    spoilt = {one.scrap for one in plan.spoilt}
    for name, (paper, outline) in plan.pieces_of_paper().items():
        if name in spoilt:
            continue
        kind: Kind = "scrap" if name in stock else "part"
        left: Iterable[Polygon] = (outline,)
        if name in trims:
            key = outline.wkb, tuple(part.wkb for _, part in trims[name].into)
            if key not in same:
                same[key] = offcuts_of(outline, trims[name], keep_mm=least)
            kind, left = "offcut", same[key]
        elif name in remnants:
            kind, left = "remnant", _polygons(remnants[name])
        elif name in cut:
            left = ()
        for shape in left:
            yield _Offcut(kind, paper, name, _at_corner(shape))


def offcuts_of(outline: Polygon, trim: Trim, *, keep_mm: float) -> list[Polygon]:
    """What a trim leaves beside its parts, in the scrap's frame, mm: pieces of paper, each in one.

    Args:
        outline: the scrap.
        keep_mm: as for :func:`nestcut.plans.cutting_up.straight_cuts_of`.
    """
    parts = [part for _, part in trim.into]
    cuts = straight_cuts_of(outline, parts, keep_mm=keep_mm)
    if cuts is not None:
        pieces = [box(*bounds) for bounds in cuts.offcuts]
        if is_rectangle(outline):
            return pieces
        return [part for piece in pieces for part in _polygons(shapely.intersection(outline, piece))]
    rest = shapely.difference(outline, shapely.union_all(parts))
    found = []
    # Sides that parts share with the scrap leave hairs, which would tie pieces together.
    for piece in _polygons(rest.buffer(-_HAIR_MM, join_style="mitre")):
        found += _polygons(shapely.intersection(rest, piece.buffer(_HAIR_MM, join_style="mitre")))
    return found


def _polygons(shape: BaseGeometry) -> list[Polygon]:
    """The polygons of a shape that have an area."""
    return [
        part for part in shapely.get_parts(shape).tolist() if isinstance(part, Polygon) and part.area > 1e-9
    ]


def _at_corner(shape: Polygon) -> Polygon:
    corner = np.array(shape.bounds[:2])
    return shape if not corner.any() else shapely.transform(shape, lambda points: points - corner)


def _keys(pieces: Sequence[_Offcut]) -> list[bytes]:
    """For each piece what it shares with all that have the same outline, to a thousandth of a mm."""
    if not pieces:
        return []
    shapes = shapely.transform(
        np.array([piece.outline for piece in pieces], dtype=object), lambda points: np.round(points, 3) + 0.0
    )
    return [bytes(key) for key in shapely.to_wkb(shapely.normalize(shapes))]


class _Names:
    """Ids for the next batch: a piece keeps its own; offcuts get one after the scrap that they are cut from."""

    def __init__(self, plan: Plan, remnants: Mapping[str, int]):
        """``remnants``: scrap or part → pieces that its remnant fell into."""
        self.taken = set(plan.pieces_of_paper())
        self.remnants = remnants

    def of(self, alike: Sequence[_Offcut]) -> tuple[str, ...]:
        """An id for each piece of a group."""
        if alike[0].kind == "offcut":
            return self._fresh(alike[0].source, "off", len(alike))
        found = []
        for piece in alike:
            own = _as_it_is(piece.source) if self.remnants.get(piece.source, 0) < 2 else None
            found.append(own or self._fresh(piece.source, "rest", 1)[0])
        return tuple(found)

    def _fresh(self, source: str, word: str, count: int) -> tuple[str, ...]:
        """Ids that nothing has yet: ``count`` of them as a table of scraps numbers them, id-1, id-2, …"""
        root = re.sub(rf"-{word}(-[a-z]+)?(-\d+)?$", "", _as_it_is(source[: _NAME_LIMIT // 2]) or "scrap")
        number = 1
        while True:
            name = f"{root}-{word}" if number == 1 else f"{root}-{word}-{letters(number - 1)}"
            ids = (name,) if count == 1 else tuple(f"{name}-{place}" for place in range(1, count + 1))
            if name not in self.taken and self.taken.isdisjoint(ids):
                self.taken.update((name, *ids))
                return ids
            number += 1


def _as_it_is(name: str) -> str | None:
    """The name, where a batch takes it as it is; else None."""
    try:
        return name if clean_name(name) == name else None
    except PydanticCustomError:
        return None
