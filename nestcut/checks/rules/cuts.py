"""What happens to each scrap over the whole evening: edge, web, turns, and what is left.

Cuts are brought into the scrap's own frame. A flipped scrap is seen from its other side: its frame is
mirrored (x → −x), so the outline lands mirrored in the scrap's frame, and distances are measured there all
the same. Its turn is measured as the person sees it, on the side that is up: flipping about the upright
axis leaves "up the page" where it was, so the turn is the die's degrees less the paper's degrees, flipped
or not.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from nestcut.batch.model import Die
from nestcut.checks.measures.measure import (
    Geometries,
    clearance,
    filled,
    near_pairs,
    place_many,
    polygons_in,
    sticking_out,
)
from nestcut.checks.measures.report import TOLERANCE_MM, Notebook, mm
from nestcut.checks.measures.size import MOST_CORNERS_AT_ONCE
from nestcut.checks.measures.table import PaperPiece, PassTable
from nestcut.plans.model import Plan, Remnant

__all__ = ["check_cuts"]

TURN_TOLERANCE_DEG = 0.5
"""Turn rules hold within half a degree (docs/plan-json.md)."""
REMNANT_TOLERANCE_MM = 2e-6
"""Remnants are compared by area: they may differ by a band this wide along their outline."""
BATCH = 4000
"""Cuts measured at a time: keeps the memory small."""


def check_cuts(plan: Plan, table: PassTable, notes: Notebook) -> None:
    """Rules ``edge``, ``web``, ``turn``, ``direction`` and ``remnant``."""
    by_sheet: dict[str, list[int]] = defaultdict(list)
    for index, row in enumerate(table.cut_rows):
        by_sheet[table.paper_rows[row.paper].sheet.id].append(index)
    remnants = _remnants_by_sheet(plan, table, notes)
    linear, shift, turns = table.cut_maps()
    holes = {die.name: filled(die.cut) for die in plan.dies}
    corners = {die.name: int(shapely.get_num_coordinates(die.cut)) for die in plan.dies}
    sizes = {
        sheet: sum(corners[table.cut_rows[row].die.name] for row in rows) for sheet, rows in by_sheet.items()
    }
    for sheets in _batches(by_sheet, sizes):
        rows = np.concatenate([by_sheet[sheet] for sheet in sheets])
        dies = [table.cut_rows[row].die for row in rows]
        batch = _CutScraps(
            plan=plan,
            table=table,
            notes=notes,
            sheets=[table.sheets[sheet] for sheet in sheets],
            first=np.cumsum([0, *(len(by_sheet[sheet]) for sheet in sheets)]),
            rows=rows,
            turns=turns[rows],
            cuts=place_many(np.array([die.cut for die in dies], dtype=object), linear[rows], shift[rows]),
            holes=place_many(
                np.array([holes[die.name] for die in dies], dtype=object), linear[rows], shift[rows]
            ),
        )
        batch.check(remnants)
    for sheet_id, remnant in remnants.items():
        if sheet_id not in by_sheet:
            _compare_remnant(table.sheets[sheet_id].outline, remnant, sheet_id, notes)


def _batches(by_sheet: Mapping[str, Sequence[int]], corners: Mapping[str, int]) -> Iterator[list[str]]:
    """The scraps in groups of about BATCH cuts, or fewer where the cuts have very many corners."""
    batch: list[str] = []
    size = at_once = 0
    for sheet, rows in by_sheet.items():
        batch.append(sheet)
        size += len(rows)
        at_once += corners[sheet]
        if size >= BATCH or at_once >= MOST_CORNERS_AT_ONCE:
            yield batch
            batch, size, at_once = [], 0, 0
    if batch:
        yield batch


def _remnants_by_sheet(plan: Plan, table: PassTable, notes: Notebook) -> Mapping[str, Remnant]:
    remnants: dict[str, Remnant] = {}
    for remnant in plan.remnants:
        sheet = table.sheets.get(remnant.scrap)
        if sheet is None:
            notes.fault(
                "remnant", f"a remnant of scrap {remnant.scrap}, which is not there", scrap=remnant.scrap
            )
        elif sheet.trimmed:
            notes.fault(
                "remnant",
                f"a remnant of scrap {remnant.scrap}, which was cut into parts",
                scrap=remnant.scrap,
            )
        elif remnant.scrap in remnants:
            notes.fault("remnant", f"two remnants of scrap {remnant.scrap}", scrap=remnant.scrap)
        else:
            remnants[remnant.scrap] = remnant
    return remnants


@dataclass(slots=True)
class _CutScraps:
    """Some scraps with all their cuts, in the scraps' own frames. Cuts of scrap k: first[k] … first[k + 1]."""

    plan: Plan
    table: PassTable
    notes: Notebook
    sheets: Sequence[PaperPiece]
    first: NDArray[np.int64]
    rows: NDArray[np.int64]
    turns: NDArray[np.float64]
    cuts: Geometries
    holes: Geometries
    """The cuts filled: what is gone from the paper after the pass."""

    def check(self, remnants: Mapping[str, Remnant]) -> None:
        owner = np.repeat(np.arange(len(self.sheets)), np.diff(self.first))
        broken = self._edges(owner) | self._webs()
        self._turns(owner)
        self._remnants(remnants, broken)

    def _place_of(self, index: int, sheet: PaperPiece) -> dict[str, object]:
        row = self.table.cut_rows[self.rows[index]]
        return {
            "pass_number": self.plan.passes[row.a_pass].number,
            "layup": row.layup.layup.id,
            "die": row.die.name,
            "scrap": sheet.id,
        }

    def _die(self, index: int) -> Die:
        return self.table.cut_rows[self.rows[index]].die

    def _edges(self, owner: NDArray[np.int64]) -> set[int]:
        """The scraps (by number in the batch) with a cut too near their edge."""
        edge = self.plan.hand.edge_mm
        outlines = np.array([sheet.outline for sheet in self.sheets], dtype=object)
        boundaries = shapely.boundary(outlines)
        shapely.prepare(outlines)
        shapely.prepare(boundaries)
        doubtful = ~shapely.covers(outlines[owner], self.cuts) | shapely.dwithin(
            boundaries[owner], self.cuts, max(edge - TOLERANCE_MM, 0.0)
        )
        self.notes.count("cuts against edges", len(self.rows))
        broken = set()
        for index in np.flatnonzero(doubtful).tolist():
            number = int(owner[index])
            cut, outline = self.cuts[index], outlines[number]
            if self.notes.full("edge"):
                return set(owner.tolist())
            if outline.covers(cut):
                kept = float(shapely.distance(cut, boundaries[number]))
            else:
                kept = -sticking_out(cut, outline)
            if not kept >= edge - TOLERANCE_MM:  # a distance that is no number is a fault, too
                broken.add(number)
                sheet = self.sheets[number]
                how = f"comes within {mm(kept)} mm of" if kept >= 0 else f"reaches {mm(-kept)} mm over"
                self.notes.fault(
                    "edge",
                    f"the {self._die(index).name} cut {how} the edge of scrap {sheet.id}; "
                    f"{mm(edge)} mm must stay",
                    **self._place_of(index, sheet),
                    measured_mm=kept,
                    allowed_mm=edge,
                )
        return broken

    def _near_pairs(self) -> Iterator[tuple[int, int, int]]:
        """(scrap, i, j): pairs of cuts of one scrap whose holes may be nearer than the web."""
        # Filled cuts are never farther apart than the cuts themselves: no pair is missed.
        reach = max(self.plan.hand.web_mm - TOLERANCE_MM, 0.0)
        few: list[tuple[int, int, int]] = []
        for number in range(len(self.sheets)):
            start, stop = int(self.first[number]), int(self.first[number + 1])
            self.notes.count("cut pairs in one scrap", (stop - start) * (stop - start - 1) // 2)
            if stop - start <= 24:
                few += [(number, i, j) for i, j in combinations(range(start, stop), 2)]
                continue
            holes = self.holes[start:stop]
            yield from ((number, start + i, start + j) for i, j in near_pairs(holes, reach))
        if few:
            pairs = np.array(few)
            i, j = pairs[:, 1], pairs[:, 2]
            boxes = shapely.bounds(self.holes)
            apart = np.maximum(boxes[i, :2] - boxes[j, 2:], boxes[j, :2] - boxes[i, 2:]).max(axis=1)
            pairs = pairs[apart <= reach]
            near = shapely.dwithin(self.holes[pairs[:, 1]], self.holes[pairs[:, 2]], reach)
            yield from map(tuple, pairs[near].tolist())

    def _webs(self) -> set[int]:
        """The scraps (by number in the batch) with two cuts too near each other."""
        web = self.plan.hand.web_mm
        broken = set()
        for number, i, j in self._near_pairs():
            sheet = self.sheets[number]
            broken.add(number)  # near is enough for what this is used for
            if self.notes.full("web"):
                return set(range(len(self.sheets)))  # which of the rest are broken is not asked any more
            first, second = self.table.cut_rows[self.rows[i]], self.table.cut_rows[self.rows[j]]
            same_pass = first.a_pass == second.a_pass
            shapes = self.cuts if same_pass else self.holes
            kept = clearance(shapes[i], shapes[j])
            if kept < web - TOLERANCE_MM:
                when = "of the same pass" if same_pass else f"of pass {self.plan.passes[first.a_pass].number}"
                how = f"is {mm(kept)} mm from" if kept > 0 else f"cuts {mm(-kept)} mm into"
                self.notes.fault(
                    "web",
                    f"the {second.die.name} cut {how} the {first.die.name} cut {when} "
                    f"in scrap {sheet.id}; {mm(web)} mm of paper must stay",
                    **self._place_of(j, sheet),
                    measured_mm=kept,
                    allowed_mm=web,
                )
        return broken

    def _remnants(self, remnants: Mapping[str, Remnant], broken: set[int]) -> None:
        plain = self._plain_remnants(remnants, broken)
        for number, sheet in enumerate(self.sheets):
            remnant = remnants.get(sheet.id)
            if number in plain:
                self.notes.count("remnants")
                continue
            holes = self.holes[self.first[number] : self.first[number + 1]]
            left = shapely.difference(sheet.outline, shapely.union_all(holes))
            if remnant is not None:
                _compare_remnant(left, remnant, sheet.id, self.notes)
            elif left.area > REMNANT_TOLERANCE_MM * sheet.outline.length:
                self.notes.fault("remnant", f"scrap {sheet.id} is used, but has no remnant", scrap=sheet.id)

    def _plain_remnants(self, remnants: Mapping[str, Remnant], broken: set[int]) -> set[int]:
        """The scraps whose remnant is their outline with just the cuts' holes, corner by corner.

        Where the cuts lie apart and inside, that is all there is to it, and nothing need be subtracted.
        Only a quick yes: a no may come from corners in another order, and then the areas tell.
        """
        if min(self.plan.hand.edge_mm, self.plan.hand.web_mm) <= 10 * TOLERANCE_MM:
            return set()
        numbers, expected = [], []
        for number, sheet in enumerate(self.sheets):
            remnant = remnants.get(sheet.id)
            if number in broken or remnant is None or remnant.outline.geom_type != "Polygon":
                continue
            holes = self.holes[self.first[number] : self.first[number + 1]]
            rings = [part.exterior for hole in holes for part in polygons_in(hole)]
            if len(rings) + len(sheet.outline.interiors) == len(remnant.outline.interiors):
                numbers.append(number)
                expected.append(Polygon(sheet.outline.exterior, [*sheet.outline.interiors, *rings]))
        if not numbers:
            return set()
        left = [remnants[self.sheets[number].id].outline for number in numbers]
        same = shapely.equals_exact(_in_order(expected), _in_order(left), REMNANT_TOLERANCE_MM)
        return {number for number, yes in zip(numbers, same, strict=True) if yes}

    def _turns(self, owner: NDArray[np.int64]) -> None:
        directions = {"none": None, "stripe": (0.0, 180.0), "up": (0.0,)}
        for index, (turn, number) in enumerate(zip(self.turns.tolist(), owner.tolist(), strict=True)):
            die, sheet = self._die(index), self.sheets[number]
            if die.turns != "any" and not _is_one_of(turn, die.turns):
                listed = ", ".join(f"{degrees:.9g}°" for degrees in die.turns)
                self.notes.fault(
                    "turn",
                    f"the {die.name} die is turned by {turn % 360:.9g}° on scrap {sheet.id}; "
                    f"allowed: {listed}",
                    **self._place_of(index, sheet),
                )
            direction = directions[sheet.paper.direction]
            if direction is not None and not _is_one_of(turn, direction):
                self.notes.fault(
                    "direction",
                    f"the {die.name} die is turned by {turn % 360:.9g}° on scrap {sheet.id}, "
                    f"whose paper {sheet.paper.name} has a direction ({sheet.paper.direction})",
                    **self._place_of(index, sheet),
                )


def _is_one_of(turn: float, allowed: tuple[float, ...]) -> bool:
    """Whether a turn is within half a degree of one of the allowed ones, all in degrees."""
    return any(abs((turn - one + 180.0) % 360.0 - 180.0) <= TURN_TOLERANCE_DEG + 1e-9 for one in allowed)


def _compare_remnant(left: shapely.Geometry, remnant: Remnant, sheet_id: str, notes: Notebook) -> None:
    notes.count("remnants")
    apart = shapely.symmetric_difference(left, remnant.outline).area
    if apart > REMNANT_TOLERANCE_MM * (left.length + 1.0):
        notes.fault(
            "remnant",
            f"the remnant of scrap {sheet_id} differs by {apart:.6g} mm² from what the cuts leave",
            scrap=sheet_id,
        )


def _in_order(polygons: Sequence[Polygon]) -> Geometries:
    """Rings and corners in a standard order; rounded first, so that rounding errors do not decide it."""
    rounded = shapely.transform(np.array(polygons, dtype=object), lambda corners: np.round(corners, 6))
    return shapely.normalize(rounded)
