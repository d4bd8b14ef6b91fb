"""What a box tells: scraps with their tags, actions, evenings. Plain values; lengths in mm, times as ISO 8601 texts (UTC)."""

from __future__ import annotations

from dataclasses import dataclass

from shapely.geometry import Polygon

__all__ = ["Action", "AfterEvening", "PastEvening", "StockScrap", "Tagged"]


@dataclass(frozen=True, slots=True)
class StockScrap:
    """One piece of paper in the box."""

    tag: str
    """Its id: what is pencilled on its back; no two in the box have the same."""
    paper: str
    outline: Polygon
    """Seen from its good side, up as on the paper, its box's upper left corner at (0, 0); mm."""
    source: str
    """How it came into the box, in words."""
    since: str
    """When it came into the box."""


@dataclass(frozen=True, slots=True)
class Tagged:
    """A scrap that came into the box, and the id that it was to have."""

    tag: str
    paper: str
    asked: str
    """Empty where none was asked for; different from the tag where the box had a scrap of that id already."""


@dataclass(frozen=True, slots=True)
class Action:
    """One thing that was done to the box, and that can be undone."""

    number: int
    at: str
    words: str
    undone: bool


@dataclass(frozen=True, slots=True)
class PastEvening:
    """A plan that was cut, and whose paper was put back."""

    title: str
    at: str
    plan: str
    """Digest of the plan (SHA-256)."""


@dataclass(frozen=True, slots=True)
class AfterEvening:
    """What an evening did to the box."""

    again: PastEvening | None
    """Set where this plan was put back before: then nothing was changed."""
    taken: tuple[str, ...]
    """Tags of the scraps that were used, and are gone (a remnant may have the same tag)."""
    put: tuple[Tagged, ...]
    """Offcuts, remnants and parts that came in."""
    crumbs: int
    """Pieces too small for anything: not put back."""
    notes: tuple[str, ...]
    """What the person should know, in words."""
