"""What lies on the plate in each pass: papers square, inside, not under metal twice, and out of others' way.

Papers are taken with their whole outlines, as they came from the box or the trimmer: a hole made in an
earlier pass does not excuse a cut that comes down on another paper.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray

from nestcut.checks.measures.measure import Geometries, overlap_depth, place_many, polygons_in
from nestcut.checks.measures.report import TOLERANCE_MM, Notebook, mm
from nestcut.checks.measures.size import MOST_CORNERS_AT_ONCE
from nestcut.checks.measures.table import PassTable
from nestcut.plans.model import Plan

__all__ = ["check_papers"]

BLOCK = 500
"""Passes measured at a time: keeps the memory small."""
BLOCK_PAIRS = 500_000
"""Pairs of papers at a time, about."""


def check_papers(plan: Plan, table: PassTable, notes: Notebook) -> None:
    """Rules ``flipped``, ``square``, ``sideways``, ``overhang``, ``metal-on-overlap``, ``other-paper``."""
    for start, stop in _blocks(table, len(plan.passes)):
        _PassRange(plan, table, notes, start, stop).check()


def _blocks(table: PassTable, passes: int) -> Iterator[tuple[int, int]]:
    """(first pass, the one after the last) of blocks with not too many passes, pairs and corners."""
    start = pairs = corners = 0
    for index in range(passes):
        rows = table.paper_rows[table.first_paper[index] : table.first_paper[index + 1]]
        pairs += len(rows) * (len(rows) + table.first_cut[index + 1] - table.first_cut[index])
        corners += sum(int(shapely.get_num_coordinates(row.sheet.outline)) for row in rows)
        if index + 1 - start >= BLOCK or pairs >= BLOCK_PAIRS or corners >= MOST_CORNERS_AT_ONCE:
            yield start, index + 1
            start, pairs, corners = index + 1, 0, 0
    if start < passes:
        yield start, passes


class _PassRange:
    """Some consecutive passes with their papers in the plate's frame."""

    def __init__(self, plan: Plan, table: PassTable, notes: Notebook, start: int, stop: int) -> None:
        self.plan, self.table, self.notes = plan, table, notes
        self.passes = range(start, stop)
        self.rows = range(table.first_paper[start], table.first_paper[stop])
        self.offset = self.rows.start
        self.placed = self._place()
        self.bounds = shapely.bounds(self.placed).reshape(-1, 4)

    def _place(self) -> Geometries:
        rows = self.table.paper_rows[self.rows.start : self.rows.stop]
        outlines = np.array([row.sheet.outline for row in rows], dtype=object)
        return place_many(outlines, *self.table.paper_maps(self.rows.start, self.rows.stop))

    def check(self) -> None:
        if len(self.rows):
            self._alone()
            self._metal_on_overlap()
            self._other_papers()

    def _alone(self) -> None:
        width, length = self.plan.machine.plate_mm
        overhang = self.plan.machine.overhang_mm
        square = self.plan.hand.papers == "square"
        for row, (left, top, right, bottom) in zip(self.rows, self.bounds.tolist(), strict=True):
            paper = self.table.paper_rows[row]
            name = paper.sheet.id
            number = self.plan.passes[paper.a_pass].number
            if paper.flipped and not paper.sheet.paper.both_sides:
                self.notes.fault(
                    "flipped",
                    f"scrap {name} lies on its good side, but {paper.sheet.paper.name} has only one",
                    pass_number=number,
                    scrap=name,
                )
            if square:
                degrees = paper.pose[2]
                off_turn = abs(degrees - 90.0 * round(degrees / 90.0))
                off_grid = max(abs(left - round(left)), abs(top - round(top)))
                if off_turn > TOLERANCE_MM or off_grid > TOLERANCE_MM:
                    what = f"turned by {degrees:.9g}°" if off_turn > TOLERANCE_MM else "off the millimetres"
                    self.notes.fault(
                        "square",
                        f"scrap {name} lies {what}; its left upper corner is at ({left:.6f}, {top:.6f})",
                        pass_number=number,
                        scrap=name,
                        measured_mm=off_grid,
                        allowed_mm=0.0,
                    )
            for rule, beyond, where in (
                ("sideways", max(-left, right - width), "sideways"),
                ("overhang", max(-top, bottom - length) - overhang, "at the end, beyond the overhang,"),
            ):
                if beyond > TOLERANCE_MM:
                    self.notes.fault(
                        rule,
                        f"scrap {name} sticks out {where} by {mm(beyond)} mm",
                        pass_number=number,
                        scrap=name,
                        measured_mm=beyond,
                        allowed_mm=0.0,
                    )

    def _boxes_meet(self, a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.bool_]:
        meet: NDArray[np.bool_] = np.logical_and.reduce(
            [*(a[:, :2] <= b[:, 2:]).T, *(b[:, :2] <= a[:, 2:]).T]
        )
        return meet

    def _metal_on_overlap(self) -> None:
        first = self.table.first_paper
        pairs = [pair for i in self.passes for pair in combinations(range(first[i], first[i + 1]), 2)]
        self.notes.count("paper pairs", len(pairs))
        if not pairs:
            return
        down = self._down_boxes()
        for start in range(0, len(pairs), 20_000):
            if self.notes.full("metal-on-overlap"):
                return
            a, b = np.array(pairs[start : start + 20_000]).T - self.offset
            # Only where the pair's boxes share something with the box around the rims that are down.
            low = np.maximum(self.bounds[a, :2], self.bounds[b, :2])
            high = np.minimum(self.bounds[a, 2:], self.bounds[b, 2:])
            meet = (low <= high).all(axis=1) & self._boxes_meet(np.hstack([low, high]), down[a])
            a, b = a[meet], b[meet]
            meet = shapely.intersects(self.placed[a], self.placed[b])
            a, b = a[meet], b[meet]
            overlaps = shapely.intersection(self.placed[a], self.placed[b])
            real = shapely.area(overlaps) > 0.0
            for i, j, overlap in zip(a[real], b[real], overlaps[real], strict=True):
                self._rims_over(int(i) + self.offset, int(j) + self.offset, overlap)

    def _down_boxes(self) -> NDArray[np.float64]:
        """For each paper row of the block, the box around the rims that are down in its pass (nowhere: no rim)."""
        boxes = np.tile([np.inf, np.inf, -np.inf, -np.inf], (len(self.rows), 1))
        for i in self.passes:
            rows = self.table.cut_rows[self.table.first_cut[i] : self.table.first_cut[i + 1]]
            if rows:
                box = shapely.total_bounds([row.layup.rims[row.slot] for row in rows])
                boxes[
                    self.table.first_paper[i] - self.offset : self.table.first_paper[i + 1] - self.offset
                ] = box
        return boxes

    def _rims_over(self, i: int, j: int, overlap: shapely.Geometry) -> None:
        """The rims of dies that are down keep off the overlap of papers i and j."""
        if self.notes.full("metal-on-overlap"):
            return
        a_pass = self.table.paper_rows[i].a_pass
        edges = (self.placed[i - self.offset].boundary, self.placed[j - self.offset].boundary)
        # Papers side by side overlap by rounding errors: only what is deeper than the tolerance counts.
        thick = [part for part in polygons_in(overlap) if _depth_under(part, edges) > TOLERANCE_MM]
        for row in self.table.cut_rows[self.table.first_cut[a_pass] : self.table.first_cut[a_pass + 1]]:
            rim = row.layup.rims[row.slot]
            if not rim.intersects(overlap):
                continue
            depth = max((overlap_depth(rim, part) for part in thick), default=0.0)
            if depth > TOLERANCE_MM:
                names = [self.table.paper_rows[k].sheet.id for k in (i, j)]
                self.notes.fault(
                    "metal-on-overlap",
                    f"the rim of the {row.die.name} die lies {mm(depth)} mm over scraps "
                    f"{names[0]} and {names[1]}, where they overlap",
                    pass_number=self.plan.passes[a_pass].number,
                    layup=row.layup.layup.id,
                    die=row.die.name,
                    scrap=names[0],
                    measured_mm=depth,
                    allowed_mm=0.0,
                )

    def _other_papers(self) -> None:
        pairs = []
        for i in self.passes:
            papers = range(self.table.first_paper[i], self.table.first_paper[i + 1])
            for cut in range(self.table.first_cut[i], self.table.first_cut[i + 1]):
                own = self.table.cut_rows[cut].paper
                pairs += [(cut, paper) for paper in papers if paper != own]
        self.notes.count("cuts against other papers", len(pairs))
        if not pairs:
            return
        cut, paper = np.array(pairs).T
        rows = self.table.cut_rows
        shapes = np.array([rows[k].layup.cuts[rows[k].slot] for k in cut.tolist()], dtype=object)
        meet = self._boxes_meet(shapely.bounds(shapes), self.bounds[paper - self.offset])
        cut, paper, shapes = cut[meet], paper[meet], shapes[meet]
        meet = shapely.intersects(self.placed[paper - self.offset], shapes)
        for k, p, shape in zip(cut[meet].tolist(), paper[meet].tolist(), shapes[meet], strict=True):
            if self.notes.full("other-paper"):
                return
            depth = overlap_depth(shape, self.placed[p - self.offset])
            if depth > TOLERANCE_MM:
                row, other = rows[k], self.table.paper_rows[p].sheet.id
                own = self.table.paper_rows[row.paper].sheet.id
                self.notes.fault(
                    "other-paper",
                    f"the {row.die.name} die cuts scrap {own} and comes down on scrap {other}, too, "
                    f"by {mm(depth)} mm",
                    pass_number=self.plan.passes[row.a_pass].number,
                    layup=row.layup.layup.id,
                    die=row.die.name,
                    scrap=other,
                    measured_mm=depth,
                    allowed_mm=0.0,
                )


def _depth_under(part: shapely.Polygon, edges: tuple[shapely.Geometry, shapely.Geometry]) -> float:
    """How deep the overlap ``part`` of two papers reaches into the one or the other."""
    if not part.buffer(-TOLERANCE_MM).is_empty:
        return 2 * TOLERANCE_MM
    corners = shapely.points(shapely.get_coordinates(part))
    return max(float(shapely.distance(corners, edge).max()) for edge in edges)
