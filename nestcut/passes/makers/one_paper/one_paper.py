"""One paper a pass: what people do by hand, as a plan that can't go wrong.

One scrap lies on the plate. All dies of its colour that fit lie on it. Between passes it is pulled on, in the feed direction as
far as the overhang allows and across as far as the plate's sides allow, while the dies stay where they are. No scrap is trimmed,
but for straight slits where the plate can't take it as it is. Every lay-up and every cut is measured exactly when it is laid
(:mod:`nestcut.passes.makers.one_paper.one_paper_grid`); what breaks a rule is left out and counts as missing.

No clock decides here: the same batch always gives the same plan. So this is what other ways must not fall behind in pieces, what
a plan falls back on, and the baseline to compare passes with.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from nestcut.batch.model import Batch
from nestcut.batch.turns import turns_on
from nestcut.passes.common.kits import whole_kits
from nestcut.passes.common.schedule import cuts_wanted, pieces_of, shares_of
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.passes.drafts.ranking import Shares
from nestcut.passes.makers.one_paper.one_paper_cutting import Cutter
from nestcut.passes.makers.one_paper.one_paper_stock import FreshStock, Known
from nestcut.passes.short.shortage import cut_back

__all__ = ["ByHand", "in_one_go", "one_paper_a_pass"]

KIT_TRIES = 4
"""How often fewer kits are tried for, where not all can be made."""

Planned = list[Counter[tuple[str, str]]]


@dataclass(frozen=True, slots=True)
class ByHand:
    """What one paper a pass comes to."""

    shares: Shares
    """The pieces that each line of demand gets."""
    papered: PaperedPasses

    @property
    def met(self) -> list[int]:
        """Pieces of each line."""
        return [sum(share.count for share in line) for line in self.shares]

    @property
    def pieces(self) -> int:
        """Pieces that are given to lines of demand."""
        return sum(self.met)


def one_paper_a_pass(batch: Batch, *, most_dies: int | None = None, known: Known | None = None) -> ByHand:
    """The batch cut with one scrap on the plate in every pass: whole kits first where paper is short, then what more it gives.

    Args:
        most_dies: dies of a lay-up, at most; 1 is the last resort, one paper and one die a pass.
        known: what is known of the batch's dies, where it was asked before.
    """
    stock = FreshStock(batch, known)
    wanted = [line.count for line in batch.demand]
    best = in_one_go(stock, most_dies)
    if best.met == wanted:
        return best

    def worth(got: ByHand) -> tuple[int, int]:
        return whole_kits(batch, batch.demand, got.met), got.pieces

    # Where not all can be had, whole kits come first; at first as many are tried for as their share of the pieces.
    low, high = worth(best)[0], batch.kits
    kits = max(low + 1, batch.kits * best.pieces // max(1, sum(wanted)))
    for _ in range(KIT_TRIES):
        if low >= high or stock.known.budget.over():
            break
        first = [min(line.count, kits * line.per_kit) for line in batch.demand]
        got = _cut(stock, [first, wanted], most_dies)
        best = max(best, got, key=worth)
        if worth(got)[0] >= kits:
            low = worth(got)[0]
        else:
            low, high = max(low, worth(got)[0]), kits - 1
        kits = (low + high + 1) // 2
    return best


def in_one_go(stock: FreshStock, most_dies: int | None = None) -> ByHand:
    """All that is asked for at once, without a thought for whole kits: what :func:`one_paper_a_pass` tries first."""
    return _cut(stock, [[line.count for line in stock.batch.demand]], most_dies)


def _cut(stock: FreshStock, stages: Sequence[Sequence[int]], most_dies: int | None) -> ByHand:
    """Cut for these pieces of each line, stage by stage, as far as the scraps give them."""
    batch = stock.batch
    cutter = Cutter(stock, most_dies=most_dies)
    planned: Planned = [Counter() for _ in batch.demand]
    options = [_options(batch, number) for number in range(len(planned))]
    for targets in stages:
        gone: set[tuple[str, str]] = set()
        while True:
            added = False
            for line, target, ways in zip(planned, targets, options, strict=True):
                open_ways = [way for way in ways if way not in gone]
                added |= _add(line, target, open_ways)
            if not added:
                break
            shares = _shares(planned)
            need = cuts_wanted(batch, shares)
            need.subtract(cutter.made)
            cutter.cut(+need)
            planned, short = _kept(batch, shares, cutter.made)
            if not short:
                break
            gone |= short
    return ByHand(_shares(planned), cutter.papered())


def _options(batch: Batch, number: int) -> list[tuple[str, str]]:
    """Dies and papers that may meet a line; papers take turns, so that the first few differ in both."""
    line = batch.demand[number]
    return [
        (die, paper)
        for die in line.dies
        for paper in line.papers
        if turns_on(batch.die(die), batch.paper(paper))
    ]


def _add(line: Counter[tuple[str, str]], target: int, ways: Sequence[tuple[str, str]]) -> bool:
    """Plan for further pieces of a line up to ``target``, so that its ways get as even as they can be (in place)."""
    lost = target - sum(line.values())
    if lost <= 0 or not ways:
        return False
    # In few steps: lines may be of a hundred thousand pieces.
    step = -(-lost // len(ways))
    while lost > 0:
        way = min(ways, key=lambda one: (line[one], ways.index(one)))
        line[way] += min(lost, step)
        lost -= step
    return True


def _kept(
    batch: Batch, shares: Shares, made: Counter[tuple[str, str]]
) -> tuple[Planned, set[tuple[str, str]]]:
    """What lines keep of their shares, and the (die, paper) that are short."""
    lost = {
        (die, paper): count - made[die, paper] * batch.die(die).pieces
        for (die, paper), count in pieces_of(shares).items()
    }
    lost = {key: count for key, count in lost.items() if count > 0}
    kept = cut_back(batch, batch.demand, shares, lost)
    return [Counter({(s.die, s.paper): s.count for s in line}) for line in kept], set(lost)


def _shares(planned: Planned) -> Shares:
    return tuple(shares_of(line) for line in planned)
