"""Dies and lay-ups: rims contain their cuts, lie in the window, keep the gap; no more copies than owned."""

from __future__ import annotations

from collections import Counter

import numpy as np

from nestcut.checks.measures.measure import clearance, near_pairs, sticking_out
from nestcut.checks.measures.report import TOLERANCE_MM, Notebook, mm
from nestcut.checks.measures.table import PassTable, PlacedLayup
from nestcut.plans.model import Plan

__all__ = ["check_layups"]


def check_layups(plan: Plan, table: PassTable, notes: Notebook) -> None:
    """Rules ``rim``, ``window``, ``rim-gap`` and ``copies``, for every slot, lifted or not."""
    for die in plan.dies:
        beyond = sticking_out(die.cut, die.rim)
        if beyond > TOLERANCE_MM:
            notes.fault(
                "rim",
                f"the {die.name} die cuts {mm(beyond)} mm outside its own rim",
                die=die.name,
                measured_mm=beyond,
                allowed_mm=0.0,
            )
    for placed in table.layups.values():
        notes.count("lay-ups")
        _window(plan, placed, notes)
        _gaps(plan.hand.gap_mm, placed, notes)
        for name, used in Counter(die.name for die in placed.dies).items():
            owned = table.dies[name].copies
            if used > owned:
                notes.fault(
                    "copies",
                    f"{used} {name} dies are laid out, {owned} owned",
                    layup=placed.layup.id,
                    die=name,
                )


def _window(plan: Plan, placed: PlacedLayup, notes: Notebook) -> None:
    width, length = plan.machine.plate_mm
    clear = plan.machine.clear_mm
    for die, rim in zip(placed.dies, placed.rims, strict=True):
        left, top, right, bottom = rim.bounds
        beyond = max(clear - left, clear - top, right - (width - clear), bottom - (length - clear))
        if beyond > TOLERANCE_MM:
            notes.fault(
                "window",
                f"the rim of the {die.name} die reaches {mm(beyond)} mm out of the plate's usable window",
                layup=placed.layup.id,
                die=die.name,
                measured_mm=beyond,
                allowed_mm=0.0,
            )


def _gaps(gap_mm: float, placed: PlacedLayup, notes: Notebook) -> None:
    rims = np.array(placed.rims, dtype=object)
    if len(rims) < 2:
        return
    notes.count("rim pairs", len(rims) * (len(rims) - 1) // 2)
    for i, j in near_pairs(rims, max(gap_mm, 0.0) + 1.0):
        if notes.full("rim-gap"):
            return
        air = clearance(rims[i], rims[j])
        if air < gap_mm - TOLERANCE_MM:
            a, b = placed.dies[i].name, placed.dies[j].name
            how = f"are {mm(air)} mm apart" if air > 0 else f"overlap by {mm(-air)} mm"
            notes.fault(
                "rim-gap",
                f"the rims of the {a} die (slot {i}) and the {b} die (slot {j}) {how}; "
                f"the gap is {mm(gap_mm)} mm",
                layup=placed.layup.id,
                die=a,
                measured_mm=air,
                allowed_mm=gap_mm,
            )
