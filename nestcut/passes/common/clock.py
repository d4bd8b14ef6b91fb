"""Time and work that are left to the planner, handed out to its steps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from nestcut import _stopwatch

__all__ = ["Clock", "ProgressCall"]

ProgressCall = Callable[[float, int | None, int | None, str], None]

FINISHING = 0.1
"""Share of the time that is kept for putting the plan together and checking it."""
LATE = 0.94
"""Share of the time after which nothing is begun that the plan can do without."""


@dataclass
class Clock:
    """Time and work that are left. With a work limit the clock never decides, so plans repeat."""

    seconds: float
    work_limit: int | None
    stop: Callable[[], bool] | None
    on_progress: ProgressCall | None
    start: float

    def spent(self) -> float:
        return _stopwatch.seconds() - self.start

    def left(self) -> float:
        return max(0.0, (1 - FINISHING) * self.seconds - self.spent())

    def stopped(self) -> bool:
        return bool(self.stop and self.stop())

    @property
    def by_work(self) -> bool:
        """True where work is counted, not time."""
        return self.work_limit is not None

    def room_for(self, seconds: float) -> bool:
        """Whether a step that took so long the last time can be made again."""
        return not self.stopped() and (self.by_work or self.left() > seconds)

    def over(self) -> bool:
        return self.stopped() or (not self.by_work and self.left() <= 0)

    def late(self) -> bool:
        """True where hardly enough is left to put the plan together: what is only told beside it is left out."""
        return self.stopped() or (not self.by_work and self.spent() >= LATE * self.seconds)

    def within(self, share: float) -> Callable[[], bool]:
        """Asked now and then by a step that may take this share of what is left: True ends it."""
        end = self.spent() + share * self.left()
        return lambda: self.stopped() or (not self.by_work and self.spent() >= end)

    def share(self, part: float) -> Clock:
        """A clock with this share of the time that is left; the same where work is counted."""
        if self.by_work:
            return self
        return replace(self, seconds=(self.spent() + part * self.left()) / (1 - FINISHING))

    def say(self, passes: int | None, bound: int | None, text: str) -> None:
        if self.on_progress is not None:
            self.on_progress(self.spent(), passes, bound, text)
