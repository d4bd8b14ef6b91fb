"""The pulls of both ends of the plate, side by side in the same passes."""

from __future__ import annotations

from collections.abc import Sequence

from nestcut.passes.common.plate_rules import HAIR_MM
from nestcut.passes.common.slits import Piece
from nestcut.passes.drafts.papers_for_passes import PartUse, PassDraft
from nestcut.passes.makers.ends.benches import Pull, use_pose

__all__ = ["Queue", "pairs", "side_by_side"]

NEXT = 400
"""So many pulls of the other end are looked through for one that goes with a pull."""
Queue = list[tuple[Piece, Pull]]
"""Pulls of one end, scrap after scrap."""


def pairs(queues: Sequence[Queue]) -> list[Queue]:
    """Both ends at once: scraps that don't reach each other, and never one and the same."""
    waiting = list(queues[1])
    found: list[Queue] = []
    for first in queues[0]:
        for k, second in enumerate(waiting[:NEXT]):
            apart = first[1].inner_mm <= second[1].inner_mm + HAIR_MM
            if apart and first[0] is not second[0]:
                found.append([first, waiting.pop(k)])
                break
        else:
            found.append([first])
    return found + [[second] for second in waiting]


def side_by_side(run: int, queues: Sequence[Queue]) -> list[PassDraft]:
    """The passes of a lay-up."""
    return [
        PassDraft(
            run,
            [
                PartUse(
                    piece.scrap.id,
                    piece.outline,
                    use_pose(piece, pull),
                    pull.slots,
                    piece.scrap.paper,
                    whole=piece.whole,
                )
                for piece, pull in pair
            ],
        )
        for pair in pairs(queues)
    ]
