"""Nests: cuts laid in a scrap as densely as they go, whatever passes they are made in.

Chips keep an edge on both sides of the scissors, strips lie square; a nest keeps one web between two cuts of any
shape, at any turn. It is the most that a scrap gives, and what a scrap is for when paper is short. Which passes make
its cuts is settled afterwards (:mod:`nestcut.passes.makers.nests.nest_layups`). Equal scraps are cut alike: a lay-up then serves
one after the other.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Die, Pose, Turns
from nestcut.batch.turns import turns_on
from nestcut.passes.common.budget import ENDLESS, Budget
from nestcut.passes.common.plate_rules import places_across
from nestcut.passes.common.slits import Piece, slit

__all__ = ["Fill", "FillWish", "Nest", "NestCut", "alike", "filled_with", "nests_of", "reachable"]


@dataclass(frozen=True, slots=True)
class NestCut:
    """One cut of a nest."""

    die: str
    pose: Pose
    """In the frame of the nest's outline."""
    times: int
    """The first so many pieces get this cut."""


@dataclass(frozen=True, slots=True)
class Nest:
    """Equal pieces of paper that are all cut in the same way."""

    paper: str
    pieces: tuple[Piece, ...]
    outline: Polygon
    """Its box begins at (0, 0)."""
    cuts: tuple[NestCut, ...]

    def made(self) -> Counter[tuple[str, str]]:
        """(die, paper) → cuts that all pieces give together."""
        count: Counter[tuple[str, str]] = Counter()
        for cut in self.cuts:
            count[cut.die, self.paper] += cut.times
        return count


@dataclass(frozen=True, slots=True)
class FillWish:
    """A die that a scrap is filled with."""

    die: Die
    turns: Turns
    """In the scrap's frame."""
    most: int
    value: int


Fill = Callable[[Polygon, Sequence[FillWish]], Sequence[tuple[int, Pose]]]
"""Fills an outline; returns (number of the die, pose)."""


def alike(batch: Batch, paper: str) -> list[list[Piece]]:
    """The scraps of a paper, slit where they are too wide for the plate, those of one outline together, large first."""
    groups: dict[bytes, list[Piece]] = defaultdict(list)
    for scrap in batch.scraps:
        if scrap.paper == paper:
            for piece in slit(scrap, batch.machine.plate_mm[0]):
                groups[_outline(piece).wkb].append(piece)
    return sorted(groups.values(), key=lambda own: (-own[0].outline.area, own[0].scrap.id))


def _outline(piece: Piece) -> Polygon:
    return piece.in_corner.normalize()


def reachable(batch: Batch, outline: Polygon) -> Polygon:
    """Where cuts may lie so that their rims come into the window: of a scrap as wide as the plate, not quite at the sides."""
    x0, y0, x1, y1 = outline.bounds
    w, h = x1 - x0, y1 - y0
    rims = max(die.rim.hausdorff_distance(die.cut) for die in batch.dies)
    aside = batch.machine.clear_mm - places_across(batch.machine, min(w, h)) + rims - batch.hand.edge_mm
    if aside <= 0:
        return outline
    part = box(x0 + aside, y0, x1 - aside, y1) if w <= h else box(x0, y0 + aside, x1, y1 - aside)
    inner = outline.intersection(part)
    return inner if isinstance(inner, Polygon) and not inner.is_empty else outline


def filled_with(
    batch: Batch, piece: Piece, fill: Fill, wanted: Mapping[str, int], value: Mapping[str, int]
) -> list[NestCut]:
    """The cuts of one piece: as much value as the filling finds."""
    outline = reachable(batch, _outline(piece))
    paper = batch.paper(piece.scrap.paper)
    asks = []
    for die in sorted(batch.dies, key=lambda die: (-die.cut.area, die.name)):
        # No more than the area allows: equal questions are then asked once.
        most = min(wanted.get(die.name, 0), int(outline.area / die.cut.area))
        if most > 0:
            asks.append(FillWish(die, turns_on(die, paper), most, value[die.name]))
    return [NestCut(asks[k].die.name, pose, 1) for k, pose in fill(outline, asks)] if asks else []


def nests_of(
    batch: Batch,
    groups: Sequence[Sequence[Piece]],
    wanted: Mapping[str, int],
    value: Mapping[str, int],
    fill: Fill,
    budget: Budget = ENDLESS,
) -> list[Nest]:
    """Nests for scraps of one paper, group after group, as long as something is wanted.

    Args:
        groups: pieces of one outline together (see :func:`alike`).
        wanted: die → cuts.
        value: die → what a cut is worth.
    """
    left = Counter({die: count for die, count in wanted.items() if count > 0})
    todo = [list(own) for own in groups if own]
    nests: list[Nest] = []
    while todo and +left and not budget.over():
        own = todo.pop(0)
        got = filled_with(batch, own[0], fill, +left, value)
        if not got:
            continue
        count = Counter(cut.die for cut in got)
        times = max(1, min(len(own), *(left[name] // n for name, n in count.items())))
        cuts = tuple(NestCut(cut.die, cut.pose, times) for cut in got)
        nests.append(Nest(own[0].scrap.paper, tuple(own[:times]), _outline(own[0]), cuts))
        for name, n in count.items():
            left[name] -= n * times
        if own[times:]:
            todo.insert(0, own[times:])
    return nests
