"""The plan as flat tables: one row per paper of a pass and one per cut, so that measuring can go in bulk.

While the tables are filled, everything that is referred to is looked up; rows that refer to something
unknown are reported and left out.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.batch.model import Die, Paper
from nestcut.checks.measures.measure import Floats, place_many, turn_matrices
from nestcut.checks.measures.report import Notebook
from nestcut.plans.model import Layup, Pass, Plan

__all__ = ["CutRow", "PaperPiece", "PaperRow", "PassTable", "PlacedLayup", "build_table"]


@dataclass(frozen=True, slots=True)
class PaperPiece:
    """A scrap or a part of one: what can lie in a pass."""

    id: str
    paper: Paper
    outline: Polygon
    trimmed: bool
    """True when it was cut into parts and is no more."""


@dataclass(frozen=True, slots=True)
class PlacedLayup:
    """A lay-up with its shapes in the plate's frame."""

    layup: Layup
    dies: tuple[Die, ...]
    cuts: tuple[BaseGeometry, ...]
    rims: tuple[BaseGeometry, ...]


@dataclass(frozen=True, slots=True)
class PaperRow:
    """A paper lying in a pass."""

    a_pass: int
    """Index of the pass in the plan."""
    sheet: PaperPiece
    pose: tuple[float, float, float]
    flipped: bool


@dataclass(frozen=True, slots=True)
class CutRow:
    """A cut made in a pass."""

    a_pass: int
    layup: PlacedLayup
    slot: int
    paper: int
    """Index of the paper row that it cuts."""

    @property
    def die(self) -> Die:
        return self.layup.dies[self.slot]


@dataclass(slots=True)
class PassTable:
    """All rows, in the order of the passes."""

    dies: dict[str, Die]
    papers: dict[str, Paper]
    sheets: dict[str, PaperPiece]
    layups: dict[str, PlacedLayup]
    paper_rows: list[PaperRow] = field(default_factory=list)
    cut_rows: list[CutRow] = field(default_factory=list)
    first_paper: list[int] = field(default_factory=lambda: [0])
    """Paper rows of pass i are first_paper[i] … first_paper[i + 1]."""
    first_cut: list[int] = field(default_factory=lambda: [0])

    def paper_maps(self, start: int, stop: int) -> tuple[Floats, Floats]:
        """Affine maps scrap → plate of some paper rows: linear (n, 2, 2) and shift (n, 2)."""
        rows = self.paper_rows[start:stop]
        poses = np.array([row.pose for row in rows], dtype=float).reshape(-1, 3)
        linear = turn_matrices(poses[:, 2])
        # Flipping comes first, in the scrap's own frame: x → −x.
        linear[:, :, 0] *= np.where([row.flipped for row in rows], -1.0, 1.0)[:, None]
        return linear, poses[:, :2]

    def cut_maps(self) -> tuple[Floats, Floats, Floats]:
        """Affine maps die → scrap of all cuts, linear (n, 2, 2) and shift (n, 2), and the turns in degrees."""
        papers_linear, papers_shift = self.paper_maps(0, len(self.paper_rows))
        paper = np.array([row.paper for row in self.cut_rows], dtype=int)
        slots = [row.layup.layup.slots[row.slot].pose for row in self.cut_rows]
        poses = np.array([(pose.x_mm, pose.y_mm, pose.deg) for pose in slots], dtype=float).reshape(-1, 3)
        back = np.swapaxes(papers_linear[paper], 1, 2)  # a turn, mirrored or not, is undone by its transpose
        linear = np.einsum("nij,njk->nik", back, turn_matrices(poses[:, 2]))
        shift = np.einsum("nij,nj->ni", back, poses[:, :2] - papers_shift[paper])
        turns = poses[:, 2] - np.array([self.paper_rows[row.paper].pose[2] for row in self.cut_rows])
        return linear, shift, turns


def build_table(plan: Plan, notes: Notebook) -> PassTable:
    """Rules ``unknown``, ``numbering``, ``empty-pass``, ``slot-twice``, ``scrap-twice``, ``scrap-trimmed``,
    ``absent-scrap`` on the way."""
    dies = {die.name: die for die in plan.dies}
    papers = {paper.name: paper for paper in plan.papers}
    table = PassTable(dies, papers, _sheets(plan, papers, notes), {})
    for layup in plan.layups:
        placed = _place_layup(layup, dies, notes)
        if placed is not None:
            table.layups[layup.id] = placed
    for index, a_pass in enumerate(plan.passes):
        if a_pass.number != index + 1:
            notes.fault(
                "numbering",
                f"the {index + 1}th pass has the number {a_pass.number}",
                pass_number=a_pass.number,
            )
        _add_pass(table, index, a_pass, notes)
        table.first_paper.append(len(table.paper_rows))
        table.first_cut.append(len(table.cut_rows))
    notes.count("passes", len(plan.passes))
    notes.count("cuts", len(table.cut_rows))
    notes.count("papers laid", len(table.paper_rows))
    return table


def _sheets(plan: Plan, papers: dict[str, Paper], notes: Notebook) -> dict[str, PaperPiece]:
    trimmed = {trim.scrap for trim in plan.trims}
    sheets: dict[str, PaperPiece] = {}
    for scrap in plan.scraps:
        if scrap.paper not in papers:
            notes.fault("unknown", f"scrap {scrap.id} is of an unknown paper {scrap.paper}", scrap=scrap.id)
            continue
        sheets[scrap.id] = PaperPiece(scrap.id, papers[scrap.paper], scrap.outline, scrap.id in trimmed)
    for trim in plan.trims:
        # In order: a part can be trimmed again, but not before it is there.
        source = sheets.get(trim.scrap)
        if source is None:
            notes.fault("unknown", f"scrap {trim.scrap} is trimmed, but is not there", scrap=trim.scrap)
            continue
        for part_id, outline in trim.into:
            sheets[part_id] = PaperPiece(part_id, source.paper, outline, part_id in trimmed)
    return sheets


def _place_layup(layup: Layup, dies: dict[str, Die], notes: Notebook) -> PlacedLayup | None:
    unknown = [slot.die for slot in layup.slots if slot.die not in dies]
    for name in unknown:
        notes.fault("unknown", f"there is no die {name}", layup=layup.id, die=name)
    if unknown:
        return None
    linear = turn_matrices(np.array([slot.pose.deg for slot in layup.slots], dtype=float))
    shift = np.array([(slot.pose.x_mm, slot.pose.y_mm) for slot in layup.slots], dtype=float).reshape(-1, 2)
    used = tuple(dies[slot.die] for slot in layup.slots)
    cuts = place_many(np.array([die.cut for die in used], dtype=object), linear, shift)
    rims = place_many(np.array([die.rim for die in used], dtype=object), linear, shift)
    return PlacedLayup(layup, used, tuple(cuts), tuple(rims))


def _add_pass(table: PassTable, index: int, a_pass: Pass, notes: Notebook) -> None:
    lying = _add_papers(table, index, a_pass, notes)
    layup = table.layups.get(a_pass.layup)
    if layup is None:
        notes.fault(
            "unknown",
            f"there is no lay-up {a_pass.layup}, or its dies are unknown",
            pass_number=a_pass.number,
            layup=a_pass.layup,
        )
        return
    if not a_pass.cuts:
        notes.fault("empty-pass", "nothing is cut", pass_number=a_pass.number, layup=a_pass.layup)
    _add_cuts(table, index, a_pass, layup, lying, notes)


def _add_papers(table: PassTable, index: int, a_pass: Pass, notes: Notebook) -> dict[str, int]:
    """The papers of a pass; returns scrap → number of its row."""
    number = a_pass.number
    lying: dict[str, int] = {}
    for paper in a_pass.papers:
        sheet = table.sheets.get(paper.scrap)
        if sheet is None:
            notes.fault("unknown", f"there is no scrap {paper.scrap}", pass_number=number, scrap=paper.scrap)
            continue
        if sheet.trimmed:
            notes.fault(
                "scrap-trimmed",
                f"scrap {paper.scrap} was cut into parts and is no more; use its parts",
                pass_number=number,
                scrap=paper.scrap,
            )
        if paper.scrap in lying:
            notes.fault(
                "scrap-twice",
                f"scrap {paper.scrap} lies in two places at once",
                pass_number=number,
                scrap=paper.scrap,
            )
        lying.setdefault(paper.scrap, len(table.paper_rows))
        pose = (paper.pose.x_mm, paper.pose.y_mm, paper.pose.deg)
        table.paper_rows.append(PaperRow(index, sheet, pose, bool(paper.flipped)))
    return lying


def _add_cuts(
    table: PassTable, index: int, a_pass: Pass, layup: PlacedLayup, lying: dict[str, int], notes: Notebook
) -> None:
    number = a_pass.number
    down: set[int] = set()
    for cut in a_pass.cuts:
        if not 0 <= cut.slot < len(layup.dies):
            notes.fault(
                "unknown",
                f"lay-up {a_pass.layup} has no slot {cut.slot}",
                pass_number=number,
                layup=a_pass.layup,
            )
            continue
        die = layup.dies[cut.slot].name
        if cut.slot in down:
            notes.fault(
                "slot-twice",
                f"the {die} die in slot {cut.slot} cuts twice in one pass",
                pass_number=number,
                layup=a_pass.layup,
                die=die,
                scrap=cut.scrap,
            )
        down.add(cut.slot)
        if cut.scrap not in lying:
            notes.fault(
                "absent-scrap",
                f"the {die} die is to cut scrap {cut.scrap}, which does not lie in this pass",
                pass_number=number,
                layup=a_pass.layup,
                die=die,
                scrap=cut.scrap,
            )
            continue
        table.cut_rows.append(CutRow(index, layup, int(cut.slot), lying[cut.scrap]))
