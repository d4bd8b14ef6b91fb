"""Whether further pieces are worth the passes, lay-ups and minutes they take."""

from __future__ import annotations

from nestcut.batch.model import Batch
from nestcut.passes.drafts.ranking import Draft, figures

__all__ = ["LAYUPS_A_CUT", "worth_it"]

MINUTES_A_CUT = 10.0
"""Most minutes by the plan's clock that a further cut may take; beyond that a person would rather buy a sheet."""
LAYUPS_A_CUT = 5.0
"""Most lay-ups for it, however many trims they save: nobody follows a hundred for two flowers."""


def worth_it(batch: Batch, got: Draft, without: Draft) -> bool:
    """Whether what ``got`` cuts beyond ``without`` is worth the further passes and lay-ups."""
    now, before = figures(batch, got), figures(batch, without)
    gained = without.missing - got.missing
    return (
        now["minutes"] - before["minutes"] <= MINUTES_A_CUT * gained
        and now["changes"] - before["changes"] <= LAYUPS_A_CUT * gained
    )
