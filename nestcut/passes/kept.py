"""What every die keeps for itself on the plate, and at which angles it may lie there.

A *room* says how much of the plate a die takes (see :data:`nestcut.passes.types.Room`): its rim, the
convex hull of rim and paper edge so that straight-sided papers separate, or a rectangle around them.
The lower bound is always counted with rims; rims lie inside hulls, hulls inside chips.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.ops import unary_union

from nestcut.arithmetic import angle_of, buffered, sine_cosine, turn_shape
from nestcut.batch.model import Batch, Demand, Die, Shape, Turns
from nestcut.passes.types import Room

__all__ = ["AREA_TICKS", "Kept", "allowed_turns", "area_ticks", "keep_dies", "plate_turns", "window_ticks"]

TOLERANCE_MM = 1e-6
QUARTERS = (0.0, 90.0, 180.0, 270.0)
SAME_DEG = 1e-9
AREA_TICKS = 100  # whole-number areas: 1 tick = 0.01 mm²


@dataclass(frozen=True, slots=True)
class Kept:
    """A die as the plate half sees it. Shapes are in the die's own frame, mm."""

    name: str
    shape: Shape
    """What must stay ``gap`` apart from others and inside the window."""
    rim: Shape
    copies: int
    """Copies owned."""
    pieces: int
    """Pieces per cut."""
    turns: Turns
    """Plate angles that suit every paper the die may be needed on, degrees."""
    bound_turns: Turns
    """Plate angles that suit at least one of its papers (for disproofs)."""
    area_ticks: int
    """Least area of the rim grown by half the gap, rounded down."""
    trips: int = 1


def _wrapped(deg: float) -> float:
    """An angle in [0, 360), with what is nearly 360 as 0."""
    wrapped = round(math.fmod(deg, 360.0), 9)
    if wrapped < 0:
        wrapped += 360.0
    return 0.0 if wrapped >= 360.0 - SAME_DEG else wrapped


def _joined(angles: Sequence[float]) -> tuple[float, ...]:
    """Sorted, without doubles."""
    return tuple(sorted({_wrapped(deg) for deg in angles}))


def allowed_turns(die: Die, direction: str) -> Turns:
    """Angles between die and paper that both allow (design: turn rules), degrees.

    A paper with stripes takes 0° or 180°, one with an up takes 0°. May be empty: the die can't cut it.
    """
    if direction == "none":
        return "any" if die.turns == "any" else _joined(die.turns)
    wanted = (0.0, 180.0) if direction == "stripe" else (0.0,)
    if die.turns == "any":
        return wanted
    return tuple(deg for deg in wanted if deg in _joined(die.turns))


def plate_turns(die: Die, direction: str, *, papers: str = "square") -> Turns:
    """Plate angles of a die that cuts a paper of this direction.

    Papers lie square to the plate (quarter turns), or at any angle where ``papers`` is "any": a paper can
    then follow the die, so every plate angle will do. Empty if the die can't cut this paper.
    """
    allowed = allowed_turns(die, direction)
    if allowed == "any":
        return "any"
    if not allowed:
        return ()
    if papers == "any":
        return "any"
    return _joined([deg + quarter for deg in allowed for quarter in QUARTERS])


def _both(a: Turns, b: Turns) -> Turns:
    if a == "any":
        return b
    if b == "any":
        return a
    return tuple(deg for deg in a if deg in b)


def _either(a: Turns, b: Turns) -> Turns:
    if a == "any" or b == "any":
        return "any"
    return _joined([*a, *b])


def _turns_for(die: Die, batch: Batch, demand: Sequence[Demand]) -> tuple[Turns, Turns]:
    """(angles for all of the die's papers, angles for at least one of them).

    Papers of lines that only this die can meet with only this paper come first; a paper of a free line
    that would leave no common angle is not insisted on.
    """
    directions: dict[Literal["none", "stripe", "up"], bool] = {}
    for line in demand:
        if die.name in line.dies and line.count > 0:
            for name in line.papers:
                direction = batch.paper(name).direction
                fixed = len(line.dies) == 1 and len(line.papers) == 1
                directions[direction] = directions.get(direction, False) or fixed
    every: Turns = "any"
    some: Turns = ()
    for direction in sorted(directions, key=lambda key: (not directions[key], key)):
        turns = plate_turns(die, direction, papers=batch.hand.papers)
        if not turns:
            continue
        some = _either(some, turns)
        common = _both(every, turns)
        if common:
            every = common
    return every, some or every


def chip_angle(cut: Shape) -> float:
    """The turn that makes the box around the cut smallest, degrees (a side of it lies on a hull edge).

    Source: Freeman & Shapira 1975 (smallest enclosing rectangle has a side flush with a hull edge).
    """
    hull = cut.convex_hull
    ring = np.asarray(hull.exterior.coords)
    best_deg, best_area = 0.0, math.inf
    for (x0, y0), (x1, y1) in itertools.pairwise(ring):
        deg = -math.degrees(angle_of(y1 - y0, x1 - x0))
        left, top, right, bottom = turn_shape(hull, deg).bounds
        area = (right - left) * (bottom - top)
        if area < best_area - 1e-9:
            best_deg, best_area = deg, area
    return _wrapped(best_deg)


def room_shape(die: Die, room: Room, *, gap_mm: float, edge_mm: float) -> Shape:
    """What the die keeps: apart from others by the gap, and grown by half of it, it holds rim and paper."""
    if room == "rims":
        return die.rim
    # Papers of neighbours separate when cut ⊕ edge lies in the shape grown by half the gap.
    reach = max(0.0, edge_mm - gap_mm / 2)
    if room == "hulls":
        # buffer() draws arcs inside the true arc; lengthen so that the hull contains it.
        paper = buffered(die.cut, reach / sine_cosine(math.pi / 64)[1]) if reach > 0 else die.cut
        return unary_union([die.rim, paper]).convex_hull
    deg = chip_angle(die.cut)
    left, top, right, bottom = turn_shape(die.cut, deg).bounds
    chip = turn_shape(box(left - reach, top - reach, right + reach, bottom + reach), -deg)
    return unary_union([die.rim, chip]).convex_hull


def area_ticks(shape: Shape, gap_mm: float) -> int:
    """Area that no other die can enter, in ticks of 0.01 mm², rounded down.

    Shapes at least ``gap_mm`` apart, each grown by half of it, have disjoint interiors. The growth stays
    on the safe side (arcs as inner chords, less the tolerance), so the value is never too large.
    """
    grown = buffered(shape, max(0.0, gap_mm / 2 - TOLERANCE_MM))
    # A ring that hugs the outline of length P would be 1e-6·P: take the tolerance off the area as well.
    return max(0, math.floor((grown.area - TOLERANCE_MM * grown.length) * AREA_TICKS))


def window_ticks(window: Polygon, gap_mm: float) -> int:
    """Area of the window grown by half the gap (round corners), in ticks, rounded up."""
    left, top, right, bottom = window.bounds
    grow = gap_mm / 2 + TOLERANCE_MM
    width, length = right - left, bottom - top
    area = width * length + 2 * grow * (width + length) + math.pi * grow * grow
    # Half a mm² more, so that whoever recounts with other arcs agrees.
    return math.ceil(area * AREA_TICKS) + AREA_TICKS // 2


def keep_dies(batch: Batch, demand: Sequence[Demand], room: Room) -> tuple[Kept, ...]:
    """The dies that the demand may use, in the batch's order."""
    wanted = {name for line in demand if line.count > 0 for name in line.dies}
    kept = []
    for die in batch.dies:
        if die.name not in wanted:
            continue
        turns, bound_turns = _turns_for(die, batch, demand)
        if room == "chips":
            deg = chip_angle(die.cut)
            square = _joined([deg + quarter for quarter in QUARTERS])
            turns = square if turns == "any" else (_both(turns, square) or turns)
        kept.append(
            Kept(
                name=die.name,
                shape=room_shape(die, room, gap_mm=batch.hand.gap_mm, edge_mm=batch.hand.edge_mm),
                rim=die.rim,
                copies=die.copies,
                pieces=die.pieces,
                turns=turns,
                bound_turns=bound_turns,
                area_ticks=area_ticks(die.rim, batch.hand.gap_mm),
                trips=die.trips,
            )
        )
    return tuple(kept)


def filled(shape: Shape) -> Shape:
    """The shape without its holes."""
    if isinstance(shape, MultiPolygon):
        return unary_union([Polygon(part.exterior) for part in shape.geoms])
    return Polygon(shape.exterior)
