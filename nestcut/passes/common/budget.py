"""Time and work that a step may take. Nothing else in this room reads the clock.

A plan has one budget; a step gets a part of it, which ends earlier and knows everything else the whole one knows: the
seed, whom to tell, whether work is counted in place of time. Where work is counted the clock never decides, so plans
repeat: no part of such a budget is ever over, and steps count their tries instead (:meth:`Budget.either`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeVar

from nestcut import _stopwatch
from nestcut.passes.common.solvers import new_solver

if TYPE_CHECKING:
    from ortools.sat.python.cp_model import CpSolver

__all__ = ["ENDLESS", "Budget", "ProgressCall"]

ProgressCall = Callable[[float, int | None, int | None, str], None]
"""(seconds, passes, bound, what is being done)"""
T = TypeVar("T")

FINISHING = 0.1
"""Share of a plan's time that is kept for putting it together and checking it."""
LATE = 0.94
"""Share of a plan's time after which nothing is begun that the plan can do without."""
UNTIMED_S = 3600.0
"""Seconds that are left where work is counted."""
SOLVER_S = 60.0
"""Most seconds of a solver where work is counted: its own work limit comes first."""
LEAST_WORK = 25
"""A late start must not leave the person with one die at a time: so many tries are made up to ``OVERDUE`` times the time."""
OVERDUE = 3.0


@dataclass(frozen=True, slots=True)
class Budget:
    """Time and work that are left, counted from ``begin``."""

    seconds: float = math.inf
    """It is over so many seconds after ``begin``; without meaning where work is counted."""
    work_limit: int | None = None
    """Most tries of a plate search, in place of the clock."""
    seed: int = 0
    stop: Callable[[], bool] | None = None
    """Asked now and then; True ends everything."""
    on_progress: ProgressCall | None = None
    begin: float = field(default_factory=_stopwatch.seconds)
    late_s: float = math.inf
    """Seconds after which nothing is begun that can be left out."""
    grace_s: float = 0.0
    """It is not over before so many seconds, whatever happens."""
    span_s: float = math.inf
    """Seconds that it had when it was made."""

    @classmethod
    def for_plan(
        cls,
        seconds: float,
        *,
        work_limit: int | None = None,
        seed: int = 0,
        stop: Callable[[], bool] | None = None,
        on_progress: ProgressCall | None = None,
    ) -> Budget:
        """For a whole plan: a part of the seconds is kept for putting it together and checking it."""
        usable = (1 - FINISHING) * seconds
        return cls(usable, work_limit, seed, stop, on_progress, late_s=LATE * seconds, span_s=usable)

    # --- what is left ------------------------------------------------------------------------

    def spent(self) -> float:
        """Seconds since the beginning."""
        return _stopwatch.seconds() - self.begin

    def left(self) -> float:
        """Seconds until it is over; an hour where work is counted."""
        return UNTIMED_S if self.by_work else max(0.0, self.seconds - self.spent())

    def stopped(self) -> bool:
        """True where somebody asked to stop."""
        return bool(self.stop and self.stop())

    @property
    def by_work(self) -> bool:
        """True where work is counted, not time."""
        return self.work_limit is not None

    def either(self, by_clock: T, *, by_work: T) -> T:
        """What a step does by the clock, or what it does where work is counted."""
        return by_work if self.by_work else by_clock

    def over(self) -> bool:
        """True where a step must end."""
        if self.grace_s > 0 and self.spent() < self.grace_s:
            return False
        return self.stopped() or (not self.by_work and self.spent() >= self.seconds)

    def done(self, work: int) -> bool:
        """The same for a search that has made so many tries."""
        if self.stopped():
            return True
        if self.work_limit is not None:
            return work >= self.work_limit
        spent = self.spent()
        return spent >= self.seconds and (work >= LEAST_WORK or spent >= OVERDUE * self.seconds)

    def room_for(self, seconds: float) -> bool:
        """Whether a step that takes about so long can be made."""
        return not self.stopped() and (self.by_work or self.left() > seconds)

    def late(self) -> bool:
        """True where hardly enough is left to put the plan together: what is only told beside it is left out."""
        return self.stopped() or (not self.by_work and self.spent() >= self.late_s)

    # --- parts -------------------------------------------------------------------------------

    def part(self, share: float) -> Budget:
        """This share of what is left."""
        if self.by_work or share >= 1:
            return self
        span_s = share * self.left()
        return replace(self, seconds=self.spent() + span_s, span_s=span_s)

    def next(self, seconds: float) -> Budget:
        """So many seconds from now, even if that is beyond its own end."""
        return self if self.by_work else replace(self, seconds=self.spent() + seconds, span_s=seconds)

    def less(self, seconds: float) -> Budget:
        """The same with so many seconds fewer."""
        return self if self.by_work else replace(self, seconds=self.seconds - seconds)

    def grace(self, seconds: float) -> Budget:
        """Until nothing more should be begun; so many seconds from now in any case."""
        return replace(self, seconds=self.late_s, grace_s=self.spent() + seconds)

    def reseeded(self, more: int) -> Budget:
        """The same with another seed: another try."""
        return replace(self, seed=self.seed + more)

    # --- what it is good for -----------------------------------------------------------------

    def solver(self, seconds: float, *, work: float) -> CpSolver:
        """A solver with its limits: ``work`` is in OR-Tools' own measure, and alone decides where work is counted."""
        return new_solver(
            seconds=self.either(min(seconds, max(0.1, self.left())), by_work=SOLVER_S),
            work=work,
            seed=self.seed,
        )

    def solver_s(self, seconds: float) -> float:
        """Seconds for a solver that has another limit besides."""
        return self.either(seconds, by_work=SOLVER_S)

    def say(self, passes: int | None, bound: int | None, text: str) -> None:
        """Tell what is being done."""
        if self.on_progress is not None:
            self.on_progress(self.spent(), passes, bound, text)


ENDLESS = Budget()
"""For callers to whom time does not matter."""
