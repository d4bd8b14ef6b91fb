"""Path data and basic shapes → closed or open runs of curves, in user units.

svgpathtools reads the path commands. Before that every path is checked against the grammar (a wrong
path is refused, not half drawn), parted into its subpaths, and arcs that are straight or empty
(SVG 1.1, F.6.2) are written as lines, since the library asserts on them.
"""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import dataclass

from nestcut.errors import OutlineError
from nestcut.outlines.drawing.document import Element
from nestcut.outlines.drawing.frames import finite, number_list, read_length
from nestcut.outlines.shapes.curves import Arc, Bezier, Curve, Line, Matrix, arc_from_endpoints
from nestcut.outlines.shapes.plain import ellipse_curves, rounded_curves

__all__ = ["MOST_SEGMENTS", "SHAPES", "CurveRun", "check_reach", "runs_of"]

MOST_SEGMENTS = 50_000
"""More than any die; a drawing with more is a picture."""

SHAPES = frozenset({"path", "circle", "ellipse", "rect", "polygon", "polyline", "line"})

_FARTHEST_MM = 10_000.0
_LARGEST_CURVE_MM = 3_000.0
"""A curve is followed to 0.6 µm at first: one of 10 m would take half a minute, and nobody cuts one."""

_ARGUMENTS = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7, "Z": 0}
_TOKEN = re.compile(
    r"[\s,]*(?:([MmZzLlHhVvCcSsQqTtAa])|([-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?))", re.ASCII
)
_FLAG = re.compile(r"[\s,]*([01])", re.ASCII)
_MEND_PATH = "save the drawing again as plain SVG"


@dataclass(frozen=True, slots=True)
class CurveRun:
    """Curves in a row, each beginning where the last one ends."""

    curves: tuple[Curve, ...]
    closed: bool
    element: Element

    def moved(self, m: Matrix) -> CurveRun:
        """The run under an affine map."""
        return CurveRun(tuple(c.moved(m) for c in self.curves), self.closed, self.element)


def runs_of(element: Element, geometry: dict[str, str], view: tuple[float, float]) -> list[CurveRun]:
    """The runs that a shape element draws, in its own user units.

    Args:
        element: a path or a basic shape.
        geometry: geometry given in CSS (``r``, ``cx``, …, ``d``), which beats the attributes.
        view: width and height of the nearest viewport, user units, for percentages.
    Raises: OutlineError for what can't be read. An element that draws nothing gives no run.
    """
    diagonal = math.hypot(view[0], view[1]) / math.sqrt(2.0)
    basis = dict.fromkeys(("x", "cx", "rx", "width", "x1", "x2"), view[0])
    basis |= dict.fromkeys(("y", "cy", "ry", "height", "y1", "y2"), view[1])

    def length(name: str, default: float = 0.0) -> float:
        text = geometry.get(name) or element.get(name)
        if not text.strip() or text.strip() == "auto":
            return default
        return read_length(text, basis.get(name, diagonal), name=name)

    tag = element.tag
    if tag == "path":
        return _path(element, _css_path(geometry["d"]) if "d" in geometry else element.get("d"))
    if tag in ("polygon", "polyline"):
        return _polygon(element)
    if tag == "line":
        a, b = (length("x1"), length("y1")), (length("x2"), length("y2"))
        return [CurveRun((Line(a, b),), False, element)] if a != b else []
    if tag == "rect":
        return _rect(element, length)
    rx, ry = length("r"), length("r")
    if tag == "ellipse":
        # SVG 2: an automatic radius is the other one.
        rx = length("rx", length("ry"))
        ry = length("ry", rx)
    if rx < 0 or ry < 0:
        raise OutlineError("a radius below 0", mend="draw it again")
    if rx == 0 or ry == 0:
        return []
    return [CurveRun(tuple(ellipse_curves(length("cx"), length("cy"), rx, ry)), True, element)]


def check_reach(run: CurveRun) -> None:
    """Raises OutlineError for a run, in mm, that no die could have."""
    numbers: list[float] = []
    widest = 0.0
    for curve in run.curves:
        if isinstance(curve, Bezier):
            widest = max(widest, *(max(axis) - min(axis) for axis in zip(*curve.points, strict=True)))
            numbers += [c for p in curve.points for c in p]
        else:
            numbers += [*curve.start, *curve.end]
            if isinstance(curve, Arc):
                widest = max(widest, 2 * math.hypot(*curve.u), 2 * math.hypot(*curve.v))
                numbers += [*curve.u, *curve.v]
    # Written so that a NaN fails too.
    if not all(abs(number) <= _FARTHEST_MM for number in numbers):
        raise OutlineError("the drawing is larger than 10 m", mend="draw at the real size, in mm")
    if not widest <= _LARGEST_CURVE_MM:
        raise OutlineError(
            f"a curve is {widest / 1000:.1f} m wide, and at most 3 m can be cut",
            mend="draw at the real size, in mm",
        )


def _rect(element: Element, length) -> list[CurveRun]:
    w, h = length("width"), length("height")
    if w < 0 or h < 0:
        raise OutlineError("a width or height below 0", mend="draw it again")
    if w == 0 or h == 0:
        return []
    rx, ry = length("rx", -1.0), length("ry", -1.0)
    # SVG 1.1 section 9.2: one missing radius is the other; both are at most half the side.
    rx, ry = (ry if rx < 0 else rx), (rx if ry < 0 else ry)
    rx, ry = min(max(rx, 0.0), w / 2), min(max(ry, 0.0), h / 2)
    return [CurveRun(tuple(rounded_curves(length("x"), length("y"), w, h, rx, ry)), True, element)]


def _polygon(element: Element) -> list[CurveRun]:
    values = number_list(element.get("points"))
    if len(values) % 2:
        raise OutlineError("points has an odd number of numbers", mend=_MEND_PATH)
    if len(values) > 2 * MOST_SEGMENTS:
        raise OutlineError(f"more than {MOST_SEGMENTS} points", mend="simplify the drawing")
    points = list(zip(values[::2], values[1::2], strict=True))
    lines = [Line(a, b) for a, b in itertools.pairwise(points)]
    closed = element.tag == "polygon"
    if closed and len(points) > 1 and points[-1] != points[0]:
        lines.append(Line(points[-1], points[0]))
    lines = [line for line in lines if line.start != line.end]
    if lines and lines[-1].end == lines[0].start and len(lines) > 2:
        closed = True
    return [CurveRun(tuple(lines), closed, element)] if lines else []


def _css_path(value: str) -> str:
    """The path data of a ``d`` property (SVG 2 section 9.3)."""
    match = re.fullmatch(r"""path\(\s*(["'])(.*)\1\s*\)""", value, re.IGNORECASE | re.DOTALL)
    if match or value.lower() == "none":
        return match[2] if match else ""
    raise OutlineError("path data in a style that can't be read", mend="save the drawing as plain SVG")


def _path(element: Element, d: str) -> list[CurveRun]:
    runs: list[CurveRun] = []
    for text, closed in _subpaths(d):
        curves = _curves(text)
        if curves and closed and curves[-1].end != curves[0].start:
            curves.append(Line(curves[-1].end, curves[0].start))
        if curves:
            closed = closed or (len(curves) > 1 and curves[-1].end == curves[0].start)
            runs.append(CurveRun(tuple(curves), closed, element))
    return runs


def _subpaths(d: str) -> list[tuple[str, bool]]:
    """Absolute path data of each subpath, beginning with M and without Z, and whether Z closed it."""
    found: list[tuple[str, bool]] = []
    words: list[str] = []
    at = start = (0.0, 0.0)
    end = segments = 0
    command = ""
    while (more := _next_command(d, end, command)) is not None:
        command, values, end = more
        kind, relative = command.upper(), command.islower()
        if not words and not found and kind != "M":
            raise OutlineError(f'the path begins with "{command}", not with a move', mend=_MEND_PATH)
        segments += 1
        if segments > MOST_SEGMENTS:
            raise OutlineError(f"a path of more than {MOST_SEGMENTS} segments", mend="simplify the drawing")
        if kind == "Z":
            found.append((" ".join(words), True))
            words, at = [], start
            continue
        values = _absolute(kind, values, at) if relative else values
        if kind == "M":
            if words:
                found.append((" ".join(words), False))
            start = (values[0], values[1])
            words = []
        if not words and kind != "M":
            words = [f"M{start[0]!r} {start[1]!r}"]
        before, at = at, _end_of(kind, values, at)
        if kind == "A" and (values[0] == 0 or values[1] == 0 or at == before):
            kind, values = "L", [*at]
        words.append(
            kind
            + " ".join(str(int(v)) if kind == "A" and n in (3, 4) else repr(v) for n, v in enumerate(values))
        )
        # After a move further pairs are lines.
        command = {"M": "L", "m": "l"}.get(command, command)
    if words:
        found.append((" ".join(words), False))
    return found


def _next_command(d: str, end: int, last: str) -> tuple[str, list[float], int] | None:
    """The next command with one set of arguments, and where the text goes on."""
    token = _TOKEN.match(d, end)
    if token is None:
        if d[end:].strip(" \t\r\n\f,"):
            raise OutlineError(
                f'the path data can\'t be read at "{d[end : end + 20].strip()}"', mend=_MEND_PATH
            )
        return None
    command = token[1] or last
    if token[1]:
        end = token.end()
    elif not last or last in "Zz":
        raise OutlineError(f'the path data has a number without a command: "{token[2]}"', mend=_MEND_PATH)
    values: list[float] = []
    arc = command in "Aa"
    for n in range(_ARGUMENTS[command.upper()]):
        if arc and n in (3, 4):
            flag = _FLAG.match(d, end)
            if not flag:
                raise OutlineError("an arc has a flag that is neither 0 nor 1", mend=_MEND_PATH)
            values.append(float(flag[1]))
            end = flag.end()
            continue
        number = _TOKEN.match(d, end)
        if not number or number[2] is None:
            raise OutlineError(f'the path command "{command}" lacks numbers', mend=_MEND_PATH)
        values.append(finite(number[2]))
        end = number.end()
    return command, values, end


def _absolute(kind: str, values: list[float], at: tuple[float, float]) -> list[float]:
    if kind == "H":
        return [values[0] + at[0]]
    if kind == "V":
        return [values[0] + at[1]]
    if kind == "A":
        return [*values[:5], values[5] + at[0], values[6] + at[1]]
    return [v + at[n % 2] for n, v in enumerate(values)]


def _end_of(kind: str, values: list[float], at: tuple[float, float]) -> tuple[float, float]:
    if kind == "H":
        return (values[0], at[1])
    if kind == "V":
        return (at[0], values[0])
    return (values[-2], values[-1])


def _curves(text: str) -> list[Curve]:
    from svgpathtools import CubicBezier, QuadraticBezier, parse_path
    from svgpathtools import Line as PathLine

    curves: list[Curve] = []
    for piece in parse_path(text):
        start, end = _pair(piece.start), _pair(piece.end)
        if isinstance(piece, PathLine):
            if start != end:
                curves.append(Line(start, end))
        elif isinstance(piece, CubicBezier):
            curves.append(Bezier((start, _pair(piece.control1), _pair(piece.control2), end)))
        elif isinstance(piece, QuadraticBezier):
            curves.append(Bezier((start, _pair(piece.control), end)))
        else:
            # The library's own centre is off by up to 1e-4 radii for nearly half turns: compute it anew.
            radii = _pair(piece.radius)
            arc = arc_from_endpoints(start, radii, piece.rotation, piece.large_arc, piece.sweep, end)
            curves.append(arc)
    return [c for c in curves if not (isinstance(c, Bezier) and len(set(c.points)) == 1)]


def _pair(z: complex) -> tuple[float, float]:
    return (float(z.real), float(z.imag))
