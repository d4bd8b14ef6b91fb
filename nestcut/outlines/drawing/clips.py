"""What is seen through a clip: basic shapes of CSS, and the area that shapes fill.

Source: CSS Shapes 1, section 3 (``inset``, ``circle``, ``ellipse``, ``polygon``), CSS Shapes 2, section 3 (``path``,
``rect``, ``xywh``); CSS Masking 1, section 5 (``clip-path``, its boxes); fill rules by SVG 2 section 13.4.2.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from nestcut.errors import OutlineError
from nestcut.outlines.drawing.document import Element
from nestcut.outlines.drawing.frames import shift, short
from nestcut.outlines.drawing.pathdata import CurveRun, runs_of
from nestcut.outlines.drawing.values import Box, UnitlessError, length, place
from nestcut.outlines.shapes.flatten import flatten_line

__all__ = ["SLACK_MM", "BasicShape", "ClipWindow", "clip_of", "filled", "fragment", "through", "united"]

Floats = NDArray[np.float64]

SLACK_MM = 0.1
_NONZERO = "nonzero"
_MOST_RINGS = 200
_MOST_PAIRS = 4e6
_MOST_CROSSING = 300
"""Points of a clip that touches or crosses itself: each pair of its lines may cross."""
_FLAT_MM = 0.02
_BOXES = {
    "fill-box": "fill",
    "content-box": "fill",
    "padding-box": "fill",
    "stroke-box": "stroke",
    "border-box": "stroke",
    "margin-box": "stroke",
    "view-box": "view",
}
_URL = re.compile(r"""url\(\s*(["']?)\s*([^"')]*?)\s*\1\s*\)""", re.IGNORECASE)
_WITH_BOX = re.compile(
    r"(?:([a-z]+-box)\s*)?([a-z][a-z-]*)\((.*)\)(?:\s*([a-z]+-box))?", re.IGNORECASE | re.DOTALL
)


@dataclass(frozen=True, slots=True)
class ClipWindow:
    """The area through which something is seen, mm."""

    area: shapely.Geometry
    room: shapely.Geometry
    """The area and a little more: what sticks out by no more than 0.1 mm was not meant to."""
    strict: bool
    """A clip that somebody drew; otherwise the frame of an inner drawing."""

    @classmethod
    def of(cls, area: shapely.Geometry, *, strict: bool) -> ClipWindow:
        """A window of an area in mm."""
        return cls(area, area.buffer(SLACK_MM, join_style="mitre"), strict)


@dataclass(frozen=True, slots=True)
class BasicShape:
    """A basic shape of CSS, in user units; no runs for an empty one."""

    runs: list[CurveRun]
    rule: str
    """"nonzero" or "evenodd"."""


def fragment(text: str) -> str:
    """The id that a ``url(#id)`` names; empty where it names none of this drawing."""
    url = _URL.match(text)
    return url[2][1:] if url and url[2].startswith("#") else ""


def clip_of(
    style: Mapping[str, str],
    ids: Mapping[str, Element],
    box_of: Callable[[str], Box],
    element: Element,
    say: Callable[[str], None],
) -> Element | BasicShape | None:
    """What an element's properties clip it with: a clipPath, a basic shape, or nothing.

    Args:
        style: its properties, see :func:`nestcut.outlines.drawing.styles.computed`.
        ids: the elements of the drawing by their ids.
        box_of: the "fill", "stroke" or "view" box of the element, user units.
        say: takes a note on a clip that is passed over.
    """
    for name, bare in (("css clip-path", False), ("clip-path", True)):
        text = style.get(name, "").strip()
        if text.lower() == "none":
            return None
        if not text:
            continue
        if _URL.match(text):
            target = ids.get(fragment(text))
            if target is not None and target.tag == "clipPath":
                return target
            # CSS Masking 1 section 5.1: a clip that is not there clips nothing.
            say("A clip that the drawing doesn't hold was ignored: the whole outline is used")
            return None
        try:
            return _basic_shape(text, box_of, element, bare)
        except UnitlessError:
            say("A clip in a style was ignored: its numbers need a unit (px) there")
        except OutlineError as err:
            say(f"A clip was ignored, so that the whole outline is used: {err.what}")
            return None
    return None


def _basic_shape(text: str, box_of: Callable[[str], Box], element: Element, bare: bool) -> BasicShape:
    """Raises: UnitlessError; OutlineError for what can't be read."""
    name = text.lower()
    if name in _BOXES:
        return _as_runs(_rectangle(*box_of(_BOXES[name])), element, _NONZERO)
    match = _WITH_BOX.fullmatch(text)
    # CSS Masking 1: without a box it is the border box, and that is the stroke box for SVG elements.
    kind = _BOXES.get((match[1] or match[4] or "border-box").lower()) if match else None
    make = _SHAPES.get(match[2].lower()) if match else None
    if match is None or kind is None or make is None or (match[1] and match[4]):
        raise OutlineError(f'nestcut does not know the shape "{short(text)}"', mend="draw the clip as a path")
    rule, inside = _NONZERO, match[3].strip()
    ruled = re.match(r"(nonzero|evenodd)\s*,", inside, re.IGNORECASE)
    if ruled and match[2].lower() in ("polygon", "path"):
        rule, inside = ruled[1].lower(), inside[ruled.end() :].strip()
    return _as_runs(make(inside, box_of(kind), bare), element, rule)


def _as_runs(shape: Element | None, element: Element, rule: str) -> BasicShape:
    """The runs of a shape element that stands for a basic shape."""
    if shape is None:
        return BasicShape([], rule)
    runs = runs_of(shape, {}, (0.0, 0.0))
    if shape.tag == "path":
        # Path data counts from the corner of the box.
        corner = shift(float(shape.get("x", "0")), float(shape.get("y", "0")))
        runs = [run.moved(corner) for run in runs]
    return BasicShape([CurveRun(run.curves, run.closed, element) for run in runs], rule)


def _element(tag: str, **attributes: float | str) -> Element:
    return Element(tag, {k: v if isinstance(v, str) else repr(v) for k, v in attributes.items()}, 0)


def _rectangle(x: float, y: float, w: float, h: float) -> Element | None:
    return _element("rect", x=x, y=y, width=w, height=h) if w > 0 and h > 0 else None


def _rounded(x: float, y: float, w: float, h: float, words: Sequence[str], bare: bool) -> Element | None:
    """A rectangle with the corners of a ``border-radius`` (CSS Backgrounds 3, section 4)."""
    if not words or w <= 0 or h <= 0:
        return _rectangle(x, y, w, h)
    across, _, down = " ".join(words).partition("/")
    rx = [length(word, w, bare=bare) for word in _four(across.split())]
    ry = [length(word, h, bare=bare) for word in _four((down or across).split())]
    if min(*rx, *ry) < 0:
        raise OutlineError("a corner radius below 0", mend="draw the clip again")
    sums = ((w, rx[0] + rx[1]), (w, rx[2] + rx[3]), (h, ry[0] + ry[3]), (h, ry[1] + ry[2]))
    fits = min([1.0, *(side / total for side, total in sums if total > 0)])
    (a, b, c, d), (e, f, g, i) = [r * fits for r in rx], [r * fits for r in ry]
    path = (
        f"M{x + a!r} {y!r}L{x + w - b!r} {y!r}A{b!r} {f!r} 0 0 1 {x + w!r} {y + f!r}"
        f"L{x + w!r} {y + h - g!r}A{c!r} {g!r} 0 0 1 {x + w - c!r} {y + h!r}"
        f"L{x + d!r} {y + h!r}A{d!r} {i!r} 0 0 1 {x!r} {y + h - i!r}L{x!r} {y + e!r}A{a!r} {e!r} 0 0 1 {x + a!r} {y!r}Z"
    )
    return _element("path", d=path)


def _four(words: Sequence[str]) -> list[str]:
    """One to four values as four: what is missing is like the one across."""
    if not 1 <= len(words) <= 4:
        raise OutlineError(f'"{short(" ".join(words))}" can\'t be read', mend="draw the clip again")
    first, *rest = words
    second = rest[0] if rest else first
    return [first, second, rest[1] if len(rest) > 1 else first, rest[2] if len(rest) > 2 else second]


def _split(text: str, word: str) -> tuple[list[str], list[str]]:
    """The words before and after "round" or "at"."""
    words = text.replace("/", " / ").split()
    lower = [w.lower() for w in words]
    if word not in lower:
        return words, []
    return words[: lower.index(word)], words[lower.index(word) + 1 :]


def _inset(text: str, box: Box, bare: bool) -> Element | None:
    x, y, w, h = box
    sides, corners = _split(text, "round")
    offsets = _four(sides)
    top, right, bottom, left = (
        length(word, h if n % 2 == 0 else w, bare=bare) for n, word in enumerate(offsets)
    )
    return _rounded(x + left, y + top, w - left - right, h - top - bottom, corners, bare)


def _rect(text: str, box: Box, bare: bool) -> Element | None:
    x, y, w, h = box
    sides, corners = _split(text, "round")
    if len(sides) != 4:
        raise OutlineError(f'"{short(text)}" can\'t be read', mend="draw the clip again")
    # CSS Shapes 2: "auto" is the box's own side.
    top, right, bottom, left = (
        (0.0, w, h, 0.0)[n] if word.lower() == "auto" else length(word, h if n % 2 == 0 else w, bare=bare)
        for n, word in enumerate(sides)
    )
    return _rounded(x + left, y + top, max(right - left, 0.0), max(bottom - top, 0.0), corners, bare)


def _xywh(text: str, box: Box, bare: bool) -> Element | None:
    x, y, w, h = box
    sides, corners = _split(text, "round")
    if len(sides) != 4:
        raise OutlineError(f'"{short(text)}" can\'t be read', mend="draw the clip again")
    left, top, wide, high = (length(word, w if n % 2 == 0 else h, bare=bare) for n, word in enumerate(sides))
    return _rounded(x + left, y + top, wide, high, corners, bare)


def _round(text: str, box: Box, bare: bool, axes: int) -> Element | None:
    x, y, w, h = box
    radii, at = _split(text, "at")
    cx, cy = place(at or ["center"], box, bare=bare)
    if len(radii) > axes:
        raise OutlineError(f'"{short(text)}" can\'t be read', mend="draw the clip again")
    words = [*radii, *["closest-side"] * (axes - len(radii))]
    across, down = (abs(cx - x), abs(x + w - cx)), (abs(cy - y), abs(y + h - cy))
    gaps: list[tuple[float, ...]]
    if axes == 1:
        gaps, of = [across + down], [math.sqrt((w * w + h * h) / 2)]
    else:
        gaps, of = [across, down], [w, h]
    r = [
        min(gap) if word.lower() == "closest-side" else max(gap) if word.lower() == "farthest-side"
        else length(word, share, bare=bare)
        for word, gap, share in zip(words, gaps, of, strict=True)
    ]  # fmt: skip
    if min(r) < 0:
        raise OutlineError("a radius below 0", mend="draw the clip again")
    return _element("ellipse", cx=cx, cy=cy, rx=r[0], ry=r[-1]) if min(r) > 0 else None


def _polygon(text: str, box: Box, bare: bool) -> Element | None:
    x, y, w, h = box
    points = []
    for pair in text.split(","):
        words = pair.split()
        if len(words) != 2:
            raise OutlineError(f'"{short(text)}" is not a list of points', mend="draw the clip again")
        points += [x + length(words[0], w, bare=bare), y + length(words[1], h, bare=bare)]
    return _element("polygon", points=" ".join(repr(p) for p in points))


def _path(text: str, box: Box, bare: bool) -> Element | None:
    quoted = re.fullmatch(r"""(["'])(.*)\1""", text, re.DOTALL)
    if not quoted:
        raise OutlineError(f'"{short(text)}" can\'t be read', mend="draw the clip again")
    return _element("path", d=quoted[2], x=box[0], y=box[1])


_SHAPES: dict[str, Callable[[str, Box, bool], Element | None]] = {
    "inset": _inset,
    "rect": _rect,
    "xywh": _xywh,
    "circle": lambda text, box, bare: _round(text, box, bare, 1),
    "ellipse": lambda text, box, bare: _round(text, box, bare, 2),
    "polygon": _polygon,
    "path": _path,
}


def filled(runs: Sequence[CurveRun], rule: str) -> shapely.Geometry:
    """The area that runs fill together by the rule "nonzero" or "evenodd", mm; open ones are closed.

    Raises: OutlineError for a clip that winds around itself, or of too many lines.
    """
    if len(runs) > _MOST_RINGS:
        raise OutlineError(f"a clip of more than {_MOST_RINGS} lines", mend="release the clip in the drawing")
    lines = [flatten_line(run.curves, _FLAT_MM) for run in runs]
    rings = [shapely.LinearRing(line.coords) for line in lines if len(line.coords) >= 3]
    if len(rings) == 1 and rings[0].is_simple:
        return Polygon(rings[0])
    for ring in rings:
        if not ring.is_simple and len(ring.coords) > _MOST_CROSSING:
            raise OutlineError("a clip crosses itself", mend="release the clip in the drawing")
    _affordable(rings)
    faces = shapely.get_parts(shapely.polygonize([shapely.union_all(rings)]))
    inner = shapely.get_coordinates(shapely.point_on_surface(faces))
    turns = np.zeros(len(faces), dtype=int)
    for ring in rings:
        turns += _turns(ring, inner)
    return shapely.union_all(faces[turns % 2 == 1 if rule == "evenodd" else turns != 0])


def _turns(ring: shapely.LinearRing, points: Floats) -> NDArray[np.int64]:
    """How often a ring goes round each point, and which way (more or less than 0)."""
    if ring.is_simple:
        area = Polygon(ring)
        shapely.prepare(area)
        return shapely.contains_xy(area, points) * (1 if ring.is_ccw else -1)
    corners = np.asarray(ring.coords)
    (x0, y0), (x1, y1) = corners[:-1].T, corners[1:].T
    x, y = points[:, :1], points[:, 1:]
    # Crossings of the ray to the right, counted with their directions.
    side = (x1 - x0) * (y - y0) - (x - x0) * (y1 - y0)
    up, down = (y0 <= y) & (y1 > y) & (side > 0), (y0 > y) & (y1 <= y) & (side < 0)
    return up.sum(axis=1) - down.sum(axis=1)


def united(areas: Sequence[shapely.Geometry]) -> shapely.Geometry:
    """Areas as one. Raises OutlineError for clips that have too many points together."""
    _affordable(areas)
    return shapely.union_all(list(areas))


def _affordable(shapes: Sequence[shapely.Geometry]) -> None:
    """Each line of one shape may cross each of another."""
    counts = np.array([shapely.get_num_coordinates(shape) for shape in shapes], dtype=float)
    if counts.sum() * counts.sum() - (counts * counts).sum() > _MOST_PAIRS:
        raise OutlineError(
            "the clips of the drawing have too many points", mend="release the clips in the drawing"
        )


def through(area: shapely.Geometry, windows: Sequence[ClipWindow]) -> shapely.Geometry:
    """What of an area is seen through all windows, mm."""
    for window in windows:
        _affordable([area, window.area])
        area = _faces(area.intersection(window.area))
    return area


def _faces(shape: shapely.Geometry) -> shapely.Geometry:
    """A shape without the points and lines that may be left where two areas only touch."""
    if isinstance(shape, Polygon):
        return shape
    return shapely.union_all([part for part in shapely.get_parts(shape) if isinstance(part, Polygon)])
