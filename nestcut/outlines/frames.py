"""Frames of an SVG drawing: lengths, transforms, viewBox and preserveAspectRatio.

Source: SVG 1.1 sections 7.4 to 7.10 (SVG 2 sections 8.2 to 8.9); units by CSS Values 3.
"""

from __future__ import annotations

import math
import re

import numpy as np

from nestcut.arithmetic import dot, sine_cosine
from nestcut.errors import OutlineError
from nestcut.outlines.curves import Matrix

__all__ = [
    "IDENTITY",
    "MM_PER_PX",
    "compose",
    "number_list",
    "parse_transform",
    "read_length",
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
_CALL = re.compile(r"\s*,?\s*([a-zA-Z]+)\s*\(([^()]*)\)")


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
            f'"{_short(text)}" is not a list of numbers', mend="save the drawing again as plain SVG"
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
        raise OutlineError(f'{name}="{_short(text)}" is not a length', mend="write it in mm")
    value, unit = finite(match[1]), match[2].lower()
    if unit == "%":
        if percent_of is None:
            raise OutlineError(
                f'{name}="{_short(text)}" is a share of an unknown size', mend="write it in mm"
            )
        return value / 100 * percent_of
    if unit not in _PX_PER_UNIT:
        raise OutlineError(
            f'{name}="{_short(text)}" has a unit that has no size of its own', mend="write it in mm"
        )
    return value * _PX_PER_UNIT[unit]


def parse_transform(text: str) -> Matrix:
    """A ``transform`` attribute or CSS property as one map. Raises OutlineError."""
    if text.strip() in ("", "none"):
        return IDENTITY
    total, end = IDENTITY, 0
    while end < len(text):
        call = _CALL.match(text, end)
        if not call:
            if text[end:].strip(" \t\r\n,"):
                break
            return total
        total = compose(total, _one_transform(call[1], call[2], text))
        end = call.end()
    else:
        return total
    raise OutlineError(
        f'the transform "{_short(text)}" can\'t be read', mend="save the drawing again with plain transforms"
    )


def _one_transform(name: str, arguments: str, whole: str) -> Matrix:
    """One call of a transform list; CSS allows px and angle units."""
    values: list[float] = []
    for token in re.findall(r"[^\s,]+", arguments):
        match = re.fullmatch(rf"({NUMBER})(px|deg|rad|turn|grad|mm|cm|in|pt)?", token)
        if not match:
            raise OutlineError(
                f'the transform "{_short(whole)}" can\'t be read', mend="save with plain transforms"
            )
        scale = {"rad": 180 / math.pi, "turn": 360.0, "grad": 0.9}.get(match[2] or "")
        values.append(finite(match[1]) * (scale or _PX_PER_UNIT.get(match[2] or "", 1.0)))
    kind, count = name, len(values)
    if kind == "matrix" and count == 6:
        a, b, c, d, e, f = values
        return np.array([[a, c, e], [b, d, f]])
    if kind == "translate" and count in (1, 2):
        return np.array([[1.0, 0.0, values[0]], [0.0, 1.0, values[1] if count == 2 else 0.0]])
    if kind in ("translateX", "translateY") and count == 1:
        x, y = (values[0], 0.0) if kind == "translateX" else (0.0, values[0])
        return np.array([[1.0, 0.0, x], [0.0, 1.0, y]])
    if kind == "scale" and count in (1, 2):
        return np.array([[values[0], 0.0, 0.0], [0.0, values[-1], 0.0]])
    if kind in ("scaleX", "scaleY") and count == 1:
        x, y = (values[0], 1.0) if kind == "scaleX" else (1.0, values[0])
        return np.array([[x, 0.0, 0.0], [0.0, y, 0.0]])
    if kind == "rotate" and count in (1, 3):
        cos, sin = _cos_sin(values[0])
        x, y = values[1:] if count == 3 else (0.0, 0.0)
        return np.array([[cos, -sin, x - cos * x + sin * y], [sin, cos, y - sin * x - cos * y]])
    if kind in ("skewX", "skewY") and count == 1:
        sin, cos = sine_cosine(math.radians(values[0] % 360.0))
        if abs(cos) < 1e-9:
            raise OutlineError(f'the transform "{_short(whole)}" has no finite size', mend="undo the skew")
        slope = sin / cos
        return np.array(
            [[1.0, slope, 0.0], [0.0, 1.0, 0.0]] if kind == "skewX" else [[1.0, 0.0, 0.0], [slope, 1.0, 0.0]]
        )
    raise OutlineError(f'the transform "{_short(whole)}" can\'t be read', mend="save with plain transforms")


def _cos_sin(deg: float) -> tuple[float, float]:
    """Exact for quarter turns, so that straight edges stay square."""
    quarter = deg / 90
    if quarter == round(quarter):
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[round(quarter) % 4]
    sin, cos = sine_cosine(math.radians(deg % 360.0))
    return cos, sin


def viewbox_of(text: str) -> tuple[float, float, float, float] | None:
    """min-x, min-y, width, height; None when there is none. Raises OutlineError."""
    if not text.strip():
        return None
    values = number_list(text)
    if len(values) != 4:
        raise OutlineError(f'viewBox="{_short(text)}" needs four numbers', mend="save the drawing again")
    if values[2] <= 0 or values[3] <= 0:
        raise OutlineError(f'viewBox="{_short(text)}" has no size', mend="set the page size of the drawing")
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
        raise OutlineError(f'preserveAspectRatio="{_short(aspect)}" can\'t be read', mend="take it out")
    x, y, w, h = box
    sx, sy = width / w, height / h
    if not match:
        return np.array([[sx, 0.0, -x * sx], [0.0, sy, -y * sy]])
    scale = min(sx, sy) if meet == "meet" else max(sx, sy)
    share = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}
    left = (width - w * scale) * share[match[1]]
    top = (height - h * scale) * share[match[2]]
    return np.array([[scale, 0.0, left - x * scale], [0.0, scale, top - y * scale]])


def _short(text: str) -> str:
    flat = " ".join(text.split())
    return flat if len(flat) <= 40 else flat[:37] + "…"
