"""How many threads OR-Tools may use, set once for a whole plan.

One thread gives the same answer each time; several find good lay-ups sooner, in an order that the system decides.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

__all__ = ["solver_workers", "solving_with"]

_WORKERS: ContextVar[int] = ContextVar("workers", default=1)


def solver_workers() -> int:
    """Threads for a solver that is about to start."""
    return _WORKERS.get()


@contextmanager
def solving_with(workers: int) -> Iterator[None]:
    """Solvers started inside use this many threads."""
    token = _WORKERS.set(max(1, workers))
    try:
        yield
    finally:
        _WORKERS.reset(token)
