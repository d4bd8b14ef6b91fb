"""Arithmetic that is the same everywhere: how near the truth it is, and that the rooms that decide use nothing else."""

from __future__ import annotations

import ast
import math
import random
from pathlib import Path

import mpmath
import numpy as np
import pytest
from shapely.geometry import Point, box

from nestcut import arithmetic
from nestcut.arithmetic import (
    angle_of,
    angles_of,
    buffered,
    dot,
    exponential,
    length_of,
    lengths_of,
    logarithm,
    power,
    sine_cosine,
    sines_cosines,
    turn_points,
    turn_shape,
)

PACKAGE = Path(arithmetic.__file__).parent
ROOMS = ("outlines", "batch", "hands", "placement", "passes")


def off(found: float, true: mpmath.mpf) -> float:
    """How far off, in units of the last place."""
    return float(abs(mpmath.mpf(found) - true) / mpmath.mpf(math.ulp(float(true))))


def numbers() -> list[float]:
    """Numbers of many sizes, of both signs."""
    chance = random.Random(5)
    return [chance.uniform(-3, 3) * 10 ** chance.uniform(-6, 2) for _ in range(2000)]


def test_within_two_units_in_the_last_place() -> None:
    """Against forty digits."""
    with mpmath.workdps(40):
        for x, y in zip(numbers(), reversed(numbers()), strict=True):
            # near a zero of the function the argument's own last digit is what counts
            sine, cosine = sine_cosine(x)
            assert abs(mpmath.mpf(sine) - mpmath.sin(x)) <= 3e-16 * max(1e-3, abs(mpmath.sin(x)))
            assert abs(mpmath.mpf(cosine) - mpmath.cos(x)) <= 3e-16 * max(1e-3, abs(mpmath.cos(x)))
            assert off(angle_of(y, x), mpmath.atan2(y, x)) <= 2
            assert off(exponential(x), mpmath.exp(x)) <= 2
            assert off(logarithm(abs(x)), mpmath.log(abs(x))) <= 2
            assert off(length_of(x, y), mpmath.hypot(x, y)) <= 2
    assert power(10.0, 2.5) == pytest.approx(10.0**2.5, rel=1e-14)
    assert exponential(-1e9) == exponential(-math.inf) == 0.0


def test_the_axes_are_exact() -> None:
    """No turn, and the four directions."""
    assert sine_cosine(0.0) == (0.0, 1.0)
    assert (exponential(0.0), logarithm(1.0), angle_of(0.0, 0.0)) == (1.0, 0.0, 0.0)
    for y, x in ((0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (-1, -1)):
        assert angle_of(y, x) == math.atan2(y, x)
    assert turn_shape(box(0, 0, 3, 2), 90.0).bounds == (-2.0, 0.0, 0.0, 3.0)


def test_arrays_are_the_single_numbers() -> None:
    """Bit by bit, and with numba as well."""
    from nestcut.placement.shapes import compiled

    x, y = np.array(numbers()), np.array(numbers()[::-1])
    sines, cosines = sines_cosines(x)
    assert list(zip(sines.tolist(), cosines.tolist(), strict=True)) == [sine_cosine(a) for a in x.tolist()]
    assert angles_of(y, x).tolist() == [angle_of(b, a) for a, b in zip(x.tolist(), y.tolist(), strict=True)]
    pairs = np.column_stack((x, y))
    assert lengths_of(pairs).tolist() == [length_of(*p) for p in pairs.tolist()]
    assert dot(pairs, 2.0, 3.0).tolist() == [2.0 * a + 3.0 * b for a, b in pairs.tolist()]
    turn = turn_points(pairs, *sine_cosine(0.7))
    assert lengths_of(turn) == pytest.approx(lengths_of(pairs))
    for a, b in pairs.tolist():
        assert compiled.sine_cosine(a) == sine_cosine(a)
        assert compiled.angle_of(b, a) == angle_of(b, a)
        assert compiled.exponential(a) == exponential(a)
        assert compiled.length_of(a, b) == length_of(a, b)


def test_last_bits_of_round_corners_get_lost() -> None:
    """A corner moved by less than a picometre is the same corner afterwards, and the outline hardly moves."""
    shape = box(0, 0, 20, 10)
    made, raw = buffered(shape, 2.5, 8), shape.buffer(2.5, quad_segs=8)
    assert made.is_valid
    assert made.hausdorff_distance(raw) < 2e-9
    for x, y in made.exterior.coords:
        assert (x * 2**30).is_integer()
        assert (y * 2**30).is_integer()
    assert buffered(Point(0, 0), 1e-12).is_valid


# What differs in the last bit from processor to processor, or from one C library to the next.
ASTRAY = {
    "math": [
        "sin",
        "cos",
        "tan",
        "asin",
        "acos",
        "atan",
        "atan2",
        "exp",
        "expm1",
        "exp2",
        "log",
        "log1p",
        "log2",
        "log10",
        "pow",
        "sinh",
        "cosh",
        "tanh",
        "cbrt",
    ],
    "np": [
        "sin",
        "cos",
        "tan",
        "arcsin",
        "arccos",
        "arctan",
        "arctan2",
        "hypot",
        "exp",
        "expm1",
        "exp2",
        "log",
        "log1p",
        "log2",
        "log10",
        "power",
        "float_power",
        "cbrt",
        "angle",
        "dot",
        "vdot",
        "inner",
        "matmul",
        "tensordot",
        "einsum",
        "kron",
        "linalg",
        "convolve",
        "correlate",
        "roots",
        "polyfit",
        "cov",
        "corrcoef",
    ],
}
METHODS = {"normal", "standard_normal", "exponential", "gauss", "normalvariate", "dot", "roots"}
WHOLE_NUMBERS = {("passes", "sets.py"): 2}
"""Products of matrices of whole numbers: BLAS has no part in them."""


@pytest.mark.parametrize("room", ROOMS)
def test_rooms_that_decide_use_nothing_else(room: str) -> None:
    """No BLAS, no library's sines, no powers of fractions, no random numbers made with them, no fast mathematics."""
    for path in sorted((PACKAGE / room).rglob("*.py")):
        products = 0
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            where = f"{room}/{path.name}, line {getattr(node, 'lineno', 0)}"
            if isinstance(node, ast.BinOp) and isinstance(node.op, ast.MatMult):
                products += 1
            if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow):
                # powers of ten and two are whole numbers, or exact
                base = isinstance(node.left, ast.Constant) and node.left.value in (0.5, 2, 4, 8, 10)
                assert base, f"{where}: a power of fractions"
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                assert node.attr not in ASTRAY.get(node.value.id, ()), f"{where}: {node.value.id}.{node.attr}"
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                assert node.func.attr not in METHODS, f"{where}: {node.func.attr}"
                if node.func.attr == "buffer":
                    style = {word.arg: ast.unparse(word.value) for word in node.keywords}
                    assert style.get("join_style") == "'mitre'", f"{where}: round corners, see buffered()"
            if isinstance(node, ast.Call):
                for word in node.keywords:
                    assert word.arg not in ("fastmath", "error_model"), f"{where}: {word.arg}"
        assert products == WHOLE_NUMBERS.get((room, path.name), 0), f"{room}/{path.name}: a matrix product"
