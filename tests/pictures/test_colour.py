"""Colours against published numbers."""

from __future__ import annotations

import numpy as np
import pytest

from nestcut.pictures import difference, lab_from_linear, linear_from_srgb, srgb_from_linear
from nestcut.pictures.colour import LUMINANCE

# Sharma, Wu and Dalal 2005, table 1: two colours in CIELAB, and how different they look, to four digits.
PAIRS = [
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, 3.1571, -77.2803), (50, 0, -82.7485), 2.8615),
    ((50, 2.8361, -74.0200), (50, 0, -82.7485), 3.4412),
    ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0000),
    ((50, -1.1848, -84.8006), (50, 0, -82.7485), 1.0000),
    ((50, -0.9009, -85.5211), (50, 0, -82.7485), 1.0000),
    ((50, 0, 0), (50, -1, 2), 2.3669),
    ((50, -1, 2), (50, 0, 0), 2.3669),
    ((50, 2.4900, -0.0010), (50, -2.4900, 0.0009), 7.1792),
    ((50, 2.4900, -0.0010), (50, -2.4900, 0.0010), 7.1792),
    ((50, 2.4900, -0.0010), (50, -2.4900, 0.0011), 7.2195),
    ((50, 2.4900, -0.0010), (50, -2.4900, 0.0012), 7.2195),
    ((50, -0.0010, 2.4900), (50, 0.0009, -2.4900), 4.8045),
    ((50, -0.0010, 2.4900), (50, 0.0010, -2.4900), 4.8045),
    ((50, -0.0010, 2.4900), (50, 0.0011, -2.4900), 4.7461),
    ((50, 2.5, 0), (50, 0, -2.5), 4.3065),
    ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ((50, 2.5, 0), (61, -5, 29), 22.8977),
    ((50, 2.5, 0), (56, -27, -3), 31.9030),
    ((50, 2.5, 0), (58, 24, 15), 19.4535),
    ((50, 2.5, 0), (50, 3.1736, 0.5854), 1.0000),
    ((50, 2.5, 0), (50, 3.2972, 0), 1.0000),
    ((50, 2.5, 0), (50, 1.8634, 0.5757), 1.0000),
    ((50, 2.5, 0), (50, 3.2592, 0.3350), 1.0000),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((63.0109, -31.0961, -5.8663), (62.8187, -29.7946, -4.0864), 1.2630),
    ((61.2901, 3.7196, -5.3901), (61.4292, 2.2480, -4.9620), 1.8731),
    ((35.0831, -44.1164, 3.7933), (35.0232, -40.0716, 1.5901), 1.8645),
    ((22.7233, 20.0904, -46.6940), (23.0331, 14.9730, -42.5619), 2.0373),
    ((36.4612, 47.8580, 18.3852), (36.2715, 50.5065, 21.2231), 1.4146),
    ((90.8027, -2.0831, 1.4410), (91.1528, -1.6435, 0.0447), 1.4441),
    ((90.9257, -0.5406, -0.9208), (88.6381, -0.8985, -0.7239), 1.5381),
    ((6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), 0.6377),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
]


@pytest.mark.parametrize(("one", "other", "published"), PAIRS)
def test_published_pairs(one: tuple[float, ...], other: tuple[float, ...], published: float) -> None:
    """To the four digits that are printed, in either order."""
    assert difference(one, other) == pytest.approx(published, abs=5.1e-5)
    assert difference(other, one) == pytest.approx(published, abs=5.1e-5)


def test_whole_arrays_at_once() -> None:
    """Shapes are broadcast: a picture against a list of papers."""
    ones, others = np.array([p[0] for p in PAIRS]), np.array([p[1] for p in PAIRS])
    table = difference(ones[:, None, :], others[None, :, :])
    assert table.shape == (34, 34)
    assert np.diag(table) == pytest.approx([p[2] for p in PAIRS], abs=5.1e-5)
    assert difference(ones, ones).max() == 0.0


def test_linear_light_and_back() -> None:
    """All 256 values of a channel come back; the two parts of the curve meet where the standard says."""
    values = np.arange(256) / 255
    linear = linear_from_srgb(values)
    assert (np.diff(linear) > 0).all()
    assert srgb_from_linear(linear) == pytest.approx(values, abs=1e-6)
    assert (linear[0], linear[255]) == (0.0, 1.0)
    assert linear_from_srgb(0.04045) == pytest.approx(0.04045 / 12.92)
    assert linear_from_srgb(0.5) == pytest.approx(((0.5 + 0.055) / 1.055) ** 2.4)
    assert srgb_from_linear(0.0031308) == pytest.approx(0.0031308 * 12.92)


def test_lab_of_white_black_and_grey() -> None:
    """White is (100, 0, 0), black 0, a grey has no hue, and its lightness follows from its luminance."""
    assert lab_from_linear((1, 1, 1)) == pytest.approx((100, 0, 0), abs=1e-9)
    assert lab_from_linear((0, 0, 0)) == pytest.approx((0, 0, 0), abs=1e-9)
    assert lab_from_linear((0.184187, 0.184187, 0.184187)) == pytest.approx((50, 0, 0), abs=1e-4)
    assert LUMINANCE.sum() == pytest.approx(1.0)
    red = lab_from_linear((1, 0, 0))
    assert red[0] == pytest.approx(116 * np.cbrt(LUMINANCE[0]) - 16)
    assert red[1] > 70 > red[2] > 50
