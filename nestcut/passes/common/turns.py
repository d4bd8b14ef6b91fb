"""How a die may be turned on the plate so that papers can lie under it: the turn rules (:mod:`nestcut.batch.turns`), seen from the plate."""

from __future__ import annotations

import math
from collections.abc import Sequence

from nestcut.batch.model import Batch, Die, Paper, Turns
from nestcut.batch.turns import allowed_on, turns_on

__all__ = [
    "QUARTERS",
    "common_turns",
    "joined_turns",
    "paper_turns",
    "plate_turns",
    "wrapped_deg",
]

QUARTERS = (0.0, 90.0, 180.0, 270.0)
"""Papers lie square to the plate, degrees."""
SAME_DEG = 1e-9
"""Angles that rounding alone tells apart."""


def paper_turns(die: Die, paper: Paper, plate_deg: float, *, papers: str = "square") -> tuple[float, ...]:
    """Turns that take a part from the plate's frame to the scrap's, with the die at ``plate_deg``.

    Quarter turns where papers lie square. Empty: this paper can't lie under this slot.
    """
    quarters = tuple(quarter for quarter in QUARTERS if allowed_on(die, paper, plate_deg + quarter))
    if quarters or papers == "square":
        return quarters
    # Papers at any angle follow the die.
    return tuple(sorted({(float(deg) - plate_deg) % 360.0 for deg in turns_on(die, paper)}))


def plate_turns(die: Die, paper: Paper, *, papers: str = "square") -> Turns:
    """Plate angles of a die that cuts this paper. Empty: it can't cut it.

    Papers lie square to the plate (quarter turns), or at any angle where ``papers`` is "any": a paper can
    then follow the die, so every plate angle will do.
    """
    allowed = turns_on(die, paper)
    if allowed == "any":
        return "any"
    if not allowed:
        return ()
    if papers == "any":
        return "any"
    return joined_turns([deg + quarter for deg in allowed for quarter in QUARTERS])


def common_turns(batch: Batch, die: Die, papers: Sequence[Paper]) -> Turns:
    """Plate angles of a die that suit all of these papers."""
    found: Turns = "any"
    for paper in papers:
        turns = plate_turns(die, paper, papers=batch.hand.papers)
        if turns != "any":
            found = turns if found == "any" else joined_turns([*found, *turns])
    if found == "any":
        return found
    return tuple(
        deg
        for deg in found
        if all(paper_turns(die, paper, deg, papers=batch.hand.papers) for paper in papers)
    )


def wrapped_deg(deg: float) -> float:
    """An angle in [0, 360), with what is nearly 360 as 0."""
    wrapped = round(math.fmod(deg, 360.0), 9)
    if wrapped < 0:
        wrapped += 360.0
    return 0.0 if wrapped >= 360.0 - SAME_DEG else wrapped


def joined_turns(angles: Sequence[float]) -> tuple[float, ...]:
    """Angles in [0, 360), sorted, without doubles."""
    return tuple(sorted({wrapped_deg(deg) for deg in angles}))
