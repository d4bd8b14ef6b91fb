"""How much there is to measure: a plan beyond all use is refused before it eats the evening or the memory.

The limits lie far above the largest honest plan (10,000 passes of 20 papers and 20 cuts have some 50 million
corners and 2 million pairs of papers) and keep the whole check to minutes and to less than 2 GiB.
"""

from __future__ import annotations

from collections import Counter

import shapely

from nestcut.checks.measures.report import Notebook
from nestcut.checks.measures.table import PassTable
from nestcut.plans.model import Plan

__all__ = ["MOST_CORNERS_AT_ONCE", "check_size"]

MOST_PAIRS = 10_000_000
"""Pairs of papers lying in one pass, and of cuts and papers, summed over the passes."""
MOST_SLOTS = 5_000
"""Dies in one lay-up."""
MOST_CORNERS = 200_000_000
"""Corners of all cuts and papers in all passes."""
MOST_CORNERS_OF_A_SCRAP = 20_000_000
"""Corners of all cuts in one scrap: they are measured at once."""
MOST_PARTS = 2_000
"""Parts that one scrap is trimmed into."""
MOST_CORNERS_OF_A_SHAPE = 50_000
"""Corners of one die or scrap: a drawing read by nestcut has some hundreds."""
MOST_PIECES = 1_000
"""Pieces that a die cuts at once."""
MOST_CORNERS_AT_ONCE = 4_000_000
"""Corners that are placed at a time, where they need not be placed together: some 200 MB."""


def check_size(plan: Plan, table: PassTable, notes: Notebook) -> None:
    """Rule ``size``. If it is broken, nothing further may be measured."""

    def want(number: int, most: int, what: str) -> None:
        if number > most:
            notes.fault("size", f"{number:,} {what} are more than can be measured ({most:,})")

    papers = [stop - start for start, stop in zip(table.first_paper, table.first_paper[1:], strict=False)]
    cuts = [stop - start for start, stop in zip(table.first_cut, table.first_cut[1:], strict=False)]
    pairs = sum(n * (n - 1) // 2 + n * m for n, m in zip(papers, cuts, strict=True))
    want(pairs, MOST_PAIRS, "pairs of papers, and of cuts and papers,")
    want(max((len(layup.slots) for layup in plan.layups), default=0), MOST_SLOTS, "dies in one lay-up")
    want(max((len(trim.into) for trim in plan.trims), default=0), MOST_PARTS, "parts of one scrap")
    of_die = {name: int(shapely.get_num_coordinates(die.cut)) for name, die in table.dies.items()}
    of_sheet = {name: int(shapely.get_num_coordinates(sheet.outline)) for name, sheet in table.sheets.items()}
    for die in table.dies.values():
        corners = of_die[die.name] + int(shapely.get_num_coordinates(die.rim))
        want(corners, 2 * MOST_CORNERS_OF_A_SHAPE, f"corners of the {die.name} die")
        want(shapely.get_num_geometries(die.cut), MOST_PIECES, f"pieces of the {die.name} die")
    want(max(of_sheet.values(), default=0), MOST_CORNERS_OF_A_SHAPE, "corners of one scrap")
    in_scrap: Counter[str] = Counter()
    for row in table.cut_rows:
        in_scrap[table.paper_rows[row.paper].sheet.id] += of_die[row.die.name]
    laid = sum(of_sheet[row.sheet.id] for row in table.paper_rows)
    want(laid + sum(in_scrap.values()), MOST_CORNERS, "corners of papers and cuts")
    want(max(in_scrap.values(), default=0), MOST_CORNERS_OF_A_SCRAP, "corners of cuts in one scrap")
