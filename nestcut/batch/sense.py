"""Does it make sense? What a batch asks for, held against plate, hands and paper.

Everything here is on the safe side: a die is refused only where it provably cannot lie on the plate.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterable

import numpy as np
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.arithmetic import dot, length_of, lengths_of, sines_cosines
from nestcut.batch.model import Batch, Die, Hand, Machine
from nestcut.batch.problems import Problems
from nestcut.units import format_length, format_pair

__all__ = [
    "LIKE_INCHES_MM",
    "fits_plate",
    "hull_diameter",
    "hull_points",
    "hull_width",
    "notes_on",
    "paper_fits_plate",
    "refuse_no_cards",
    "refuse_too_large",
    "rim_width",
]

_STEP_DEG = 0.1
_TURN_PLAY_DEG = 0.5
"""Turn rules hold within half a degree."""
LIKE_INCHES_MM = 30.0
"""Numbers below this are more often inches than millimetres where they are to be the sides of a plate or of paper."""


def hull_points(shape: BaseGeometry) -> np.ndarray:
    hull = shape.convex_hull
    return np.asarray(hull.exterior.coords if isinstance(hull, Polygon) else hull.coords)


def fits_plate(die: Die, machine: Machine, hand: Hand) -> bool:
    """False only where the rim provably fits into the plate's window at no turn that is allowed."""
    return _fits(die, machine, hand, paper=False)


def paper_fits_plate(die: Die, machine: Machine, hand: Hand) -> bool:
    """False only where, at each turn at which the rim fits, the paper around its cut provably sticks out too far.

    That paper is the cut and an edge all round at least; sideways none of it may stick out of the plate.
    """
    return _fits(die, machine, hand, paper=True)


def _fits(die: Die, machine: Machine, hand: Hand, *, paper: bool) -> bool:
    """Extents are sampled every 0.1°; between two samples an extent changes by at most the hull's diameter times
    the angle, which is given to the die as play.
    """
    width, length = (side - 2 * machine.clear_mm for side in machine.plate_mm)
    angles = np.arange(0.0, 360.0, _STEP_DEG)
    if die.turns != "any" and hand.papers == "square":
        # Turns are measured from the paper, and the paper lies at a quarter turn.
        off = (angles[:, None] - np.asarray(die.turns, dtype=float)[None, :] + 45.0) % 90.0 - 45.0
        angles = angles[(np.abs(off) <= _TURN_PLAY_DEG + _STEP_DEG).any(axis=1)]
    good = _within(hull_points(die.rim), angles, width, length)
    if paper:
        width, length = machine.plate_mm
        grown = 2 * hand.edge_mm
        good &= _within(hull_points(die.cut), angles, width - grown, length + 2 * machine.overhang_mm - grown)
    return bool(good.any())


def _within(points: np.ndarray, angles: np.ndarray, width: float, length: float) -> np.ndarray:
    """At which of the turns (degrees) the points may lie in so much room, mm."""
    radians = np.radians(angles)
    sin, cos = (part[:, None] for part in sines_cosines(radians))
    across = np.ptp(cos * points[:, 0] - sin * points[:, 1], axis=1)
    along = np.ptp(sin * points[:, 0] + cos * points[:, 1], axis=1)
    play = length_of(*np.ptp(points, axis=0)) * math.radians(_STEP_DEG) + 1e-6
    return (across <= width + play) & (along <= length + play)


def refuse_no_cards(batch: Batch, problems: Problems) -> None:
    """Note as a problem that nothing is asked for."""
    if not batch.cards:
        problems.add(
            "no cards are asked for, so there is nothing to cut",
            mend='add a card: [[cards]] with name = "…" and '
            'pieces = [{ die = "…", paper = "…", count = 1 }], or a table of cards with cards_csv',
            at=("cards",),
        )


def refuse_too_large(
    batch: Batch, listed: Container[str], problems: Problems, *, bare_plate: bool
) -> list[str]:
    """Note as a problem each die that can't lie on the plate, or whose paper can't; those nobody asks for as a remark.

    Args:
        listed: dies that the batch file names.
        bare_plate: the plate was given without a unit.
    Returns: remarks.
    """
    asked = {name for card in batch.cards for line in card.lines for name in line.dies}
    machine, hand = batch.machine, batch.hand
    width, length = (side - 2 * machine.clear_mm for side in machine.plate_mm)
    hint = ""
    if bare_plate and max(machine.plate_mm) < LIKE_INCHES_MM:
        hint = (
            f'the plate is read as {format_pair(*machine.plate_mm)}; if these are inches, write units = "in" at the '
            "top of the file. Else "
        )
    remarks: list[str] = []
    for die in batch.dies:
        if not fits_plate(die, machine, hand):
            what = (
                f"the die with its rim ({_box(die.rim)}) is larger than the plate's window "
                f"({format_length(width)} × {format_length(length)}) at every allowed turn"
            )
            mend = "use a larger plate, allow other turns, or leave the die out"
        elif die.name in asked and not paper_fits_plate(die, machine, hand):
            what = (
                f"the die fits on the plate, but the paper under it does not: the cut with its edge needs "
                f"{_box(die.cut, hand.edge_mm)} of paper, the plate is {format_pair(*machine.plate_mm)}, and paper may not "
                f"stick out sideways, or by more than {format_length(machine.overhang_mm)} at the ends"
            )
            mend = "use a smaller edge or a larger plate, allow other turns, or leave the die out"
        else:
            continue
        if die.name in asked or die.name in listed:
            problems.add(what, mend=hint + mend, at=("dies", die.name))
        else:
            remarks.append(f"{die.name}: {what}")
    return remarks


def _box(shape: BaseGeometry, grown_mm: float = 0.0) -> str:
    left, top, right, low = shape.bounds
    return format_pair(right - left + 2 * grown_mm, low - top + 2 * grown_mm)


def rim_width(die: Die) -> float:
    """Least width of the metal outside the cut, mm."""
    outer = [part.exterior for part in getattr(die.rim, "geoms", [die.rim])]
    return min(line.distance(die.cut) for line in outer)


def hull_width(points: np.ndarray) -> float:
    """Least distance between two parallel lines that enclose a convex ring of points.

    One of them runs along an edge (Houle and Toussaint, 1988).
    """
    edges = np.diff(points, axis=0)
    sizes = lengths_of(edges)
    edges, sizes = edges[sizes > 0], sizes[sizes > 0]
    if not len(edges):
        return 0.0
    normals = np.column_stack([-edges[:, 1], edges[:, 0]]) / sizes[:, None]
    return float(np.ptp(dot(points[None, :, :], normals[:, :1], normals[:, 1:]), axis=1).min())


def hull_diameter(points: np.ndarray) -> float:
    """Largest distance between two corners of a ring of points."""
    return max(float(lengths_of(points - corner).max()) for corner in points)


def notes_on(batch: Batch) -> list[str]:
    """Remarks for the person; none of them stops the planning."""
    return [*_on_hands(batch), *_on_papers(batch)]


def _on_hands(batch: Batch) -> Iterable[str]:
    hand, machine = batch.hand, batch.machine
    if not batch.dies:
        return
    rim, name = min((rim_width(die), die.name) for die in batch.dies)
    if hand.edge_mm > rim + hand.gap_mm / 2 + 1e-9:
        yield (
            f"Edge ({format_length(hand.edge_mm)}) is more than the rim of {name} plus half the gap "
            f"({format_length(rim + hand.gap_mm / 2)}): papers crowd each other, and more passes may be needed."
        )
    if machine.clear_mm < hand.edge_mm - rim - 1e-9:
        yield (
            f"Clear ({format_length(machine.clear_mm)}) is less than edge minus the rim of {name} "
            f"({format_length(hand.edge_mm - rim)}): the paper under a die at the plate's "
            "edge would stick out sideways."
        )


def _on_papers(batch: Batch) -> Iterable[str]:
    in_stock = {scrap.paper for scrap in batch.scraps}
    asked = {paper for card in batch.cards for line in card.lines for paper in line.papers}
    for paper in batch.papers:
        if paper.name in asked and paper.name not in in_stock:
            yield f"There is no scrap of {paper.name}, which the cards ask for."
