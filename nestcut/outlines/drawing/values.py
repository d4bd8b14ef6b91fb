"""Lengths, angles and places as style sheets write them, and the boxes that percentages refer to.

Source: CSS Values and Units 3, sections 5 to 7; ``<position>`` by CSS Values and Units 4, section 8.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from nestcut.errors import OutlineError
from nestcut.outlines.drawing.frames import NUMBER, finite, read_length, short

__all__ = ["Box", "UnitlessError", "angle", "length", "number", "place"]

Box = tuple[float, float, float, float]
"""x and y of the upper left corner, width and height, in user units."""

_VALUE = re.compile(rf"({NUMBER})([a-zA-Z]*|%)", re.ASCII)
_DEG_PER_UNIT = {"deg": 1.0, "grad": 0.9, "rad": 57.29577951308232, "turn": 360.0}
_SHARES = {"left": (0, 0.0), "right": (0, 1.0), "top": (1, 0.0), "bottom": (1, 1.0)}


class UnitlessError(Exception):
    """A bare number where a style sheet needs a unit: browsers pass over the whole declaration."""


def _parts(token: str) -> tuple[float, str]:
    match = _VALUE.fullmatch(token)
    if not match:
        raise OutlineError(f'"{short(token)}" can\'t be read', mend="save the drawing as plain SVG")
    return finite(match[1]), match[2].lower()


def length(token: str, percent_of: float, *, bare: bool = False) -> float:
    """A length or a percentage, in user units.

    Args:
        percent_of: what 100 % is, user units.
        bare: numbers without a unit are lengths, too (in attributes); 0 always is one.
    Raises: UnitlessError; OutlineError for what is no length.
    """
    value, unit = _parts(token)
    if not unit and value and not bare:
        raise UnitlessError
    return read_length(token, percent_of, name="length")


def angle(token: str, *, bare: bool = False) -> float:
    """An angle in degrees. Raises UnitlessError; OutlineError for what is no angle."""
    value, unit = _parts(token)
    if not unit:
        if value and not bare:
            raise UnitlessError
        return value
    if unit not in _DEG_PER_UNIT:
        raise OutlineError(f'"{short(token)}" is not an angle', mend="write it in deg")
    return value if unit == "deg" else value * _DEG_PER_UNIT[unit]


def number(token: str) -> float:
    """A number, or a percentage as a share of 1. Raises OutlineError."""
    value, unit = _parts(token)
    if unit not in ("", "%"):
        raise OutlineError(f'"{short(token)}" is not a number', mend="save the drawing as plain SVG")
    return value / 100 if unit else value


def place(tokens: Sequence[str], box: Box, *, bare: bool = False) -> tuple[float, float]:
    """A point given by keywords, lengths and percentages from the sides of a box, in user units.

    Raises: UnitlessError; OutlineError for what is no place.
    """
    words = [token.lower() for token in tokens]
    x, y, *size = box
    corner = (x, y)
    if len(words) == 4 and words[0] in _SHARES and words[2] in _SHARES:
        at = [0.0, 0.0]
        axes = set()
        for side, offset in (words[:2], words[2:]):
            axis, share = _SHARES[side]
            away = length(offset, size[axis], bare=bare)
            at[axis] = corner[axis] + share * size[axis] + (away if share == 0 else -away)
            axes.add(axis)
        if len(axes) == 2:
            return at[0], at[1]
    if len(words) not in (1, 2):
        raise OutlineError(
            f'"{short(" ".join(tokens))}" is not a position', mend="save the drawing as plain SVG"
        )
    if len(words) == 1:
        words.append("center")
    if words[0] in ("top", "bottom") or words[1] in ("left", "right"):
        words.reverse()
    point = []
    for axis, word in enumerate(words):
        if word == "center":
            away = size[axis] / 2
        elif word in _SHARES:
            if _SHARES[word][0] != axis:
                raise OutlineError(
                    f'"{short(" ".join(tokens))}" is not a position', mend="save the drawing as plain SVG"
                )
            away = _SHARES[word][1] * size[axis]
        else:
            away = length(word, size[axis], bare=bare)
        point.append(corner[axis] + away)
    return point[0], point[1]
