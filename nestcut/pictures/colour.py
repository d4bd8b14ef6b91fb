"""Colours of pictures: sRGB, linear light, CIELAB, and how different two colours look (CIEDE2000).

All functions take and give arrays of any shape whose last axis has length 3, and work element by element.

Sources: sRGB and its matrix: IEC 61966-2-1. CIELAB with the white D65: CIE 15. CIEDE2000: G. Sharma, W. Wu and E. N. Dalal, "The
CIEDE2000 color-difference formula: implementation notes, supplementary test data, and mathematical observations", Color Research and
Application 30 (2005); the numbers of equations below are theirs.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["LUMINANCE", "difference", "lab_from_linear", "linear_from_srgb", "srgb_from_linear"]

Floats = NDArray[np.float64]

LUMINANCE = np.array((0.2126, 0.7152, 0.0722))
"""Share of linear red, green and blue in the luminance."""
_TO_XYZ = np.array(((0.4124, 0.3576, 0.1805), LUMINANCE, (0.0193, 0.1192, 0.9505)))
_WHITE = _TO_XYZ.sum(axis=1)
"""What red, green and blue of 1 make: D65, as far as the four digits of the matrix go, so that white has a* = b* = 0."""


def linear_from_srgb(srgb: ArrayLike) -> Floats:
    """Linear light, 0 to 1, from sRGB values from 0 to 1 (of 8 bits: divide by 255)."""
    values = np.asarray(srgb, dtype=np.float64)
    return np.where(values <= 0.04045, values / 12.92, ((np.maximum(values, 0.0) + 0.055) / 1.055) ** 2.4)


def srgb_from_linear(linear: ArrayLike) -> Floats:
    """sRGB values from 0 to 1 from linear light, 0 to 1."""
    values = np.asarray(linear, dtype=np.float64)
    return np.where(
        values <= 0.0031308, values * 12.92, 1.055 * np.maximum(values, 0.0) ** (1.0 / 2.4) - 0.055
    )


def lab_from_linear(linear: ArrayLike) -> Floats:
    """CIELAB (L* from 0 to 100, a*, b*) from linear red, green and blue, 1 being the white."""
    share = np.asarray(linear, dtype=np.float64) @ _TO_XYZ.T / _WHITE
    root = np.where(share > (6 / 29) ** 3, np.cbrt(share), share / (3 * (6 / 29) ** 2) + 4 / 29)
    x, y, z = np.moveaxis(root, -1, 0)
    return np.stack((116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)), axis=-1)


def difference(one: ArrayLike, other: ArrayLike) -> Floats:
    """How different colours look: CIEDE2000 with kL = kC = kH = 1.

    Args:
        one, other: CIELAB, shape (…, 3); shapes are broadcast.
    Returns: ΔE00, shape (…): about 1 can just be seen side by side.
    """
    light1, a1, b1 = np.moveaxis(np.asarray(one, dtype=np.float64), -1, 0)
    light2, a2, b2 = np.moveaxis(np.asarray(other, dtype=np.float64), -1, 0)
    # Equations 2 to 7: a* stretched where colours are pale, then chroma and hue.
    chroma = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2.0
    stretch = 1.5 - 0.5 * _weight(chroma)
    chroma1, chroma2 = np.hypot(stretch * a1, b1), np.hypot(stretch * a2, b2)
    hue1, hue2 = (np.degrees(np.arctan2(b, stretch * a)) % 360.0 for a, b in ((a1, b1), (a2, b2)))
    # 8 to 11: differences; a grey has no hue.
    grey = chroma1 * chroma2 == 0.0
    turn = hue2 - hue1
    turn = np.where(grey, 0.0, np.where(np.abs(turn) > 180.0, turn - np.copysign(360.0, turn), turn))
    lightness_by, chroma_by = light2 - light1, chroma2 - chroma1
    hue_by = 2.0 * np.sqrt(chroma1 * chroma2) * np.sin(np.radians(turn) / 2.0)
    # 12 to 14: means; that of two hues is the middle of the shorter arc between them.
    lightness, chroma = (light1 + light2) / 2.0, (chroma1 + chroma2) / 2.0
    total = hue1 + hue2
    far = np.abs(hue1 - hue2) > 180.0
    hue = np.where(far, np.where(total < 360.0, total + 360.0, total - 360.0), total) / 2.0
    hue = np.where(grey, total, hue)
    # 15 to 21: how much each difference counts there.
    tone = (
        1.0
        - 0.17 * _cos(hue - 30.0)
        + 0.24 * _cos(2.0 * hue)
        + 0.32 * _cos(3.0 * hue + 6.0)
        - 0.20 * _cos(4.0 * hue - 63.0)
    )
    off = (lightness - 50.0) ** 2
    for_lightness = 1.0 + 0.015 * off / np.sqrt(20.0 + off)
    for_chroma = 1.0 + 0.045 * chroma
    for_hue = 1.0 + 0.015 * chroma * tone
    blue = 30.0 * np.exp(-(((hue - 275.0) / 25.0) ** 2))
    rotation = -np.sin(np.radians(2.0 * blue)) * 2.0 * _weight(chroma)
    # 22.
    parts = lightness_by / for_lightness, chroma_by / for_chroma, hue_by / for_hue
    square = parts[0] ** 2 + parts[1] ** 2 + parts[2] ** 2 + rotation * parts[1] * parts[2]
    return np.sqrt(np.maximum(square, 0.0))


def _weight(chroma: Floats) -> Floats:
    return np.sqrt(chroma**7 / (chroma**7 + 25.0**7))


def _cos(degrees: Floats) -> Floats:
    return np.cos(np.radians(degrees))
