"""Which kit gets what: the pieces of every line shared out over the cards, evenly.

Every card of a line with several dies or papers gets them as mixed as the numbers allow: each gets the
whole part of its share, and what remains goes round in turn (wrap-around rule, McNaughton 1959), so that
no card gets a piece twice while another gets none of it, and few kinds of kits differ.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from nestcut.batch.model import Batch, Demand
from nestcut.plans.model import KitPacking, Share

__all__ = ["pack_kits", "scaled_down", "whole_kits"]


def whole_kits(batch: Batch, demand: Sequence[Demand], met: Sequence[int]) -> int:
    """How many kits are complete with these pieces per line."""
    return min(
        [batch.kits, *(m // line.per_kit for line, m in zip(demand, met, strict=True) if line.per_kit)]
    )


def scaled_down(counts: Sequence[int], total: int) -> list[int]:
    """Counts in the same proportion that sum to ``total`` (largest remainder), none larger than before."""
    before = sum(counts)
    if before <= total:
        return list(counts)
    exact = [count * total / before for count in counts]
    result = [int(value) for value in exact]
    by_rest = sorted(range(len(counts)), key=lambda k: (result[k] - exact[k], k))
    for k in by_rest[: total - sum(result)]:
        result[k] += 1
    return result


def _spans(shares: Sequence[Share], cards: int) -> list[tuple[int, int, tuple[Share, ...]]]:
    """(first, last, pieces per card) over cards 0 … cards − 1; the shares sum to a multiple of ``cards``."""
    base = [(share, share.count // cards) for share in shares]
    marks = {0, cards}
    arcs: list[tuple[int, int, Share]] = []
    at = 0
    for share in shares:
        rest = share.count % cards
        if not rest:
            continue
        start, end = at % cards, (at % cards) + rest
        arcs.append((start, min(end, cards), share))
        if end > cards:
            arcs.append((0, end - cards, share))
        at += rest
    for start, end, _ in arcs:
        marks |= {start, end}
    ordered = sorted(marks)
    result = []
    for first, end in itertools.pairwise(ordered):
        pieces = []
        for share, count in base:
            more = sum(1 for a, b, other in arcs if other is share and a <= first < b)
            if count + more:
                pieces.append(Share(share.die, share.paper, count + more))
        result.append((first, end - 1, tuple(pieces)))
    return result


def pack_kits(
    batch: Batch, demand: Sequence[Demand], shares: Sequence[Sequence[Share]]
) -> tuple[KitPacking, ...]:
    """The pick list for all kits that are whole.

    Args:
        demand: the batch's lines, in its own order.
        shares: pieces that each line gets.
    """
    kits = whole_kits(batch, demand, [sum(s.count for s in line) for line in shares])
    if not kits:
        return ()
    result: list[KitPacking] = []
    number = 0
    for card in batch.cards:
        cards = kits * card.count
        lines = []
        for line in card.lines:
            counts = scaled_down([s.count for s in shares[number]], cards * line.count)
            kept = [Share(s.die, s.paper, c) for s, c in zip(shares[number], counts, strict=True) if c]
            lines.append(_spans(kept, cards) if cards else [])
            number += 1
        marks = {first for spans in lines for first, _, _ in spans}
        marks |= {copy * kits for copy in range(card.count + 1)}
        ordered = sorted(marks)
        for first, end in itertools.pairwise(ordered):
            total: dict[tuple[str, str], int] = {}
            for spans in lines:
                for a, b, pieces in spans:
                    if a <= first <= b:
                        for share in pieces:
                            total[share.die, share.paper] = (
                                total.get((share.die, share.paper), 0) + share.count
                            )
            copy = first // kits
            pick = tuple(Share(die, paper, count) for (die, paper), count in total.items())
            low, high = first - copy * kits + 1, end - copy * kits
            last = result[-1] if result else None
            if last and (last.card, last.copy, last.pieces) == (card.name, copy + 1, pick):
                result[-1] = KitPacking(last.first, high, card.name, copy + 1, pick)
            else:
                result.append(KitPacking(low, high, card.name, copy + 1, pick))
    return tuple(result)
