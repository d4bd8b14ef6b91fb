"""A plan as a value: what lies where in which pass, what it yields and how good it is.

Field for field this is contract B (``plan.json``, version 2); see :mod:`nestcut.plans`
for reading and writing it. Millimetres and degrees; good-side view.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from shapely.geometry import Polygon

from nestcut.batch.model import Card, Die, Evening, Hand, Machine, Paper, Pose, Scrap, Shape

__all__ = [
    "Actions",
    "Bound",
    "BrokenDie",
    "Cut",
    "DemandMet",
    "KitPacking",
    "Layup",
    "MissedCut",
    "Missing",
    "PaperOnPlate",
    "Pass",
    "PassClock",
    "Plan",
    "Remnant",
    "Share",
    "Shortage",
    "Slot",
    "SpoiltPaper",
    "Totals",
    "Trim",
]


@dataclass(frozen=True, slots=True)
class Slot:
    """One die on the plate."""

    die: str
    pose: Pose


@dataclass(frozen=True, slots=True)
class Layup:
    """Where the dies lie on the plate."""

    id: str
    slots: tuple[Slot, ...]


@dataclass(frozen=True, slots=True)
class PaperOnPlate:
    """One scrap (or trimmed part) as it lies under or over the dies in one pass."""

    scrap: str
    pose: Pose
    flipped: bool = False


@dataclass(frozen=True, slots=True)
class Cut:
    """Slot number of the lay-up (0 is the first) and the scrap that it cuts."""

    slot: int
    scrap: str


@dataclass(frozen=True, slots=True)
class Pass:
    """One trip of the loaded plates. Slots that are not among the cuts are lifted off."""

    number: int
    layup: str
    papers: tuple[PaperOnPlate, ...]
    cuts: tuple[Cut, ...]


@dataclass(frozen=True, slots=True)
class Trim:
    """A scrap cut smaller before the evening; the parts are scraps of their own from then on."""

    scrap: str
    into: tuple[tuple[str, Polygon], ...]
    """(id, outline in the trimmed scrap's frame) of each part; what is not listed is offcut."""


@dataclass(frozen=True, slots=True)
class Share:
    """Pieces of one die in one paper that a line of demand gets."""

    die: str
    paper: str
    count: int


@dataclass(frozen=True, slots=True)
class DemandMet:
    """A line of demand and how it is met. ``count`` includes ``spares``."""

    card: str
    dies: tuple[str, ...]
    papers: tuple[str, ...]
    count: int
    spares: int
    met: int
    by: tuple[Share, ...]


@dataclass(frozen=True, slots=True)
class Bound:
    """A proved lower bound on the passes for the demand that is met, with its reason in words."""

    passes: int
    reason: str
    minutes: float | None = None
    """No plan for these pieces takes less; None where that is not known."""


@dataclass(frozen=True, slots=True)
class Actions:
    """How often hands do what; :class:`nestcut.batch.model.HandSeconds` says what each action is."""

    crank: int = 0
    lay: int = 0
    pull_on: int = 0
    turn: int = 0
    take_away: int = 0
    lift: int = 0
    put_back: int = 0
    set_up: int = 0
    place_loose: int = 0
    free: int = 0
    trim_take: int = 0
    trim_cut: int = 0
    """Straight cuts at a new setting of the trimmer."""
    trim_cut_again: int = 0
    """Straight cuts at a setting that the scrap has had."""
    scissors_mm: float = 0.0

    @property
    def papers_moved(self) -> int:
        """Papers laid, pulled on or turned."""
        return self.lay + self.pull_on + self.turn


@dataclass(frozen=True, slots=True)
class PassClock:
    """How a plan of version 1 counted its time, seconds: by passes, dies of lay-ups that are set up, and trimmed parts."""

    per_pass_s: float = 60.0
    per_die_s: float = 15.0
    per_trim_s: float = 30.0


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums over the evening. ``changes`` counts every setting-up of a lay-up, the first included."""

    passes: int
    cranks: int
    changes: int
    trims: int
    pieces: int
    minutes: float
    actions: Actions = field(default_factory=Actions)
    """All that hands do; none in a plan of version 1, which did not count them."""


@dataclass(frozen=True, slots=True)
class Remnant:
    """What is left of a used scrap or part after the last pass, its cut holes taken out."""

    scrap: str
    outline: Shape


@dataclass(frozen=True, slots=True)
class Missing:
    """Pieces of one die that a line of demand lacks. ``line``: its number in the demand, from 1."""

    line: int
    die: str
    count: int


@dataclass(frozen=True, slots=True)
class Shortage:
    """A paper (or a die) that is short, by how much, and whether that is proved."""

    paper: str | None
    dies: tuple[str, ...]
    pieces: int
    area_mm2: float
    """What these pieces take: their cuts, grown by half the web."""
    sheets: Mapping[str, int]
    """Sheets to buy: {"A4": 2, "letter": 2}."""
    proved: bool
    """No plan whatever cuts these pieces from this paper."""
    reason: str
    by: tuple[Missing, ...] = ()
    """Which lines lack the pieces; may be missing."""
    proof: Mapping[str, Any] = field(default_factory=dict)
    """What ``proved`` rests on, as plain JSON values; see docs/plan-json.md."""


@dataclass(frozen=True, slots=True)
class KitPacking:
    """What goes into one card of the kits ``first`` to ``last`` (all alike), copy by copy of the card."""

    first: int
    last: int
    card: str
    copy: int
    """1 for the first card of this name in the kit, …"""
    pieces: tuple[Share, ...]


@dataclass(frozen=True, slots=True)
class MissedCut:
    """A cut of a pass that was done, which gave no piece. Its place in the paper is gone all the same."""

    pass_number: int
    slot: int


@dataclass(frozen=True, slots=True)
class SpoiltPaper:
    """A scrap or part that is spoilt or missing: nothing is cut from it after the pass ``after``."""

    scrap: str
    after: int


@dataclass(frozen=True, slots=True)
class BrokenDie:
    """A copy of a die that cuts nothing after the pass ``after``."""

    die: str
    after: int


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole evening."""

    title: str
    complete: bool
    machine: Machine
    hand: Hand
    papers: tuple[Paper, ...]
    dies: tuple[Die, ...]
    scraps: tuple[Scrap, ...]
    trims: tuple[Trim, ...]
    demand: tuple[DemandMet, ...]
    layups: tuple[Layup, ...]
    passes: tuple[Pass, ...]
    bound: Bound
    totals: Totals
    remnants: tuple[Remnant, ...]
    short: tuple[Shortage, ...] = ()
    # What follows goes beyond the first contract; each key may be missing from a plan.json.
    kits: int = 1
    cards: tuple[Card, ...] = ()
    packing: tuple[KitPacking, ...] = ()
    evening: Evening = field(default_factory=Evening)
    proof: Mapping[str, Any] = field(default_factory=dict)
    """What the bound rests on, as plain JSON values; see docs/proof.md."""
    extras: Mapping[str, Any] = field(default_factory=dict)
    """Findings for the sheets, as plain JSON values: "what_if", "trade_off", "loads", "seed", …"""
    notes: tuple[str, ...] = ()
    done: int = 0
    """So many passes, from the first on, are done: they stand as they were cut."""
    missed: tuple[MissedCut, ...] = ()
    spoilt: tuple[SpoiltPaper, ...] = ()
    broken: tuple[BrokenDie, ...] = ()
    pass_clock: PassClock | None = None
    """How minutes are counted in a plan of version 1; None: by ``hand.seconds`` and the totals' actions."""

    def die(self, name: str) -> Die:
        """The die of this name. Raises KeyError."""
        for die in self.dies:
            if die.name == name:
                return die
        raise KeyError(name)

    @property
    def nothing_cut(self) -> bool:
        """Something is asked for, and the plan cuts none of it: then there is nothing to praise or to improve."""
        return not self.passes and any(line.count > 0 for line in self.demand)

    def layup(self, layup_id: str) -> Layup:
        """The lay-up of this id. Raises KeyError."""
        for layup in self.layups:
            if layup.id == layup_id:
                return layup
        raise KeyError(layup_id)

    def pieces_of_paper(self) -> dict[str, tuple[str, Polygon]]:
        """id → (paper, outline) of every scrap and trimmed part, trimmed scraps included."""
        known = {scrap.id: (scrap.paper, scrap.outline) for scrap in self.scraps}
        for trim in self.trims:
            paper = known[trim.scrap][0]
            for part_id, outline in trim.into:
                known[part_id] = (paper, outline)
        return known
