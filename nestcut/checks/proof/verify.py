"""Does the lower bound on the passes follow from the proof that the plan carries?

The argument is weak duality of the pattern LP (Gilmore & Gomory, 1961): give every cut of a die a price so
that no set of dies that fits on the plate together is worth more than 1. Then every pass earns at most 1,
and the pieces that the demand takes are worth no more than the passes. Where paper is scarce, its area has
a price too, and the demand need not pay for paper that is there.

All sums are exact fractions. What fits together is decided from above: by the rims' area, by the copies
owned, and by the listed disproofs, each proved again in :mod:`nestcut.checks.proof.disproof`.
See docs/proof.md.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import shapely

from nestcut.checks.measures.paper_area import cut_takes, paper_gives
from nestcut.checks.measures.patience import Patience, TooLongError, TooMuchError, Undecided
from nestcut.checks.measures.report import Notebook, Report
from nestcut.checks.proof.disproof import Plate, disprove
from nestcut.checks.proof.minutes import check_minutes
from nestcut.checks.proof.sets import ProofError, disproofs_needed
from nestcut.checks.proof.short_proof import check_shortage_proofs
from nestcut.checks.proof.whole_papers import papers_in_a_pass, sheets_of
from nestcut.checks.rules.counting import check_demand_names
from nestcut.checks.rules.values import check_values
from nestcut.plans.model import Plan

__all__ = ["check_proof"]

MOST_SECONDS = 300.0
"""On the wall, for the whole proof, unless another limit is asked for. Memory stays below a GiB by limits of sizes."""

_FRACTION = re.compile(r"\d{1,1000}(/\d{1,1000})?")


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
    try:
        check_minutes(plan)
    except ProofError as err:
        notes.fault("bound", f"the bound of {plan.bound.minutes:.6g} minutes does not follow: {err}")
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
    except ProofError as err:
        notes.fault("bound", f"the bound of {plan.bound.passes} passes does not follow: {err}")
    except (TooMuchError, TooLongError) as err:
        why = f" {err}" if isinstance(err, TooLongError) else f", it is too large: {err}"
        notes.fault("undecided", f"the proof of {plan.bound.passes} passes was not gone through{why}")


@dataclass(frozen=True, slots=True)
class _Prices:
    dies: Mapping[str, Fraction]
    lines: Sequence[Fraction]
    papers: Mapping[str, Fraction]
    worth: Mapping[str, Mapping[str, Fraction]]
    """Of dies whose cuts are worth more in one paper than in another."""

    def of(self, die: str, paper: str) -> Fraction:
        """What a cut of a die in a paper is worth."""
        if die in self.worth:
            return self.worth[die].get(paper, Fraction())
        return self.dies.get(die, Fraction())


def _verify(plan: Plan, notes: Notebook, patience: Patience) -> None:
    prices = _read_prices(plan)
    together = _papers_together(plan)
    _prices_fit(plan, prices, together, notes)
    value = sum((line.met * price for line, price in zip(plan.demand, prices.lines, strict=True)), Fraction())
    for paper, price in prices.papers.items():
        value -= price * paper_gives(plan, paper)
    if math.ceil(value) < plan.bound.passes:
        raise ProofError(f"its prices add up to {float(value):.6g}")
    plate = Plate.of(plan)
    disproofs = _read_disproofs(plan)
    used: set[int] = set()
    if together is None:
        used = disproofs_needed(plan, prices.dies, plate, disproofs, notes, patience)
    for papers in together or ():
        best = {
            die.name: max((prices.of(die.name, paper) for paper in papers), default=Fraction())
            for die in plan.dies
        }
        used |= disproofs_needed(plan, best, plate, disproofs, notes, patience)
    _disproofs_hold(plate, disproofs, used, notes, patience)


def _papers_together(plan: Plan) -> list[frozenset[str]] | None:
    """The largest sets of papers that one pass may hold; None where the proof does not ask."""
    apart = plan.proof.get("papers_apart")
    if apart is None:
        if plan.proof.get("worth"):
            raise ProofError("it has prices by paper, but does not say which papers lie apart")
        return None
    if not isinstance(apart, list | tuple) or not all(isinstance(name, str) for name in apart):
        raise ProofError("its papers that lie apart are no list of names")
    if plan.hand.trims != "none" or plan.hand.papers != "square":
        raise ProofError("papers only shut each other out where scraps lie as they are, and square")
    known = sheets_of(
        plan.machine,
        [(scrap.paper, scrap.outline) for scrap in plan.scraps],
        [line for line in plan.demand if line.met > 0],
        {die.name: die.cut for die in plan.dies},
    )
    found = papers_in_a_pass(plan.machine, known, apart)
    if isinstance(found, str):
        raise ProofError(found)
    return found


def _fraction(value: Any, what: str) -> Fraction:
    if isinstance(value, int) and not isinstance(value, bool) and value >= 0:
        return Fraction(value)
    if isinstance(value, str) and _FRACTION.fullmatch(value):
        try:
            return Fraction(value)
        except ZeroDivisionError:
            pass
    raise ProofError(f"{what} is {str(value)[:40]!r}, not a fraction of 0 or more")


def _mapping(value: Any, what: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise ProofError(f"{what} is not a table")
    return value


def _read_prices(plan: Plan) -> _Prices:
    dies = {
        name: _fraction(price, f"the price of {name}")
        for name, price in _mapping(plan.proof.get("prices"), "prices").items()
    }
    known = {die.name for die in plan.dies}
    for name in dies:
        if name not in known:
            raise ProofError(f"it prices an unknown die {name}")
    listed = plan.proof.get("lines")
    if not isinstance(listed, list | tuple) or len(listed) != len(plan.demand):
        raise ProofError("it does not price each line of demand")
    lines = [_fraction(price, f"the price of line {i}") for i, price in enumerate(listed, start=1)]
    papers = {
        name: _fraction(price, f"the price of {name}")
        for name, price in _mapping(plan.proof.get("papers") or {}, "papers").items()
    }
    for name in papers:
        if all(paper.name != name for paper in plan.papers):
            raise ProofError(f"it prices an unknown paper {name}")
    worth = {
        die: {
            paper: _fraction(price, f"the worth of {die} in {paper}")
            for paper, price in _mapping(table, f"the worth of {die}").items()
        }
        for die, table in _mapping(plan.proof.get("worth") or {}, "worth").items()
    }
    for name in worth:
        if name not in known:
            raise ProofError(f"it says what an unknown die {name} is worth")
    return _Prices(dies, lines, papers, worth)


def _read_disproofs(plan: Plan) -> list[Mapping[str, Any]]:
    listed = plan.proof.get("disproofs") or []
    if not isinstance(listed, list | tuple):
        raise ProofError("its disproofs are no list")
    owned = {die.name for die in plan.dies}
    for entry in listed:
        dies = _mapping(_mapping(entry, "a disproof").get("dies"), "a disproof's dies")
        for name, number in dies.items():
            if name not in owned:
                raise ProofError(f"a disproof names an unknown die {name}")
            if not isinstance(number, int) or isinstance(number, bool) or number < 1:
                raise ProofError(f"a disproof has {number!r} of the die {name}")
        if not dies:
            raise ProofError("a disproof names no die")
    return list(listed)


def _prices_fit(
    plan: Plan, prices: _Prices, together: Sequence[frozenset[str]] | None, notes: Notebook
) -> None:
    """No line pays more for a piece than the die that cuts it and the paper that it takes cost.

    Where it is asked which papers lie in a pass, one that lies in none gives no piece.
    """
    lying = None if together is None else frozenset().union(*together)
    for number, (line, price) in enumerate(zip(plan.demand, prices.lines, strict=True), start=1):
        for name in line.dies:
            die = plan.die(name)
            for paper in line.papers:
                notes.count("prices")
                if lying is not None and paper not in lying:
                    continue
                cost = prices.of(name, paper)
                if prices.papers.get(paper):
                    cost += prices.papers[paper] * cut_takes(plan, plan.die(name))
                if price * die.pieces > cost:
                    raise ProofError(
                        f"line {number} pays {price} a piece, but a cut of {name} in {paper} costs {cost}"
                    )


def _disproofs_hold(
    plate: Plate,
    disproofs: Sequence[Mapping[str, Any]],
    used: set[int],
    notes: Notebook,
    patience: Patience,
) -> None:
    """The disproofs of these numbers, proved again."""
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
            raise ProofError(f"{told} does not hold: {why}")
        beyond = beyond or f"in {told}, {why}"
    # Only now: another disproof may have been plainly wrong.
    if beyond is not None:
        raise TooMuchError(beyond)
