"""Remnants with short numbers: they are most of a large plan.json, and nothing is laid out by their last digits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from nestcut.plans.model import Plan

__all__ = ["DIGITS", "shortened"]

DIGITS = 6
"""Of a millimetre, behind the point: a corner moves by 0.0000007 mm at most. The checker lets remnants differ by a band
of 0.000002 mm, because they follow from the cuts, which keep all their digits."""


def shortened(plan: Plan) -> Plan:
    """The plan with its remnants' corners on whole nanometres; a remnant that this would spoil stays as it is."""
    if not plan.remnants:
        return plan
    outlines = np.array([remnant.outline for remnant in plan.remnants], dtype=object)
    short = shapely.transform(outlines, lambda corners: np.round(corners, DIGITS))
    # Rounding can let a sliver cross itself, or close it.
    good = shapely.is_valid(short) & ((shapely.area(short) > 0) | shapely.is_empty(outlines))
    remnants = tuple(
        replace(remnant, outline=shape) if fine else remnant
        for remnant, shape, fine in zip(plan.remnants, short, good.tolist(), strict=True)
    )
    return replace(plan, remnants=remnants)
