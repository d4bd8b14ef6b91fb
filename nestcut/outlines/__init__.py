"""Drawings and plain shapes → polygons on the safe side, in millimetres."""

from __future__ import annotations

from nestcut.outlines.read import read_die, read_scrap
from nestcut.outlines.shapes.offset import fill_holes, grow_outline, outline_size, shrink_outline
from nestcut.outlines.shapes.plain import plain_shape
from nestcut.outlines.shapes.types import (
    CLOSE_WITHIN_MM,
    DEFAULT_RIM_MM,
    FLATTEN_MM,
    DieOutline,
    Pieces,
    ScrapOutline,
    Shape,
    Side,
)

__all__ = [
    "CLOSE_WITHIN_MM",
    "DEFAULT_RIM_MM",
    "FLATTEN_MM",
    "DieOutline",
    "Pieces",
    "ScrapOutline",
    "Shape",
    "Side",
    "fill_holes",
    "grow_outline",
    "outline_size",
    "plain_shape",
    "read_die",
    "read_scrap",
    "shrink_outline",
]
