"""Why some dies can't lie on the plate together, proved again from the shapes alone.

Soundness first. The game's rules hold within 1e-6 mm, so what is refused here is refused for rims shrunk
by that much, a gap smaller by twice that, and a window larger by that (on each side). Every test is
one-sided: "can't" is only said of a whole cell of turns and positions when a part of each rim that lies
there for *every* turn and position of the cell stands in the other's way.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from shapely.geometry.base import BaseGeometry

from nestcut.checks.measures.patience import ENDLESS, Patience
from nestcut.checks.measures.report import TOLERANCE_MM
from nestcut.checks.measures.safe_side import grown_area_mm2, shrunk
from nestcut.checks.measures.turns import Interval, plate_turns
from nestcut.checks.proof.relative import places_cannot_fit
from nestcut.checks.proof.stacking import stack_cannot_fit
from nestcut.checks.proof.turning import Opponent, pair_cannot_fit, single_cannot_fit
from nestcut.plans.model import Plan

__all__ = ["Plate", "disprove"]

MOST_DIES = 7
"""Sets of more dies take longer to go through than anybody waits."""
AREA_UNITS = 10**6
"""Areas are compared as whole numbers of 1e-6 mm²."""


@dataclass(slots=True)
class Plate:
    """The plate's window and the rims, with the tolerance given away to the side that fits."""

    width_mm: float
    length_mm: float
    gap_mm: float
    area: int
    """Window grown by half the gap, in units of 1e-6 mm², rounded up."""
    rims: Mapping[str, BaseGeometry]
    turns: Mapping[str, tuple[Interval, ...]]
    _areas: dict[str, int] = field(default_factory=dict)

    @classmethod
    def of(cls, plan: Plan) -> Plate:
        """The plate of a plan."""
        machine = plan.machine
        width, length = (
            max(0.0, side - 2 * machine.clear_mm + 2 * TOLERANCE_MM) for side in machine.plate_mm
        )
        gap = max(0.0, plan.hand.gap_mm - 2 * TOLERANCE_MM)
        rims = {die.name: die.rim for die in plan.dies}
        return cls.about(width, length, gap, rims, {name: plate_turns(plan, name) for name in rims})

    @classmethod
    def about(
        cls,
        width_mm: float,
        length_mm: float,
        gap_mm: float,
        rims: Mapping[str, BaseGeometry],
        turns: Mapping[str, tuple[Interval, ...]],
    ) -> Plate:
        """A window, and a gap, with the tolerance given away already; the rims are shrunk by it here."""
        reach = gap_mm / 2
        area = width_mm * length_mm + 2 * (width_mm + length_mm) * reach + math.pi * reach * reach
        return cls(
            width_mm=width_mm,
            length_mm=length_mm,
            gap_mm=gap_mm,
            area=math.ceil(area * (1 + 1e-9) * AREA_UNITS) + 1,
            rims={name: shrunk(rim, TOLERANCE_MM) for name, rim in rims.items()},
            turns=turns,
        )

    def rim_area(self, name: str) -> int:
        """Area of the rim grown by half the gap, in units of 1e-6 mm², rounded down."""
        if name not in self._areas:
            area = grown_area_mm2(self.rims[name], self.gap_mm / 2)
            self._areas[name] = max(0, math.floor(area * AREA_UNITS) - 1)
        return self._areas[name]

    def opponent(self, name: str) -> Opponent:
        """The rim with the middle of its smallest circle at (0, 0), and its turns."""
        return Opponent.about_middle(self.rims[name], self.turns[name])


def disprove(plate: Plate, entry: Mapping[str, Any], patience: Patience = ENDLESS) -> str | None:
    """Try to prove a listed disproof again. Returns None when it holds, else why not.

    The reason is an :class:`~nestcut.checks.measures.patience.Undecided` where it was only too much to go through.
    Raises: TooLongError when the patience ends.
    """
    dies: Mapping[str, int] = entry["dies"]
    by = entry.get("by")
    if by == "area":
        needed = sum(number * plate.rim_area(name) for name, number in dies.items())
        return None if needed > plate.area else "their rims' area has room on the plate"
    if by not in ("turning", "stacking", "relative"):
        return "this kind of disproof is not known"
    if sum(dies.values()) > MOST_DIES:
        return f"more than {MOST_DIES} dies are not tried"
    names = [name for name, number in dies.items() for _ in range(number)]
    if any(plate.rims[name].is_empty for name in names):
        return "a rim is too thin to tell"
    rims = [plate.opponent(name) for name in names]
    window = (plate.width_mm, plate.length_mm)
    if len(rims) == 1:
        return single_cannot_fit(rims[0], *window, patience=patience)
    if by == "turning" and len(rims) != 2:
        return "'turning' is for one or two dies"
    if by == "relative":
        order = entry.get("order")
        if not isinstance(order, list) or sorted(map(str, order)) != sorted(names):
            return "its order does not name its dies"
        rims = [plate.opponent(name) for name in order]
        return places_cannot_fit(rims, *window, plate.gap_mm, entry, patience=patience)
    # What counts is that the dies can't lie together: either method may show it.
    why = stack_cannot_fit(rims, *window, plate.gap_mm, patience=patience) if by == "stacking" else ""
    if why is not None and len(rims) == 2:
        why = pair_cannot_fit(rims[0], rims[1], *window, plate.gap_mm, patience=patience)
    return why
