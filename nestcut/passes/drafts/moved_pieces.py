"""Pieces moved to another paper of their lines, where one paper is short.

Lines that name several papers are shared out evenly at first, though one of the papers may be scarce. What has been cut stays
as it was (:func:`other_papers`), or everything is planned once more with other shares (:func:`eased_shares`).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping

from nestcut.batch.model import Batch
from nestcut.passes.common.schedule import shares_of
from nestcut.passes.drafts.fillin import Leftovers
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.passes.drafts.ranking import Shares

__all__ = ["eased_shares", "other_papers"]


def other_papers(
    batch: Batch, shares: Shares, got: PaperedPasses, pieces: Leftovers
) -> tuple[Shares, PaperedPasses]:
    """Missing cuts moved to other papers of their lines that have more left; what stays is as it was."""
    left = Counter({paper: sum(piece.area for _, piece in own) for paper, own in pieces.items()})
    missing = Counter(+got.missing)
    lines = [Counter({(s.die, s.paper): s.count for s in line}) for line in shares]
    for (die, paper), count in sorted((+got.missing).items()):
        if batch.die(die).pieces != 1:
            continue  # a cut may serve several lines then
        need = batch.die(die).cut.area
        for line, share in zip(batch.demand, lines, strict=True):
            while count and share[die, paper] > 0:
                # Twice the cut for webs and corners, and more than is left of its own paper.
                others = [p for p in line.papers if left[p] > max(left[paper], 2 * need)]
                if not others:
                    break
                other = max(others, key=lambda p: (left[p], p))
                share[die, paper] -= 1
                share[die, other] += 1
                missing[die, paper] -= 1
                missing[die, other] += 1
                left[other] -= 2 * need
                count -= 1
    return tuple(shares_of(share) for share in lines), PaperedPasses(got.runs, got.passes, +missing)


def eased_shares(batch: Batch, shares: Shares, missing: Mapping[tuple[str, str], int]) -> Shares | None:
    """The shares with pieces moved away from papers that are short, where their lines name another paper.

    As many as take up twice what is missing, the same dies in the other paper. Returns: None where nothing can be moved.
    """
    need: Counter[str] = Counter()
    for (name, paper), count in missing.items():
        need[paper] += 2 * count * math.ceil(batch.die(name).rim.envelope.area)
    moved = False
    lines = []
    for line, own in zip(batch.demand, shares, strict=True):
        others = [paper for paper in line.papers if paper not in need]
        left = Counter({(share.die, share.paper): share.count for share in own})
        for share in own:
            die = batch.die(share.die)
            if share.paper not in need or not others or die.pieces != 1:
                continue
            count = min(share.count, math.ceil(max(0, need[share.paper]) / die.rim.envelope.area))
            left[share.die, share.paper] -= count
            left[share.die, others[0]] += count
            need[share.paper] -= math.ceil(count * die.rim.envelope.area)
            moved |= count > 0
        lines.append(shares_of(left))
    return tuple(lines) if moved else None
