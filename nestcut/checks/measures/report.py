"""What the checker found: broken rules, each with its place and what was measured."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["RULES", "Fault", "Notebook", "Report", "mm"]

TOLERANCE_MM = 1e-6
"""For every geometry rule (design, section 4)."""

MOST_PER_RULE = 100
"""More faults of one rule than this are not listed: a plan shifted by an inch breaks one rule in every pass."""

RULES: Mapping[str, str] = {
    "number": "every number is finite and of the right kind and size",
    "shape": "every outline is a simple polygon with an area",
    "name": "names and ids are there, and no two things of a kind share one",
    "size": "there is no more to measure than a check can",
    "unknown": "what is referred to exists",
    "rim": "a rim contains its cut",
    "window": "all rims of a lay-up lie in the plate's usable window",
    "rim-gap": "rims of a lay-up keep the gap, lifted or not",
    "copies": "a lay-up uses no more copies of a die than are owned",
    "numbering": "passes are numbered 1, 2, 3, … without a hole",
    "empty-pass": "every pass cuts something",
    "slot-twice": "a die cuts once in a pass",
    "scrap-twice": "a scrap lies once in a pass",
    "scrap-trimmed": "a trimmed scrap is not used itself",
    "absent-scrap": "a cut's scrap lies in the pass",
    "flipped": "only a paper that is good on both sides lies flipped",
    "square": "papers lie square to the plate, on whole millimetres",
    "sideways": "no paper sticks out sideways",
    "overhang": "no paper sticks out at the ends by more than the overhang",
    "metal-on-overlap": "no rim of a die that is down lies over two papers at once",
    "edge": "a cut lies in its scrap and keeps the edge",
    "web": "cuts of one scrap keep the web, over all passes",
    "other-paper": "a cut touches no other paper of the pass",
    "turn": "a die is turned on the paper as its own turns allow",
    "direction": "a die is turned on the paper as the paper's direction allows",
    "trim": "parts of a trimmed scrap lie inside it, apart from each other, and can be cut as asked",
    "totals": "the totals are what the passes add up to",
    "demand": "the demand is met by allowed pieces that are really cut",
    "complete": "a plan is called complete when all demand is met, and only then",
    "short": "an incomplete plan says what is short, as it follows from what is asked and met; a complete one does not",
    "bound": "the bound is not above the count, and follows from its proof",
    "undecided": "the proof of the bound can be gone through within the seconds and the memory that are allowed",
    "remnant": "remnants are what the cuts leave",
    "packing": "the kit pick list adds up to whole kits from the pieces cut",
    "done": "no more passes are done than there are",
    "missed": "a cut that failed was made, once, in a pass that is done",
    "spoilt": "nothing is cut from a paper that is spoilt",
    "broken": "a broken die cuts nothing",
}
"""Every rule that a fault can name, in words."""


def mm(length: float) -> str:
    """A length for a message, to the tolerance: 1.999995, not 2."""
    return f"{length:.6f}".rstrip("0").rstrip(".")


@dataclass(frozen=True, slots=True)
class Fault:
    """One broken rule. ``measured_mm`` and ``allowed_mm`` are there where the rule is a distance."""

    rule: str
    message: str
    pass_number: int | None = None
    layup: str | None = None
    die: str | None = None
    scrap: str | None = None
    measured_mm: float | None = None
    allowed_mm: float | None = None

    def __str__(self) -> str:
        places = []
        if self.pass_number is not None:
            places.append(f"pass {self.pass_number}")
        if self.layup is not None:
            places.append(f"lay-up {self.layup}")
        where = ", ".join(places)
        return f"[{self.rule}] {where + ': ' if where else ''}{self.message}"


@dataclass(frozen=True, slots=True)
class Report:
    """All faults found. ``checked`` counts what was tested, ``unlisted`` the faults beyond the first of a rule.

    A rule with that many faults is not followed up to the end, so ``unlisted`` is a least number.
    """

    faults: tuple[Fault, ...] = ()
    checked: Mapping[str, int] = field(default_factory=dict)
    unlisted: Mapping[str, int] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        """True when no rule is broken."""
        return not self.faults

    @property
    def rules(self) -> frozenset[str]:
        """The rules that are broken."""
        return frozenset(fault.rule for fault in self.faults)

    def __str__(self) -> str:
        if self.ok:
            return "every rule holds"
        lines = [str(fault) for fault in self.faults]
        lines += [f"[{rule}] and at least {count} more" for rule, count in self.unlisted.items()]
        return "\n".join(lines)


class Notebook:
    """Gathers faults and counts while the rules are gone through."""

    def __init__(self) -> None:
        self._faults: list[Fault] = []
        self._per_rule: Counter[str] = Counter()
        self._checked: Counter[str] = Counter()

    def fault(self, rule: str, message: str, **place: object) -> None:
        """Write down a broken rule."""
        if rule not in RULES:
            raise KeyError(rule)
        self._per_rule[rule] += 1
        if self._per_rule[rule] <= MOST_PER_RULE:
            self._faults.append(Fault(rule, message, **place))  # type: ignore[arg-type]

    def full(self, rule: str) -> bool:
        """True when no further fault of this rule would be listed: slow measuring can stop."""
        return self._per_rule[rule] >= MOST_PER_RULE

    def count(self, what: str, number: int = 1) -> None:
        """Count what was tested."""
        self._checked[what] += number

    @property
    def clean(self) -> bool:
        """True while nothing is broken."""
        return not self._faults

    def report(self) -> Report:
        """All that was written down."""
        unlisted = {rule: n - MOST_PER_RULE for rule, n in self._per_rule.items() if n > MOST_PER_RULE}
        return Report(tuple(self._faults), dict(self._checked), unlisted)
