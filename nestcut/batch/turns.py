"""Turn rules: how a die may be turned on a paper.

A die's own ``turns``, and the turns that a paper with a direction takes, are measured in the scrap's own frame and hold within
half a degree each. Where both are listed, a turn that is near one of each will do. (The checker has its own reading of the rule.)
"""

from __future__ import annotations

from collections.abc import Sequence

from nestcut.batch.model import Die, Paper, Turns

__all__ = ["TURN_SLACK_DEG", "allowed_on", "turns_on"]

DIRECTED: dict[str, tuple[float, ...] | None] = {"none": None, "stripe": (0.0, 180.0), "up": (0.0,)}
"""Turns of dies in the frame of a scrap of directed paper, degrees; None: any."""
TURN_SLACK_DEG = 0.5
"""Turn rules hold within this much."""
PLAY_DEG = TURN_SLACK_DEG - 1e-6
"""A hair inside that, so that no rounding breaks them."""


def _off(deg: float, of: float) -> float:
    """How far an angle lies from another, in [−180, 180)."""
    return (deg - of + 180.0) % 360.0 - 180.0


def _near_one(deg: float, listed: Sequence[float]) -> bool:
    return any(abs(_off(deg, one)) <= PLAY_DEG for one in listed)


def allowed_on(die: Die, paper: Paper, deg: float) -> bool:
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
