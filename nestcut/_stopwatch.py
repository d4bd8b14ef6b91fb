"""Seconds of an evening: a clock that stands still while kernels are compiled, which happens once a machine."""

from __future__ import annotations

import time
from collections.abc import Callable

__all__ = ["compiling_begins", "compiling_ends", "seconds", "tell_of_compiling"]

_lost_s = 0.0
_began_s: float | None = None
_depth = 0
_tell: Callable[[], None] | None = None


def seconds() -> float:
    """Like ``time.monotonic()``, in s, less what went into compiling kernels so far."""
    began, lost = _began_s, _lost_s
    return (time.monotonic() if began is None else began) - lost


def tell_of_compiling(tell: Callable[[], None] | None) -> None:
    """Have this called when the next kernel is compiled: once, and not at all where nothing needs compiling."""
    global _tell
    _tell = tell


def compiling_begins() -> None:
    """A kernel is being compiled from here on; those that it calls may follow within. One thread compiles at a time."""
    global _began_s, _depth, _tell
    _depth += 1
    if _depth == 1:
        _began_s = time.monotonic()
        tell, _tell = _tell, None
        if tell is not None:
            tell()


def compiling_ends() -> None:
    """The kernel is compiled."""
    global _began_s, _depth, _lost_s
    _depth -= 1
    if _depth == 0 and _began_s is not None:
        _lost_s, _began_s = _lost_s + time.monotonic() - _began_s, None
