"""Sines, angles, lengths and turned points that come out the same on every processor.

A search decides by the last bit, and a plan follows from every one of its decisions. The usual roads differ in that bit from
processor to processor: matrix products go through BLAS, which has kernels of its own for each; sines and powers come from
a library that takes other formulas where the processor can multiply and add in one step. Here everything is + − × ÷ √ in a
written order, each rounded once, as IEEE 754 prescribes; so the result is the same wherever Python runs.

The functions of single numbers are plain Python, which numba compiles as it stands (:mod:`nestcut.placement.shapes.compiled`).
tests/test_same_arithmetic.py keeps the usual roads out of the rooms that decide.

Source of the polynomials: fdlibm (Sun Microsystems 1993), as in most C libraries; errors below two units in the last place.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely import transform
from shapely.geometry.base import BaseGeometry

__all__ = [
    "angle_of",
    "angles_of",
    "bell",
    "buffered",
    "dot",
    "exponential",
    "length_of",
    "lengths_of",
    "logarithm",
    "power",
    "sine_cosine",
    "sines_cosines",
    "turn_points",
    "turn_shape",
]

Floats = NDArray[np.float64]

_QUARTER_HIGH, _QUARTER_LOW = 1.57079632673412561417e00, 6.07710050650619224932e-11  # π/2 = high + low
_LN2_HIGH, _LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10
_GRID_PER_MM = float(2**30)
"""Corners of grown outlines lie on a grid of a nanometre's thousandth, so that last bits of a library's sines get lost."""


def sine_cosine(angle: float) -> tuple[float, float]:
    """Sine and cosine of an angle in radians (within ±10⁶)."""
    quarter = math.floor(angle * 0.6366197723675814 + 0.5)
    r = (angle - quarter * _QUARTER_HIGH) - quarter * _QUARTER_LOW
    z = r * r
    p = -1.98412698298579493134e-04 + z * (
        2.75573137070700676789e-06 + z * (-2.50507602534068634195e-08 + z * 1.58969099521155010221e-10)
    )
    s = r + z * r * (-1.66666666666666324348e-01 + z * (8.33333333332248946124e-03 + z * p))
    q = 2.48015872894767294178e-05 + z * (
        -2.75573143513906633035e-07 + z * (2.08757232129817482790e-09 + z * -1.13596475577881948265e-11)
    )
    q = z * (4.16666666666666019037e-02 + z * (-1.38888888888741095749e-03 + z * q))
    half = 0.5 * z
    w = 1.0 - half
    c = w + (((1.0 - w) - half) + z * q)
    turn = quarter % 4
    if turn == 0:
        return s, c
    if turn == 1:
        return c, -s
    if turn == 2:
        return -s, -c
    return -c, s


def angle_of(y: float, x: float) -> float:
    """The angle of the direction (x, y), radians in (−π, π]; 0 for (0, 0). The order is that of atan2."""
    wide, high = abs(x), abs(y)
    if wide == 0.0 and high == 0.0:
        return 0.0
    t = min(wide, high) / max(wide, high)  # within one eighth of a turn
    base, rest = 0.0, 0.0
    if t > 0.6875:
        t, base, rest = (t - 1.0) / (t + 1.0), 7.85398163397448278999e-01, 3.06161699786838301793e-17
    elif t > 0.4375:
        t, base, rest = (2.0 * t - 1.0) / (2.0 + t), 4.63647609000806093515e-01, 2.26987774529616870924e-17
    z = t * t
    w = z * z
    even = 6.66107313738753120669e-02 + w * (4.97687799461593236017e-02 + w * 1.62858201153657823623e-02)
    even = 1.42857142725034663711e-01 + w * (9.09088713343650656196e-02 + w * even)
    even = z * (3.33333333333329318027e-01 + w * even)
    odd = -7.69187620504482999495e-02 + w * (-5.83357013379057348645e-02 + w * -3.65315727442169155270e-02)
    odd = w * (-1.99999999998764832476e-01 + w * (-1.11111104054623557880e-01 + w * odd))
    angle = base - ((t * (even + odd) - rest) - t)
    if high > wide:
        angle = 1.57079632679489655800e00 - (angle - 6.12323399573676603587e-17)
    if x < 0.0:
        angle = 3.14159265358979311600e00 - (angle - 1.22464679914735317720e-16)
    return -angle if y < 0.0 else angle


def exponential(x: float) -> float:
    """e to the power of x; x below 700."""
    if x < -745.0:
        return 0.0
    k = math.floor(x * 1.44269504088896338700e00 + 0.5)
    high, low = x - k * _LN2_HIGH, k * _LN2_LOW
    r = high - low
    z = r * r
    p = -1.65339022054652515390e-06 + z * 4.13813679705723846039e-08
    p = -2.77777777770155933842e-03 + z * (6.61375632143793436117e-05 + z * p)
    c = r - z * (1.66666666666666019037e-01 + z * p)
    return math.ldexp(1.0 - ((low - (r * c) / (2.0 - c)) - high), k)


def logarithm(x: float) -> float:
    """The natural logarithm of x > 0."""
    m, k = math.frexp(x)
    if m < 0.7071067811865476:
        m, k = 2.0 * m, k - 1
    f = m - 1.0
    s = f / (2.0 + f)
    z = s * s
    w = z * z
    odd = 2.222219843214978396e-01 + w * 1.531383769920937332e-01
    odd = w * (3.999999999940941908e-01 + w * odd)
    even = 1.818357216161805012e-01 + w * 1.479819860511658591e-01
    even = z * (6.666666666666735130e-01 + w * (2.857142874366239149e-01 + w * even))
    half = 0.5 * f * f
    return k * _LN2_HIGH - ((half - (s * (half + (odd + even)) + k * _LN2_LOW)) - f)


def length_of(x: float, y: float) -> float:
    """The length of the vector (x, y)."""
    return math.sqrt(x * x + y * y)


def lengths_of(vectors: Any) -> Floats:
    """The lengths of vectors, shape (…, 2)."""
    vectors = np.asarray(vectors, dtype=float)
    x, y = vectors[..., 0], vectors[..., 1]
    return np.sqrt(x * x + y * y)


def sines_cosines(angles: Any) -> tuple[Floats, Floats]:
    """Sines and cosines of an array of angles, radians."""
    angles = np.asarray(angles, dtype=float)
    pairs = np.array([sine_cosine(angle) for angle in angles.ravel().tolist()]).reshape(*angles.shape, 2)
    return pairs[..., 0], pairs[..., 1]


def angles_of(y: Any, x: Any) -> Floats:
    """The angles of the directions (x, y), radians."""
    y, x = np.broadcast_arrays(np.asarray(y, dtype=float), np.asarray(x, dtype=float))
    pairs = zip(y.ravel().tolist(), x.ravel().tolist(), strict=True)
    return np.array([angle_of(b, a) for b, a in pairs]).reshape(y.shape)


def dot(points: Any, x: Any, y: Any) -> Floats:
    """How far points, shape (…, 2), lie in the direction (x, y)."""
    points = np.asarray(points, dtype=float)
    return points[..., 0] * x + points[..., 1] * y


def turn_points(points: Any, sine: float, cosine: float) -> Floats:
    """Points, shape (…, 2), turned about the origin."""
    points = np.asarray(points, dtype=float)
    x, y = points[..., 0], points[..., 1]
    return np.stack((x * cosine - y * sine, x * sine + y * cosine), axis=-1)


def turn_shape(shape: Any, deg: float) -> Any:
    """A shape turned about the origin; quarter turns are exact."""
    quarter = deg / 90.0
    if quarter == round(quarter):
        sine, cosine = ((0.0, 1.0), (1.0, 0.0), (0.0, -1.0), (-1.0, 0.0))[round(quarter) % 4]
    else:
        sine, cosine = sine_cosine(math.radians(deg))
    return transform(shape, lambda points: turn_points(points, sine, cosine))


def buffered(shape: BaseGeometry, by_mm: float, quad_segs: int = 16) -> Any:
    """``shape.buffer``, whose round corners lie on a fine grid: the library that makes them has sines of its own."""
    raw = shape.buffer(by_mm, quad_segs=quad_segs)
    made = transform(raw, lambda points: np.round(points * _GRID_PER_MM) / _GRID_PER_MM)
    return made if made.is_valid else raw


def bell(chance: Any) -> float:
    """A random number about 0, nearly normal with deviation 1: twelve even ones added up."""
    return float(sum(chance.random() for _ in range(12)) - 6.0)


def power(x: float, y: float) -> float:
    """x > 0 to the power of y."""
    return exponential(y * logarithm(x))
