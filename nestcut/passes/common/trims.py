"""What a person wants to do to scraps with scissors: ``hand.trims`` is read here and nowhere else in this room."""

from __future__ import annotations

from dataclasses import dataclass

from nestcut.batch.model import Batch

__all__ = ["Trimming"]


@dataclass(frozen=True, slots=True)
class Trimming:
    """Which trims are allowed."""

    allowed: bool
    """False: scraps lie as they are, or slit where they are wider than the plate."""
    any_shape: bool
    """True: parts are cut out along any line. Otherwise only straight cuts right through the piece in hand."""

    @classmethod
    def of(cls, batch: Batch) -> Trimming:
        """As the batch says."""
        wish = batch.hand.trims
        return cls(allowed=wish != "none", any_shape=wish == "scissors")

    @property
    def straight_only(self) -> bool:
        """Trims are allowed, by straight cuts alone."""
        return self.allowed and not self.any_shape
