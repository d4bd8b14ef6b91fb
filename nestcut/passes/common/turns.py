"""Turn rules: how a die may be turned on a paper, and so on the plate.

A die's own ``turns``, and the turns that a paper with a direction takes, are measured in the scrap's own frame and hold within
half a degree each. Where both are listed, a turn that is near one of each will do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from nestcut.batch.model import Batch, Die, Paper, Turns

__all__ = [
    "QUARTERS",
    "common_turns",
    "joined_turns",
    "paper_turns",
    "plate_turns",
    "turns_on",
    "wrapped_deg",
]

DIRECTED: dict[str, tuple[float, ...] | None] = {"none": None, "stripe": (0.0, 180.0), "up": (0.0,)}
"""Turns of dies in the frame of a scrap of directed paper, degrees; None: any."""
PLAY_DEG = 0.5 - 1e-6
"""Turn rules hold within 0.5°; a hair inside that, so that no rounding breaks them."""
QUARTERS = (0.0, 90.0, 180.0, 270.0)
SAME_DEG = 1e-9


def _off(deg: float, of: float) -> float:
    """How far an angle lies from another, in [−180, 180)."""
    return (deg - of + 180.0) % 360.0 - 180.0


def _near_one(deg: float, listed: Sequence[float]) -> bool:
    return any(abs(_off(deg, one)) <= PLAY_DEG for one in listed)


def _allowed(die: Die, paper: Paper, deg: float) -> bool:
    """Whether the die may be turned by ``deg`` in the frame of a scrap of this paper."""
    directed = DIRECTED[paper.direction]
    return (directed is None or _near_one(deg, directed)) and (
        die.turns == "any" or _near_one(deg, die.turns)
    )


def turns_on(die: Die, paper: Paper) -> Turns:
    """Turns of a die in the frame of a scrap of this paper that both allow, degrees. Empty: it can't cut it.

    A turn of the die that is too far off for the paper stands for the one in the middle, where that is near enough to both.
    """
    directed = DIRECTED[paper.direction]
    if directed is None or die.turns == "any":
        return die.turns if directed is None else directed
    found = []
    for turn in die.turns:
        nearest = min(directed, key=lambda one: abs(_off(turn, one)))
        off = _off(turn, nearest)
        if abs(off) <= PLAY_DEG:
            found.append(turn)
        elif abs(off) <= 2 * PLAY_DEG:
            found.append((nearest + off / 2) % 360.0)
    return tuple(dict.fromkeys(found))


def paper_turns(die: Die, paper: Paper, plate_deg: float, *, papers: str = "square") -> tuple[float, ...]:
    """Turns that take a part from the plate's frame to the scrap's, with the die at ``plate_deg``.

    Quarter turns where papers lie square. Empty: this paper can't lie under this slot.
    """
    quarters = tuple(quarter for quarter in QUARTERS if _allowed(die, paper, plate_deg + quarter))
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
