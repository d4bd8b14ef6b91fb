"""What is asked, as plain values: machine, hands, papers, scraps, dies, cards, class.

Everything is in millimetres, degrees and seconds. x runs to the right, y down the page
(as in SVG), all shapes in good-side view. These values are frozen; the reader in
:mod:`nestcut.batch` makes and validates them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Final, Literal, TypeAlias

from shapely.affinity import affine_transform
from shapely.geometry import LineString, MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from nestcut.arithmetic import sine_cosine

__all__ = [
    "FEWEST_PASSES",
    "LEAST_MINUTES",
    "Batch",
    "BoxState",
    "Card",
    "CardLine",
    "Demand",
    "Die",
    "Direction",
    "Evening",
    "Extra",
    "Hand",
    "HandSeconds",
    "Machine",
    "Paper",
    "Pose",
    "Scrap",
    "Shape",
    "Spares",
    "Stock",
    "Turns",
    "Wish",
    "Wishes",
    "filled",
]

Shape: TypeAlias = Polygon | MultiPolygon
Turns = Literal["any"] | tuple[float, ...]
Direction = Literal["none", "stripe", "up"]


@dataclass(frozen=True, slots=True)
class Pose:
    """Where a part lies: a point p of the part goes to R·p + (x, y), R = [[cos, −sin], [sin, cos]]."""

    x_mm: float
    y_mm: float
    deg: float = 0.0

    def matrix(self, *, flipped: bool = False) -> tuple[float, float, float, float, float, float]:
        """The affine map as shapely's (a, b, d, e, xoff, yoff); quarter turns are exact.

        ``flipped`` first maps x → −x in the part's own frame.
        """
        quarter = self.deg / 90.0
        if quarter == round(quarter):
            cos, sin = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[round(quarter) % 4]
        else:
            sin, cos = sine_cosine(math.radians(self.deg))
        sign = -1.0 if flipped else 1.0
        return (sign * cos, -sin, sign * sin, cos, self.x_mm, self.y_mm)

    def apply(self, geometry: BaseGeometry, *, flipped: bool = False) -> BaseGeometry:
        """The geometry, moved from its own frame to the plate's."""
        return affine_transform(geometry, list(self.matrix(flipped=flipped)))


def filled_parts(shape: Shape) -> list[Polygon]:
    """The parts of a cut, without their holes: what falls out of the paper."""
    parts = shape.geoms if isinstance(shape, MultiPolygon) else (shape,)
    return [Polygon(part.exterior) for part in parts]


def filled(shape: Shape) -> Shape:
    """The shape without its holes."""
    parts = filled_parts(shape)
    return parts[0] if len(parts) == 1 else unary_union(parts)


@dataclass(frozen=True, slots=True)
class Machine:
    """A hand-cranked roller machine and its plates."""

    plate_mm: tuple[float, float]
    """Width across the rollers, length along the feed."""
    clear_mm: float = 2.0
    dies: Literal["over", "under"] = "over"
    overhang_mm: float = 150.0
    load_limit_mm: float | None = None
    """Most cut length under the roller at once, mm (cranking load); None: no limit."""

    @property
    def window(self) -> Polygon:
        """Where rims may lie: from (clear, clear) to (width − clear, length − clear)."""
        width, length = self.plate_mm
        return _rectangle(self.clear_mm, self.clear_mm, width - self.clear_mm, length - self.clear_mm)

    @property
    def paper_field(self) -> Polygon:
        """Where papers may lie: on the plate and, by the overhang, beyond its two ends; never beyond its sides."""
        width, length = self.plate_mm
        return _rectangle(0.0, -self.overhang_mm, width, length + self.overhang_mm)


@lru_cache(maxsize=64)
def _rectangle(x0: float, y0: float, x1: float, y1: float) -> Polygon:
    """Asked for thousands of times, so the same one each time."""
    return box(x0, y0, x1, y1)


@dataclass(frozen=True, slots=True)
class HandSeconds:
    """How long hands take for each action, seconds. All of it is judgement; docs/batch-file.md says how it was weighed."""

    crank: float = 15.0
    """One trip: close the stack, feed it, crank, take it apart."""
    lay: float = 12.0
    """A paper that was not on the plate: find it, place it."""
    pull_on: float = 6.0
    """A paper that was there is shifted without a turn."""
    turn: float = 8.0
    """A paper that was there is turned or flipped."""
    take_away: float = 3.0
    lift: float = 6.0
    """A die that was down is taken off."""
    put_back: float = 6.0
    """A die goes down where it last lay."""
    set_up: float = 15.0
    """A die goes down anywhere else."""
    lift_under: float = 8.0
    """The three for dies under the papers: what lies on them is held aside."""
    put_back_under: float = 8.0
    set_up_under: float = 15.0
    place_loose: float = 5.0
    """A die that nothing holds is placed again, after the paper under it has moved."""
    free: float = 3.0
    """A piece out of its die and into its container."""
    trim_take: float = 10.0
    """A scrap to be trimmed: find it, pencil its id and arrow on the parts."""
    trim_cut: float = 8.0
    """A straight cut on the trimmer."""
    trim_cut_again: float = 4.0
    """A further one at the same setting."""
    scissors: float = 10.0
    """100 mm cut with scissors."""
    pace: float = 1.0
    """All of these are divided by it: 2 is twice as fast."""
    dies: Literal["held", "loose"] = "held"
    """Whether dies over the papers are held to the upper plate, or must come off before a paper moves."""


@dataclass(frozen=True, slots=True)
class Hand:
    """Clearances that contain what hands can do."""

    web_mm: float = 2.5
    edge_mm: float = 2.0
    gap_mm: float = 1.0
    papers: Literal["square", "any"] = "square"
    trims: Literal["none", "straight", "scissors"] = "scissors"
    """How scraps may be cut smaller before the evening: not at all, straight cuts on a paper
    trimmer only, or also simple outlines with scissors."""
    seconds: HandSeconds = field(default_factory=HandSeconds)


@dataclass(frozen=True, slots=True)
class Paper:
    """A colour and kind of card."""

    name: str
    swatch: str | None = None
    direction: Direction = "none"
    both_sides: bool = False


@dataclass(frozen=True, slots=True)
class Scrap:
    """One piece of paper in stock, its bounding box's upper left corner at (0, 0)."""

    id: str
    paper: str
    outline: Polygon


@dataclass(frozen=True, slots=True)
class Die:
    """A metal cutting form. ``cut`` and ``rim`` share a frame with the rim's box centred on (0, 0)."""

    name: str
    cut: Shape
    rim: Shape
    copies: int = 1
    turns: Turns = "any"
    trips: int = 1
    marks: tuple[LineString, ...] = ()
    """Open score or vein lines: drawn on the sheets, without effect on the plan."""

    @property
    def pieces(self) -> int:
        """How many pieces one cut gives: each part of the cut counts."""
        return len(self.cut.geoms) if isinstance(self.cut, MultiPolygon) else 1

    @property
    def hole(self) -> Shape:
        """What is gone from the paper once the die has cut: the cut and whatever lies in its openings."""
        return filled(self.cut)

    @property
    def has_opening(self) -> bool:
        """Whether another die may lie in an opening of the metal."""
        return any(part.interiors for part in getattr(self.rim, "geoms", (self.rim,)))


@dataclass(frozen=True, slots=True)
class CardLine:
    """One line of a card: ``count`` pieces by any of these dies in any of these papers."""

    dies: tuple[str, ...]
    papers: tuple[str, ...]
    count: int


@dataclass(frozen=True, slots=True)
class Card:
    """A card of the kit and what is glued on it."""

    name: str
    count: int
    lines: tuple[CardLine, ...]


@dataclass(frozen=True, slots=True)
class Spares:
    """Spares for each line of demand: a share of it, rounded up, or a plain number of pieces."""

    percent: float = 0.0
    pieces: int = 0

    def of(self, count: int) -> int:
        """Spare pieces for a line of ``count`` pieces."""
        # 10 % of 80 must be 8, also where 80 * 0.1 is a hair above: round before rounding up.
        return self.pieces + math.ceil(round(count * self.percent / 100.0, 9))


@dataclass(frozen=True, slots=True)
class Demand:
    """Pieces wanted for one line of one card over the whole class. ``count`` includes the ``spares``."""

    card: str
    dies: tuple[str, ...]
    papers: tuple[str, ...]
    count: int
    spares: int
    per_kit: int


@dataclass(frozen=True, slots=True)
class Extra:
    """So many more of something: a share of it, rounded down, or a plain number."""

    percent: float = 0.0
    plain: int = 0

    def of(self, count: int) -> int:
        """How many more than ``count``."""
        return self.plain + math.floor(round(count * self.percent / 100.0, 9))

    def __bool__(self) -> bool:
        return bool(self.percent or self.plain)


Wish: TypeAlias = Literal["passes", "changes", "trims", "paper", "minutes"]
LEAST_MINUTES: Final[tuple[Wish, ...]] = ("minutes", "passes", "changes", "trims", "paper")
"""What counts where least work for hands is wished."""
FEWEST_PASSES: Final[tuple[Wish, ...]] = ("passes", "changes", "trims", "paper")
"""What counts where nothing is wished."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What counts most, first to last. ``minutes`` alone weighs all that hands do together."""

    order: tuple[Wish, ...] = FEWEST_PASSES
    extra_passes: Extra = field(default_factory=Extra)
    """Passes up to so many above the fewest count as equal: what comes next in the order decides."""


@dataclass(frozen=True, slots=True)
class Evening:
    """The time line: when the person starts and how often they rest."""

    start: str | None = None
    """"HH:MM", 24 hours."""
    break_every: int = 0
    """Passes between two breaks; 0: no breaks."""
    break_minutes: float = 5.0


@dataclass(frozen=True, slots=True)
class BoxState:
    """Which box, and as it was when: what a plan notes of the box that it was made from."""

    id: str
    """Of the box, wherever its file lies."""
    state: str
    """Digest of all that it holds: equal where the box holds the same again."""
    file: str = field(default="", compare=False)
    """Where it was read from; no plan notes that."""


@dataclass(frozen=True, slots=True)
class Stock:
    """What a box has for a batch."""

    box: BoxState
    papers: tuple[Paper, ...]
    scraps: tuple[Scrap, ...]
    dies: tuple[Die, ...]


@dataclass(frozen=True, slots=True)
class Batch:
    """All that a batch file says."""

    title: str
    machine: Machine
    hand: Hand
    papers: tuple[Paper, ...]
    scraps: tuple[Scrap, ...]
    dies: tuple[Die, ...]
    cards: tuple[Card, ...] = ()
    kits: int = 1
    spares: Spares = field(default_factory=Spares)
    wishes: Wishes = field(default_factory=Wishes)
    evening: Evening = field(default_factory=Evening)
    notes: tuple[str, ...] = ()
    """Remarks of the reader for the person: crowded papers, marks that are not cut, …"""
    box: BoxState | None = None
    """The box that its scraps come from, if they come from one."""
    reads: tuple[Path, ...] = field(default=(), compare=False)
    """Tables, folders and drawings that the batch file names: no output may take their place."""

    @property
    def demand(self) -> tuple[Demand, ...]:
        """Lines of demand: kits × cards × count, plus spares rounded up."""
        lines = []
        for card in self.cards:
            for line in card.lines:
                per_kit = card.count * line.count
                wanted = self.kits * per_kit
                spares = self.spares.of(wanted)
                lines.append(Demand(card.name, line.dies, line.papers, wanted + spares, spares, per_kit))
        return tuple(lines)

    def die(self, name: str) -> Die:
        """The die of this name. Raises KeyError."""
        for die in self.dies:
            if die.name == name:
                return die
        raise KeyError(name)

    def paper(self, name: str) -> Paper:
        """The paper of this name. Raises KeyError."""
        for paper in self.papers:
            if paper.name == name:
                return paper
        raise KeyError(name)
