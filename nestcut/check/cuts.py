"""What happens to each scrap over the whole evening: edge, web, turns, and what is left.

Cuts are brought into the scrap's own frame. A flipped scrap is seen from its other side: its frame is
mirrored (x → −x), so the outline lands mirrored in the scrap's frame, and distances are measured there all
the same. Its turn is measured as the person sees it, on the side that is up: flipping about the upright
axis leaves "up the page" where it was, so the turn is the die's degrees less the paper's degrees, flipped
or not.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

import numpy as np
import shapely

from nestcut.check.measure import Floats, Geometries, clearance, filled, place_many, sticking_out
from nestcut.check.report import TOLERANCE_MM, Notebook, mm
from nestcut.check.table import CutRow, Sheet, Table
from nestcut.plan.model import Plan, Remnant

__all__ = ["check_cuts"]

TURN_TOLERANCE_DEG = 0.5
REMNANT_TOLERANCE_MM = 2e-6
"""Remnants are compared by area: they may differ by a band this wide along their outline."""


def check_cuts(plan: Plan, table: Table, notes: Notebook) -> None:
    """Rules ``edge``, ``web``, ``turn``, ``direction`` and ``remnant``."""
    by_sheet: dict[str, list[CutRow]] = defaultdict(list)
    for row in table.cut_rows:
        by_sheet[table.paper_rows[row.paper].sheet.id].append(row)
    remnants = _remnants_by_sheet(plan, table, notes)
    for sheet_id, rows in by_sheet.items():
        _Sheet(plan, table, notes, table.sheets[sheet_id], rows).check(remnants.get(sheet_id))
    for sheet_id, remnant in remnants.items():
        if sheet_id not in by_sheet:
            _compare_remnant(table.sheets[sheet_id].outline, remnant, sheet_id, notes)


def _remnants_by_sheet(plan: Plan, table: Table, notes: Notebook) -> Mapping[str, Remnant]:
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


class _Sheet:
    """One scrap with all its cuts, in its own frame."""

    def __init__(self, plan: Plan, table: Table, notes: Notebook, sheet: Sheet, rows: list[CutRow]) -> None:
        self.plan, self.table, self.notes, self.sheet = plan, table, notes, sheet
        self.rows = rows
        self.turns = np.array(
            [row.layup.layup.slots[row.slot].pose.deg - table.paper_rows[row.paper].pose[2] for row in rows]
        )
        self.linear, self.shift = self._maps()
        self.cuts = self._in_frame({die.name: die.cut for die in plan.dies})
        self.holes = self._in_frame({die.name: filled(die.cut) for die in plan.dies})

    def _maps(self) -> tuple[Floats, Floats]:
        """Affine maps die → scrap: the paper's map undone after the slot's."""
        paper_linear, paper_shift = self.table.paper_maps(row.paper for row in self.rows)
        die_linear = np.array([row.layup.linear[row.slot] for row in self.rows])
        die_shift = np.array([row.layup.shift[row.slot] for row in self.rows])
        back = np.swapaxes(paper_linear, 1, 2)  # a turn, mirrored or not, is undone by its transpose
        linear = np.einsum("nij,njk->nik", back, die_linear)
        return linear, np.einsum("nij,nj->ni", back, die_shift - paper_shift)

    def _in_frame(self, shapes: Mapping[str, shapely.Geometry]) -> Geometries:
        placed = np.empty(len(self.rows), dtype=object)
        by_die: dict[str, list[int]] = defaultdict(list)
        for index, row in enumerate(self.rows):
            by_die[row.die.name].append(index)
        for name, chosen in by_die.items():
            placed[chosen] = place_many(shapes[name], self.linear[chosen], self.shift[chosen])
        return placed

    def check(self, remnant: Remnant | None) -> None:
        self._edges()
        self._webs()
        self._turns()
        left = shapely.difference(self.sheet.outline, shapely.union_all(self.holes))
        if remnant is not None:
            _compare_remnant(left, remnant, self.sheet.id, self.notes)
        elif left.area > REMNANT_TOLERANCE_MM * self.sheet.outline.length:
            self.notes.fault(
                "remnant", f"scrap {self.sheet.id} is used, but has no remnant", scrap=self.sheet.id
            )

    def _place_of(self, index: int) -> dict[str, object]:
        row = self.rows[index]
        return {
            "pass_number": self.plan.passes[row.a_pass].number,
            "layup": row.layup.layup.id,
            "die": row.die.name,
            "scrap": self.sheet.id,
        }

    def _edges(self) -> None:
        edge = self.plan.hand.edge_mm
        outline = self.sheet.outline
        boundary = outline.boundary
        shapely.prepare(outline)
        shapely.prepare(boundary)
        doubtful = ~shapely.covers(outline, self.cuts) | shapely.dwithin(
            boundary, self.cuts, max(edge - TOLERANCE_MM, 0.0)
        )
        self.notes.count("cuts against edges", len(self.rows))
        for index in np.flatnonzero(doubtful).tolist():
            if self.notes.full("edge"):
                return
            cut = self.cuts[index]
            if outline.covers(cut):
                kept = float(shapely.distance(cut, boundary))
            else:
                kept = -sticking_out(cut, outline)
            if kept < edge - TOLERANCE_MM:
                how = f"comes within {mm(kept)} mm of" if kept >= 0 else f"reaches {mm(-kept)} mm over"
                self.notes.fault(
                    "edge",
                    f"the {self.rows[index].die.name} cut {how} the edge of scrap {self.sheet.id}; "
                    f"{mm(edge)} mm must stay",
                    **self._place_of(index),
                    measured_mm=kept,
                    allowed_mm=edge,
                )

    def _webs(self) -> None:
        web = self.plan.hand.web_mm
        count = len(self.rows)
        self.notes.count("cut pairs in one scrap", count * (count - 1) // 2)
        # Filled cuts are never farther apart than the cuts themselves: no pair is missed.
        tree = shapely.STRtree(self.holes)
        near = tree.query(self.holes, predicate="dwithin", distance=max(web - TOLERANCE_MM, 0.0))
        for i, j in near.T.tolist():
            if i >= j:
                continue
            if self.notes.full("web"):
                return
            same_pass = self.rows[i].a_pass == self.rows[j].a_pass
            shapes = self.cuts if same_pass else self.holes
            kept = clearance(shapes[i], shapes[j])
            if kept < web - TOLERANCE_MM:
                other = self.rows[i]
                when = "of the same pass" if same_pass else f"of pass {self.plan.passes[other.a_pass].number}"
                how = f"is {mm(kept)} mm from" if kept > 0 else f"cuts {mm(-kept)} mm into"
                self.notes.fault(
                    "web",
                    f"the {self.rows[j].die.name} cut {how} the {other.die.name} cut {when} "
                    f"in scrap {self.sheet.id}; {mm(web)} mm of paper must stay",
                    **self._place_of(j),
                    measured_mm=kept,
                    allowed_mm=web,
                )

    def _turns(self) -> None:
        direction = {"none": None, "stripe": (0.0, 180.0), "up": (0.0,)}[self.sheet.paper.direction]
        for index, row in enumerate(self.rows):
            turn = float(self.turns[index])
            if row.die.turns != "any" and not _is_one_of(turn, row.die.turns):
                listed = ", ".join(f"{degrees:.6g}°" for degrees in row.die.turns)
                self.notes.fault(
                    "turn",
                    f"the {row.die.name} die is turned by {turn % 360:.9g}° on scrap {self.sheet.id}; "
                    f"allowed: {listed}",
                    **self._place_of(index),
                )
            if direction is not None and not _is_one_of(turn, direction):
                self.notes.fault(
                    "direction",
                    f"the {row.die.name} die is turned by {turn % 360:.9g}° on scrap {self.sheet.id}, "
                    f"whose paper {self.sheet.paper.name} has a direction "
                    f"({self.sheet.paper.direction})",
                    **self._place_of(index),
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
