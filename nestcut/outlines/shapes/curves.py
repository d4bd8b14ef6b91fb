"""Lines, Béziers and elliptical arcs as values that stay exact under affine maps.

Each curve gives samples (point, direction of travel) dense enough that between two of them it is
convex and nearly straight; :mod:`nestcut.outlines.shapes.flatten` builds polygons on the safe side from them.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nestcut.arithmetic import angle_of, angles_of, dot, length_of, lengths_of, sine_cosine, sines_cosines
from nestcut.errors import OutlineError

__all__ = ["Arc", "Bezier", "Curve", "Line", "Matrix", "arc_from_endpoints", "extent", "sample"]

Floats = NDArray[np.float64]
Matrix = NDArray[np.float64]
"""2 × 3: a point p goes to M[:, :2] · p + M[:, 2]."""

_STEEPEST_RAD = 0.35
"""Most turn between two samples."""
_SHORTEST_MM = 1e-7
"""Bends shorter than this are corners."""
_LONGEST_MM = 0.8
"""Longest step between two samples of a curve, so that longer straight edges are known for straight."""


@dataclass(frozen=True, slots=True)
class Line:
    """Straight from ``start`` to ``end``."""

    start: tuple[float, float]
    end: tuple[float, float]

    def moved(self, m: Matrix) -> Line:
        """The line under an affine map."""
        return Line(_map(m, self.start), _map(m, self.end))


@dataclass(frozen=True, slots=True)
class Bezier:
    """A quadratic (3 points) or cubic (4 points) Bézier curve."""

    points: tuple[tuple[float, float], ...]

    @property
    def start(self) -> tuple[float, float]:
        """First point."""
        return self.points[0]

    @property
    def end(self) -> tuple[float, float]:
        """Last point."""
        return self.points[-1]

    def moved(self, m: Matrix) -> Bezier:
        """The curve under an affine map."""
        return Bezier(tuple(_map(m, p) for p in self.points))

    def at(self, t: Floats) -> Floats:
        """Points at parameters t in [0, 1], shape (n, 2); de Casteljau, so that ends are exact."""
        return _casteljau(np.asarray(self.points, dtype=float), t)

    def speed(self, t: Floats) -> Floats:
        """Derivatives at parameters t, shape (n, 2)."""
        p = np.asarray(self.points, dtype=float)
        return (len(p) - 1) * _casteljau(np.diff(p, axis=0), t)

    def breaks(self) -> list[float]:
        """Parameters of inflections and cusps inside (0, 1): zeros of B' × B''."""
        p = np.asarray(self.points, dtype=float)
        if len(p) != 4:
            # A parabola has no inflection; where it is flat its points are in line (see flattened()).
            return []
        a, b, c = p[1] - p[0], p[2] - p[1], p[3] - p[2]
        # B'/3 = a(1−t)² + 2b t(1−t) + c t²,  B''/6 = (b−a)(1−t) + (c−b)t; their cross product
        # is a quadratic in t (Stone & DeRose 1989, "A geometric characterization of parametric cubic curves").
        ab, ac, bc = _cross(a, b), _cross(a, c), _cross(b, c)
        roots = _roots(_trim([ab - ac + bc, ac - 2 * ab, ab]), beyond=1e-4)
        # One at the very end would split off a stub as short as rounding errors.
        return [t for t in roots if 1e-6 < t < 1 - 1e-6]

    def flattened(self) -> list[Line] | None:
        """Straight lines, if all control points lie on one line (ends of overshoots included), else None."""
        p = np.asarray(self.points, dtype=float)
        size = float(np.ptp(p, axis=0).max())
        chord = p[-1] - p[0]
        if length_of(*chord) < 1e-9 * size:
            chord = max((q - p[0] for q in p[1:]), key=lambda d: length_of(*d))
        length = length_of(*chord)
        if length == 0:
            return [Line(self.start, self.end)]
        off_line = np.abs(_cross(np.broadcast_to(chord, p.shape), p - p[0])) / length
        if off_line.max() > 1e-9 * max(1.0, size):
            return None
        ahead = dot(p - p[0], *chord) / length
        # the derivative of the way along the line, highest power first
        _, *slope = _power_basis(ahead)
        speed = [(k + 1) * c for k, c in enumerate(slope)][::-1]
        turns = sorted(t for t in _roots(_trim(speed), beyond=1e-9) if 1e-9 < t < 1 - 1e-9)
        inner = [tuple(map(float, q)) for q in self.at(np.array(turns))] if turns else []
        stops = [self.start, *inner, self.end]
        return [Line(q, r) for q, r in itertools.pairwise(stops)]  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Arc:
    """Part of an ellipse: centre + cos θ · u + sin θ · v for θ from ``begin`` to ``begin + turn`` (radians).

    ``start`` and ``end`` are kept as drawn, so that neighbours meet exactly.
    """

    centre: tuple[float, float]
    u: tuple[float, float]
    v: tuple[float, float]
    begin: float
    turn: float
    start: tuple[float, float]
    end: tuple[float, float]

    def moved(self, m: Matrix) -> Arc:
        """The arc under an affine map: still part of an ellipse, though u and v may be oblique."""
        u, v = (dot(m[:, :2], *way) for way in (self.u, self.v))
        return Arc(
            _map(m, self.centre),
            (float(u[0]), float(u[1])),
            (float(v[0]), float(v[1])),
            self.begin,
            self.turn,
            _map(m, self.start),
            _map(m, self.end),
        )

    def at(self, t: Floats) -> Floats:
        """Points at parameters t in [0, 1], shape (n, 2)."""
        angle = self.begin + t * self.turn
        u, v = np.array(self.u), np.array(self.v)
        sin, cos = sines_cosines(angle)
        points = np.array(self.centre) + cos[:, None] * u + sin[:, None] * v
        points[t == 0.0] = self.start
        points[t == 1.0] = self.end
        return points

    def speed(self, t: Floats) -> Floats:
        """Derivatives at parameters t, shape (n, 2)."""
        angle = self.begin + t * self.turn
        u, v = np.array(self.u), np.array(self.v)
        sin, cos = sines_cosines(angle)
        return self.turn * (cos[:, None] * v - sin[:, None] * u)

    def breaks(self) -> list[float]:
        """Parameters that part the arc into quarters at most."""
        parts = max(1, math.ceil(abs(self.turn) / (math.pi / 2) - 1e-9))
        return [k / parts for k in range(1, parts)]


Curve = Line | Bezier | Arc


def arc_from_endpoints(
    start: tuple[float, float],
    radii: tuple[float, float],
    rotation_deg: float,
    large: bool,
    sweep: bool,
    end: tuple[float, float],
) -> Arc | Line:
    """The arc of an SVG path command.

    Args:
        start, end: end points, user units.
        radii: radii of the ellipse; signs don't matter, too small ones are enlarged, 0 gives a straight line.
        rotation_deg: turn of the ellipse's x axis, degrees.
        large, sweep: the two flags.
    Source: SVG 1.1 appendix F.6.2 (out of range), F.6.5 (endpoint to centre), F.6.6 (radius correction).
    """
    rx, ry = abs(radii[0]), abs(radii[1])
    if rx == 0 or ry == 0 or start == end:
        return Line(start, end)
    phi = math.radians(rotation_deg % 360.0)
    sin, cos = sine_cosine(phi)
    hx, hy = (start[0] - end[0]) / 2, (start[1] - end[1]) / 2
    x1, y1 = cos * hx + sin * hy, -sin * hx + cos * hy
    # In units of the radii the ellipse is the unit circle: everything below stays well scaled.
    p, q = x1 / rx, y1 / ry
    stretch = math.hypot(p, q)
    if stretch == 0 or not math.isfinite(stretch):
        return Line(start, end)
    if stretch > 1:
        rx, ry, p, q = rx * stretch, ry * stretch, p / stretch, q / stretch
    half = min(1.0, math.hypot(p, q))
    away = math.sqrt(max(0.0, (1 - half) * (1 + half))) / half
    if large == sweep:
        away = -away
    cp, cq = away * q, -away * p
    centre = (
        cos * rx * cp - sin * ry * cq + (start[0] + end[0]) / 2,
        sin * rx * cp + cos * ry * cq + (start[1] + end[1]) / 2,
    )
    begin = angle_of(q - cq, p - cp)
    turn = angle_of(-q - cq, -p - cp) - begin
    if sweep and turn <= 0:
        turn += 2 * math.pi
    elif not sweep and turn >= 0:
        turn -= 2 * math.pi
    return Arc(centre, (cos * rx, sin * rx), (-sin * ry, cos * ry), begin, turn, start, end)


def extent(curves: Sequence[Curve]) -> tuple[float, float, float, float]:
    """The bounding box of curves: least x and y, greatest x and y, in their own units."""
    points: list[tuple[float, float]] = []
    for curve in curves:
        points += [curve.start, curve.end]
        if isinstance(curve, Line):
            continue
        inner = [t for axis in (0, 1) for t in _turning(curve, axis) if 0 < t < 1]
        if inner:
            points += [(float(x), float(y)) for x, y in curve.at(np.array(inner))]
    xs, ys = zip(*points, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def _turning(curve: Bezier | Arc, axis: int) -> list[float]:
    """Parameters at which the curve may turn back along an axis."""
    if isinstance(curve, Arc):
        top = angle_of(curve.v[axis], curve.u[axis])
        turns = range(-5, 6)  # an arc begins and ends within two turns of 0
        return [(top + k * math.pi - curve.begin) / curve.turn for k in turns]
    speed = np.polynomial.polynomial.Polynomial(
        _power_basis(np.array([p[axis] for p in curve.points]))
    ).deriv()
    coefficients = _trim([float(c) for c in speed.coef[::-1]])
    return _roots(coefficients, beyond=1e-6)


@functools.lru_cache(maxsize=512)  # a loop is asked for twice: for its cut, and for the rim around it
def sample(curve: Bezier | Arc, sagitta_mm: float) -> tuple[Floats, Floats]:
    """Points on a curve and unit directions of travel there, dense enough to flatten it.

    Between two samples the curve is convex, turns by 0.35 rad at most and lies within ``sagitta_mm``
    of its chord; a sharper bend is shorter than 1e-7 mm and counts as a corner.

    Returns: points (n, 2) and directions (n, 2), the ends included; not to be written to.
    """
    t = np.unique(np.array([0.0, *curve.breaks(), 1.0]))
    # Uneven first steps: a symmetric S sampled at its ends and middle only would look straight.
    t = np.unique(np.concatenate([t[:-1], t[1:], t[:-1] + np.diff(t) * 0.38, t[:-1] + np.diff(t) * 0.71]))
    for _ in range(40):
        points, directions = curve.at(t), _directions(curve, t)
        step = lengths_of(np.diff(points, axis=0))
        turn = _turns(directions)
        coarse = (turn > _STEEPEST_RAD) | (step * turn / 8 > sagitta_mm) | (step > _LONGEST_MM)
        coarse &= (step > _SHORTEST_MM) & (np.diff(t) > 1e-15)
        if not coarse.any():
            break
        if len(t) > 200_000:
            raise OutlineError("a curve is too long or too complex to follow", mend="simplify the drawing")
        # A long step is divided in one go, not by halving and asking again.
        parts = np.clip(np.ceil(np.sqrt(step * turn / 8 / sagitta_mm)), 2, 64)
        parts = np.maximum(parts, np.clip(np.ceil(step / _LONGEST_MM), 2, 10_000))[coarse].astype(int)
        left, gap = t[:-1][coarse], np.diff(t)[coarse]
        new = [lo + g * np.arange(1, n) / n for lo, g, n in zip(left, gap, parts, strict=True)]
        t = np.unique(np.concatenate([t, *new]))
    points.flags.writeable = directions.flags.writeable = False
    return points, directions


def _directions(curve: Bezier | Arc, t: Floats) -> Floats:
    speed = curve.speed(t)
    size = lengths_of(speed)
    slow = size < 1e-9 * max(float(size.max()), 1e-300)
    for k in np.flatnonzero(slow):
        # A handle of no length: the direction is that of the limit from inside the curve.
        ahead = t[k] < 0.5
        other = t[k] + (1e-6 if ahead else -1e-6)
        chord = curve.at(np.array([t[k], other]))
        speed[k] = (chord[1] - chord[0]) * (1 if ahead else -1)
        if isinstance(curve, Bezier) and t[k] in (0.0, 1.0):
            p = np.asarray(curve.points, dtype=float)
            p = p if ahead else p[::-1]
            far = [q - p[0] for q in p[1:] if length_of(*(q - p[0])) > 1e-9 * np.ptp(p, axis=0).max()]
            if far:
                speed[k] = far[0] * (1 if ahead else -1)
    size = lengths_of(speed)
    return speed / np.where(size > 0, size, 1.0)[:, None]


def _turns(directions: Floats) -> Floats:
    a, b = directions[:-1], directions[1:]
    return np.abs(angles_of(_cross(a, b), (a * b).sum(axis=1)))


def _cross(a: Floats, b: Floats) -> Any:
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def _casteljau(p: Floats, t: Floats) -> Floats:
    layers = np.repeat(p[:, None, :], len(t), axis=1)
    s = t[None, :, None]
    while len(layers) > 1:
        layers = layers[:-1] * (1 - s) + layers[1:] * s
    return layers[0]


def _power_basis(values: Floats) -> Floats:
    """Power coefficients, lowest first, of a one-dimensional Bézier polynomial."""
    if len(values) == 3:
        a, b, c = values
        return np.array([a, 2 * (b - a), a - 2 * b + c])
    a, b, c, d = values
    return np.array([a, 3 * (b - a), 3 * (a - 2 * b + c), d - 3 * c + 3 * b - a])


def _trim(coefficients: list[float]) -> list[float]:
    """Leading coefficients that are only rounding noise, dropped."""
    scale = max(abs(float(c)) for c in coefficients)
    while len(coefficients) > 1 and abs(coefficients[0]) <= 1e-12 * scale:
        coefficients = coefficients[1:]
    return coefficients


def _roots(coefficients: list[float], *, beyond: float) -> list[float]:
    """Real parts of the roots of a polynomial up to the second degree, but for those farther than ``beyond`` off the real line."""
    if len(coefficients) < 3:
        return [] if len(coefficients) < 2 else [float(-coefficients[1] / coefficients[0])]
    a, b, c = (float(k) for k in coefficients)
    middle, under = -b / (2 * a), b * b - 4 * a * c
    if under < 0:
        return [middle, middle] if math.sqrt(-under) / abs(2 * a) < beyond else []
    far = -0.5 * (b + math.copysign(math.sqrt(under), b))  # without the difference of nearly equal numbers
    return [far / a, c / far] if far else [0.0, 0.0]


def _map(m: Matrix, p: tuple[float, float]) -> tuple[float, float]:
    return (
        float(m[0, 0] * p[0] + m[0, 1] * p[1] + m[0, 2]),
        float(m[1, 0] * p[0] + m[1, 1] * p[1] + m[1, 2]),
    )
