"""What to buy so that nothing is short: fresh sheets, counted by cutting them.

The sheets are added to the scraps and everything is cut once more, one paper a pass (:mod:`nestcut.passes.makers.one_paper.one_paper`). A planner
that is given these sheets cuts no less than that, so the advice comes true. Only sheets that the person's wish for trims
leaves usable are advised: with no trims those that lie on the plate as they are.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from shapely.geometry import box

from nestcut.arithmetic import buffered
from nestcut.batch.model import Batch, Scrap, filled
from nestcut.passes.common.plate_rules import places_of
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.common.trims import Trimming
from nestcut.passes.drafts.ranking import Shares
from nestcut.passes.makers.one_paper.one_paper import in_one_go
from nestcut.passes.makers.one_paper.one_paper_cutting import Cutter
from nestcut.passes.makers.one_paper.one_paper_stock import FreshStock, Known
from nestcut.units import SHEET_SIZES_MM

__all__ = ["sheets_to_buy"]

TIERS = (("A4", "letter"), ("A5", "half letter"), ("A6",), ("A7",))
"""Sheets to buy, the usual ones first; smaller ones where those do not lie on the plate as they are."""
DENSE = 0.9
"""Cuts with their webs never fill more of fresh sheets than this."""
MOST_CUTS = 1000
"""More cuts of one paper than that are counted in parts."""
NEAR = 12
"""So many sheets may be one more than it takes: many are not counted to the last one."""
ROUNDS = 8
"""How often sheets are added because the whole batch was still short."""

Size = tuple[float, float]


def sheets_to_buy(
    batch: Batch, asked: Shares, short: Sequence[str], known: Known | None = None
) -> dict[str, dict[str, int]]:
    """Paper → size → fresh sheets of that size; with one size bought for all papers, the batch can be cut completely.

    Args:
        asked: all pieces that are asked for, by line, in the papers that they are to be cut from.
        short: papers of which some is missing.
        known: what is known of the batch's dies, where it was asked before.
    Returns: papers and sizes that mend nothing are left out; empty where the time is over before all is counted.
    """
    stock = FreshStock(batch, known)
    wanted = cuts_wanted(batch, asked)
    own = {paper: Counter({k: n for k, n in wanted.items() if k[1] == paper}) for paper in short}
    found: dict[str, dict[str, int]] = {paper: {} for paper in short}
    areas: dict[str, float] = {}
    for names in _tiers(batch):
        for name, size in names:
            if stock.known.budget.over():
                return {}
            counts = {
                paper: _in_parts(stock, paper, own[paper], size, areas.get(paper, 0.0)) for paper in short
            }
            areas |= {paper: (count or 0) * size[0] * size[1] for paper, count in counts.items()}
            good = {paper: count for paper, count in counts.items() if count is not None}
            for paper, count in _for_all(stock, good, size, complete=len(good) == len(short)).items():
                if count:
                    found[paper][name] = count
        if all(found.values()):
            break
    return {} if stock.known.budget.over() else found


def _tiers(batch: Batch) -> list[list[tuple[str, Size]]]:
    """Sizes that may be advised, those that are told together in one list."""
    free = Trimming.of(batch).allowed
    tiers = [
        [(name, SHEET_SIZES_MM[name.lower().replace(" ", "")]) for name in tier]
        for tier in (TIERS[:1] if free else TIERS)
    ]
    tiers = [[(n, size) for n, size in tier if free or _lies(batch, size)] for tier in tiers]
    if not free:
        # Cut to measure in the shop: as large as the plate takes, out of an A4 sheet.
        width, length = batch.machine.plate_mm
        low, high = SHEET_SIZES_MM["a4"]
        own = (min(low, math.floor(width)), min(high, math.floor(length + 2 * batch.machine.overhang_mm)))
        tiers.append([(f"{own[0]:g} × {own[1]:g} mm", (float(own[0]), float(own[1])))])
    return [tier for tier in tiers if tier]


def _lies(batch: Batch, size: Size) -> bool:
    return any(places_of(batch.machine, way) is not None for way in (size, size[::-1]))


def _with(batch: Batch, counts: Mapping[str, int], size: Size) -> Batch:
    """The batch with fresh sheets."""
    taken = {scrap.id for scrap in batch.scraps}
    bought = []
    for paper, count in counts.items():
        number = 0
        for _ in range(count):
            number += 1
            while f"{paper}-new-{number}" in taken:
                number += 1
            bought.append(Scrap(f"{paper}-new-{number}", paper, box(0.0, 0.0, *size)))
    return replace(batch, scraps=(*batch.scraps, *bought))


def _in_parts(
    stock: FreshStock, paper: str, wanted: Counter[tuple[str, str]], size: Size, guess: float
) -> int | None:
    """:func:`_enough`; where very much is wanted, that many times what a part of it takes, from fresh sheets alone."""
    parts = -(-sum(wanted.values()) // MOST_CUTS)
    if parts <= 1:
        return _enough(stock, paper, wanted, size, guess)
    part = Counter({key: -(-count // parts) for key, count in wanted.items()})
    fresh = stock.of(replace(stock.batch, scraps=()))
    count = _enough(fresh, paper, part, size, guess / parts)
    return None if count is None else count * parts


def _enough(
    stock: FreshStock, paper: str, wanted: Counter[tuple[str, str]], size: Size, guess: float
) -> int | None:
    """Fresh sheets with which this paper gives all its cuts; hardly more than it takes. None: no number of them does.

    Args:
        guess: area of fresh paper that was enough in another size, mm²; 0: not known.
    """
    batch, web = stock.batch, stock.batch.hand.web_mm
    areas = {die: buffered(filled(batch.die(die).cut), web / 2, 8).area for die, _ in wanted}

    def missing(count: int) -> float:
        """Area of the cuts that are not made, mm²."""
        cutter = Cutter(stock.of(_with(batch, {paper: count}, size)))
        cutter.cut(wanted)
        return sum((n - cutter.made[die, paper]) * areas[die] for (die, _), n in wanted.items())

    low, gone = 0, missing(0)
    if not gone:
        return 0
    gives = size[0] * size[1] * DENSE
    high = max(1, math.ceil(max(gone / DENSE, guess) / (size[0] * size[1])))
    begin = gone
    while (rest := missing(high)) > 0:
        if rest > gone - 1e-6 or stock.known.budget.over():
            return None  # more sheets do not help
        low, gone = high, rest
        # From now on as much as a sheet really gave.
        gives = min(gives, (begin - rest) / high)
        high += max(1, math.floor(rest / gives))
    while high - low > 1 + high // NEAR and not stock.known.budget.over():
        middle = (low + high) // 2
        low, high = (low, middle) if not missing(middle) else (middle, high)
    return high


def _for_all(stock: FreshStock, counts: Mapping[str, int], size: Size, *, complete: bool) -> dict[str, int]:
    """The counts, raised until the whole batch is cut completely with them.

    Args:
        complete: False where some paper can't be mended by this size at all: then the counts stay as they are.
    """
    found = dict(counts)
    if not complete:
        return found
    for _ in range(ROUNDS):
        if stock.known.budget.over():
            break
        got = in_one_go(stock.of(_with(stock.batch, found, size)))
        papers = {
            paper
            for line, met in zip(stock.batch.demand, got.met, strict=True)
            if met < line.count
            for paper in line.papers
            if paper in found
        }
        if not papers:
            break
        for paper in papers:
            found[paper] += 1 + found[paper] // (2 * NEAR)
    return found
