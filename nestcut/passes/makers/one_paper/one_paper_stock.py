"""The scraps of one paper a pass: fresh ones, those on the table, and where dies may still cut them.

Scraps that are alike and were cut alike share one :class:`PieceInUse`, so that ten thousand of them cost no more than one. Which scraps
lie how is not kept here: a stock serves as many tries as are made.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field

import shapely
from shapely.affinity import translate
from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Die, Pose, Scrap, Shape
from nestcut.batch.turns import turns_on
from nestcut.passes.common.budget import ENDLESS, Budget
from nestcut.passes.common.plate_rules import chip_angle, places_of
from nestcut.passes.common.slits import Piece
from nestcut.passes.common.trims import Trimming
from nestcut.passes.makers.one_paper.one_paper_grid import DieGrid, Mask, Turned, lies_well, switch_off

__all__ = [
    "Fresh",
    "FreshStock",
    "Known",
    "PieceInUse",
    "PieceKind",
    "fresh_pieces",
    "marks_along",
    "may_hold",
    "slit_at",
]

SMALLEST_MM2 = 60.0
"""Parts of a slit scrap that are smaller are offcuts."""
Made = tuple[Turned, int, int]
"""A cut: the die, and its place on the grid."""


@dataclass(frozen=True, slots=True, eq=False)
class PieceKind:
    """Pieces of paper of one outline at one turn on the plate."""

    deg: float
    outline: Polygon
    """Turned, its box beginning at (0, 0)."""
    shift: tuple[float, float]
    """From the turned outline, with its corner in the turning point, to ``outline``, mm."""
    reach: tuple[int, int, int, int]
    """Where its corner may lie on the plate: first and last across, first and last along, whole mm."""

    @property
    def size(self) -> tuple[float, float]:
        """Across and along, mm."""
        return (self.outline.bounds[2], self.outline.bounds[3])


@dataclass(slots=True, eq=False)
class PieceInUse:
    """A piece of paper with the cuts that were made in it so far."""

    grid: DieGrid
    kind: PieceKind
    made: tuple[Made, ...] = ()
    holes: tuple[Shape, ...] = ()
    before: PieceInUse | None = None
    refused: int = 0
    """How many places turned out wrong when they were measured."""
    _masks: dict[Turned, Mask | None] = field(default_factory=dict)
    _next: dict[tuple[Made, ...], PieceInUse] = field(default_factory=dict)

    def mask(self, turned: Turned) -> Mask | None:
        """Where this die may still cut it; None where it may nowhere."""
        if turned not in self._masks:
            if self.before is None:
                found = self.grid.places(self.kind.outline, turned)
            else:
                found = self.before.mask(turned)
                if found is not None:
                    found = Mask(found.flags.copy(), found.i0, found.j0)
                    for other, i, j in self.made:
                        switch_off(found, self.grid.near(other, turned)[0], i, j)
                    found = found if found.flags.any() else None
            self._masks[turned] = found
        return self._masks[turned]

    def after(self, cuts: Sequence[Made]) -> PieceInUse:
        """The same after further cuts of one pass. Each is measured exactly; one that breaks a rule is left out, and its
        place is never offered again."""
        key = tuple(cuts)
        if key not in self._next:
            kept: list[Made] = []
            holes: list[Shape] = []
            for turned, i, j in cuts:
                hole = translate(turned.hole, *turned.at(i, j))
                if lies_well(self.grid.batch, self.kind.outline, [*self.all_holes(), *holes], hole):
                    kept.append((turned, i, j))
                    holes.append(hole)
                else:
                    self._refuse(turned, i, j)
            if len(kept) < len(cuts):
                return self.after(kept) if kept else self
            self._next[key] = PieceInUse(self.grid, self.kind, key, tuple(holes), self)
        return self._next[key]

    def _refuse(self, turned: Turned, i: int, j: int) -> None:
        mask = self.mask(turned)
        if mask is not None:
            mask.flags[i - mask.i0, j - mask.j0] = False
            if not mask.flags.any():
                self._masks[turned] = None
        self.refused += 1

    def all_holes(self) -> Iterator[Shape]:
        """Every cut made so far, filled."""
        one: PieceInUse | None = self
        while one is not None:
            yield from one.holes
            one = one.before


class Known:
    """What is known of a batch's dies and of outlines of paper; it holds whatever scraps there are.

    The budget is asked before passes; once it is over, cutting ends with what is made by then.
    """

    def __init__(self, batch: Batch, budget: Budget = ENDLESS) -> None:
        self.batch, self.grid, self.budget = batch, DieGrid(batch), budget
        self._lying: dict[bytes, list[PieceInUse]] = {}
        self._turns: dict[tuple[str, str], tuple[float, ...]] = {}
        self._parts: dict[tuple[bytes, tuple[str, ...]], list[tuple[Polygon, bool, bytes]]] = {}

    def fresh(self, outline: Polygon) -> list[PieceInUse]:
        """The turns at which fresh paper lies on the plate: along the feed first, then across. Its box begins at (0, 0)."""
        key = outline.normalize().wkb
        if key not in self._lying:
            self._lying[key] = [PieceInUse(self.grid, kind) for kind in kinds_of(self.batch, outline)]
        return self._lying[key]

    def parts(self, scrap: Scrap, dies: Sequence[Die]) -> list[tuple[Polygon, bool, bytes]]:
        """What a scrap is taken as: (outline, whether that is all of it, a key that alike outlines share) of each piece."""
        key = (scrap.outline.wkb, tuple(die.name for die in dies))
        if key not in self._parts:
            self._parts[key] = [
                (piece.outline, piece.whole, piece.in_corner.normalize().wkb)
                for piece in fresh_pieces(self.batch, scrap, dies)
            ]
        return self._parts[key]

    def turns(self, die: Die, paper: str) -> tuple[float, ...]:
        """The turns of a die against this paper that are tried, degrees."""
        key = (die.name, self.batch.paper(paper).direction)
        if key not in self._turns:
            turns = turns_on(die, self.batch.paper(paper))
            if turns == "any":
                base = chip_angle(die.cut)
                self._turns[key] = tuple(_distinct(die, [base, base + 90.0, base + 180.0, base + 270.0]))
            else:
                self._turns[key] = turns
        return self._turns[key]


@dataclass(frozen=True, slots=True, eq=False)
class Fresh:
    """Scraps of one outline."""

    pieces: tuple[Piece, ...]
    ways: Sequence[PieceInUse]
    """One for each turn on the plate."""


class FreshStock:
    """Fresh scraps of each paper, alike ones as one, small ones first."""

    def __init__(self, batch: Batch, known: Known | None = None) -> None:
        self.batch, self.known = batch, known or Known(batch)
        self._fresh: dict[str, list[Fresh]] = {}
        self.dies: dict[tuple[str, str, float], list[Turned]] = {}
        """(paper, die, turn of the scrap) → ways in which the die may lie over it."""

    def of(self, batch: Batch) -> FreshStock:
        """The stock of the same batch with other scraps; what is known of its dies is kept."""
        return FreshStock(batch, self.known)

    def fresh(self, paper: str) -> list[Fresh]:
        """What there is of a paper at the beginning."""
        if paper not in self._fresh:
            names = {die for line in self.batch.demand if paper in line.papers for die in line.dies}
            dies = [die for die in self.batch.dies if die.name in names]
            alike: dict[bytes, list[Piece]] = defaultdict(list)
            for scrap in self.batch.scraps:
                if scrap.paper == paper:
                    for outline, whole, key in self.known.parts(scrap, dies):
                        alike[key].append(Piece(scrap, outline, whole))
            groups = sorted(alike.items(), key=lambda item: (item[1][0].outline.area, item[0]))
            self._fresh[paper] = [Fresh(tuple(own), self.known.fresh(own[0].in_corner)) for _, own in groups]
        return self._fresh[paper]


def kinds_of(batch: Batch, outline: Polygon) -> list[PieceKind]:
    """The turns at which paper of an outline lies on the plate: along the feed first, then across."""
    found = []
    for deg in (0.0, 90.0):
        turned = Pose(0.0, 0.0, deg).apply(outline)
        x0, y0, x1, y1 = turned.bounds
        places = places_of(batch.machine, (x1 - x0, y1 - y0))
        if places is not None:
            across, first, last = places
            reach = (0, across, first, last)
            found.append(PieceKind(deg, translate(turned, -x0, -y0), (-x0, -y0), reach))
    return sorted(found, key=lambda kind: kind.size[0] > kind.size[1])


def _distinct(die: Die, turns: Sequence[float]) -> list[float]:
    """The turns at which the cut does not look just as at one before."""
    found: list[float] = []
    for deg in turns:
        shape = Pose(0.0, 0.0, deg).apply(die.cut)
        if not any(
            Pose(0.0, 0.0, other).apply(die.cut).symmetric_difference(shape).area < 0.05 * shape.area
            for other in found
        ):
            found.append(deg % 360.0)
    return found


def fresh_pieces(batch: Batch, scrap: Scrap, dies: Collection[Die]) -> list[Piece]:
    """The scrap as it is where the plate takes it; else straight parts of it, as few as will do, if it may be trimmed."""
    x0, y0, x1, y1 = scrap.outline.bounds
    w, h = x1 - x0, y1 - y0
    if any(places_of(batch.machine, size) for size in ((w, h), (h, w))):
        return [Piece(scrap, scrap.outline, True)]
    if not Trimming.of(batch).allowed:
        return []
    width, length = batch.machine.plate_mm
    longest = length + 2 * batch.machine.overhang_mm
    best: tuple[tuple[int, ...], list[Piece]] | None = None
    for wide, high in {(width, longest), (longest, width)}:
        for even in (True, False):
            marks = [
                marks_along(low, low + side, step, even) for low, side, step in ((x0, w, wide), (y0, h, high))
            ]
            pieces = slit_at(batch, scrap, *marks)
            if not pieces:
                continue
            lost = sum(not any(may_hold(piece, die, batch.hand.edge_mm) for piece in pieces) for die in dies)
            area = round(sum(piece.outline.area for piece in pieces))
            cost = (lost, -area, len(pieces), not even)
            if best is None or cost < best[0]:
                best = (cost, pieces)
    return best[1] if best else []


def marks_along(low: float, side: float, most: float, even: bool) -> list[float]:
    """Where to slit a side so that no part is longer than ``most``: in even parts, or in full ones and a rest."""
    count = max(1, math.ceil(side / most - 1e-9))
    step = side / count if even else max(1.0, math.floor(most))
    return [low, *(low + math.floor(k * step) for k in range(1, math.ceil(side / step - 1e-9))), low + side]


def slit_at(batch: Batch, scrap: Scrap, across: Sequence[float], down: Sequence[float]) -> list[Piece]:
    """The parts of a scrap between these lines; none where the trims that are allowed can't make them."""
    from nestcut.checks.rules.trimming import straight_cuts_make

    outlines = []
    for (a, b), (c, d) in itertools.product(itertools.pairwise(across), itertools.pairwise(down)):
        for part in shapely.get_parts(scrap.outline.intersection(box(a, c, b, d))):
            if isinstance(part, Polygon) and part.area >= SMALLEST_MM2 and part.is_valid:
                outlines.append(part)
    if Trimming.of(batch).straight_only and not straight_cuts_make(scrap.outline, outlines):
        return []
    pieces = [Piece(scrap, outline, False) for outline in outlines]
    sizes = [piece.in_corner.bounds[2:] for piece in pieces]
    return [
        piece
        for piece, (w, h) in zip(pieces, sizes, strict=True)
        if places_of(batch.machine, (w, h)) or places_of(batch.machine, (h, w))
    ]


def may_hold(piece: Piece, die: Die, edge_mm: float) -> bool:
    """A glance: whether the die's area and narrowest side are small enough for the piece."""
    x0, y0, x1, y1 = piece.outline.bounds
    a0, b0, a1, b1 = die.cut.bounds
    low, high = sorted((a1 - a0 + 2 * edge_mm, b1 - b0 + 2 * edge_mm))
    short, long = sorted((x1 - x0, y1 - y0))
    return low <= short + 1e-6 and high <= long + 1e-6
