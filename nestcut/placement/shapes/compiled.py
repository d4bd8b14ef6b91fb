"""The functions of :mod:`nestcut.arithmetic` for compiled kernels."""

from __future__ import annotations

from numba import njit

from nestcut import arithmetic

__all__ = ["angle_of", "exponential", "length_of", "sine_cosine"]

sine_cosine = njit(cache=True)(arithmetic.sine_cosine)
angle_of = njit(cache=True)(arithmetic.angle_of)
exponential = njit(cache=True)(arithmetic.exponential)
length_of = njit(cache=True)(arithmetic.length_of)
