"""Drafts of a whole plan: what they take, which is better, and what they offer to choose from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from shapely.geometry import Polygon

from nestcut.batch.model import Batch
from nestcut.hands import minutes_of
from nestcut.passes.common.types import PlatePlan
from nestcut.passes.drafts.handling import draft_actions
from nestcut.passes.drafts.order import layups_used
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.passes.plate.lighten import heavy_layups
from nestcut.plans.model import Share

__all__ = [
    "Draft",
    "Shares",
    "best_of",
    "better",
    "choices",
    "figures",
    "handiest_of",
    "heavy",
    "rank",
    "rank_of",
]

Shares = tuple[tuple[Share, ...], ...]


@dataclass(frozen=True, slots=True)
class Draft:
    """A plate plan with its papers. ``bound`` and its proof are for the pieces in ``shares``."""

    plate: PlatePlan
    bound: PlatePlan
    shares: Shares
    papered: PaperedPasses

    @property
    def passes(self) -> int:
        return len(self.papered.passes)

    @property
    def missing(self) -> int:
        return sum(self.papered.missing.values())

    @property
    def paper_mm2(self) -> float:
        """Paper in all parts that are used, mm²."""
        return sum(outline.area for outline in self._parts(trimmed=False))

    @property
    def trims(self) -> int:
        return len(self._parts(trimmed=True))

    def _parts(self, *, trimmed: bool) -> list[Polygon]:
        """Outlines of all parts, or of those that are trimmed; each part once."""
        uses = [use for one in self.papered.passes for use in one.uses if not (trimmed and use.whole)]
        # A strip is the same value in all its passes, and equal strips share it: comparing shapes is what takes time.
        shapes = {id(use.outline): use.outline for use in uses}
        keys = {number: outline.wkb for number, outline in shapes.items()}
        return list({(use.scrap, keys[id(use.outline)]): use.outline for use in uses}.values())


def figures(batch: Batch, draft: Draft) -> dict[str, float]:
    """Passes, changes, trims, paper in mm² and minutes of a draft."""
    used = {draft_pass.run for draft_pass in draft.papered.passes}
    return {
        "passes": float(draft.passes),
        "changes": float(len(used)),
        "trims": float(draft.trims),
        "paper": draft.paper_mm2,
        "minutes": minutes_of(draft_actions(batch, draft.papered), batch.hand.seconds, batch.machine),
    }


def best_of(batch: Batch, drafts: Sequence[Draft]) -> Draft:
    """What the person would rather have of one draft or more, the first of equals. Each is ranked once."""
    return min(drafts, key=lambda draft: rank(batch, draft))


def handiest_of(batch: Batch, drafts: Sequence[Draft]) -> Draft:
    """The same where as many more passes than the fewest count as equal as the person allows."""
    least = min(draft.missing for draft in drafts)
    fewest = min(draft.passes for draft in drafts if draft.missing == least)
    allowed = fewest + batch.wishes.extra_passes.of(fewest)
    return min(drafts, key=lambda draft: rank(batch, draft, allowed))


def better(batch: Batch, a: Draft, b: Draft) -> bool:
    """Whether ``a`` is what the person would rather have."""
    return rank(batch, a) < rank(batch, b)


def rank(batch: Batch, draft: Draft, allowed: int = 0) -> tuple[float, ...]:
    """What is missing first, then what the person wishes, in their order; fewer trims and passes where all else is equal.

    A limit of the cranking load comes after the first wish: keeping it never costs a pass.

    Args:
        allowed: up to so many passes are as good as fewer.
    """
    return rank_of(batch, figures(batch, draft), draft.missing, heavy(batch, draft), allowed)


def rank_of(
    batch: Batch, found: Mapping[str, float], missing: int, heavy_ones: int, allowed: int = 0
) -> tuple[float, ...]:
    """The same from what is known of a draft: what :func:`figures` tells, cuts missing, lay-ups too hard to crank.

    It never falls where one of these grows.
    """
    wished = [
        max(found[wish], float(allowed)) if wish == "passes" else found[wish] for wish in batch.wishes.order
    ]
    last = (found["trims"], found["passes"])
    return (float(missing), *wished[:1], float(heavy_ones), *wished[1:], *last)


def heavy(batch: Batch, draft: Draft) -> int:
    """How many lay-ups are above the batch's limit of the cranking load."""
    used = layups_used(draft.papered.passes)
    return len(heavy_layups(batch, [draft.papered.runs[run].task.slots for run in used]))


def choices(
    batch: Batch, drafts: Sequence[Draft], chosen: Mapping[str, float], most: int = 6
) -> list[dict[str, Any]]:
    """Rows of the trade-off, as plain JSON values: the plan, and drafts that are better than it in something.

    Args:
        drafts: whole drafts for the same pieces.
        chosen: passes, changes, trims, paper and minutes of the plan itself.
    """
    keys = ("passes", "changes", "trims", "paper", "minutes")
    rows = [dict(chosen)]
    for draft in drafts:
        row = figures(batch, draft)
        if not any(all(round(known[k], 2) <= round(row[k], 2) for k in keys) for known in rows):
            rows.append(row)
    rows.sort(key=lambda row: (row["passes"], row["changes"], row["trims"]))
    if len(rows) > most:
        rows = [row for row in rows if row == dict(chosen)][:1] + rows[: most - 1]
    return [
        {
            "passes": round(row["passes"]),
            "layups": round(row["changes"]),
            "trims": round(row["trims"]),
            "paper_mm2": round(row["paper"], 1),
            "minutes": round(row["minutes"], 2),
            "chosen": row == dict(chosen),
        }
        for row in rows
    ]
