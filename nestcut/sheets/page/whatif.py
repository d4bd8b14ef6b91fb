"""What could be bought or changed to need fewer passes, in one sentence for the run sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from nestcut.plans.model import Plan
from nestcut.sheets.drawings.words import plain

__all__ = ["advice_text"]


def advice_text(plan: Plan) -> str:
    """ "The most that one purchase saves: a second campion die saves 31 passes, …", or an empty text.

    Of purchases, the one that saves most passes for each die bought; of equals, the one that saves more.
    """
    ideas = plan.extras.get("what_if")
    if not isinstance(ideas, Sequence) or isinstance(ideas, str) or plan.nothing_cut:
        return ""
    best: tuple[float, int, str] | None = None
    for one in ideas:
        if not isinstance(one, Mapping) or one.get("kind") != "die":
            continue
        passes, sentence = one.get("passes"), one.get("sentence")
        if not isinstance(passes, int) or passes >= 0 or not isinstance(sentence, str):
            continue
        each = -passes / (1 + sentence.count(" die and a "))
        if best is None or (each, -passes) > best[:2]:
            best = (each, -passes, sentence)
    if best is None:
        return ""
    return f"Most useful purchase: {plain(best[2]).rstrip('.')}."
