"""Does the bound on the minutes follow from the certificate that the plan carries?

Each pass takes its cranks, and for each colour that is cut in it one of lay, pull on, turn, put back or set up at least: a scrap that
has not moved since it was cut last is cut by a die that went down since, or the same place would be cut twice. Every piece is freed.
A die that some line can't do without is set up once, a colour that some line can't do without is laid once. What is set up in the first
pass comes on top, for there every scrap is laid.

The certificate prices the pieces of each line, the passes that a colour's busiest die needs (its pieces that no other die and no other paper can
give), and the fewest passes. A pass over a colour, with all copies of all dies over it, must be worth 1 at most: then the colours of all passes
are as many as the prices add up to. All sums are exact fractions. See docs/proof.md.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from nestcut.checks.proof.sets import ProofError
from nestcut.plans.model import Plan

__all__ = ["check_minutes"]

WRITTEN = Fraction(1, 10**9)
"""Minutes: 1.8, as a number of a file, is a hair more than 9/5."""
_FRACTION = re.compile(r"\d{1,1000}/\d{1,1000}")


def check_minutes(plan: Plan) -> None:
    """Raises: ProofError where the plan's bound on the minutes does not follow."""
    claimed = plan.bound.minutes
    if claimed is None or claimed == 0:
        return
    if plan.pass_clock is not None:
        raise ProofError("a plan of version 1 counts no actions, so nothing bounds its minutes")
    if all(line.met <= 0 for line in plan.demand):
        raise ProofError("nothing is cut, so nothing takes time")
    certificate = plan.proof.get("minutes")
    if not isinstance(certificate, Mapping):
        raise ProofError("it carries no certificate")
    lines, papers, weight = _read(plan, certificate)
    need = _needs(plan)
    for paper in papers:
        if paper not in need:
            raise ProofError(f"it weighs passes of {paper}, which no fixed piece needs")
    worth: dict[str, Fraction] = defaultdict(lambda: weight)
    for paper, value in papers.items():
        worth[paper] += value
    for (die, paper), price in _dearest(plan, lines).items():
        worth[paper] += price * plan.die(die).copies
    for paper, value in worth.items():
        if value > 1:
            raise ProofError(f"a pass over {paper} is worth {float(value):.6g}, more than 1")
    if weight > 1:
        raise ProofError("its weight of the passes is more than 1")
    total = sum((price * line.met for price, line in zip(lines, plan.demand, strict=True)), Fraction())
    total += weight * plan.bound.passes
    for paper, value in papers.items():
        total += value * need[paper]
    least = _seconds(plan, colours_cut=math.ceil(total)) / 60
    if Fraction(claimed) > least + WRITTEN:
        raise ProofError(f"it adds up to {float(least):.6g} minutes")


def _read(plan: Plan, given: Mapping[str, Any]) -> tuple[list[Fraction], dict[str, Fraction], Fraction]:
    def number(value: object, what: str) -> Fraction:
        if not isinstance(value, str) or not _FRACTION.fullmatch(value) or not int(value.split("/")[1]):
            raise ProofError(f"{what} is {str(value)[:40]!r}, not a fraction of 0 or more")
        return Fraction(value)

    lines, papers = given.get("lines"), given.get("papers")
    if not isinstance(lines, list | tuple) or len(lines) != len(plan.demand):
        raise ProofError("its certificate does not price each line of demand")
    if not isinstance(papers, Mapping):
        raise ProofError("its certificate has no table of papers")
    return (
        [number(price, f"the price of line {k}") for k, price in enumerate(lines, start=1)],
        {name: number(value, f"the weight of {name}") for name, value in papers.items()},
        number(given.get("passes"), "the weight of the passes"),
    )


def _passes_of(plan: Plan, name: str, pieces: int) -> int:
    die = plan.die(name)
    cuts = math.ceil(Fraction(pieces, die.pieces))
    return math.ceil(Fraction(cuts, die.copies))


def _needs(plan: Plan) -> dict[str, int]:
    """Colour → passes that the busiest of its dies needs, for pieces that nothing else can give."""
    pieces: dict[tuple[str, str], int] = defaultdict(int)
    for line in plan.demand:
        if len(set(line.dies)) == 1 and len(set(line.papers)) == 1:
            pieces[line.dies[0], line.papers[0]] += line.met
    need: dict[str, int] = {}
    for (die, paper), count in pieces.items():
        if count > 0:
            need[paper] = max(need.get(paper, 0), _passes_of(plan, die, count))
    return need


def _dearest(plan: Plan, lines: list[Fraction]) -> dict[tuple[str, str], Fraction]:
    """(die, paper) → the most that the pieces of one cut can be worth."""
    found: dict[tuple[str, str], Fraction] = {}
    for line, price in zip(plan.demand, lines, strict=True):
        if line.met <= 0:
            continue
        for die in set(line.dies):
            for paper in set(line.papers):
                value = price * plan.die(die).pieces
                found[die, paper] = max(value, found.get((die, paper), Fraction()))
    return found


def _seconds(plan: Plan, *, colours_cut: int) -> Fraction:
    """What any plan for these pieces takes at least, where this many colours are cut in all its passes together."""
    hand = plan.hand.seconds
    under = plan.machine.dies == "under"
    set_up = hand.set_up_under if under else hand.set_up
    put_back = hand.put_back_under if under else hand.put_back
    least = min(hand.lay, hand.pull_on, hand.turn, set_up, put_back)
    alone: dict[str, int] = defaultdict(int)
    colours: set[str] = set()
    for line in plan.demand:
        if line.met <= 0:
            continue
        if len(set(line.dies)) == 1:
            alone[line.dies[0]] += line.met
        if len(set(line.papers)) == 1:
            colours.add(line.papers[0])
    busy = {name: _passes_of(plan, name, count) for name, count in alone.items()}
    cranks = plan.bound.passes
    for trip in range(2, max((plan.die(name).trips for name in busy), default=1) + 1):
        cranks += max((count for name, count in busy.items() if plan.die(name).trips >= trip), default=0)
    seconds = Fraction(hand.crank) * cranks + Fraction(least) * colours_cut
    seconds += Fraction(hand.free) * sum(line.met for line in plan.demand)
    seconds += (Fraction(set_up) - Fraction(least)) * len(busy)
    # The scraps of the first pass are all laid: a die that is set up there is set up on top of that.
    seconds += Fraction(least) if busy else Fraction(set_up)
    seconds += (Fraction(hand.lay) - Fraction(least)) * max(1, len(colours))
    return seconds / Fraction(hand.pace)
