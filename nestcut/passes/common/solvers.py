"""OR-Tools' solver as all of this room starts it.

How many threads it may use is set once for a whole plan: one gives the same answer each time; several find good lay-ups
sooner, in an order that the system decides.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ortools.sat.python.cp_model import CpSolver

__all__ = ["new_solver", "solver_workers", "solving_with"]

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


def new_solver(
    *, seconds: float | None = None, work: float | None = None, seed: int | None = None
) -> CpSolver:
    """A solver with its limits.

    Args:
        seconds: limit by the clock, not below 0.05; None: none.
        work: limit in OR-Tools' deterministic time; None: none.
        seed: None leaves the solver's own.
    """
    from ortools.sat.python import cp_model

    solver = cp_model.CpSolver()
    # Ctrl-C is ours: OR-Tools would put the default handler back.
    solver.parameters.catch_sigint_signal = False
    solver.parameters.num_workers = solver_workers()
    if seconds is not None:
        solver.parameters.max_time_in_seconds = max(0.05, seconds)
    if work is not None:
        solver.parameters.max_deterministic_time = work
    if seed is not None:
        solver.parameters.random_seed = seed
    return solver
