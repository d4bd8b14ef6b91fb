"""Does it make sense? What a batch asks for, held against plate, hands and paper.

Everything here is on the safe side: a die is refused only where it provably cannot lie on the
plate, a scrap is called too small only where no die asked for can fit into it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.arithmetic import dot, length_of, lengths_of, sines_cosines
from nestcut.batch.model import Batch, Die, Hand, Machine
from nestcut.units import format_length

__all__ = ["fits_plate", "notes_on", "rim_width"]

_STEP_DEG = 0.1
_TURN_PLAY_DEG = 0.5
"""Turn rules hold within half a degree."""


def _hull_points(shape: BaseGeometry) -> np.ndarray:
    hull = shape.convex_hull
    return np.asarray(hull.exterior.coords if isinstance(hull, Polygon) else hull.coords)


def fits_plate(die: Die, machine: Machine, hand: Hand) -> bool:
    """False only where the rim provably fits into the plate's window at no turn that is allowed.

    The extents of the rim's hull are sampled every 0.1°; between two samples an extent changes by at
    most the hull's diameter times the angle, which is given to the die as play.
    """
    points = _hull_points(die.rim)
    width, length = (side - 2 * machine.clear_mm for side in machine.plate_mm)
    angles = np.arange(0.0, 360.0, _STEP_DEG)
    if die.turns != "any" and hand.papers == "square":
        # Turns are measured from the paper, and the paper lies at a quarter turn.
        off = (angles[:, None] - np.asarray(die.turns, dtype=float)[None, :] + 45.0) % 90.0 - 45.0
        angles = angles[(np.abs(off) <= _TURN_PLAY_DEG + _STEP_DEG).any(axis=1)]
    radians = np.radians(angles)
    sin, cos = (part[:, None] for part in sines_cosines(radians))
    across = np.ptp(cos * points[:, 0] - sin * points[:, 1], axis=1)
    along = np.ptp(sin * points[:, 0] + cos * points[:, 1], axis=1)
    diameter = length_of(*np.ptp(points, axis=0))
    play = diameter * math.radians(_STEP_DEG) + 1e-6
    return bool(((across <= width + play) & (along <= length + play)).any())


def rim_width(die: Die) -> float:
    """Least width of the metal outside the cut, mm."""
    outer = [part.exterior for part in getattr(die.rim, "geoms", [die.rim])]
    return min(line.distance(die.cut) for line in outer)


def _least_width(points: np.ndarray) -> float:
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


def _diameter(points: np.ndarray) -> float:
    """Largest distance between two corners of a ring of points."""
    return max(float(lengths_of(points - corner).max()) for corner in points)


def _may_hold(scrap: Polygon, die: Die, edge_mm: float) -> bool:
    """False only where no pose of the die's cut fits into the scrap with its edge.

    What lies in the scrap at least an edge from its outline has a hull that, grown by the edge, lies in
    the scrap's hull: neither least width nor diameter can be larger.
    """
    cut = _hull_points(die.cut)
    room = _hull_points(scrap)
    return (
        die.cut.area <= scrap.area + 1e-6
        and _least_width(cut) + 2 * edge_mm <= _least_width(room) + 1e-6
        and _diameter(cut) + 2 * edge_mm <= _diameter(room) + 1e-6
    )


def notes_on(batch: Batch) -> list[str]:
    """Remarks for the person; none of them stops the planning."""
    return [*_on_hands(batch), *_on_papers(batch), *_on_scraps(batch)]


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
            f"({format_length(hand.edge_mm - rim)}): a die at the plate's edge finds no paper wide enough "
            "beneath it that does not stick out sideways."
        )


def _on_papers(batch: Batch) -> Iterable[str]:
    in_stock = {scrap.paper for scrap in batch.scraps}
    asked = {paper for card in batch.cards for line in card.lines for paper in line.papers}
    for paper in batch.papers:
        if paper.name in asked and paper.name not in in_stock:
            yield f"There is no scrap of {paper.name}, which the cards ask for."


def _on_scraps(batch: Batch) -> Iterable[str]:
    wanted: dict[str, set[str]] = {}
    for card in batch.cards:
        for line in card.lines:
            for paper in line.papers:
                wanted.setdefault(paper, set()).update(line.dies)
    dies = {die.name: die for die in batch.dies}
    known: dict[tuple[str, int], bool] = {}
    small: list[str] = []
    for scrap in batch.scraps:
        if scrap.paper not in wanted:
            continue
        # Scraps that are counted share one outline.
        key = (scrap.paper, id(scrap.outline))
        if key not in known:
            known[key] = any(
                _may_hold(scrap.outline, dies[name], batch.hand.edge_mm)
                for name in sorted(wanted[scrap.paper])
            )
        if not known[key]:
            small.append(scrap.id)
    if small:
        listed = ", ".join(small[:5]) + (f" and {len(small) - 5} more" if len(small) > 5 else "")
        yield f"Too small for any die that is asked for in its paper: {listed}."
