"""The plate as it lies there, and what hands do to it from one pass to the next.

What stays where it is costs nothing. A die goes down either at the pose that it last had (put back: the mark or the tape is
still there, whatever lay-up came between) or at a new one (set up). Copies of a die are alike: one that is down where it is
needed stays; else one that last lay there is put back; else a copy that was never used is set up, or the one that has been
off the plate longest.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from nestcut.batch.model import Pose
from nestcut.plans.model import Actions

__all__ = ["EMPTY", "Down", "OnPlate", "PlateState", "Spot", "next_plate", "spot_of"]

DIGITS = 6
"""Poses that agree to a millionth of a millimetre and of a degree are one pose: the tolerance of all rules."""

Spot: TypeAlias = tuple[float, float, float, bool]
"""Where a thing lies: x and y in mm, degrees from 0 to below 360, flipped; rounded, so that equal ones compare as equal."""


def spot_of(pose: Pose, *, flipped: bool = False) -> Spot:
    """The pose as a spot."""
    return (
        round(pose.x_mm, DIGITS) + 0.0,
        round(pose.y_mm, DIGITS) + 0.0,
        round(pose.deg, DIGITS) % 360.0,
        flipped,
    )


@dataclass(frozen=True, slots=True)
class Down:
    """A die that is down in a pass: its name, where, and which paper it cuts."""

    die: str
    spot: Spot
    paper: Hashable


@dataclass(frozen=True, slots=True)
class OnPlate:
    """What lies on the plate in one pass: papers by any name that tells them apart, and the dies that are down."""

    papers: Mapping[Hashable, Spot]
    down: tuple[Down, ...]


@dataclass(frozen=True, slots=True)
class PlateState:
    """The plate after a pass. ``down``: die → where its copies lie; ``up``: die → where copies that are off it last lay, the one
    that is off longest first."""

    papers: Mapping[Hashable, Spot] = field(default_factory=dict)
    down: Mapping[str, tuple[Spot, ...]] = field(default_factory=dict)
    up: Mapping[str, tuple[Spot, ...]] = field(default_factory=dict)


EMPTY = PlateState()
"""Before the first pass: nothing lies there, and no die has lain anywhere."""


def next_plate(
    plate: PlateState, on: OnPlate, copies: Mapping[str, int], *, loose: bool = False
) -> tuple[PlateState, Actions]:
    """Make the plate ready for a pass.

    Args:
        plate: what lies there now.
        on: what is to lie there.
        copies: die → copies owned.
        loose: dies lie on the papers and nothing holds them: one that stays over a paper that is laid or moved is placed again.
    Returns: the plate then, and what was done: papers and dies only, no crank, no pieces freed.
    """
    lay = pull_on = turn = 0
    moved: set[Hashable] = set()
    for name, spot in on.papers.items():
        before = plate.papers.get(name)
        if before == spot:
            continue
        moved.add(name)
        if before is None:
            lay += 1
        elif before[2:] == spot[2:]:
            pull_on += 1
        else:
            turn += 1
    take_away = sum(name not in on.papers for name in plate.papers)

    wanted: dict[str, list[Down]] = {}
    for one in on.down:
        wanted.setdefault(one.die, []).append(one)
    lift = put_back = set_up = place_loose = 0
    down: dict[str, tuple[Spot, ...]] = {}
    up = dict(plate.up)
    for die in sorted(wanted.keys() | plate.down.keys()):
        own = wanted.get(die, [])
        lying = Counter(plate.down.get(die, ()))
        off = list(plate.up.get(die, ()))
        new = 0
        missing = []
        for one in own:
            if lying[one.spot] > 0:
                lying[one.spot] -= 1
                place_loose += loose and one.paper in moved
            else:
                missing.append(one.spot)
        for spot in missing:
            if spot in off:
                off.remove(spot)
                put_back += 1
            else:
                new += 1
        lifted = sorted(lying.elements())
        lift += len(lifted)
        set_up += new
        off += lifted
        # The copies that are down now were taken from those never used, then from those off the plate longest.
        off = off[max(0, len(own) + len(off) - copies[die]) :]
        down[die] = tuple(sorted(one.spot for one in own))
        up[die] = tuple(off)
    down = {die: spots for die, spots in down.items() if spots}
    done = Actions(
        lay=lay,
        pull_on=pull_on,
        turn=turn,
        take_away=take_away,
        lift=lift,
        put_back=put_back,
        set_up=set_up,
        place_loose=place_loose,
    )
    return PlateState(on.papers, down, up), done
