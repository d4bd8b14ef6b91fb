"""What to leave out when the scraps can't give everything, and what to buy.

Spares are given up first; then whole kits are kept as far as possible, and beyond them as many pieces as
the paper gives. What is short is told in pieces, in mm² and in fresh sheets (:mod:`nestcut.passes.makers.scarce.buying`).
"""

from __future__ import annotations

import heapq
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence

from nestcut.arithmetic import buffered
from nestcut.batch.model import Batch, Demand, Die
from nestcut.passes.common.schedule import cuts_wanted, pieces_of, shares_of
from nestcut.passes.short.short_proofs import Shortfalls
from nestcut.plans.model import Missing, Share, Shortage

__all__ = ["cut_back", "gone_pieces", "kits_only", "shortages", "without_missing"]

FEW_PAPERS, LITTLE = 3, 0.25
"""Most papers, and most of what is asked of one, that may be missing for a proof of what large dies find room for."""

Shares = tuple[tuple[Share, ...], ...]


def cut_back(
    batch: Batch, demand: Sequence[Demand], shares: Shares, gone: Mapping[tuple[str, str], int]
) -> Shares:
    """The shares without what can't be cut.

    Args:
        gone: (die, paper) → pieces that are missing.
    Returns: shares of the same lines. Lines give up spares first, then always the line that serves most kits.
    """
    counts = [{(s.die, s.paper): s.count for s in line} for line in shares]
    met = [sum(line.values()) for line in counts]
    for key, pieces in sorted(gone.items()):
        lines = [k for k in range(len(counts)) if counts[k].get(key, 0) > 0]
        left = min(pieces, sum(counts[k][key] for k in lines))
        step = max(1, left // 20_000)

        def rank(k: int) -> tuple[float, int]:
            spare = met[k] - batch.kits * demand[k].per_kit
            kits = met[k] / max(1, demand[k].per_kit)
            return (-1e9 - spare if spare > 0 else -kits, k)

        heap = [rank(k) for k in lines]
        heapq.heapify(heap)
        while left > 0 and heap:
            _, k = heapq.heappop(heap)
            spare = met[k] - batch.kits * demand[k].per_kit
            take = min(left, counts[k][key], max(step, spare if len(lines) == 1 and spare > 0 else step))
            counts[k][key] -= take
            met[k] -= take
            left -= take
            if counts[k][key] > 0:
                heapq.heappush(heap, rank(k))
    return tuple(shares_of(line) for line in counts)


def gone_pieces(
    batch: Batch, shares: Shares, missing: Mapping[tuple[str, str], int]
) -> dict[tuple[str, str], int]:
    """(die, paper) → pieces of the shares that are not given, where so many cuts are missing."""
    wanted = cuts_wanted(batch, shares)
    have = pieces_of(shares)
    gone = {}
    for key, cuts in missing.items():
        left = (wanted[key] - cuts) * batch.die(key[0]).pieces
        if have[key] > left:
            gone[key] = have[key] - left
    return gone


def without_missing(batch: Batch, shares: Shares, missing: Mapping[tuple[str, str], int]) -> Shares:
    """The shares without the cuts that found no paper: spares go first, then the line that serves most kits."""
    return cut_back(batch, batch.demand, shares, gone_pieces(batch, shares, missing))


def kits_only(batch: Batch, demand: Sequence[Demand], shares: Shares, kits: int, papers: set[str]) -> Shares:
    """The shares with lines that use any of these papers cut down to what ``kits`` kits need."""
    result = []
    for line, own in zip(demand, shares, strict=True):
        spare = sum(s.count for s in own) - kits * line.per_kit
        kept = []
        # What is in a short paper goes first.
        for share in sorted(own, key=lambda s: s.paper not in papers):
            take = min(share.count, max(0, spare)) if share.paper in papers else 0
            spare -= take
            kept.append((share, share.count - take))
        result.append(tuple(Share(s.die, s.paper, count) for s, count in kept if count > 0))
    return tuple(result)


def _lost(full: Shares, kept: Shares) -> dict[str, list[Missing]]:
    """Paper → what each line lacks in it."""
    found: dict[str, list[Missing]] = defaultdict(list)
    for number, (asked, given) in enumerate(zip(full, kept, strict=True), start=1):
        lost = pieces_of((asked,)) - pieces_of((given,))
        for (die, paper), count in sorted(lost.items()):
            found[paper].append(Missing(number, die, count))
    return found


def webbed_area(die: Die, web_mm: float) -> float:
    """Paper that one piece of the die takes at least, mm² (never too much: arcs are inner chords)."""
    return buffered(die.cut, web_mm / 2, 8).area / die.pieces


def shortages(
    batch: Batch,
    full: Shares,
    kept: Shares,
    *,
    buy: Mapping[str, Mapping[str, int]] | None = None,
    over: Callable[[], bool] = lambda: False,
) -> tuple[Shortage, ...]:
    """What is missing, paper by paper, and what to buy.

    Args:
        buy: paper → sheets to buy by size (:mod:`nestcut.passes.makers.scarce.buying`).
        over: asked before every proof of what large dies find room for; True leaves it out.
    """
    by_paper, buy = _lost(full, kept), buy or {}
    result = []
    papers = sorted(by_paper)
    shortfalls = Shortfalls(batch)
    asked: Counter[str] = Counter()
    for (_, paper), count in pieces_of(full).items():
        asked[paper] += count
    for paper in papers:
        by = by_paper[paper]
        pieces: Counter[str] = Counter()
        for one in sorted(by, key=lambda one: one.die):
            pieces[one.die] += one.count
        total = sum(pieces.values())
        # Room for large dies is worth a proof where little is missing, in one paper or two.
        short = len(papers) <= FEW_PAPERS and total <= LITTLE * asked[paper]
        sure = shortfalls.of(paper, tuple(pieces) if short else (), over=over)
        proved = sure.pieces >= total
        area = sum(count * webbed_area(batch.die(die), batch.hand.web_mm) for die, count in pieces.items())
        result.append(
            Shortage(
                paper=paper,
                dies=tuple(pieces),
                pieces=total,
                area_mm2=round(area, 1),
                sheets=dict(buy.get(paper, {})),
                proved=proved,
                reason=_reason(paper, total, sure.pieces, sure.reason),
                by=tuple(by),
                proof=sure.proof if proved else {},
            )
        )
    return tuple(result)


def _reason(paper: str, total: int, proved: int, reason: str) -> str:
    if proved >= total:
        return reason
    if proved > 0:
        return f"{reason}; that is proved for {proved} of the {total} pieces, and no place was found for the rest"
    return f"the scraps of {paper} may hold more, but no place was found for {total} pieces"
