"""Transforms of an element: the SVG attribute and the CSS properties, as one map.

Source: SVG 1.1 section 7.6; CSS Transforms 1 (sections 7 to 12: origin, reference box, the attribute's own
grammar) and CSS Transforms 2 (section 5: ``translate``, ``rotate``, ``scale``; section 6: their order).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping

import numpy as np

from nestcut.arithmetic import sine_cosine
from nestcut.errors import OutlineError
from nestcut.outlines.drawing.frames import IDENTITY, NUMBER, compose, finite, shift, short
from nestcut.outlines.drawing.values import Box, UnitlessError, angle, length, number, place
from nestcut.outlines.shapes.curves import Matrix

__all__ = ["attribute_transform", "own_move"]

_CALL = re.compile(r"\s*,?\s*([a-zA-Z][a-zA-Z0-9]*)\s*\(([^()]*)\)")
_ATTRIBUTE_VALUE = re.compile(rf"({NUMBER})(px|deg|rad|turn|grad|mm|cm|in|pt)?", re.ASCII)
_KINDS = {
    # What each argument of a CSS function is: x or y length, z length, number, angle; optional ones behind a "?".
    "translate": "x?y", "translatex": "x", "translatey": "y", "translatez": "z", "translate3d": "xyz",
    "scale": "n?n", "scalex": "n", "scaley": "n", "scalez": "n", "scale3d": "nnn",
    "rotate": "a", "rotatez": "a", "rotate3d": "nnna", "skew": "a?a", "skewx": "a", "skewy": "a",
    "matrix": "nnnnnn", "matrix3d": "n" * 16,
}  # fmt: skip
_BOXES = {
    "view-box": "view",
    "fill-box": "fill",
    "content-box": "fill",
    "stroke-box": "stroke",
    "border-box": "stroke",
}


def own_move(style: Mapping[str, str], box_of: Callable[[str], Box], say: Callable[[str], None]) -> Matrix:
    """The map that an element's own properties ask for.

    Args:
        style: its properties, see :func:`nestcut.outlines.drawing.styles.computed`.
        box_of: the element's "view", "fill" or "stroke" box, in user units.
        say: takes a note for the person.
    Raises: OutlineError for a transform that is not flat, or can't be read.
    """
    kind = _BOXES.get(style.get("transform-box", "view-box").strip().lower())
    if kind is None:
        say("A transform-box that nestcut does not know was ignored")
        kind = "view"
    boxes: list[Box] = []

    def box() -> Box:
        if not boxes:
            boxes.append(box_of(kind))
        return boxes[0]

    move = compose(_individual(style, box, say), _transform(style, box, say))
    if move is IDENTITY or np.array_equal(move, IDENTITY):
        return IDENTITY
    x, y = _origin(style, box, say)
    if (x, y) != (0.0, 0.0):
        move = compose(shift(x, y), compose(move, shift(-x, -y)))
    return move


def _transform(style: Mapping[str, str], box: Callable[[], Box], say: Callable[[str], None]) -> Matrix:
    if "css transform" in style:
        try:
            return _css_transform(style["css transform"], box)
        except UnitlessError:
            say("A transform in a style was ignored: its numbers need a unit (px, deg) there")
    text = style.get("transform", "")
    if re.search(r"\d\s*(px|mm|cm|in|pt|deg|rad|turn|grad)", text):
        say("A transform attribute with units was read as it is meant; browsers ignore it")
    return attribute_transform(text)


def _origin(
    style: Mapping[str, str], box: Callable[[], Box], say: Callable[[str], None]
) -> tuple[float, float]:
    """The point that stays where it is; 0 0 of the box if there is none (CSS Transforms 1, section 8)."""
    for name, bare in (("css transform-origin", False), ("transform-origin", True)):
        words = style.get(name, "").split()
        if not words:
            continue
        try:
            return place(words[:2], box(), bare=bare)  # a third one is a depth, and nothing flat has one
        except UnitlessError:
            say("A transform-origin in a style was ignored: its numbers need a unit (px) there")
    return place(["0", "0"], box())


def _individual(style: Mapping[str, str], box: Callable[[], Box], say: Callable[[str], None]) -> Matrix:
    """The properties translate, rotate and scale, in this order."""
    move = IDENTITY
    for name, read in (("translate", _translate), ("rotate", _rotate), ("scale", _scale)):
        words = style.get(name, "none").lower().split()
        if not words or words == ["none"]:
            continue
        try:
            move = compose(move, read(words, box))
        except UnitlessError:
            say(f'The property "{name}" in a style was ignored: its numbers need a unit there')
    return move


def _translate(words: list[str], box: Callable[[], Box]) -> Matrix:
    if len(words) > 3:
        raise _unreadable("translate: " + " ".join(words))
    values = [_share(word, axis, box) for axis, word in enumerate(words[:2])]
    return shift(values[0], values[1] if len(values) > 1 else 0.0)


def _rotate(words: list[str], box: Callable[[], Box]) -> Matrix:
    turn = next((word for word in words if re.search(r"(deg|rad|turn)$", word)), "")
    axis = [word for word in words if word != turn]
    if not turn:
        if len(words) == 1:
            return _flat("rotate", [angle(words[0])], words[0])
        raise _unreadable("rotate: " + " ".join(words))
    deg = angle(turn)
    if axis not in ([], ["z"]):
        if len(axis) != 3 or (number(axis[0]), number(axis[1])) != (0.0, 0.0) or number(axis[2]) == 0:
            raise _unreadable("rotate: " + " ".join(words))
        deg = math.copysign(1.0, number(axis[2])) * deg
    return _flat("rotate", [deg], turn)


def _scale(words: list[str], box: Callable[[], Box]) -> Matrix:
    if len(words) > 3:
        raise _unreadable("scale: " + " ".join(words))
    return _flat("scale", [number(word) for word in words[:2]], " ".join(words))


def _share(word: str, axis: int, box: Callable[[], Box]) -> float:
    return length(word, box()[2 + axis] if word.endswith("%") else 0.0)


def _calls(text: str) -> Iterator[tuple[str, str]]:
    """Names and arguments of a list of functions. Raises OutlineError."""
    end = 0
    while end < len(text):
        call = _CALL.match(text, end)
        if not call:
            if text[end:].strip(" \t\r\n,"):
                raise _unreadable(text)
            return
        yield call[1], call[2]
        end = call.end()


def attribute_transform(text: str) -> Matrix:
    """A ``transform`` attribute as one map. Raises OutlineError."""
    total = IDENTITY
    if text.strip() in ("", "none"):
        return total
    for name, arguments in _calls(text):
        values = []
        for token in re.findall(r"[^\s,]+", arguments):
            match = _ATTRIBUTE_VALUE.fullmatch(token)
            if not match:
                raise _unreadable(text)
            turn = match[2] in ("deg", "rad", "turn", "grad")
            values.append(
                angle(token) if turn else length(token, 0.0, bare=True) if match[2] else finite(token)
            )
        total = compose(total, _flat(name, values, text))
    return total


def _css_transform(text: str, box: Callable[[], Box]) -> Matrix:
    total = IDENTITY
    if text.strip().lower() in ("", "none"):
        return total
    for name, arguments in _calls(text):
        kind = name.lower()
        tokens = [token.strip() for token in arguments.split(",")]
        needed, _, optional = _KINDS.get(kind, "").partition("?")
        if not needed or not len(needed) <= len(tokens) <= len(needed) + len(optional):
            raise _unreadable(text)
        values = [_argument(a, token, box) for a, token in zip(needed + optional, tokens, strict=False)]
        total = compose(total, _without_depth(kind, values, text))
    return total


def _argument(kind: str, token: str, box: Callable[[], Box]) -> float:
    if kind == "a":
        return angle(token)
    if kind == "n":
        return number(token)
    return length(token, 0.0) if kind == "z" else _share(token, "xy".index(kind), box)


def _without_depth(kind: str, values: list[float], whole: str) -> Matrix:
    """A CSS function as a flat map: what only moves in depth changes nothing that is seen."""
    if kind in ("translatez", "scalez"):
        return IDENTITY
    if kind in ("translate3d", "scale3d"):
        return _flat(kind[:-2], values[:2], whole)
    if kind == "rotatez":
        return _flat("rotate", values, whole)
    if kind == "rotate3d":
        if values[:2] != [0.0, 0.0] or not values[2]:
            raise _unreadable(whole)
        return _flat("rotate", [math.copysign(1.0, values[2]) * values[3]], whole)
    if kind == "matrix3d":
        flat = [values[k] for k in (0, 1, 4, 5, 12, 13)]
        if [values[k] for k in (2, 3, 6, 7, 8, 9, 11, 15)] != [0.0] * 7 + [1.0]:
            raise _unreadable(whole)
        return _flat("matrix", flat, whole)
    if kind == "skew":
        along, down = (_flat("skewX", values[:1], whole), _flat("skewY", (values[1:] or [0.0]), whole))
        return np.array([[1.0, along[0, 1], 0.0], [down[1, 0], 1.0, 0.0]])
    return _flat(kind, values, whole)


def _flat(name: str, values: list[float], whole: str) -> Matrix:
    """One function of a transform, lengths in user units and angles in degrees."""
    kind, count = name.lower(), len(values)
    if kind == "matrix" and count == 6:
        a, b, c, d, e, f = values
        return np.array([[a, c, e], [b, d, f]])
    if kind == "translate" and count in (1, 2):
        return shift(values[0], values[1] if count == 2 else 0.0)
    if kind in ("translatex", "translatey") and count == 1:
        return shift(values[0], 0.0) if kind == "translatex" else shift(0.0, values[0])
    if kind == "scale" and count in (1, 2):
        return np.array([[values[0], 0.0, 0.0], [0.0, values[-1], 0.0]])
    if kind in ("scalex", "scaley") and count == 1:
        x, y = (values[0], 1.0) if kind == "scalex" else (1.0, values[0])
        return np.array([[x, 0.0, 0.0], [0.0, y, 0.0]])
    if kind == "rotate" and count in (1, 3):
        cos, sin = _cos_sin(values[0])
        x, y = values[1:] if count == 3 else (0.0, 0.0)
        return np.array([[cos, -sin, x - cos * x + sin * y], [sin, cos, y - sin * x - cos * y]])
    if kind in ("skewx", "skewy") and count == 1:
        sin, cos = sine_cosine(math.radians(values[0] % 360.0))
        if abs(cos) < 1e-9:
            raise OutlineError(f'the transform "{short(whole)}" has no finite size', mend="undo the skew")
        slope = sin / cos
        along = [[1.0, slope, 0.0], [0.0, 1.0, 0.0]]
        return np.array(along if kind == "skewx" else [[1.0, 0.0, 0.0], [slope, 1.0, 0.0]])
    raise _unreadable(whole)


def _unreadable(whole: str) -> OutlineError:
    return OutlineError(
        f'the transform "{short(whole)}" can\'t be read', mend="save the drawing again with plain transforms"
    )


def _cos_sin(deg: float) -> tuple[float, float]:
    """Exact for quarter turns, so that straight edges stay square."""
    quarter = deg / 90
    if quarter == round(quarter):
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[round(quarter) % 4]
    sin, cos = sine_cosine(math.radians(deg % 360.0))
    return cos, sin
