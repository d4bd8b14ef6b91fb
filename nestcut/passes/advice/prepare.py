"""What the planner does before the clock starts: find a place for compiled kernels, and load the library that compiles them.

Kernels are compiled when a job first needs them, once a machine. The clock of a plan stands still meanwhile
(:mod:`nestcut._stopwatch`), so that nobody's evening gets shorter by it.
"""

from __future__ import annotations

from collections.abc import Callable

from nestcut import _stopwatch

__all__ = ["prepare"]


def prepare(tell: Callable[[str], None] | None = None) -> None:
    """Make ready for kernels.

    Args:
        tell: is told "preparing (once)" when one must be compiled first.
    """
    from nestcut.placement.shapes.cache import keep_kernels

    keep_kernels()
    _stopwatch.tell_of_compiling(None if tell is None else lambda: tell("preparing (once)"))
    import nestcut.placement.shapes.compiled  # noqa: F401
