"""Scraps as they are under the dies: no trims, each scrap shifted from pass to pass.

A scrap lies square on whole millimetres, so its places on the plate are the points of a grid. For every die of a
lay-up a mask says at which of them the die's cut keeps the edge of the scrap and the web to all earlier cuts; a cut
that is made takes its no-fit mask out of the masks of all dies. Masks never allow a wrong place; they lose a
little, since outlines are taken a hair too large and hulls stand in for some (see :mod:`nestcut.passes.makers.whole.shifts`).

Greedy, pass by pass: the scrap and place with the most urgent cuts first, then the next scrap that lies clear of it.
A die is urgent when what it has left to cut is most of what the busiest die has left.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.affinity import translate

from nestcut.batch.model import Batch, Pose
from nestcut.passes.common.budget import ENDLESS, Budget
from nestcut.passes.common.plate_rules import places_of, suits_turned
from nestcut.passes.common.schedule import urgency
from nestcut.passes.common.slits import Piece, slit
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft, bare_run
from nestcut.passes.makers.whole.cut_scraps import CutScrap, ScrapKind, ScrapUse
from nestcut.passes.makers.whole.shifts import (
    CutShapes,
    Gap,
    Mask,
    furthest_out,
    switch_off,
    too_near,
)
from nestcut.passes.parts.chips import Site, sites_of
from nestcut.plans.model import Slot

__all__ = ["Station", "in_whole_scraps"]

MOST_SLOTS = 62
"""Sets of slots are kept as bits of one number."""
AGAIN = 1.05
"""A scrap that has been cut before is worth this much more than a fresh one: few scraps, few leftovers."""


@dataclass(frozen=True, slots=True)
class Station:
    """A lay-up and the cuts it has to make."""

    slots: tuple[Slot, ...]
    cuts: Mapping[tuple[str, str], int]
    """(die, paper) → cuts."""


def in_whole_scraps(
    batch: Batch,
    wanted: Mapping[tuple[str, str], int],
    stations_for: Callable[[Mapping[tuple[str, str], int], int], Sequence[Station] | None],
    budget: Budget = ENDLESS,
    *,
    slit_mm: float | None = None,
    rounds: int = 4,
) -> PaperedPasses:
    """Passes that cut everything from untrimmed scraps, as far as the greedy search gets.

    Args:
        wanted: (die, paper) → cuts.
        stations_for: lay-ups for cuts that are left, given those and the number of the round. Dies that lie in
            other columns then reach paper that the lay-ups before could not.
        budget: asked once a pass; once it is over, the rest is missing.
        slit_mm: scraps that are wider are slit beforehand into strips of this width at most (the plate's width
            where it is not given: a wider scrap can't go through the machine).
        rounds: most times that it is asked.
    """
    table = _ScrapTable(batch, wanted, min(batch.machine.plate_mm[0], slit_mm or math.inf))
    left = Counter({key: count for key, count in wanted.items() if count > 0})
    passes: list[PassDraft] = []
    for number in range(rounds):
        before = len(passes)
        for station in stations_for(+left, number) or ():
            place = table.add(station)
            mine = Counter(station.cuts)
            while +mine and not budget.over():
                choices = table.next_pass(place, mine)
                if not choices:
                    break
                passes.append(PassDraft(place, [table.settle(place, choice, mine) for choice in choices]))
            made = Counter(station.cuts)
            made.subtract(mine)
            left.subtract(made)
        if not +left or budget.over() or len(passes) == before:
            break
    counts = Counter(draft.run for draft in passes)
    runs = [
        bare_run(batch, [site.slot for site in sites], counts[place])
        for place, sites in enumerate(table.sites)
    ]
    return PaperedPasses(runs, passes, +left)


class _ScrapTable:
    """Everything that is on the table: fresh scraps, scraps in use, and the masks of both."""

    def __init__(self, batch: Batch, wanted: Mapping[tuple[str, str], int], slit_mm: float) -> None:
        self.batch = batch
        self.sites: list[list[Site]] = []
        self.shapes = CutShapes(batch.hand.web_mm, batch.hand.edge_mm)
        self.gaps: dict[tuple[int, int, int, int], Gap] = {}
        self.used: list[CutScrap] = []
        self.fresh: dict[tuple[str, bytes], list[Piece]] = {}
        papers = {paper for (_, paper), count in wanted.items() if count > 0}
        for scrap in batch.scraps:
            if scrap.paper in papers:
                for piece in slit(scrap, slit_mm):
                    self.fresh.setdefault((scrap.paper, piece.in_corner.wkb), []).append(piece)
        self.kinds = {key: self._kinds(own[0]) for key, own in self.fresh.items()}

    def add(self, station: Station) -> int:
        """Take up a further lay-up; returns its number."""
        self.sites.append(sites_of(self.batch, station.slots))
        return len(self.sites) - 1

    def _kinds(self, piece: Piece) -> list[ScrapKind]:
        paper = piece.scrap.paper
        shape = piece.in_corner
        found: list[ScrapKind] = []
        for deg in (0.0, 90.0, 180.0, 270.0):
            turned = Pose(0.0, 0.0, deg).apply(shape)
            x0, y0, x1, y1 = turned.bounds
            w, h = x1 - x0, y1 - y0
            places = places_of(self.batch.machine, (w, h))
            if places is None:
                continue
            across, first, last = places
            outline = translate(turned, -x0, -y0)
            directed = self.batch.paper(paper).direction != "none"
            if not directed and any(
                k.outline.normalize().equals_exact(outline.normalize(), 1e-7) for k in found
            ):
                continue  # symmetric: the same again
            found.append(
                ScrapKind(
                    paper,
                    (paper, shape.wkb),
                    deg,
                    outline,
                    (-x0, -y0),
                    (w, h),
                    first,
                    (across + 1, last - first + 1),
                )
            )
        return found

    def _left(self, sheet: CutScrap, station: int, slot: int) -> Mask | None:
        """The mask of a scrap in use; None where no place is left."""
        key = (station, slot)
        if key in sheet.spent:
            return None
        if key not in sheet.masks:
            mask = self._mask(sheet.kind, station, slot).copy()
            for a, r, at in sheet.cuts:
                switch_off(mask, self._gap(a, r, station, slot), at)
            sheet.masks[key] = mask
            if not mask.any():
                sheet.spent.add(key)
                return None
        return sheet.masks[key]

    def _mask(self, kind: ScrapKind, station: int, slot: int) -> Mask:
        """Places at which this die's cut keeps the edge in a fresh scrap; none of them where its turn is wrong."""
        key = (station, slot)
        if key not in kind.masks:
            site = self.sites[station][slot]
            pose = site.slot.pose
            if suits_turned(self.batch, site.die, kind.paper, pose.deg, kind.deg):
                kind.masks[key] = self.shapes.places(kind.outline, site.die, pose, kind.shape, kind.y0)
            else:
                kind.masks[key] = np.zeros(kind.shape, dtype=bool)
        return kind.masks[key]

    def _gap(self, a: int, r: int, b: int, s: int) -> Gap:
        """Shifts (of the scrap, from where slot r of station a cut it) at which slot s of b comes too near."""
        key = (a, r, b, s)
        if key not in self.gaps:
            one, two = self.sites[a][r], self.sites[b][s]
            self.gaps[key] = self.shapes.gap(one.die, one.slot.pose, two.die, two.slot.pose)
        return self.gaps[key]

    def _sets(self, sheet: CutScrap | None, kind: ScrapKind, station: int) -> NDArray[np.float64]:
        """Sets of slots that can cut the scrap from one place: what a place is worth at most is read off them."""
        known = kind.together if sheet is None else sheet.together
        if station not in known:
            bits = np.zeros(kind.shape, dtype=np.int64)
            slots = range(len(self.sites[station]))
            for s in slots:
                mask = self._left(sheet, station, s) if sheet else self._mask(kind, station, s)
                if mask is not None:
                    bits |= mask.astype(np.int64) << s
            # (Sorting is what unique values cost: zeros are most of them.)
            found = np.unique(bits[bits > 0])
            known[station] = ((found[:, None] >> np.arange(len(slots))) & 1).astype(np.float64)
        return known[station]

    def next_pass(self, station: int, left: Counter[tuple[str, str]]) -> list[ScrapUse]:
        """Scraps and places for one pass, most urgent first."""
        sites = self.sites[station]
        totals: Counter[str] = Counter()
        for (die, _), count in left.items():
            totals[die] += max(0, count)
        copies = Counter(site.die.name for site in sites)
        busiest = max(totals[die] / copies[die] for die in copies)
        weights = {die: float(urgency(totals[die] / copies[die], busiest)) for die in copies}
        rest = Counter(left)
        free = set(range(len(sites)))
        chosen: list[ScrapUse] = []
        while free:
            best = self._best(station, free, rest, weights, chosen)
            if best is None:
                break
            chosen.append(best)
            free = {slot for slot in free if not best.lies_over(sites[slot])}.difference(best.slots)
            for slot in best.slots:
                rest[sites[slot].die.name, best.kind.paper] -= 1
        return chosen

    def _candidates(self) -> list[tuple[CutScrap | None, ScrapKind]]:
        found: list[tuple[CutScrap | None, ScrapKind]] = [(sheet, sheet.kind) for sheet in self.used]
        small_first = sorted(
            self.fresh, key=lambda key: self.fresh[key][0].outline.area if self.fresh[key] else 0.0
        )
        for key in small_first:
            if self.fresh[key]:
                found += [(None, kind) for kind in self.kinds[key]]
        return found

    def _best(
        self,
        station: int,
        free: set[int],
        rest: Counter[tuple[str, str]],
        weights: Mapping[str, float],
        chosen: Sequence[ScrapUse],
    ) -> ScrapUse | None:
        sites = self.sites[station]
        taken_sheets = {id(choice.sheet) for choice in chosen if choice.sheet is not None}
        fresh_taken = Counter(choice.kind.group for choice in chosen if choice.sheet is None)
        best: tuple[float, ScrapUse] | None = None
        wishes: dict[str, list[int]] = {}
        worth: dict[str, NDArray[np.float64]] = {}
        few = len(sites) <= MOST_SLOTS
        for sheet, kind in self._candidates():
            if sheet is not None and id(sheet) in taken_sheets:
                continue
            if sheet is None and fresh_taken[kind.group] >= len(self.fresh[kind.group]):
                continue
            if kind.paper not in wishes:
                wishes[kind.paper] = [s for s in free if rest[sites[s].die.name, kind.paper] > 0]
            wish = wishes[kind.paper]
            if sheet is not None and wish:
                wish = [s for s in wish if (station, s) not in sheet.spent]
            more = AGAIN if sheet is not None else 1.0
            if not wish or (best and more * sum(weights[sites[s].die.name] for s in wish) <= best[0]):
                continue
            if best and few:
                if kind.paper not in worth:
                    own = wishes[kind.paper]
                    worth[kind.paper] = np.array(
                        [weights[site.die.name] if s in own else 0.0 for s, site in enumerate(sites)]
                    )
                sets = self._sets(sheet, kind, station)
                if (
                    not len(sets)
                    or more * float((sets * worth[kind.paper]).sum(axis=1).max()) <= best[0] + 1e-6
                ):
                    continue
            masks: dict[int, Mask] = {}
            for s in wish:
                mask = self._left(sheet, station, s) if sheet else self._mask(kind, station, s)
                if mask is not None:
                    masks[s] = mask
            total = np.zeros(kind.shape, dtype=np.float32)
            for s, mask in masks.items():
                total += np.float32(weights[sites[s].die.name]) * mask
            total[~self._clear(kind, chosen)] = 0.0
            top = float(total.max(initial=0.0))
            if top <= 0.0 or (best and more * top <= best[0] + 1e-6):
                continue
            places = np.argwhere(total >= top - 1e-5)
            at = self._tidiest(station, masks, places)
            slots = self._together(station, [s for s in masks if masks[s][at]], kind.paper, rest)
            best = (more * top, ScrapUse(sheet, kind, at, slots))
        return best[1] if best else None

    def _tidiest(self, station: int, masks: Mapping[int, Mask], places: NDArray[np.int64]) -> tuple[int, int]:
        """Of equally good places the one furthest out towards the plate's nearer end."""
        first = places[0]
        down = [self.sites[station][s].cut.centroid.y for s, mask in masks.items() if mask[tuple(first)]]
        return furthest_out(places, sum(down) / len(down) < self.batch.machine.plate_mm[1] / 2)

    def _together(
        self, station: int, slots: Sequence[int], paper: str, rest: Counter[tuple[str, str]]
    ) -> list[int]:
        """Those of the slots that can cut one scrap in one pass: web kept, and no more than is wanted."""
        left = Counter(rest)
        kept: list[int] = []
        for slot in slots:
            die = self.sites[station][slot].die.name
            if left[die, paper] <= 0:
                continue
            if not any(self._too_near(station, other, slot) for other in kept):
                kept.append(slot)
                left[die, paper] -= 1
        return kept

    def _too_near(self, station: int, one: int, two: int) -> bool:
        """Whether two cuts of a lay-up leave too little web for a scrap that both lie in."""
        return too_near(self._gap(station, one, station, two))

    def _clear(self, kind: ScrapKind, chosen: Sequence[ScrapUse]) -> Mask:
        """Places at which this scrap's box meets no box of the scraps that lie already."""
        clear = np.ones(kind.shape, dtype=bool)
        w, h = kind.size
        for other in chosen:
            x, y = other.at[0], other.at[1] + other.kind.y0
            ow, oh = other.kind.size
            x0, x1 = math.floor(x - w + 1e-9) + 1, math.ceil(x + ow - 1e-9)
            y0, y1 = math.floor(y - h + 1e-9) + 1 - kind.y0, math.ceil(y + oh - 1e-9) - kind.y0
            clear[max(0, x0) : max(0, x1), max(0, y0) : max(0, y1)] = False
        return clear

    def settle(self, station: int, choice: ScrapUse, left: Counter[tuple[str, str]]) -> PartUse:
        """Make the cuts of a choice: masks and wants shrink, a fresh scrap becomes one in use."""
        kind, sheet = choice.kind, choice.sheet
        if sheet is None:
            sheet = CutScrap(self.fresh[kind.group].pop(0), kind)
            self.used.append(sheet)
        sheet.together.clear()
        for slot in choice.slots:
            left[self.sites[station][slot].die.name, kind.paper] -= 1
            sheet.cuts.append((station, slot, choice.at))
            for (b, s), mask in sheet.masks.items():
                if (b, s) not in sheet.spent:
                    switch_off(mask, self._gap(station, slot, b, s), choice.at)
        for key, mask in sheet.masks.items():
            if key not in sheet.spent and not mask.any():
                sheet.spent.add(key)
        piece = sheet.piece
        # The piece's corner goes to the place, whatever the frame of its scrap.
        pose = piece.lying(kind.deg, kind.shift, (choice.at[0], choice.at[1] + kind.y0))
        slots = tuple(sorted(choice.slots))
        return PartUse(piece.scrap.id, piece.outline, pose, slots, kind.paper, whole=piece.whole)
