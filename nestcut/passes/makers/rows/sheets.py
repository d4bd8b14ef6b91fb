"""Pieces of paper at all four quarter turns, with the cuts that were made in them, whichever way they lay.

Pieces that are alike and were cut alike share one :class:`Sheet`. What a die may still cut is read off masks of whole
millimetres (:mod:`nestcut.passes.makers.one_paper.one_paper_grid`); what decides is measured exactly.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from shapely.affinity import translate
from shapely.geometry import Polygon

from nestcut.batch.model import Batch, Die, Machine, Pose, Scrap, Shape, filled
from nestcut.passes.common.plate_rules import places_of
from nestcut.passes.common.slits import Piece
from nestcut.passes.common.turns import paper_turns
from nestcut.passes.makers.one_paper.one_paper_grid import DieGrid, Mask, Near, Turned, lies_well, switch_off
from nestcut.passes.makers.rows.slitting import slit_pieces

__all__ = ["Papers", "RowView", "Sheet"]

QUARTERS = (0.0, 90.0, 180.0, 270.0)


@dataclass(frozen=True, slots=True, eq=False)
class RowView:
    """A piece at one quarter turn on the plate."""

    deg: float
    outline: Polygon
    """Turned, its box beginning at (0, 0)."""
    shift: tuple[float, float]
    """From the turned outline, with its corner in the turning point, to ``outline``, mm."""
    reach: tuple[int, int, int, int]
    """Where its corner may lie: first and last across, first and last along, whole mm."""

    def seen(self, x: float, y: float) -> tuple[float, float]:
        """A point of the piece in this view."""
        a, b = _quarter(x, y, self.deg)
        return a + self.shift[0], b + self.shift[1]

    def back(self, x: float, y: float) -> tuple[float, float]:
        """The reverse."""
        return _quarter(x - self.shift[0], y - self.shift[1], -self.deg)


@dataclass(frozen=True, slots=True)
class Made:
    """A cut in the frame of the piece, whose box begins at (0, 0)."""

    die: Die
    pose: Pose


@dataclass(slots=True, eq=False)
class Sheet:
    """A piece with the cuts made in it so far."""

    papers: Papers
    paper: str
    outline: Polygon
    """Its box begins at (0, 0)."""
    views: tuple[RowView, ...]
    made: tuple[Made, ...] = ()
    """By the last pass; those before belong to ``before``."""
    holes: tuple[Shape, ...] = ()
    """Every cut made so far, filled."""
    before: Sheet | None = None
    refused: int = 0
    """How many places turned out wrong when they were measured."""
    _masks: dict[tuple[int, Turned], Mask | None] = field(default_factory=dict)
    _next: dict[tuple[int, tuple[tuple[Turned, int, int], ...]], Sheet] = field(default_factory=dict)

    @property
    def fresh(self) -> bool:
        return self.before is None

    def mask(self, number: int, turned: Turned) -> Mask | None:
        """Where this die may still cut it in a view; None where it may nowhere."""
        key = (number, turned)
        if key not in self._masks:
            view = self.views[number]
            found: Mask | None
            if self.before is None:
                allowed = paper_turns(turned.die, self.papers.batch.paper(self.paper), turned.deg)
                fits = any(abs((deg + view.deg + 180.0) % 360.0 - 180.0) < 1e-6 for deg in allowed)
                found = self.papers.places(view, turned) if fits else None
            else:
                found = self.before.mask(number, turned)
                if found is not None:
                    found = Mask(found.flags.copy(), found.i0, found.j0)
                    for cut in self.made:
                        x, y = view.seen(cut.pose.x_mm, cut.pose.y_mm)
                        self.papers.take_out(found, cut.die, cut.pose.deg + view.deg, (x, y), turned)
                    found = found if found.flags.any() else None
            self._masks[key] = found
        return self._masks[key]

    def after(self, number: int, cuts: Sequence[tuple[Turned, int, int]]) -> Sheet:
        """The same after further cuts of one pass. Each is measured exactly; one that breaks a rule is left out, and its
        place is never offered again."""
        key = (number, tuple(cuts))
        if key not in self._next:
            view = self.views[number]
            kept: list[tuple[Turned, int, int]] = []
            made: list[Made] = []
            holes: list[Shape] = []
            for turned, i, j in cuts:
                at = view.back(*turned.at(i, j))
                pose = Pose(round(at[0], 9), round(at[1], 9), (turned.deg - view.deg) % 360.0)
                hole = filled(pose.apply(turned.die.cut))
                if lies_well(self.papers.batch, self.outline, [*self.holes, *holes], hole):
                    kept.append((turned, i, j))
                    made.append(Made(turned.die, pose))
                    holes.append(hole)
                else:
                    self._refuse(number, turned, i, j)
            if len(kept) < len(cuts):
                return self.after(number, kept) if kept else self
            self._next[key] = Sheet(
                self.papers, self.paper, self.outline, self.views, tuple(made), (*self.holes, *holes), self
            )
        return self._next[key]

    def _refuse(self, number: int, turned: Turned, i: int, j: int) -> None:
        mask = self.mask(number, turned)
        if mask is not None:
            mask.flags[i - mask.i0, j - mask.j0] = False
            if not mask.flags.any():
                self._masks[number, turned] = None
        self.refused += 1


class Papers:
    """What is known of dies and outlines of paper, in fields of any size."""

    def __init__(self, batch: Batch) -> None:
        self.batch, self.grid = batch, DieGrid(batch)
        self._views: dict[tuple[bytes, Machine], tuple[RowView, ...]] = {}
        self._pieces: dict[tuple[str, Machine, int], list[tuple[Polygon, list[Piece]]]] = {}
        self._places: dict[tuple[bytes, Turned], Mask | None] = {}
        self._cuts: dict[tuple[str, float], Turned] = {}
        self._near: dict[tuple[Turned, Turned, float, float], Near] = {}

    def pieces(self, batch: Batch, paper: str, way: int) -> list[tuple[Polygon, list[Piece]]]:
        """What the scraps of a paper are in a field: outlines, their boxes beginning at (0, 0), and all pieces that have them; small
        ones first.

        Args:
            batch: as if the field were all of the plate.
            way: of slitting scraps that are too wide.
        """
        key = (paper, batch.machine, way)
        if key not in self._pieces:
            names = {die for line in batch.demand if paper in line.papers for die in line.dies}
            dies = [die for die in batch.dies if die.name in names]
            alike: dict[bytes, list[Piece]] = defaultdict(list)
            scraps: dict[bytes, list[Scrap]] = defaultdict(list)
            for scrap in batch.scraps:
                if scrap.paper == paper:
                    scraps[scrap.outline.wkb].append(scrap)
            for own in scraps.values():
                for piece in slit_pieces(batch, own[0], dies, way):
                    alike[piece.in_corner.normalize().wkb] += [
                        Piece(scrap, piece.outline, piece.whole) for scrap in own
                    ]
            groups = sorted(alike.items(), key=lambda item: (item[1][0].outline.area, item[0]))
            self._pieces[key] = [(pieces[0].in_corner, pieces) for _, pieces in groups]
        return self._pieces[key]

    def sheet(self, paper: str, outline: Polygon, field: Machine) -> Sheet:
        """A fresh piece in a field. Its box begins at (0, 0)."""
        key = (outline.normalize().wkb, field)
        if key not in self._views:
            self._views[key] = tuple(view for deg in QUARTERS if (view := _view(outline, deg, field)))
        return Sheet(self, paper, outline, self._views[key])

    def places(self, view: RowView, turned: Turned) -> Mask | None:
        """Where the die's cut lies in a fresh outline; None where it does nowhere."""
        key = (view.outline.wkb, turned)
        if key not in self._places:
            self._places[key] = self.grid.places(view.outline, turned)
        return self._places[key]

    def take_out(self, mask: Mask, die: Die, deg: float, at: tuple[float, float], other: Turned) -> None:
        """Switch off the places at which ``other`` would come too near to a cut of ``die`` (in place)."""
        one = self._cut(die, deg % 360.0)
        nx, ny = math.floor(at[0] + 1e-6), math.floor(at[1] + 1e-6)
        off = (
            round(other.anchor[0] - (at[0] - nx), 6),
            round(other.anchor[1] - (at[1] - ny), 6),
        )
        key = (one, other, *off)
        if key not in self._near:
            self._near[key] = self.grid.web_steps(one, other, off)
        switch_off(mask, self._near[key], nx, ny)

    def _cut(self, die: Die, deg: float) -> Turned:
        key = (die.name, deg)
        if key not in self._cuts:
            own = Pose(0.0, 0.0, deg)
            self._cuts[key] = Turned(
                die, deg, filled(own.apply(die.cut)), filled(own.apply(die.rim)), (0.0, 0.0)
            )
        return self._cuts[key]


def _view(outline: Polygon, deg: float, field: Machine) -> RowView | None:
    turned = Pose(0.0, 0.0, deg).apply(outline)
    x0, y0, x1, y1 = turned.bounds
    places = places_of(field, (x1 - x0, y1 - y0))
    if places is None:
        return None
    across, first, last = places
    return RowView(deg, translate(turned, -x0, -y0), (-x0, -y0), (0, across, first, last))


def _quarter(x: float, y: float, deg: float) -> tuple[float, float]:
    """A point turned by quarters."""
    cos, sin = ((1, 0), (0, 1), (-1, 0), (0, -1))[round(deg / 90.0) % 4]
    return cos * x - sin * y, sin * x + cos * y
