"""Is there a scrap that holds a die? What a batch asks for, held against the scraps of each paper.

Everything here is on the safe side: a scrap is called too small only where the cut of a die, with its edge, provably lies in it
at no turn that is allowed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from shapely.affinity import scale
from shapely.geometry import Polygon

from nestcut.arithmetic import angles_of, lengths_of, sines_cosines
from nestcut.batch.asked import AskedScrap
from nestcut.batch.model import Batch, Die, Paper, Scrap
from nestcut.batch.problems import Problems
from nestcut.batch.sense import LIKE_INCHES_MM, hull_diameter, hull_points, hull_width
from nestcut.errors import Where
from nestcut.units import Units, format_length, format_pair

__all__ = ["Holding", "Misfit", "on_stock"]

_STEP_DEG = 0.1
_TURN_PLAY_DEG = 0.5
"""Turn rules hold within half a degree."""
_MOST_SIDES = 16
_MOST_DIES = 8
"""Dies of a paper that are turned about in a scrap, the narrowest ones; with more it is taken to hold one."""
_INCH_MM = 25.4


@dataclass(frozen=True, slots=True)
class Misfit:
    """A die that lies in no scrap of its paper, and the scrap that comes nearest to it."""

    die: Die
    scrap: Scrap
    lack_mm: float
    """The scrap is too small by so much at least; 0: its area alone is too small."""


@dataclass(frozen=True, slots=True)
class _KnownCut:
    """What is known of the cut of a die."""

    die: Die
    least_mm: float
    diameter_mm: float
    area_mm2: float
    widths_mm: NDArray[np.float64]
    """Its width across a direction, for every tenth of a degree of that direction up to 180°."""


@dataclass
class Holding:
    """Which scraps hold a die that is asked for in their paper."""

    batch: Batch
    _cuts: dict[str, _KnownCut] = field(default_factory=dict)
    _known: dict[tuple[str, int], bool] = field(default_factory=dict)

    def asked(self, paper: str) -> list[Die]:
        """The dies that may cut this paper, the narrowest first."""
        names = {
            name
            for card in self.batch.cards
            for line in card.lines
            if paper in line.papers
            for name in line.dies
        }
        dies = [die for die in self.batch.dies if die.name in names]
        return sorted(dies, key=lambda die: (self._cut(die).least_mm, die.name))

    def too_small(self) -> dict[str, list[Scrap]]:
        """Paper → its scraps that hold none of the dies asked for in it; papers that nothing is cut from are left out."""
        found: dict[str, list[Scrap]] = {}
        dies: dict[str, list[Die]] = {}
        for scrap in self.batch.scraps:
            if scrap.paper not in dies:
                dies[scrap.paper] = self.asked(scrap.paper)
            # Scraps that are counted share one outline.
            key = (scrap.paper, id(scrap.outline))
            if dies[scrap.paper] and key not in self._known:
                self._known[key] = self._holds_any(scrap, dies[scrap.paper])
            if not self._known.get(key, True):
                found.setdefault(scrap.paper, []).append(scrap)
        return found

    def misfit(self, scraps: Sequence[Scrap]) -> Misfit:
        """Of scraps of one paper that hold none of its dies: die and scrap that come nearest to each other."""
        dies = self.asked(scraps[0].paper)[:_MOST_DIES]
        largest = sorted(scraps, key=lambda scrap: -scrap.outline.area)[:50]
        every = [
            Misfit(die, scrap, self._lack_mm(scrap.outline, die, self.batch.paper(scrap.paper)))
            for scrap in largest
            for die in dies
        ]
        return min(every, key=lambda one: one.lack_mm)

    def would_hold(
        self, scraps: Iterable[Scrap], *, factor: float = 1.0, edge_mm: float | None = None
    ) -> bool:
        """Whether one of them might hold a die of its paper if it were so much larger, or the edge so narrow."""
        for one in list(scraps)[:50]:
            outline = scale(one.outline, factor, factor, origin=(0, 0))
            paper = self.batch.paper(one.paper)
            if any(self._holds(outline, die, paper, edge_mm) for die in self.asked(one.paper)[:_MOST_DIES]):
                return True
        return False

    def _cut(self, die: Die) -> _KnownCut:
        if die.name not in self._cuts:
            points = hull_points(die.cut)
            angles = np.radians(np.arange(0.0, 180.0, _STEP_DEG))
            sines, cosines = sines_cosines(angles)
            widths = np.ptp(cosines[:, None] * points[:, 0] + sines[:, None] * points[:, 1], axis=1)
            self._cuts[die.name] = _KnownCut(
                die, hull_width(points), hull_diameter(points), die.cut.area, widths
            )
        return self._cuts[die.name]

    def _holds_any(self, scrap: Scrap, dies: Sequence[Die]) -> bool:
        """Most scraps are told by numbers that are the same at every turn."""
        room = hull_points(scrap.outline)
        width, across, area = hull_width(room), hull_diameter(room), scrap.outline.area
        edge_mm = self.batch.hand.edge_mm
        maybe = [
            die
            for die in dies
            if self._cut(die).least_mm + 2 * edge_mm <= width + 1e-6
            and self._cut(die).diameter_mm + 2 * edge_mm <= across + 1e-6
            and self._cut(die).area_mm2 <= area + 1e-6
        ]
        paper = self.batch.paper(scrap.paper)
        return len(maybe) > _MOST_DIES or any(self._holds(scrap.outline, die, paper) for die in maybe)

    def _holds(self, outline: Polygon, die: Die, paper: Paper, edge_mm: float | None = None) -> bool:
        lack_mm = self._lack_mm(outline, die, paper, edge_mm)
        return lack_mm <= 1e-6 and die.cut.area <= outline.area + 1e-6

    def _lack_mm(self, outline: Polygon, die: Die, paper: Paper, edge_mm: float | None = None) -> float:
        """The outline is too small for cut and edge by so much at least; 0 where it may hold them.

        What lies in an outline at least an edge from it has a hull that, grown by the edge, lies in the outline's hull: it can't
        be wider in any direction, nor its least width or its diameter larger.
        """
        cut = self._cut(die)
        room = hull_points(outline)
        grown = 2 * (self.batch.hand.edge_mm if edge_mm is None else edge_mm)
        lacks = [
            0.0,
            cut.least_mm + grown - hull_width(room),
            cut.diameter_mm + grown - hull_diameter(room),
        ]
        sides = np.diff(room, axis=0)
        sides = sides[np.argsort(-lengths_of(sides))][:_MOST_SIDES]
        normals = angles_of(sides[:, 0], -sides[:, 1])
        sines, cosines = sines_cosines(normals)
        widths = np.ptp(cosines[:, None] * room[:, 0] + sines[:, None] * room[:, 1], axis=1)
        turns = _turns(die, paper)
        if len(turns) and len(normals):
            # Turned by a, the cut is as wide across a direction as it was across the direction less a.
            seen = np.degrees(normals)[None, :] - turns[:, None]
            # In a flipped scrap its mirror image lies, as wide across a direction as it was across the opposite one.
            ways = (
                [seen, -seen, -np.degrees(normals)[None, :] - turns[:, None]] if paper.both_sides else [seen]
            )
            excess = min(
                float((cut.widths_mm[_places(way)] + grown - widths[None, :]).max(axis=1).min())
                for way in ways
            )
            # Between two samples a width changes by the diameter times the angle at most.
            lacks.append(excess - cut.diameter_mm * math.radians(_STEP_DEG))
        return max(lacks)


def _places(degrees: NDArray[np.float64]) -> NDArray[np.int64]:
    """Where directions stand among the widths of a cut."""
    return np.rint(degrees / _STEP_DEG).astype(np.int64) % round(180.0 / _STEP_DEG)


def _turns(die: Die, paper: Paper) -> NDArray[np.float64]:
    """Turns of the die in the paper's frame that are allowed, sampled, degrees.

    Empty where none is: then it is not the scraps that are too small.
    """
    every = np.arange(0.0, 360.0, _STEP_DEG)
    allowed = np.ones(len(every), dtype=bool)
    wanted: list[tuple[float, ...]] = []
    if die.turns != "any":
        wanted.append(die.turns)
    if paper.direction != "none":
        wanted.append((0.0, 180.0) if paper.direction == "stripe" else (0.0,))
    for degrees in wanted:
        off = (every[:, None] - np.asarray(degrees, dtype=float)[None, :] + 180.0) % 360.0 - 180.0
        allowed &= (np.abs(off) <= _TURN_PLAY_DEG + _STEP_DEG).any(axis=1)
    return every[allowed]


def on_stock(batch: Batch, asked: Sequence[AskedScrap], units: Units | None, problems: Problems) -> list[str]:
    """Note as a problem each paper of which no scrap holds a die that is to cut it, with the likely reason.

    Args:
        asked: the scraps as they were written.
        units: what the file says that bare numbers are; None where it says nothing.
    Returns: remarks: scraps that are too small, sizes that look like inches.
    """
    holding = Holding(batch)
    small = holding.too_small()
    in_stock: dict[str, int] = {}
    for scrap in batch.scraps:
        in_stock[scrap.paper] = in_stock.get(scrap.paper, 0) + 1
    for paper, scraps in small.items():
        if len(scraps) == in_stock[paper]:
            rows = [one for one in asked if one.form.paper == paper]
            bare = units is None and all(one.bare for one in rows)
            what, mend = _told(holding, scraps, bare=bare)
            files = {one.at.file for one in rows}
            file = files.pop() if len(files) == 1 else problems.file
            problems.add(what, mend=mend, at=Where(file=file, element=f"paper {paper}"))
    remarks = [] if units is not None else list(_like_inches(asked))
    listed = [scrap.id for scraps in small.values() for scrap in scraps]
    if listed:
        more = f" and {len(listed) - 5} more" if len(listed) > 5 else ""
        remarks.append(f"Too small for every die that needs its paper: {', '.join(listed[:5])}{more}.")
    return remarks


def _told(holding: Holding, scraps: Sequence[Scrap], *, bare: bool) -> tuple[str, str]:
    """(what, mend) for scraps that hold none of their paper's dies. ``bare``: their sizes have no unit."""
    misfit = holding.misfit(scraps)
    edge_mm = holding.batch.hand.edge_mm
    left, top, right, low = misfit.die.cut.bounds
    needs = format_pair(right - left + 2 * edge_mm, low - top + 2 * edge_mm)
    size = _size(misfit.scrap.outline)
    lack_mm = math.ceil(misfit.lack_mm * 10 - 1e-6) / 10
    what = (
        ("its only scrap holds" if len(scraps) == 1 else f"none of its {len(scraps):,} scraps holds")
        + f" a die that must cut it: {misfit.die.name} needs {needs}, including an edge of {format_length(edge_mm)} "
        f"all round, and the best scrap is {size}"
        + (f", too small by {format_length(lack_mm)} at least" if lack_mm > 0 else "")
    )
    if len(scraps) == 1:
        what = what.replace("holds a die", "holds no die", 1)
    small = max(max(scrap.outline.bounds) for scrap in scraps) < LIKE_INCHES_MM
    if bare and small and holding.would_hold(scraps, factor=_INCH_MM):
        return what, (
            f'the size is read as {size}; if it is in inches, write units = "in" at the top of the batch file, '
            'or the unit after each size: "4 in"'
        )
    if holding.would_hold(scraps, edge_mm=0.0):
        return what, "use a smaller edge ([hand] edge), larger scraps or a smaller die"
    return what, "use larger scraps or a smaller die, allow other turns, or cut it from another paper"


def _like_inches(asked: Sequence[AskedScrap]) -> Iterable[str]:
    """A remark for each file all of whose bare sizes are smaller, as millimetres, than paper that people keep."""
    sides: dict[str, list[tuple[float, float]]] = {}
    for one in asked:
        if one.bare:
            sides.setdefault(one.at.file or "", []).append(one.sides_mm)
    for file, found in sides.items():
        if max(max(pair) for pair in found) < LIKE_INCHES_MM:
            more = f", and {len(found) - 1} more" if len(found) > 1 else ""
            yield (
                f"{file}: a size without a unit is read as {format_pair(*found[0])}{more}; if it is in inches, write "
                'units = "in" at the top of the batch file.'
            )


def _size(outline: Polygon) -> str:
    left, top, right, low = outline.bounds
    return format_pair(right - left, low - top)
