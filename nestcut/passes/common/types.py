"""The values that the two halves of of the room `passes` hand to each other.

The *plate half* decides which dies ride together, where they lie and how often; it knows papers
only through rough supplies. The *paper half* decides what lies under the dies in every pass.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from nestcut.plans.model import Share, Slot

__all__ = ["Footprint", "PlatePlan", "PlateRun", "Supply"]

Footprint = Literal["rims", "hulls", "chips"]
"""What every die keeps for itself in a lay-up: its rim grown by half the gap; the convex hull of that,
so that straight-sided papers separate; or the rectangle (square to the plate) around its cut and edge."""


@dataclass(frozen=True, slots=True)
class Supply:
    """What the paper half thinks a paper can give: a linear limit Σ area(die)·cuts ≤ total, mm².

    ``proved`` limits hold for every plan and may enter the lower bound; others only steer.
    """

    paper: str
    total_mm2: float
    per_cut_mm2: Mapping[str, float]
    """Die name → paper that one cut takes, mm²; a die that is missing can't be cut from this paper."""
    proved: bool


@dataclass(frozen=True, slots=True)
class PlateRun:
    """One lay-up kept for ``passes`` passes. ``cuts[i]`` of them have slot i down."""

    slots: tuple[Slot, ...]
    passes: int
    cuts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class PlatePlan:
    """Lay-ups and how often, with a proved lower bound on the passes."""

    runs: tuple[PlateRun, ...]
    shares: tuple[tuple[Share, ...], ...]
    """For each line of demand: how many pieces of which die in which paper meet it."""
    bound: int
    reason: str
    proof: Mapping[str, Any] = field(default_factory=dict)
    footprint: Footprint = "rims"
    proved_footprint: bool = False
    """True when the number of passes is proved least for this ``footprint``."""
