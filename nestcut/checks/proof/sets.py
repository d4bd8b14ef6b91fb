"""Is there a set of dies that may lie on the plate together and is worth more than one pass?

All sets that copies and rim area allow are gone through; each worth more than 1 must hold a set that is listed
as disproved.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from nestcut.checks.measures.patience import Patience, TooMuchError
from nestcut.checks.measures.report import Notebook
from nestcut.checks.proof.disproof import Plate
from nestcut.plans.model import Plan

__all__ = ["ProofError", "disproofs_needed"]

MOST_NODES = 3_000_000
"""Sets looked at before the check gives up (and refuses): some seconds."""

MOST_STEPS = 120_000_000
"""The same for all that is done with them, in sums of small numbers: a minute or so."""

MOST_KINDS = 2_000
"""Dies with a price. The search goes as deep as there are dies."""

MOST_DIGITS = 20_000
"""Binary digits of the unit that all prices are whole numbers of."""


class ProofError(Exception):
    """The proof does not hold; the text says why."""


@dataclass(slots=True)
class _PricedDie:
    """A die with a price, as a whole number of a common unit."""

    name: str
    price: int
    area: int
    copies: int


def disproofs_needed(
    plan: Plan,
    prices: Mapping[str, Fraction],
    plate: Plate,
    disproofs: Sequence[Mapping[str, Any]],
    notes: Notebook,
    patience: Patience,
) -> set[int]:
    """Every set of dies worth more than 1 is refused by copies, by area or by a disproof: the numbers of these.

    Raises: ProofError for a set that nothing refuses, TooMuchError where there are too many to go through,
        TooLongError when the patience ends.
    """
    unit = 1
    for price in prices.values():
        unit = math.lcm(unit, price.denominator)
        if unit.bit_length() > MOST_DIGITS:
            raise TooMuchError("its prices have no common unit that can be worked with")
    kinds = [
        _PricedDie(name, int(price * unit), plate.rim_area(name), plan.die(name).copies)
        for name, price in prices.items()
        if price > 0
    ]
    if len(kinds) > MOST_KINDS:
        raise TooMuchError(f"it prices {len(kinds)} dies, and at most {MOST_KINDS} can be gone through")
    # Best worth for its area first: the greedy bound below wants it so.
    kinds.sort(key=lambda kind: (-Fraction(kind.price, max(kind.area, 1)), kind.name))
    search = _SetWalk(kinds, unit, plate.area, disproofs, patience)
    used = search.run()
    notes.count("sets of dies", search.nodes)
    return used


class _SetWalk:
    """Depth-first enumeration of the sets of dies that copies and area allow, with a knapsack bound.

    Source: the bound is Dantzig's (1957): fill up greedily, the last die in part.
    """

    def __init__(
        self,
        kinds: Sequence[_PricedDie],
        unit: int,
        room: int,
        disproofs: Sequence[Mapping[str, Any]],
        patience: Patience,
    ) -> None:
        self.patience = patience
        self.kinds, self.unit, self.room = kinds, unit, room
        self.nodes = 0
        self.steps = 0
        # Sums of long numbers take as many steps as they have machine words, in a way.
        self.weight = 1 + unit.bit_length() // 256
        place = {kind.name: i for i, kind in enumerate(kinds)}
        # A disproof is complete once its last die (in our order) is chosen.
        self.ending: list[list[tuple[int, dict[int, int]]]] = [[] for _ in kinds]
        for index, entry in enumerate(disproofs):
            if all(name in place for name in entry["dies"]):
                needs = {place[name]: number for name, number in entry["dies"].items()}
                self.ending[max(needs)].append((index, needs))
        self.chosen = [0] * len(kinds)
        self.used: set[int] = set()

    def run(self) -> set[int]:
        """The numbers of the disproofs that were needed. Raises ProofError for a set that nothing refuses."""
        depth = sys.getrecursionlimit()
        # Frames of Python code alone take no room on the machine's stack (since 3.11).
        sys.setrecursionlimit(depth + len(self.kinds) + 100)
        try:
            self._extend(0, 0, 0)
        finally:
            sys.setrecursionlimit(depth)
        return self.used

    def _most(self, start: int, room: int) -> int:
        """The most worth that the dies from ``start`` on can add in this room, rounded down."""
        worth = 0
        for at in range(start, len(self.kinds)):
            kind = self.kinds[at]
            self.steps += self.weight
            fits = kind.copies if kind.area == 0 else min(kind.copies, room // kind.area)
            worth += fits * kind.price
            room -= fits * kind.area
            if fits < kind.copies:
                return worth + kind.price * room // kind.area
        return worth

    def _refusal(self, last: int) -> int | None:
        for index, needs in self.ending[last]:
            self.steps += len(needs)
            if all(self.chosen[i] >= number for i, number in needs.items()):
                return index
        return None

    def _extend(self, start: int, worth: int, area: int) -> None:
        self.nodes += 1
        if self.nodes > MOST_NODES or self.steps > MOST_STEPS:
            raise TooMuchError("it has too many sets of dies to go through")
        if self.nodes % 512 == 0:
            self.patience.ask()
        if worth > self.unit:
            named = ", ".join(
                f"{number} {kind.name}"
                for kind, number in zip(self.kinds, self.chosen, strict=True)
                if number
            )
            raise ProofError(f"nothing in it says that {named} can't lie on the plate together")
        if start == len(self.kinds) or worth + self._most(start, self.room - area) <= self.unit:
            return
        kind = self.kinds[start]
        self._extend(start + 1, worth, area)
        for number in range(1, kind.copies + 1):
            if area + number * kind.area > self.room:
                break
            self.chosen[start] = number
            refused = self._refusal(start)
            if refused is not None:
                self.used.add(refused)
                break
            self._extend(start + 1, worth + number * kind.price, area + number * kind.area)
        self.chosen[start] = 0
