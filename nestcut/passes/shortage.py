"""What to leave out when the scraps can't give everything, and what to buy.

Spares are given up first; then whole kits are kept as far as possible, and beyond them as many pieces as
the paper gives. What is short is told in pieces, in mm² and in fresh sheets, which are counted by laying
the missing pieces on them, not by area.
"""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence

from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Demand, Die
from nestcut.passes.capacity import least_width, over_capacity
from nestcut.passes.convex_paper import grown_hull
from nestcut.passes.schedule import pieces_of
from nestcut.passes.slabs import Bed, Form, lay, turned
from nestcut.passes.turns import paper_turns, turns_on
from nestcut.plan.model import Share, Shortage
from nestcut.units import SHEET_SIZES_MM

__all__ = ["cut_back", "kits_only", "shortages", "surely_short"]

SHEETS = {name: SHEET_SIZES_MM[name.lower()] for name in ("A4", "letter")}
"""Sheets that are told to buy, mm."""

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
    return tuple(
        tuple(Share(die, paper, count) for (die, paper), count in line.items() if count > 0)
        for line in counts
    )


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


def _lost(full: Shares, kept: Shares) -> Counter[tuple[str, str]]:
    return pieces_of(full) - pieces_of(kept)


def webbed_area(die: Die, web_mm: float) -> float:
    """Paper that one piece of the die takes at least, mm² (never too much: arcs are inner chords)."""
    return die.cut.buffer(web_mm / 2, quad_segs=8).area / die.pieces


def shortages(
    batch: Batch,
    demand: Sequence[Demand],
    full: Shares,
    kept: Shares,
    *,
    over: Callable[[], bool] = lambda: False,
) -> tuple[Shortage, ...]:
    """What is missing, paper by paper, and what to buy.

    Args:
        over: asked before every proof of what large dies find room for; True leaves it out.
    """
    lost = _lost(full, kept)
    result = []
    papers = sorted({paper for _, paper in lost})
    asked: Counter[str] = Counter()
    for (_, paper), count in pieces_of(full).items():
        asked[paper] += count
    for paper in papers:
        pieces = {die: count for (die, p), count in sorted(lost.items()) if p == paper}
        total = sum(pieces.values())
        # Room for large dies is worth a proof where little is missing, in one paper or two.
        short = len(papers) <= FEW_PAPERS and total <= LITTLE * asked[paper]
        proved, reason = surely_short(batch, demand, paper, tuple(pieces) if short else (), over=over)
        area = sum(count * webbed_area(batch.die(die), batch.hand.web_mm) for die, count in pieces.items())
        result.append(
            Shortage(
                paper=paper,
                dies=tuple(pieces),
                pieces=total,
                area_mm2=round(area, 1),
                sheets={name: _sheets(batch, paper, pieces, size) for name, size in SHEETS.items()},
                proved=proved >= total,
                reason=_reason(paper, total, proved, reason),
            )
        )
    return tuple(result)


def _reason(paper: str, total: int, proved: int, reason: str) -> str:
    if proved >= total:
        return reason
    if proved > 0:
        return f"{reason}; that is proved for {proved} of the {total} pieces, the rest found no place in the scraps"
    return f"the scraps of {paper} may hold more, but no place was found for {total} pieces"


def surely_short(
    batch: Batch,
    demand: Sequence[Demand],
    paper: str,
    dies: Collection[str] = (),
    *,
    over: Callable[[], bool] = lambda: False,
) -> tuple[int, str]:
    """(pieces that no plan can cut from this paper, why). Counts lines that allow no other paper.

    Arguments: a cut with its edge that is larger or wider than every scrap; the area of all cuts with
    half the web around them against the scraps without their edge; for ``dies``, where few large cuts share a
    scrap, how many each can hold (:mod:`nestcut.passes.capacity`).
    """
    scraps = [scrap.outline for scrap in batch.scraps if scrap.paper == paper]
    lines = [line for line in demand if line.papers == (paper,)]
    if not scraps:
        return sum(line.count for line in lines), f"there is no scrap of {paper}"
    hand = batch.hand
    shrink = hand.edge_mm - hand.web_mm / 2
    # 0.1 % more than the true area covers what rounding and flat arcs may take away.
    usable = sum(outline.buffer(-shrink, quad_segs=16).area for outline in scraps) * 1.001
    impossible = 0
    needs: list[tuple[float, int]] = []
    fits_none: list[str] = []
    for line in lines:
        able = [batch.die(name) for name in line.dies if _may_fit(batch.die(name), scraps, hand.edge_mm)]
        if not able:
            impossible += line.count
            fits_none += [name for name in line.dies if name not in fits_none]
            continue
        needs.append((min(webbed_area(die, hand.web_mm) for die in able), line.count))
    beyond_area = sum(area * count for area, count in needs) - usable
    short = 0
    for area, count in sorted(needs, reverse=True):
        if beyond_area <= 0:
            break
        take = min(count, -int(-beyond_area // area))
        short += take
        beyond_area -= take * area
    reasons = []
    if impossible:
        reasons.append(f"no scrap of {paper} is large enough for {' or '.join(fits_none)}")
    if short:
        reasons.append(f"the cuts in {paper} with their webs are larger than all its scraps together")
    over_full = over_capacity(batch, demand, paper, dies, over=over)
    beyond = sum((count - most) * batch.die(name).pieces for name, (count, most) in over_full.items())
    if beyond > impossible + short:
        told = [
            f"the scraps of {paper} hold no more than {most} of {name}"
            for name, (_, most) in over_full.items()
        ]
        return beyond, " and ".join(told) + ", however they are laid"
    return impossible + short, " and ".join(reasons)


def _may_fit(die: Die, scraps: Sequence[Polygon], edge_mm: float) -> bool:
    width = least_width(die.cut) + 2 * edge_mm
    area = die.cut.buffer(edge_mm, quad_segs=8).area
    return any(area <= s.area * 1.000001 and width <= least_width(s) + 1e-6 for s in scraps)


def _sheets(batch: Batch, paper: str, pieces: Mapping[str, int], size: tuple[float, float]) -> int:
    """How many fresh sheets hold the missing pieces as chips. 0 where one fits no sheet."""
    forms = []
    for name, count in pieces.items():
        die = batch.die(name)
        allowed = turns_on(die, batch.paper(paper))
        deg = 0.0 if allowed == "any" or not allowed else allowed[0]
        turns = paper_turns(die, batch.paper(paper), deg, papers=batch.hand.papers)
        outline = grown_hull(turned(die.cut, deg), batch.hand.edge_mm)
        forms.append(Form(outline, turns or (0.0,), -(-count // die.pieces)))
    forms.sort(key=lambda form: -form.outline.area)
    left = [form.want for form in forms]
    fresh = Bed(box(0.0, 0.0, *size))
    sheets = 0
    while any(left):
        bed = fresh.copy()
        laid = [len(lay(bed, 0, form, k, left[k])) for k, form in enumerate(forms)]
        if not any(laid):
            return 0
        # The same sheet again as often as the demand allows.
        times = max(1, min(rest // n for rest, n in zip(left, laid, strict=True) if n))
        sheets += times
        left = [rest - n * times for rest, n in zip(left, laid, strict=True)]
    return sheets
