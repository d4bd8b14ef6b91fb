"""What every die keeps for itself on the plate, and at which angles it may lie there.

A *footprint* says how much of the plate a die takes (see :data:`nestcut.passes.common.types.Footprint`): its rim, the
convex hull of rim and paper edge so that straight-sided papers separate, or a rectangle around them.
The lower bound is always counted with rims; rims lie inside hulls, hulls inside chips.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shapely.geometry import Polygon, box
from shapely.ops import unary_union

from nestcut.arithmetic import buffered, sine_cosine, turn_shape
from nestcut.batch.model import Batch, Demand, Die, Paper, Shape, Turns
from nestcut.passes.common.plate_rules import TOLERANCE_MM, chip_angle
from nestcut.passes.common.turns import QUARTERS, common_turns, joined_turns, plate_turns
from nestcut.passes.common.types import Footprint

__all__ = ["AREA_TICKS", "DieFootprint", "area_ticks", "footprints_of", "window_ticks"]

AREA_TICKS = 100
"""Areas as whole numbers: 1 tick = 0.01 mm²."""


@dataclass(frozen=True, slots=True)
class DieFootprint:
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


def _either(a: Turns, b: Turns) -> Turns:
    if a == "any" or b == "any":
        return "any"
    return joined_turns([*a, *b])


def _turns_for(die: Die, batch: Batch, demand: Sequence[Demand]) -> tuple[Turns, Turns]:
    """(angles for all of the die's papers, angles for at least one of them).

    Papers of lines that only this die can meet with only this paper come first; a paper of a free line
    that would leave no common angle is not insisted on.
    """
    examples: dict[str, Paper] = {}
    fixed: set[str] = set()
    for line in demand:
        if die.name in line.dies and line.count > 0:
            for name in line.papers:
                paper = batch.paper(name)
                examples.setdefault(paper.direction, paper)
                if len(line.dies) == 1 and len(line.papers) == 1:
                    fixed.add(paper.direction)
    every: list[Paper] = []
    some: Turns = ()
    for direction in sorted(examples, key=lambda key: (key not in fixed, key)):
        paper = examples[direction]
        turns = plate_turns(die, paper, papers=batch.hand.papers)
        if not turns:
            continue
        some = _either(some, turns)
        if common_turns(batch, die, [*every, paper]):
            every.append(paper)
    suiting = common_turns(batch, die, every)
    return suiting, some or suiting


def footprint_shape(die: Die, footprint: Footprint, *, gap_mm: float, edge_mm: float) -> Shape:
    """What the die keeps: apart from others by the gap, and grown by half of it, it holds rim and paper."""
    if footprint == "rims":
        return die.rim
    # Papers of neighbours separate when cut ⊕ edge lies in the shape grown by half the gap.
    reach = max(0.0, edge_mm - gap_mm / 2)
    if footprint == "hulls":
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


def footprints_of(batch: Batch, demand: Sequence[Demand], footprint: Footprint) -> tuple[DieFootprint, ...]:
    """The dies that the demand may use, in the batch's order."""
    wanted = {name for line in demand if line.count > 0 for name in line.dies}
    footprints = []
    for die in batch.dies:
        if die.name not in wanted:
            continue
        turns, bound_turns = _turns_for(die, batch, demand)
        if footprint == "chips":
            deg = chip_angle(die.cut)
            square = joined_turns([deg + quarter for quarter in QUARTERS])
            turns = square if turns == "any" else tuple(deg for deg in turns if deg in square) or turns
        footprints.append(
            DieFootprint(
                name=die.name,
                shape=footprint_shape(die, footprint, gap_mm=batch.hand.gap_mm, edge_mm=batch.hand.edge_mm),
                rim=die.rim,
                copies=die.copies,
                pieces=die.pieces,
                turns=turns,
                bound_turns=bound_turns,
                area_ticks=area_ticks(die.rim, batch.hand.gap_mm),
                trips=die.trips,
            )
        )
    return tuple(footprints)
