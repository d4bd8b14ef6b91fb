"""The lower bound's reason in plain words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

from nestcut.passes.plate.bound import PlateBound
from nestcut.passes.plate.footprints import DieFootprint
from nestcut.passes.plate.master import Counts, PlateTask
from nestcut.passes.plate.patterns import PatternBook

__all__ = ["explain"]

MOST_NAMED = 5
"""A reason with more names is not read."""
NUMBER_WORDS = ("no", "one", "two", "three", "four", "five", "six")
"""Small numbers stand as words in a reason."""


def _number(count: int) -> str:
    return NUMBER_WORDS[count] if 0 <= count < len(NUMBER_WORDS) else str(count)


def _listed(names: Sequence[str], word: str = "and") -> str:
    if len(names) <= 1:
        return "".join(names)
    return f"{', '.join(names[:-1])} {word} {names[-1]}"


def _set_words(task: PlateTask, counts: Counts) -> str:
    parts = []
    for die, count in enumerate(counts):
        if count == 1:
            parts.append(f"the {task.dies[die]}")
        elif count > 1:
            parts.append(f"{_number(count)} of the {task.dies[die]}")
    return _listed(parts)


def _wanted(task: PlateTask, group: Sequence[int]) -> int:
    """Pieces of all lines that no other die can meet."""
    return sum(count for count, options in task.lines if options and all(die in group for die, _ in options))


def explain(task: PlateTask, dies: Sequence[DieFootprint], bound: PlateBound, book: PatternBook) -> str:
    """One sentence that a person can follow, true for the bound at hand."""
    group = [die for die, price in enumerate(bound.prices) if price > 0]
    if not group or bound.passes == 0:
        return "nothing has to be cut"
    names = [f"the {task.dies[die]}" for die in group]
    wanted = _wanted(task, group)
    same_worth = {bound.prices[die] / task.pieces[die] for die in group}
    if len(group) == 1:
        die = group[0]
        cuts = math.ceil(Fraction(wanted, task.pieces[die]))
        most = math.floor(1 / bound.prices[die])
        each = f" ({_number(task.pieces[die])} pieces a cut)" if task.pieces[die] > 1 else ""
        if most >= dies[die].copies:
            owned = f"you own {_number(dies[die].copies)}"
        else:
            owned = f"at most {_number(most)} of it fit on the plate"
        return f"the {task.dies[die]} die must cut {wanted} pieces{each} and {owned}, so {cuts if most == 1 else bound.passes} passes"
    if len(same_worth) == 1:
        per_pass = math.floor(1 / next(iter(same_worth)))
        together = all(dies[die].copies == 1 and task.pieces[die] == 1 for die in group)
        if per_pass == 1 and together and len(group) == 2:
            return (
                f"{_listed(names)} can't lie on the plate together, and between them they must cut "
                f"{wanted} pieces"
            )
        if per_pass == len(group) and together:
            return (
                f"{wanted} pieces can only be cut by {_listed(names)}, and you own one of each: "
                f"{_number(per_pass)} pieces a pass at most"
            )
        return (
            f"{wanted} pieces can only be cut by {_listed(names)}, and no lay-up gives more than "
            f"{_number(per_pass)} of these pieces a pass"
        )
    if len(group) > MOST_NAMED:
        return (
            f"{len(group)} dies compete for the plate: counting each cut as the share of a plate that it takes, "
            f"no lay-up holds more than one plate, and the demand adds up to {float(bound.value):.1f} plates"
        )
    counted = _listed([f"the {task.dies[die]} as {_fraction(bound.prices[die])}" for die in group])
    clash = [
        _set_words(task, counts)
        for counts in sorted(book.disproofs, key=lambda c: (sum(c), c))
        if all(die in group for die, count in enumerate(counts) if count)
    ][:2]
    because = (
        f" ({_listed([f'{words} cannot lie on the plate together' for words in clash])})" if clash else ""
    )
    return (
        f"counting each cut of {counted} of a plate, no lay-up holds more than one plate{because}, and the demand "
        f"adds up to {float(bound.value):.1f} plates"
    )


def _fraction(value: Fraction) -> str:
    if value.denominator <= 60:
        return str(value)
    return f"{float(value):.3f}"
