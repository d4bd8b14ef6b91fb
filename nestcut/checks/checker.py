"""The whole check, in order: values, tables, lay-ups, trims, papers, cuts, sums, pick list."""

from __future__ import annotations

from os import PathLike

import numpy as np
import shapely

from nestcut.checks.measures.report import Notebook, Report
from nestcut.checks.measures.size import check_size
from nestcut.checks.measures.table import build_table
from nestcut.checks.rules.counting import check_counts
from nestcut.checks.rules.cuts import check_cuts
from nestcut.checks.rules.going_on import check_going_on
from nestcut.checks.rules.kits import check_packing
from nestcut.checks.rules.layups import check_layups
from nestcut.checks.rules.papers import check_papers
from nestcut.checks.rules.trimming import check_trims
from nestcut.checks.rules.values import check_values
from nestcut.plans.model import Plan

__all__ = ["check_file", "check_plan"]


def check_plan(plan: Plan) -> Report:
    """Go through every rule of the game for a finished plan and name each one that is broken.

    Shares no code with the planner beyond the plan's own values and shapely. Distances are in mm and hold
    within 1e-6 mm. If numbers, shapes or names are broken, or the plan is beyond all size, nothing further is measured.
    """
    # Shapes with corners on top of each other raise the processor's flags in the library; the results are looked at.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        notes = Notebook()
        try:
            return _checked(plan, notes)
        except shapely.errors.GEOSException as err:
            # Sound shapes can turn unsound by the rounding of a turn. What can't be measured is not let through.
            notes.fault("shape", f"shapes of the plan can't be measured ({str(err)[:120]})")
            return notes.report()


def _checked(plan: Plan, notes: Notebook) -> Report:
    check_values(plan, notes)
    if not notes.clean:
        return notes.report()
    table = build_table(plan, notes)
    check_size(plan, table, notes)
    if "size" in notes.report().rules:
        return notes.report()
    check_layups(plan, table, notes)
    check_trims(plan, table, notes)
    check_papers(plan, table, notes)
    check_cuts(plan, table, notes)
    check_going_on(plan, table, notes)
    check_counts(plan, table, notes)
    check_packing(plan, notes)
    return notes.report()


def check_file(path: str | PathLike[str]) -> Report:
    """Check a plan.json from the file alone.

    Raises: PlanError when the file can't be read as a plan at all.
    """
    from nestcut.plans import read_plan  # reading pulls in the JSON machinery; values alone do not need it

    return check_plan(read_plan(path))
