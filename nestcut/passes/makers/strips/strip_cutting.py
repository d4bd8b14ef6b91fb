"""Strips cut out of the scraps of one paper: several orders are tried, the one that leaves least undone counts.

Equal scraps are cut alike and counted once (:mod:`nestcut.passes.makers.strips.strip_sheets`), so ten thousand kits take hardly longer
than ten. Source: restarts from disturbed orders, the best kept.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from shapely.geometry import Polygon, box

from nestcut.arithmetic import bell, exponential
from nestcut.batch.model import Batch, Pose, Scrap
from nestcut.passes.common.budget import ENDLESS, Budget
from nestcut.passes.common.plate_rules import HAIR_MM
from nestcut.passes.common.turns import paper_turns
from nestcut.passes.makers.strips.lane_moves import LaneSlot, one_of_each_way
from nestcut.passes.makers.strips.strip_forms import StripForm
from nestcut.passes.makers.strips.strip_sheets import Box, Pile, Piles, StripSheet

__all__ = ["CutStrips", "SlotCuts", "Strip", "StripRow", "cut_strips", "job_for", "strips_of"]

CAPS = (2, 3, 4, 6, 8)
"""Most cuts of a strip in some of the tries: smaller strips fill scraps better."""


@dataclass(frozen=True, slots=True)
class Strip:
    """A strip that was cut: where it lies in its scrap, and how it is turned onto the plate."""

    scrap: str
    outline: Polygon
    turn: float
    """The scrap's turn on the plate, degrees, before any half turn."""
    form: StripForm
    cuts: int
    """How many of the form's cuts are made."""
    _bounds: dict[float, Box] = field(default_factory=dict, compare=False, repr=False)

    def turned(self, deg: float) -> Box:
        """The box of the outline, turned about the scrap's corner (it is asked for in every pass)."""
        if deg not in self._bounds:
            self._bounds[deg] = Pose(0.0, 0.0, deg).apply(self.outline).bounds
        return self._bounds[deg]


@dataclass(frozen=True, slots=True)
class StripRow:
    """Equal strips: at each of the places, in each of the scraps."""

    scraps: Sequence[Scrap]
    places: tuple[Box, ...]
    turn: float
    """See :class:`Strip`."""
    form: StripForm
    cuts: int
    """How many of the form's cuts each of them makes."""

    def __len__(self) -> int:
        """How many strips."""
        return len(self.scraps) * len(self.places)

    @property
    def area_mm2(self) -> int:
        """Area of all of them, mm²."""
        return len(self) * _area(self.form)


def strips_of(rows: Iterable[StripRow]) -> Iterator[Strip]:
    """One by one, scrap by scrap."""
    for row in rows:
        kinds = [Strip("", box(*place), row.turn, row.form, row.cuts) for place in row.places]
        for scrap in row.scraps:
            for kind in kinds:
                # What equal strips know of their box is shared, too.
                yield replace(kind, scrap=scrap.id)


@dataclass(frozen=True, slots=True)
class SlotCuts:
    """Cuts for one slot in one paper."""

    key: tuple[int, int]
    """(number of the lay-up, number of its slot)."""
    ways: tuple[tuple[StripForm, float], ...]
    """Strips that may serve it, each with the turn from the plate to the scrap, those with most cuts first."""
    count: int

    @property
    def size(self) -> int:
        """Area of the largest strip, mm²."""
        return max((_area(form) for form, _ in self.ways), default=0)


def job_for(batch: Batch, key: tuple[int, int], slot: LaneSlot, paper: str, count: int) -> SlotCuts:
    """What strips may serve a slot."""
    turns = paper_turns(batch.die(slot.slot.die), batch.paper(paper), slot.slot.pose.deg, papers="square")
    ways = [(form, turn) for turn, half in one_of_each_way(turns) for form in slot.forms(batch, half)]
    return SlotCuts(key, tuple(sorted(ways, key=lambda way: (-way[0].cuts, _area(way[0])))), count)


def _area(form: StripForm) -> int:
    return form.width_mm * form.length_mm


class CutStrips(NamedTuple):
    """The strips of one paper."""

    made: dict[tuple[int, int], list[StripRow]]
    """Key of the job → its strips."""
    lost: dict[tuple[int, int], int]
    """Key of the job → cuts that found no room."""
    layouts: list[tuple[Box, ...]]
    """How scraps are cut up: the places in each kind of scrap that is cut, each kind once."""


def cut_strips(
    fresh: Piles,
    jobs: Sequence[SlotCuts],
    budget: Budget = ENDLESS,
    *,
    tries: int,
) -> CutStrips:
    """Strips for all jobs of one paper.

    Args:
        fresh: the scraps of the paper; they stay as they are.
        budget: its seed; asked after every try whether to stop.
        tries: how many orders are tried; the fewest cuts undone count (by area), then the fewest strips.
    """
    chance = random.Random(budget.seed)
    best: tuple[tuple[float, int], CutStrips] | None = None
    need = {job.key: min((_area(f) / f.cuts for f, _ in job.ways), default=1.0) for job in jobs}
    for number in range(max(1, tries)):
        # The largest strips find their place first; small ones fill the corners that are left.
        noise = 0.0 if number < 2 else 0.5
        order = sorted(jobs, key=lambda job: (-job.size * exponential(noise * bell(chance)), job.key))
        cap = None if number < 2 or chance.random() < 0.3 else chance.choice(CAPS)
        piles = fresh.turned_round() if number > 2 and chance.random() < 0.3 else fresh.copy()
        made: dict[tuple[int, int], list[StripRow]] = {}
        lost: dict[tuple[int, int], int] = {}
        for job in order:
            made[job.key], left = _cut_for(piles, job, snug=number % 2 == 1, cap=cap, stop=budget.stopped)
            if left:
                lost[job.key] = left
        strips = sum(len(row) for rows in made.values() for row in rows)
        cost = (sum(need[key] * left for key, left in lost.items()), strips)
        if best is None or cost < best[0]:
            layouts = [tuple(pile.sheet.taken) for pile in piles if pile.sheet.taken]
            best = cost, CutStrips(made, lost, layouts)
        # Once all is cut, further orders hardly save a strip.
        if (number and not best[1].lost) or budget.stopped():
            break
    assert best is not None
    return best[1]


def _cut_for(
    piles: Piles, job: SlotCuts, *, snug: bool, cap: int | None, stop: Callable[[], bool]
) -> tuple[list[StripRow], int]:
    """Strips for one job, and how many of its cuts found no room; those with most cuts first, scrap by scrap."""
    rows: list[StripRow] = []
    # How many of the first scraps hold no further strip of a size: they only fill up. A pile begins there.
    full: dict[tuple[int, int], int] = {}
    left = job.count
    able = [way for way in job.ways if cap is None or way[0].cuts <= cap]
    boxes = {(x1 - x0, y1 - y0) for x0, y0, x1, y1 in (pile.sheet.scrap.outline.bounds for pile in piles)}
    able = [way for way in able if any(_may_lie(way, sides) for sides in boxes)]
    while left:
        row = None
        # One place of a strip with several columns may stay empty.
        able = [way for way in able if way[0].cuts <= left + 1]
        most = max((form.cuts for form, _ in able), default=0)
        for form, turn in sorted(able, key=lambda way: (-min(left, way[0].cuts), _area(way[0]))):
            # As long as so many cuts are left, strips of this form are what comes next.
            alike = 1 if left < most else (left - most) // form.cuts + 1
            row = _row_of(piles, form, turn, min(left, form.cuts), alike, full, snug)
            if row:
                rows.append(row)
                left -= len(row) * row.cuts
                break
        if not row or stop():
            break
    return rows, left


def _row_of(
    piles: Piles,
    form: StripForm,
    turn: float,
    cuts: int,
    most: int,
    full: dict[tuple[int, int], int],
    snug: bool,
) -> StripRow | None:
    """At least one strip and at most so many, in the first scrap that holds one and in those that are like it."""
    size = wide, high = _lying(form, turn)
    while full.get(size, 0) < len(piles):
        number = full.get(size, 0)
        pile = piles.at(number)
        places, sheet, packed = _packed(pile, wide, high, most, snug)
        if not places:
            full[size] = number + len(pile.scraps)
            continue
        # A scrap is filled before the next is begun; where the last of them is not filled, that is the next row's.
        many = min(len(pile.scraps), most // len(places)) if packed else 1
        piles.cut(number, many, sheet)
        full[size] = number + many if packed else number
        return StripRow(pile.scraps[:many], places, -turn % 360.0, form, cuts)
    return None


def _packed(
    pile: Pile, wide: int, high: int, most: int, snug: bool
) -> tuple[tuple[Box, ...], StripSheet, bool]:
    """Places of strips in one scrap of the pile, at most so many; what it then looks like; whether it holds no more."""
    sheet = pile.sheet.copy()
    places: list[Box] = []
    while len(places) < most:
        place = sheet.place(float(wide), float(high), snug)
        if place is None:
            return tuple(places), sheet, True
        sheet.take(place)
        places.append(place)
    return tuple(places), sheet, False


def _lying(form: StripForm, turn: float) -> tuple[int, int]:
    """Sizes across and along the scrap, mm."""
    return (form.width_mm, form.length_mm) if turn in (0.0, 180.0) else (form.length_mm, form.width_mm)


def _may_lie(way: tuple[StripForm, float], sides: tuple[float, float]) -> bool:
    wide, high = _lying(*way)
    return wide <= sides[0] + HAIR_MM and high <= sides[1] + HAIR_MM
