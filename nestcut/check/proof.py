"""Does the lower bound on the passes follow from the proof that the plan carries?

The argument is weak duality of the pattern LP (Gilmore & Gomory, 1961): give every cut of a die a price so
that no set of dies that fits on the plate together is worth more than 1. Then every pass earns at most 1,
and the pieces that the demand takes are worth no more than the passes. Where paper is scarce, its area has
a price too, and the demand need not pay for paper that is there.

All sums are exact fractions. What fits together is decided from above: by the rims' area, by the copies
owned, and by the listed disproofs, each proved again in :mod:`nestcut.check.disproof`.
See DEVELOPERS.md, 'Proof'.
"""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import shapely

from nestcut.check.counting import check_demand_names
from nestcut.check.disproof import Plate, disprove
from nestcut.check.paper_area import cut_takes, paper_gives
from nestcut.check.patience import Patience, TooLongError, Undecided
from nestcut.check.report import Notebook, Report
from nestcut.check.short_proof import check_shortage_proofs
from nestcut.check.values import check_values
from nestcut.plan.model import Plan

__all__ = ["check_proof"]

MOST_NODES = 3_000_000
"""Sets looked at before the check gives up (and refuses): some seconds."""

MOST_STEPS = 120_000_000
"""The same for all that is done with them, in sums of small numbers: a minute or so."""

MOST_KINDS = 2_000
"""Dies with a price. The search goes as deep as there are dies."""

MOST_DIGITS = 20_000
"""Binary digits of the unit that all prices are whole numbers of."""

MOST_SECONDS = 300.0
"""On the wall, for the whole proof, unless another limit is asked for. Memory stays below a GiB by limits of sizes."""

_FRACTION = re.compile(r"\d{1,1000}(/\d{1,1000})?")


class _ProofError(Exception):
    """The proof does not hold; the text says why."""


class _TooMuchError(Exception):
    """The proof is beyond what can be gone through, which says nothing against it; the text says why."""


def check_proof(plan: Plan, *, seconds: float | None = MOST_SECONDS) -> Report:
    """Verify the plan's lower bound from its proof, in exact arithmetic, and each shortage that it calls proved.

    Faults have the rule ``bound`` (or ``short``), or ``undecided`` where a proof could not be gone through within the
    time or the memory, which says nothing against it. A plan without a proof has a fault: its bound is unproved.
    A bound of 0 needs no proof.

    Args:
        seconds: on the wall, for the whole proof; None: no limit.
    """
    notes = Notebook()
    check_values(plan, notes)
    if not notes.clean:
        return notes.report()
    check_demand_names(plan, notes)
    if not notes.clean:
        return notes.report()
    patience = Patience(seconds)
    _bound(plan, notes, patience)
    check_shortage_proofs(plan, notes, patience)
    return notes.report()


def _bound(plan: Plan, notes: Notebook, patience: Patience) -> None:
    if plan.bound.passes == 0:
        return
    if not plan.proof:
        notes.fault("bound", f"the bound of {plan.bound.passes} passes carries no proof")
        return
    try:
        _verify(plan, notes, patience)
    except shapely.errors.GEOSException as err:
        notes.fault("bound", f"the shapes that its proof rests on can't be measured ({str(err)[:120]})")
    except _ProofError as err:
        notes.fault("bound", f"the bound of {plan.bound.passes} passes does not follow: {err}")
    except (_TooMuchError, TooLongError) as err:
        why = f" {err}" if isinstance(err, TooLongError) else f", it is too large: {err}"
        notes.fault("undecided", f"the proof of {plan.bound.passes} passes was not gone through{why}")


@dataclass(frozen=True, slots=True)
class _Prices:
    dies: Mapping[str, Fraction]
    lines: Sequence[Fraction]
    papers: Mapping[str, Fraction]


def _verify(plan: Plan, notes: Notebook, patience: Patience) -> None:
    prices = _read_prices(plan)
    _prices_fit(plan, prices, notes)
    value = sum((line.met * price for line, price in zip(plan.demand, prices.lines, strict=True)), Fraction())
    for paper, price in prices.papers.items():
        value -= price * paper_gives(plan, paper)
    if math.ceil(value) < plan.bound.passes:
        raise _ProofError(f"its prices add up to {float(value):.6g}")
    plate = Plate.of(plan)
    disproofs = _read_disproofs(plan)
    _nothing_worth_more(plan, prices, plate, disproofs, notes, patience)


def _fraction(value: Any, what: str) -> Fraction:
    if isinstance(value, int) and not isinstance(value, bool) and value >= 0:
        return Fraction(value)
    if isinstance(value, str) and _FRACTION.fullmatch(value):
        try:
            return Fraction(value)
        except ZeroDivisionError:
            pass
    raise _ProofError(f"{what} is {str(value)[:40]!r}, not a fraction of 0 or more")


def _mapping(value: Any, what: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise _ProofError(f"{what} is not a table")
    return value


def _read_prices(plan: Plan) -> _Prices:
    dies = {
        name: _fraction(price, f"the price of {name}")
        for name, price in _mapping(plan.proof.get("prices"), "prices").items()
    }
    known = {die.name for die in plan.dies}
    for name in dies:
        if name not in known:
            raise _ProofError(f"it prices an unknown die {name}")
    listed = plan.proof.get("lines")
    if not isinstance(listed, list | tuple) or len(listed) != len(plan.demand):
        raise _ProofError("it does not price each line of demand")
    lines = [_fraction(price, f"the price of line {i}") for i, price in enumerate(listed, start=1)]
    papers = {
        name: _fraction(price, f"the price of {name}")
        for name, price in _mapping(plan.proof.get("papers") or {}, "papers").items()
    }
    for name in papers:
        if all(paper.name != name for paper in plan.papers):
            raise _ProofError(f"it prices an unknown paper {name}")
    return _Prices(dies, lines, papers)


def _read_disproofs(plan: Plan) -> list[Mapping[str, Any]]:
    listed = plan.proof.get("disproofs") or []
    if not isinstance(listed, list | tuple):
        raise _ProofError("its disproofs are no list")
    owned = {die.name for die in plan.dies}
    for entry in listed:
        dies = _mapping(_mapping(entry, "a disproof").get("dies"), "a disproof's dies")
        for name, number in dies.items():
            if name not in owned:
                raise _ProofError(f"a disproof names an unknown die {name}")
            if not isinstance(number, int) or isinstance(number, bool) or number < 1:
                raise _ProofError(f"a disproof has {number!r} of the die {name}")
        if not dies:
            raise _ProofError("a disproof names no die")
    return list(listed)


def _prices_fit(plan: Plan, prices: _Prices, notes: Notebook) -> None:
    """No line pays more for a piece than the die that cuts it and the paper that it takes cost."""
    for number, (line, price) in enumerate(zip(plan.demand, prices.lines, strict=True), start=1):
        for name in line.dies:
            die = plan.die(name)
            for paper in line.papers:
                notes.count("prices")
                cost = prices.dies.get(name, Fraction())
                if prices.papers.get(paper):
                    cost += prices.papers[paper] * cut_takes(plan, plan.die(name))
                if price * die.pieces > cost:
                    raise _ProofError(
                        f"line {number} pays {price} a piece, but a cut of {name} in {paper} costs {cost}"
                    )


@dataclass(slots=True)
class _Kind:
    """A die with a price, as a whole number of a common unit."""

    name: str
    price: int
    area: int
    copies: int


def _nothing_worth_more(
    plan: Plan,
    prices: _Prices,
    plate: Plate,
    disproofs: Sequence[Mapping[str, Any]],
    notes: Notebook,
    patience: Patience,
) -> None:
    """Every set of dies worth more than 1 is refused by copies, by area or by a disproof."""
    unit = 1
    for price in prices.dies.values():
        unit = math.lcm(unit, price.denominator)
        if unit.bit_length() > MOST_DIGITS:
            raise _TooMuchError("its prices have no common unit that can be worked with")
    kinds = [
        _Kind(name, int(price * unit), plate.rim_area(name), plan.die(name).copies)
        for name, price in prices.dies.items()
        if price > 0
    ]
    if len(kinds) > MOST_KINDS:
        raise _TooMuchError(f"it prices {len(kinds)} dies, and at most {MOST_KINDS} can be gone through")
    # Best worth for its area first: the greedy bound below wants it so.
    kinds.sort(key=lambda kind: (-Fraction(kind.price, max(kind.area, 1)), kind.name))
    search = _Search(kinds, unit, plate.area, disproofs, patience)
    used = search.run()
    notes.count("sets of dies", search.nodes)
    beyond: str | None = None
    for index in sorted(used):
        patience.ask()
        entry = disproofs[index]
        notes.count("disproofs")
        why = disprove(plate, entry, patience)
        if why is None:
            continue
        named = ", ".join(f"{number} {name}" for name, number in entry["dies"].items())
        told = f"the disproof of {named} ({str(entry.get('by'))[:40]})"
        if not isinstance(why, Undecided):
            raise _ProofError(f"{told} does not hold: {why}")
        beyond = beyond or f"in {told}, {why}"
    # Only now: another disproof may have been plainly wrong.
    if beyond is not None:
        raise _TooMuchError(beyond)


class _Search:
    """Depth-first enumeration of the sets of dies that copies and area allow, with a knapsack bound.

    Source: the bound is Dantzig's (1957): fill up greedily, the last die in part.
    """

    def __init__(
        self,
        kinds: Sequence[_Kind],
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
        """The numbers of the disproofs that were needed. Raises _ProofError for a set that nothing refuses."""
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
            raise _TooMuchError("it has too many sets of dies to go through")
        if self.nodes % 512 == 0:
            self.patience.ask()
        if worth > self.unit:
            named = ", ".join(
                f"{number} {kind.name}"
                for kind, number in zip(self.kinds, self.chosen, strict=True)
                if number
            )
            raise _ProofError(f"nothing in it says that {named} can't lie on the plate together")
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
