"""How long a proof is gone through, and what is told apart from a proof that is wrong: one that takes too long."""

from __future__ import annotations

import time
from collections.abc import Callable

__all__ = ["ENDLESS", "Patience", "TooLongError", "TooMuchError", "Undecided"]


class TooLongError(Exception):
    """The time for a proof is over before it was gone through. Says nothing about what it proves."""


class TooMuchError(Exception):
    """The proof is beyond what can be gone through, which says nothing against it; the text says why."""


class Undecided(str):
    """A reason why nothing was proved that says nothing against it: it is too large, or took too much work."""

    __slots__ = ()


class Patience:
    """Seconds (of the clock on the wall) that a proof may take, or a word from outside that it has been enough."""

    def __init__(self, seconds: float | None = None, *, stop: Callable[[], bool] | None = None) -> None:
        """``seconds``: None: no limit. ``stop``: asked now and then; True ends it."""
        self.seconds, self.stop = seconds, stop
        self.begin_s = time.monotonic()

    def ask(self) -> None:
        """Raises TooLongError when the time is over. Asked at least once in some tenths of a second."""
        if self.seconds is not None and time.monotonic() - self.begin_s > self.seconds:
            raise TooLongError(f"within {self.seconds:g} seconds")
        if self.stop is not None and self.stop():
            raise TooLongError("within the time that is left")


ENDLESS = Patience()
"""For callers that set no limit."""
