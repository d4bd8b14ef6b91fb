"""Frames of an SVG drawing: lengths, viewBox and preserveAspectRatio.

Source: SVG 1.1 sections 7.7 to 7.10 (SVG 2 sections 8.2 to 8.9); units by CSS Values 3.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from nestcut.arithmetic import dot
from nestcut.errors import OutlineError
from nestcut.outlines.shapes.curves import Matrix

__all__ = [
    "IDENTITY",
    "MM_PER_PX",
    "NUMBER",
    "Page",
    "compose",
    "finite",
    "mapped",
    "number_list",
    "page_of",
    "read_length",
    "shift",
    "short",
    "viewbox_of",
    "viewport_transform",
]

MM_PER_PX = 25.4 / 96

IDENTITY: Matrix = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])

NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?"
_PX_PER_UNIT = {
    "": 1.0,
    "px": 1.0,
    "mm": 96 / 25.4,
    "cm": 960 / 25.4,
    "q": 24 / 25.4,
    "in": 96.0,
    "pt": 96 / 72,
    "pc": 16.0,
}
_LENGTH = re.compile(rf"\s*({NUMBER})\s*([a-zA-Z]*|%)\s*$", re.ASCII)
_NEXT = re.compile(rf"[\s,]*({NUMBER})", re.ASCII)


def compose(outer: Matrix, inner: Matrix) -> Matrix:
    """The map that applies ``inner`` first."""
    columns = [dot(outer[:, :2], *column) for column in inner.T]
    columns[2] += outer[:, 2]
    result = np.column_stack(columns)
    if not np.abs(result).max() <= 1e15:
        raise OutlineError(
            "the transforms of the drawing add up to a huge size", mend="draw at the real size, in mm"
        )
    return result


def mapped(m: Matrix, points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Points under a map."""
    return [
        (float(m[0, 0] * x + m[0, 1] * y + m[0, 2]), float(m[1, 0] * x + m[1, 1] * y + m[1, 2]))
        for x, y in points
    ]


def shift(x: float, y: float) -> Matrix:
    """The map that moves by (x, y)."""
    return np.array([[1.0, 0.0, x], [0.0, 1.0, y]])


def finite(text: str) -> float:
    """A finite number. Raises OutlineError."""
    value = float(text)
    if not math.isfinite(value) or abs(value) > 1e12:
        raise OutlineError(f"the number {text[:20]} is too large", mend="draw at the real size, in mm")
    return value


def number_list(text: str) -> list[float]:
    """Numbers parted by commas or spaces, as in ``points`` or ``viewBox``. Raises OutlineError."""
    values: list[float] = []
    end = 0
    while match := _NEXT.match(text, end):
        values.append(finite(match[1]))
        end = match.end()
    if text[end:].strip(" \t\r\n\f,"):
        raise OutlineError(
            f'"{short(text)}" is not a list of numbers', mend="save the drawing again as plain SVG"
        )
    return values


def read_length(text: str, percent_of: float | None, *, name: str) -> float:
    """An SVG length in user units (px).

    Args:
        text: as written, ``"10"``, ``"10mm"``, ``"50%"``.
        percent_of: what 100 % is, user units; None where a percentage has no meaning.
        name: the attribute, for the message.
    """
    match = _LENGTH.match(text)
    if not match:
        raise OutlineError(f'{name}="{short(text)}" is not a length', mend="write it in mm")
    value, unit = finite(match[1]), match[2].lower()
    if unit == "%":
        if percent_of is None:
            raise OutlineError(f'{name}="{short(text)}" is a share of an unknown size', mend="write it in mm")
        return value / 100 * percent_of
    if unit not in _PX_PER_UNIT:
        raise OutlineError(
            f'{name}="{short(text)}" has a unit that has no size of its own', mend="write it in mm"
        )
    return value * _PX_PER_UNIT[unit]


@dataclass(frozen=True, slots=True)
class Page:
    """The page of a drawing; points in the root's user units."""

    to_mm: Matrix
    """From the root's user units to mm."""
    view: tuple[float, float]
    """Width and height that percentages refer to, user units."""
    sized: bool
    """Whether it has a physical size."""
    sheet: list[tuple[float, float]]
    """The corners of all that a viewer shows; none, if the drawing doesn't say."""
    canvas: list[tuple[float, float]]
    """The corners of the viewBox, else those of the sheet."""


def page_of(sides: Mapping[str, str], viewbox: str, aspect: str) -> Page:
    """The page of a drawing.

    Args:
        sides: ``width`` and ``height`` as written; empty where there is none.
        viewbox, aspect: ``viewBox`` and ``preserveAspectRatio`` as written.
    Raises: OutlineError.
    """
    box = viewbox_of(viewbox)
    sizes: dict[str, float | None] = {}
    sized = True
    for name, text in sides.items():
        if text.strip() in ("", "auto") or text.strip().endswith("%"):
            sizes[name] = None
            continue
        size = read_length(text, None, name=name)
        sized &= not re.fullmatch(r"[-+\d.eE\s]*", text)
        if size <= 0:
            raise OutlineError(f'{name}="{text[:30]}" is not a size', mend="set the page size of the drawing")
        sizes[name] = size
    if sizes["width"] is None and sizes["height"] is None:
        sized = False
    w, h = sizes["width"], sizes["height"]
    if box is not None:
        # A missing side follows from the other by the shape of the viewBox; without both, 1 unit is 1 px.
        if w is None and h is None:
            w, h = box[2], box[3]
        elif w is None:
            w = (h or 0.0) * box[2] / box[3]
        elif h is None:
            h = w * box[3] / box[2]
    paged = w is not None and h is not None
    w, h = w or 100.0, h or 100.0
    inner = viewport_transform(box, w, h, aspect)
    view = (box[2], box[3]) if box else (w, h)
    (sx, left), (sy, top) = (inner[0, 0], inner[0, 2]), (inner[1, 1], inner[1, 2])
    x0, y0, x1, y1 = -left / sx, -top / sy, (w - left) / sx, (h - top) / sy
    sheet = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)] if paged else []
    canvas = sheet
    if box:
        x, y, wide, high = box
        canvas = [(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)]
    return Page(MM_PER_PX * inner, view, sized, sheet, canvas)


def viewbox_of(text: str) -> tuple[float, float, float, float] | None:
    """min-x, min-y, width, height; None when there is none. Raises OutlineError."""
    if not text.strip():
        return None
    values = number_list(text)
    if len(values) != 4:
        raise OutlineError(f'viewBox="{short(text)}" needs four numbers', mend="save the drawing again")
    if values[2] <= 0 or values[3] <= 0:
        raise OutlineError(f'viewBox="{short(text)}" has no size', mend="set the page size of the drawing")
    return (values[0], values[1], values[2], values[3])


def viewport_transform(
    box: tuple[float, float, float, float] | None, width: float, height: float, aspect: str
) -> Matrix:
    """From a viewBox's coordinates to its viewport's (upper left corner at (0, 0)).

    Source: SVG 2 section 8.2, "equivalent transform of an SVG viewport".
    """
    if box is None:
        return IDENTITY
    words = aspect.split() or ["xMidYMid"]
    if words[0] == "defer":
        words = words[1:] or ["xMidYMid"]
    align, meet = words[0], (words[1] if len(words) > 1 else "meet")
    match = re.fullmatch(r"x(Min|Mid|Max)Y(Min|Mid|Max)", align)
    if (align != "none" and not match) or meet not in ("meet", "slice"):
        raise OutlineError(f'preserveAspectRatio="{short(aspect)}" can\'t be read', mend="take it out")
    x, y, w, h = box
    sx, sy = width / w, height / h
    if not match:
        return np.array([[sx, 0.0, -x * sx], [0.0, sy, -y * sy]])
    scale = min(sx, sy) if meet == "meet" else max(sx, sy)
    share = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}
    left = (width - w * scale) * share[match[1]]
    top = (height - h * scale) * share[match[2]]
    return np.array([[scale, 0.0, left - x * scale], [0.0, scale, top - y * scale]])


def short(text: str) -> str:
    """A text of the drawing, short enough for a message."""
    flat = " ".join(text.split())
    return flat if len(flat) <= 40 else flat[:37] + "…"
