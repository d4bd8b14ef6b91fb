"""About how long it takes, before it is known what lies where: for searches that weigh a pass against a trim, and for estimates."""

from __future__ import annotations

from nestcut.batch.model import HandSeconds, Machine
from nestcut.hands.evening import seconds_of
from nestcut.plans.model import Actions

__all__ = ["rough_minutes", "rough_pass_s", "rough_trim_s"]

PAPERS_A_PASS = 2
"""Papers that are pulled on in a pass of a plan that is light on the hands: one at each end of the plate."""
PARTS_A_SCRAP = 3
"""Parts that a trimmed scrap gives."""


def rough_pass_s(seconds: HandSeconds) -> float:
    """A pass in which the papers at both ends of the plate are pulled on, seconds."""
    return (seconds.crank + PAPERS_A_PASS * seconds.pull_on) / seconds.pace


def rough_trim_s(seconds: HandSeconds) -> float:
    """A trimmed part: a cut at a new setting, one at the same, and its share of the scrap that is taken, seconds."""
    return (seconds.trim_cut + seconds.trim_cut_again + seconds.trim_take / PARTS_A_SCRAP) / seconds.pace


def rough_minutes(
    seconds: HandSeconds,
    machine: Machine,
    *,
    cranks: int,
    dies_set_up: int,
    trims: int,
    laid: int = 0,
    pulled_on: int = 0,
    pieces: int = 0,
) -> float:
    """Minutes of an evening of which only sums are known.

    Args:
        trims: trimmed parts.
        laid: papers that come to the plate, and leave it again.
        pulled_on: times that one of them is shifted.
    """
    known = Actions(
        crank=cranks, lay=laid, pull_on=pulled_on, take_away=laid, set_up=dies_set_up, free=pieces
    )
    return (seconds_of(known, seconds, machine) + trims * rough_trim_s(seconds)) / 60.0
