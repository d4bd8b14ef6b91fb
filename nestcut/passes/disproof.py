"""Proofs that a set of dies cannot lie on the plate together, beyond rim area."""

from __future__ import annotations

from typing import TYPE_CHECKING

from nestcut.passes.master import Counts

if TYPE_CHECKING:
    from nestcut.passes.search import PlateSearch

__all__ = ["disprove_set"]


def disprove_set(search: PlateSearch, counts: Counts, effort: int) -> bool:
    """Try to disprove a set, or a part of it, and note it in the book. True if there is news."""
    del search, counts, effort
    return False
