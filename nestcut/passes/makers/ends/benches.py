"""One end of the plate and the scraps that lie there: pulled on, turned by halves and quarters, until they are full.

A *bench* is the dies at one end of a lay-up. A scrap lies square on whole millimetres, so its places are the points of
a grid, one grid for each quarter turn that the plate and the scrap allow. A mask for each die says where its cut keeps the edge of the
scrap and the web to all cuts before, whichever way the scrap lay then (see :mod:`nestcut.passes.makers.whole.shifts`). A
*pull* is one place of the scrap and the dies that cut it there.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from shapely.affinity import translate
from shapely.geometry import Polygon

from nestcut.batch.model import Batch, Die, Pose
from nestcut.passes.common.plate_rules import places_across, suits_turned
from nestcut.passes.common.slits import Piece
from nestcut.passes.common.turns import QUARTERS
from nestcut.passes.makers.whole.shifts import CutShapes, Gap, Mask, furthest_out, switch_off, too_near
from nestcut.passes.parts.chips import Site

__all__ = ["Bench", "Made", "Pull", "Workshop"]

Made = tuple[str, Pose]
"""A cut: the die, and where it lay in the frame of the piece (its box begins at (0, 0))."""


@dataclass(frozen=True, slots=True)
class Pull:
    """One place of a scrap, and the slots that cut it there."""

    deg: float
    at: tuple[int, int]
    """Where the turned piece's box begins on the plate, whole mm."""
    slots: tuple[int, ...]
    made: tuple[Made, ...]
    shift: tuple[float, float]
    """From the turned piece, its corner in the turning point, to one whose box begins at (0, 0), mm."""
    inner_mm: float
    """How far along the feed it reaches into the plate."""


@dataclass(slots=True)
class Bench:
    """The dies of one end."""

    number: int
    sites: list[Site]
    """Of the whole lay-up."""
    slots: tuple[int, ...]
    """Those that lie at this end."""
    first_mm: float
    last_mm: float
    """Where a scrap may lie, along the feed."""
    first_end: bool
    known: dict[object, list[Pull]] = field(default_factory=dict)
    """What was asked of this bench before: piece and cuts wanted → its pulls."""


@dataclass(slots=True)
class _Turn:
    """A piece at one quarter turn."""

    deg: float
    outline: Polygon
    shift: tuple[float, float]
    """From the turned piece, its corner in the turning point, to one whose box begins at (0, 0), mm."""
    y0: int
    shape: tuple[int, int]
    masks: dict[int, Mask] = field(default_factory=dict)


@dataclass(slots=True)
class _PieceView:
    """A piece that is being cut, at one quarter turn."""

    turn: _Turn
    masks: dict[int, Mask]
    pending: list[Made]
    """Cuts that are not taken out of the masks yet."""
    top: float
    """What its best place was worth when it was last looked at."""


class Workshop:
    """Masks and gaps for all benches of a batch."""

    def __init__(self, batch: Batch) -> None:
        self.batch = batch
        self.shapes = CutShapes(batch.hand.web_mm, batch.hand.edge_mm)
        self._turns: dict[tuple[int, str, bytes], list[_Turn]] = {}
        self._gaps: dict[tuple[str, float, str, float, float, float], Gap] = {}
        self._benches = 0
        self._known: dict[tuple[str, Pose, int, int], Gap] = {}

    def next_number(self) -> int:
        """A number for a new bench."""
        self._benches += 1
        return self._benches

    def turns(self, bench: Bench, paper: str, piece: Polygon) -> list[_Turn]:
        """The quarter turns at which a fresh piece may lie at this end, with its masks.

        Args:
            piece: outline, its box beginning at (0, 0), mm.
        """
        key = (bench.number, paper, piece.wkb)
        if key not in self._turns:
            self._turns[key] = [
                turn for deg in QUARTERS if (turn := self._turn(bench, paper, piece, deg)) is not None
            ]
        return self._turns[key]

    def _turn(self, bench: Bench, paper: str, piece: Polygon, deg: float) -> _Turn | None:
        turned = Pose(0.0, 0.0, deg).apply(piece)
        x0, y0, x1, y1 = turned.bounds
        across = places_across(self.batch.machine, x1 - x0)
        first, last = math.ceil(bench.first_mm - 1e-9), math.floor(bench.last_mm - (y1 - y0) + 1e-9)
        if across < 0 or last < first:
            return None
        turn = _Turn(deg, translate(turned, -x0, -y0), (-x0, -y0), first, (across + 1, last - first + 1))
        for slot in bench.slots:
            site = bench.sites[slot]
            pose = site.slot.pose
            if suits_turned(self.batch, site.die, paper, pose.deg, deg):
                mask = self.shapes.places(turn.outline, site.die, pose, turn.shape, first)
                if mask.any():
                    turn.masks[slot] = mask
        return turn if turn.masks else None

    def gap(self, die: Die, pose: Pose, other: Die, at: Pose) -> Gap:
        """As :meth:`CutShapes.gap`; places that differ by whole millimetres are worked out once."""
        dx, dy = pose.x_mm - at.x_mm, pose.y_mm - at.y_mm
        nx, ny = math.floor(dx + 1e-6), math.floor(dy + 1e-6)
        fx, fy = round(dx - nx, 6), round(dy - ny, 6)
        key = (die.name, round(pose.deg, 6), other.name, round(at.deg, 6), fx, fy)
        if key not in self._gaps:
            self._gaps[key] = self.shapes.gap(die, Pose(fx, fy, key[1]), other, Pose(0.0, 0.0, key[3]))
        shifts, left, top = self._gaps[key]
        return shifts, left - nx, top - ny

    def take_out(self, bench: Bench, turn: _Turn, masks: Mapping[int, Mask], cut: Made) -> None:
        """Switch off the places at which a slot would come too near to a cut (in place)."""
        pose = lain(cut[1], turn)
        for slot, mask in masks.items():
            key = (cut[0], pose, bench.number, slot)
            gap = self._known.get(key)
            if gap is None:
                site = bench.sites[slot]
                gap = self._known[key] = self.gap(self.batch.die(cut[0]), pose, site.die, site.slot.pose)
            switch_off(mask, gap, (0, -turn.y0))

    def too_near(self, bench: Bench, one: int, two: int) -> bool:
        """Whether two cuts of a lay-up leave too little web for a scrap that both lie in."""
        a, b = bench.sites[one], bench.sites[two]
        return too_near(self.gap(a.die, a.slot.pose, b.die, b.slot.pose))

    def pulls(
        self,
        bench: Bench,
        paper: str,
        piece: Polygon,
        made: Sequence[Made],
        left: Mapping[str, int],
        weights: Mapping[str, float],
        most: int,
    ) -> list[Pull]:
        """How the piece is pulled on from place to place, as many dies as can be in each, until nothing more goes in.

        Args:
            left: die → cuts still wanted from this paper at this end.
            weights: die → worth of a cut.
            most: pulls at most.
        """
        rest = Counter(left)
        views = [
            _PieceView(turn, masks, list(made), math.inf)
            for turn in self.turns(bench, paper, piece)
            if (masks := {s: m.copy() for s, m in turn.masks.items() if rest[bench.sites[s].die.name] > 0})
        ]
        found: list[Pull] = []
        while len(found) < most:
            best: tuple[float, _Turn, dict[int, Mask], NDArray[np.float32]] | None = None
            # What a turn gives never grows: one that gave less before than another gives now is not looked at.
            for view in sorted(views, key=lambda one: -one.top):
                own = [slot for slot in view.masks if rest[bench.sites[slot].die.name] > 0]
                view.top = min(view.top, sum(weights[bench.sites[s].die.name] for s in own))
                if best and view.top <= best[0] + 1e-6:
                    continue
                for cut in view.pending:
                    self.take_out(bench, view.turn, view.masks, cut)
                view.pending.clear()
                total = np.zeros(view.turn.shape, dtype=np.float32)
                for slot in own:
                    total += np.float32(weights[bench.sites[slot].die.name]) * view.masks[slot]
                view.top = float(total.max(initial=0.0))
                if view.top > 0.0 and (best is None or view.top > best[0] + 1e-6):
                    best = (view.top, view.turn, view.masks, total)
            if best is None:
                break
            top, turn, open_masks, total = best
            places = np.argwhere(total >= top - 1e-5)
            x, y = furthest_out(places, bench.first_end)
            slots: list[int] = []
            for slot, mask in open_masks.items():
                die = bench.sites[slot].die.name
                if mask[x, y] and rest[die] > 0 and not any(self.too_near(bench, o, slot) for o in slots):
                    slots.append(slot)
                    rest[die] -= 1
            at = (x, y + turn.y0)
            cuts = tuple(
                (bench.sites[s].die.name, cut_in_piece(bench.sites[s].slot.pose, turn, at)) for s in slots
            )
            found.append(
                Pull(
                    turn.deg,
                    at,
                    tuple(sorted(slots)),
                    cuts,
                    turn.shift,
                    at[1] + (turn.outline.bounds[3] if bench.first_end else 0.0),
                )
            )
            for view in views:
                view.pending += cuts
        return found


def cut_in_piece(pose: Pose, turn: _Turn, at: tuple[int, int]) -> Pose:
    """Where a die at ``pose`` cuts a piece that lies there, in the piece's own frame."""
    x, y = _quarter(pose.x_mm - at[0] - turn.shift[0], pose.y_mm - at[1] - turn.shift[1], -turn.deg)
    return Pose(round(x, 7), round(y, 7), (pose.deg - turn.deg) % 360.0)


def lain(cut: Pose, turn: _Turn) -> Pose:
    """The same on the plate, if the piece's box begins at (0, 0) there."""
    x, y = _quarter(cut.x_mm, cut.y_mm, turn.deg)
    return Pose(round(x + turn.shift[0], 6), round(y + turn.shift[1], 6), (cut.deg + turn.deg) % 360.0)


def _quarter(x: float, y: float, deg: float) -> tuple[float, float]:
    """A point turned by quarters."""
    cos, sin = ((1, 0), (0, 1), (-1, 0), (0, -1))[round(deg / 90.0) % 4]
    return cos * x - sin * y, sin * x + cos * y


def use_pose(piece: Piece, pull: Pull) -> Pose:
    """The scrap's pose for a pull of its piece."""
    return piece.lying(pull.deg, pull.shift, pull.at)
