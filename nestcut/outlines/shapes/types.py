"""What the outlines room hands out, and the numbers it works by. Millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

from shapely.geometry import LineString, MultiPolygon, Polygon

__all__ = [
    "CLOSE_WITHIN_MM",
    "DEFAULT_RIM_MM",
    "FLATTEN_MM",
    "DieOutline",
    "Pieces",
    "ScrapOutline",
    "Shape",
    "Side",
]

Shape: TypeAlias = Polygon | MultiPolygon

Side = Literal["outside", "inside"]
"""Which side of the true outline the polygon keeps to: it contains it, or is contained in it."""

Pieces = Literal["nested", "separate"]
"""How closed lines inside each other are read.

``nested``: an outline is a piece, one inside it a pierced detail, one inside that a piece again.
``separate``: every closed line frees a piece (a frame and the disc that falls out of it are two).
"""

FLATTEN_MM = 0.05
"""Farthest that a flattened outline may lie from the true one."""

CLOSE_WITHIN_MM = 0.1
"""Ends of lines that lie this close are meant to meet."""

DEFAULT_RIM_MM = 1.6
"""Width of the metal around the cut where nobody measured it (1.5 to 2 mm: common practice, no source)."""


@dataclass(frozen=True, slots=True)
class DieOutline:
    """A die: ``cut`` and ``rim`` in one frame, with the rim's bounding box centred on (0, 0)."""

    cut: Shape
    """What one pass cuts: each part is a piece, its holes are pierced detail. Contains the true outline."""
    rim: Shape
    """The metal. Its holes are openings. Contains the true rim, and the cut."""
    marks: tuple[LineString, ...] = ()
    """Open score or vein lines."""
    notes: tuple[str, ...] = ()
    """What the person should know about the reading of the drawing."""


@dataclass(frozen=True, slots=True)
class ScrapOutline:
    """A scrap, its bounding box's upper left corner at (0, 0). Contained in the true outline."""

    outline: Polygon
    notes: tuple[str, ...] = ()
