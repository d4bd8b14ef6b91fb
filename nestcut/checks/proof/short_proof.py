"""Must so many pieces be missing, whatever is planned? What a shortage that is called proved rests on, gone through.

Counted are lines of demand that allow this paper alone. ``area``: what fits in no scrap is missing; the other cuts with
half the web around them take more than the scraps have. ``capacity``: so many cuts of a die and one more can't lie in a
scrap, for the same reasons that dies can't lie on a plate (:mod:`nestcut.checks.proof.disproof`): cuts in the place of rims, the
web in the place of the gap, the box around the scrap less its edge in the place of the window. A box holds no less than
the scrap in it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.batch.model import Batch, Demand, Die, Paper
from nestcut.checks.measures.paper_area import cut_takes, least_area_mm2, outline_gives
from nestcut.checks.measures.patience import ENDLESS, Patience, TooLongError, Undecided
from nestcut.checks.measures.report import TOLERANCE_MM, Notebook
from nestcut.checks.measures.safe_side import shrunk
from nestcut.checks.measures.turns import ALL_TURNS, paper_turns
from nestcut.checks.proof.disproof import Plate, disprove
from nestcut.plans.model import DemandMet, Plan

__all__ = ["NotProvedError", "ShortageProofs", "check_shortage_proofs"]

SLACK_MM = 4 * TOLERANCE_MM
"""Given away in every length: a part may reach out of its scrap, a cut may come nearer, by the tolerance each."""


class NotProvedError(Exception):
    """The shortage does not follow; the text says why."""


def check_shortage_proofs(plan: Plan, notes: Notebook, patience: Patience = ENDLESS) -> None:
    """Rule ``short`` for what is called proved; ``undecided`` where the patience ends before that is seen."""
    proofs = ShortageProofs(plan)
    for shortage in plan.short:
        if not shortage.proved:
            continue
        what = f"that {shortage.pieces} pieces in {shortage.paper} must be missing"
        # Two shortages of one paper are proved together or not at all.
        claimed = sum(one.pieces for one in plan.short if one.proved and one.paper == shortage.paper)
        notes.count("proofs of shortages")
        try:
            if shortage.paper is None:
                raise NotProvedError("it names no paper")
            surely = proofs.surely_missing(shortage.paper, shortage.proof, patience)
            if isinstance(surely, Undecided):
                notes.fault("undecided", f"the proof {what} was not gone through, it is too large: {surely}")
            elif surely < claimed:
                raise NotProvedError(f"{surely} of {claimed} are proved")
        except NotProvedError as err:
            notes.fault("short", f"it is called proved {what}, but does not follow: {err}")
        except shapely.errors.GEOSException as err:
            notes.fault("short", f"the shapes of the proof {what} can't be measured ({str(err)[:120]})")
        except TooLongError as err:
            notes.fault("undecided", f"the proof {what} was not gone through {err}")


class ShortageProofs:
    """What must be missing of a demand, asked paper by paper; what was measured of dies and scraps is kept."""

    def __init__(self, asked: Plan | Batch) -> None:
        self.asked = asked
        self.dies = {die.name: die for die in asked.dies}
        self._takes: dict[str, Fraction] = {}
        self._gives: dict[str, Fraction] = {}
        self._sizes: dict[str, tuple[float, float]] = {}
        self._holding: dict[tuple[str, str], frozenset[str]] = {}
        self._believed: set[str] = set()

    def surely_missing(
        self, paper: str, proof: Mapping[str, Any], patience: Patience = ENDLESS
    ) -> int | Undecided:
        """Pieces that no plan for this demand and these scraps can cut from this paper.

        The answer is :class:`~nestcut.checks.measures.patience.Undecided` where the proof was too much to go through.
        Raises: NotProvedError where the proof is unsound, TooLongError when the patience ends.
        """
        if proof.get("by") == "area":
            return self._beyond_area(paper)
        if proof.get("by") != "capacity":
            raise NotProvedError("it carries no proof of a known kind")
        dies = proof.get("dies")
        if not isinstance(dies, Mapping) or not dies:
            raise NotProvedError("it names no dies")
        missing = sum(line.count for line in self._lines(paper) if self._fits_nowhere(line, paper))
        beyond: Undecided | None = None
        for name, entries in dies.items():
            most = self.most_cuts(paper, name, entries, patience)
            if isinstance(most, Undecided):
                beyond = beyond or most
            elif self._holds(name, paper):  # else it is counted already
                wanted = sum(line.count for line in self._lines(paper) if set(line.dies) == {name})
                missing += max(0, wanted - most * self.dies[name].pieces)
        return missing if beyond is None else beyond

    def most_cuts(self, paper: str, name: str, entries: Any, patience: Patience = ENDLESS) -> int | Undecided:
        """The most cuts of a die that all scraps of a paper hold.

        Args:
            entries: list of ``{scraps, most, disproof}``; scraps that are not listed count by their area.
        Raises: as :meth:`surely_missing`.
        """
        if name not in self.dies:
            raise NotProvedError(f"it names an unknown die {str(name)[:40]}")
        left = set(self._scraps(paper))
        most = 0
        beyond: Undecided | None = None
        for scraps, cuts, disproof in _entries(entries, left):
            patience.ask()
            why = self._holds_more(paper, name, scraps, cuts, disproof, patience)
            if isinstance(why, Undecided):
                beyond = beyond or why
            elif why is not None:
                raise NotProvedError(f"that {scraps[0]} holds at most {cuts} of {name} does not hold: {why}")
            most += cuts * len(scraps)
        most += sum(self._most_by_area(name, paper, scrap) for scrap in left)
        return most if beyond is None else beyond

    def fits(self, name: str, paper: str) -> bool:
        """Whether some scrap of the paper is wide and large enough for a cut of this die, by a first look."""
        return bool(self._holds(name, paper))

    # --- what is asked and what is there ------------------------------------------------------

    def _lines(self, paper: str) -> list[Demand | DemandMet]:
        """The lines of demand that allow no other paper."""
        return [line for line in self.asked.demand if set(line.papers) == {paper}]

    def _scraps(self, paper: str) -> dict[str, Polygon]:
        return {scrap.id: scrap.outline for scrap in self.asked.scraps if scrap.paper == paper}

    def _cut_takes(self, name: str) -> Fraction:
        if name not in self._takes:
            self._takes[name] = cut_takes(self.asked, self.dies[name])
        return self._takes[name]

    def _scrap_gives(self, scrap: str, outline: Polygon) -> Fraction:
        if scrap not in self._gives:
            self._gives[scrap] = outline_gives(self.asked, outline)
        return self._gives[scrap]

    def _holds(self, name: str, paper: str) -> frozenset[str]:
        """The scraps of a paper that a cut of this die with its edge is not too wide or too large for."""
        if (name, paper) not in self._holding:
            edge = max(0.0, self.asked.hand.edge_mm - SLACK_MM)
            if name not in self._sizes:
                cut = shrunk(self.dies[name].cut, TOLERANCE_MM)
                self._sizes[name] = _least_width(cut) + 2 * edge, least_area_mm2(self.dies[name], edge)
            wide, large = self._sizes[name]
            self._holding[name, paper] = frozenset(
                scrap
                for scrap, outline in self._scraps(paper).items()
                if large <= outline.area * (1 + 1e-9) + outline.length * SLACK_MM
                and wide <= _least_width(outline) + SLACK_MM
            )
        return self._holding[name, paper]

    def _fits_nowhere(self, line: Demand | DemandMet, paper: str) -> bool:
        return not any(self._holds(name, paper) for name in line.dies)

    # --- what follows -------------------------------------------------------------------------

    def _beyond_area(self, paper: str) -> int:
        """Pieces that are missing where only areas count: those that take most are left out first."""
        missing = 0
        needs: list[tuple[Fraction, int]] = []
        for line in self._lines(paper):
            if self._fits_nowhere(line, paper):
                missing += line.count
                continue
            able = [name for name in line.dies if self._holds(name, paper)]
            needs.append((min(self._cut_takes(name) / self.dies[name].pieces for name in able), line.count))
        beyond = sum((area * count for area, count in needs), Fraction())
        beyond -= sum((self._scrap_gives(*scrap) for scrap in self._scraps(paper).items()), Fraction())
        for area, count in sorted(needs, reverse=True):
            if beyond <= 0 or area <= 0:
                break
            left_out = min(count, math.ceil(beyond / area))
            missing += left_out
            beyond -= left_out * area
        return missing

    def _most_by_area(self, name: str, paper: str, scrap: str) -> int:
        """The most cuts of a die that the area of a scrap allows."""
        if scrap not in self._holds(name, paper):
            return 0
        takes = self._cut_takes(name)
        if takes <= 0:
            raise NotProvedError(f"the {name} die takes no paper to speak of")
        return math.floor(self._scrap_gives(scrap, self._scraps(paper)[scrap]) / takes)

    def _holds_more(
        self,
        paper: str,
        name: str,
        scraps: Sequence[str],
        most: int,
        disproof: Mapping[str, Any],
        patience: Patience,
    ) -> str | None:
        """None where it is proved that each of the scraps holds no more cuts, else why not."""
        about = next((one for one in self.asked.papers if one.name == paper), None)
        if about is None or about.both_sides:
            return "cuts may lie mirrored on a paper that is good on both sides"
        key = repr((paper, name, list(scraps), most, disproof))
        if key in self._believed:
            return None
        table = self._table(self.dies[name], about, scraps)
        why = disprove(table, {**disproof, "dies": {name: most + 1}}, patience)
        if why is None:
            self._believed.add(key)
        return why

    def _table(self, die: Die, paper: Paper, scraps: Sequence[str]) -> Plate:
        """The box around these scraps, less the edge, as a plate on which cuts of this die lie as rims do."""
        hand = self.asked.hand
        outlines = self._scraps(paper.name)
        boxes = shapely.bounds([outlines[scrap] for scrap in scraps])
        width, length = (
            max(0.0, float(side) - 2 * hand.edge_mm + 2 * SLACK_MM)
            for side in (boxes[:, 2:] - boxes[:, :2]).max(axis=0)
        )
        # Cuts in two parts of a trimmed scrap are only twice the edge apart.
        apart = hand.web_mm if hand.trims == "none" else min(hand.web_mm, 2 * hand.edge_mm)
        turns = paper_turns(die, paper.direction) or ALL_TURNS
        return Plate.about(width, length, max(0.0, apart - SLACK_MM), {die.name: die.cut}, {die.name: turns})


def _entries(entries: Any, left: set[str]) -> list[tuple[list[str], int, Mapping[str, Any]]]:
    """The caps of one die; their scraps are taken from those that are left."""
    if not isinstance(entries, list | tuple):
        raise NotProvedError("its scraps are no list")
    found = []
    for entry in entries:
        scraps = entry.get("scraps") if isinstance(entry, Mapping) else None
        if not isinstance(scraps, list | tuple) or not scraps:
            raise NotProvedError("an entry of it names no scraps")
        most, disproof = entry.get("most"), entry.get("disproof")
        if not isinstance(most, int) or isinstance(most, bool) or most < 0:
            raise NotProvedError(f"an entry of it says that at most {str(most)[:40]} cuts fit")
        if not isinstance(disproof, Mapping):
            raise NotProvedError("an entry of it has no disproof")
        for scrap in scraps:
            if not isinstance(scrap, str) or scrap not in left:
                raise NotProvedError(f"scrap {str(scrap)[:40]} is not of this paper, or there twice")
            left.remove(scrap)
        found.append((list(scraps), most, disproof))
    return found


def _least_width(shape: BaseGeometry) -> float:
    """Least distance of two parallel lines with the shape between them, mm: one lies along a side of its hull."""
    hull = shapely.convex_hull(shape)
    if not isinstance(hull, Polygon):
        return 0.0
    corners = shapely.get_coordinates(hull.exterior)
    sides = np.diff(corners, axis=0)
    lengths = np.hypot(*sides.T)
    least = math.inf
    for (x, y), length in zip(sides, lengths, strict=True):
        if length > 0.0:
            least = min(least, float(np.ptp(corners @ (-y, x)) / length))
    return least
