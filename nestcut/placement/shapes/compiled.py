"""How kernels are compiled, and functions of :mod:`nestcut.arithmetic` for kernels; plain code calls those themselves.

A kernel is compiled when it is first called, kept on disk, and loaded from there later (:mod:`nestcut.placement.shapes.cache`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit
from numba.core import event

from nestcut import _stopwatch, arithmetic

__all__ = ["angle_of", "exponential", "inner", "kernel", "length_of", "sine_cosine"]


def kernel(function: Callable[..., Any]) -> Any:
    """A compiled function, kept on disk. Never with ``fastmath``: each processor must give the same bits."""
    return njit(cache=True)(function)


def inner(function: Callable[..., Any]) -> Any:
    """A kernel that only other kernels call and that makes no arrays: no door for Python, no counting of references.

    Both are a good part of what there is to compile.
    """
    options: dict[str, Any] = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True, "_nrt": False}
    return njit(cache=True, **options)(function)


class _Compiling(event.Listener):  # type: ignore[misc]
    def on_start(self, event: event.Event) -> None:
        _stopwatch.compiling_begins()

    def on_end(self, event: event.Event) -> None:
        _stopwatch.compiling_ends()


event.register("numba:compile", _Compiling())

sine_cosine = kernel(arithmetic.sine_cosine)
angle_of = kernel(arithmetic.angle_of)
exponential = kernel(arithmetic.exponential)
length_of = kernel(arithmetic.length_of)
