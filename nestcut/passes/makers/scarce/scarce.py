"""When paper is short: which pieces are cut from what there is.

Spares go first, then as many whole kits as can be are kept, then as many further pieces as the paper gives.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace

from nestcut.batch.model import Batch, Demand
from nestcut.passes.advice.estimates import Counting, paper_need
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.kits import whole_kits
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.common.trims import Trimming
from nestcut.passes.common.types import PlateRun
from nestcut.passes.drafts.fillin import filled_in, leftovers
from nestcut.passes.drafts.inside import inside_openings
from nestcut.passes.drafts.order import closed_up
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.passes.drafts.ranking import Draft, Shares, better
from nestcut.passes.drafts.trimming import obey_trims
from nestcut.passes.makers.chips.papering import with_papers
from nestcut.passes.makers.door import Ask, pieces_met
from nestcut.passes.makers.nests.repack import with_repacked
from nestcut.passes.makers.scarce.fallback import Resort
from nestcut.passes.short.shortage import cut_back, gone_pieces, kits_only, webbed_area, without_missing
from nestcut.plans.model import Share

__all__ = ["Scarce", "asked_of", "within_reach", "within_stock"]

REPACKING = 0.7
"""Share of the time left for winning back missing cuts."""
HOPELESS = 0.95
"""No way of laying cuts is known whose webbed areas fill more of a scrap than this."""


def _evenly(batch: Batch) -> Shares:
    """The demand with free lines shared out evenly over their papers, and over their dies in each."""
    result = []
    for line in batch.demand:
        options = [(die, paper) for paper in line.papers for die in line.dies]
        base, more = divmod(max(0, line.count), len(options))
        counts = [base + (1 if k < more else 0) for k in range(len(options))]
        result.append(tuple(Share(*o, c) for o, c in zip(options, counts, strict=True) if c))
    return tuple(result)


def within_reach(batch: Batch) -> Sequence[Demand]:
    """The demand, or what of it is within reach where a paper is hopelessly short.

    A class of a thousand kits with paper for fifty is planned for a few more than fifty. Other shortages are
    left to the search.
    """
    shares = _evenly(batch)
    stock: Counter[str] = Counter()
    for scrap in batch.scraps:
        stock[scrap.paper] += round(scrap.outline.area)
    need: Counter[str] = Counter()
    for line in shares:
        for share in line:
            need[share.paper] += round(
                share.count * webbed_area(batch.die(share.die), batch.hand.web_mm) + 0.5
            )
    short = {paper for paper, area in need.items() if area > HOPELESS * stock[paper]}
    if not short:
        return batch.demand
    counting = Counting()
    low, high = 0, batch.kits
    while low < high:
        middle = (low + high + 1) // 2
        kept = kits_only(batch, batch.demand, shares, middle, short)
        wanted = Counter({key: n for key, n in cuts_wanted(batch, kept).items() if key[1] in short})
        if paper_need(batch, wanted, counting)[2]:
            high = middle - 1
        else:
            low = middle
    # Chips are laid denser later on than they were just now: a few kits more are worth asking for.
    reach = max(1, low + 1 + low // 8)
    if reach >= batch.kits:
        return batch.demand
    kept = kits_only(batch, batch.demand, shares, reach, short)
    return [
        replace(line, count=count, spares=min(line.spares, max(0, count - reach * line.per_kit)))
        for line, count in zip(batch.demand, pieces_met(kept), strict=True)
    ]


def asked_of(batch: Batch, shares: Shares) -> Shares:
    """The shares with what is missing of the demand added, where most of its line is or would be cut."""
    result = []
    for line, own, even in zip(batch.demand, shares, _evenly(batch), strict=True):
        lost = line.count - sum(s.count for s in own)
        counts = {(s.die, s.paper): s.count for s in own}
        if lost > 0:
            most = max(own or even, key=lambda s: s.count)
            counts[most.die, most.paper] = counts.get((most.die, most.paper), 0) + lost
        result.append(tuple(Share(*key, count) for key, count in counts.items()))
    return tuple(result)


class Scarce:
    """What is cut where paper is short: as many whole kits as can be, then further pieces."""

    def suits(self, ask: Ask) -> bool:
        """Only where the best draft leaves cuts out."""
        return ask.missing > 0

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """The best draft cut back; none where one paper a pass gives all that is asked for."""
        draft = ask.best
        resort = ask.kept(Resort, lambda: Resort(ask, budget))
        if draft is not None and ask.unmet(resort.by_hand()):
            budget.say(None, None, "paper is short: keeping whole kits")
            # As much again as one paper a pass took is kept for counting what to buy.
            yield within_stock(ask, draft, budget.less(resort.took_s))


def within_stock(ask: Ask, draft: Draft, budget: Budget) -> Draft:
    """The draft cut back to what the scraps give: spares go first, then as many whole kits as can be."""
    batch = ask.batch
    full, demand = draft.shares, batch.demand
    papers = {paper for _, paper in draft.papered.missing}

    def tried(shares: Shares, runs: Sequence[PlateRun], share: float) -> tuple[Shares, PaperedPasses] | None:
        got = with_papers(batch, runs, shares, budget, sparing=True, squeezing=share)
        if got is None:
            return None
        got = inside_openings(batch, got)
        return without_missing(batch, shares, got.missing), got

    kept = without_missing(batch, full, draft.papered.missing)
    best = (whole_kits(batch, demand, pieces_met(kept)), sum(pieces_met(kept)), kept, draft.papered)

    def take(got: tuple[Shares, PaperedPasses]) -> int:
        nonlocal best
        whole = whole_kits(batch, demand, pieces_met(got[0]))
        if (whole, sum(pieces_met(got[0]))) > best[:2]:
            best = (whole, sum(pieces_met(got[0])), *got)
        return whole

    low, high = best[0], batch.kits
    base = kept
    # How long one try takes; replanning at the end takes up to three.
    took = 0.5
    while low < high and budget.room_for(4 * took):
        middle = (low + high + 1) // 2
        began = budget.spent()
        got = tried(kits_only(batch, demand, full, middle, papers), draft.plate.runs, 0.12)
        took = max(took, budget.spent() - began)
        if got is None:
            break
        whole = take(got)
        if whole >= middle:
            low, base = middle, got[0]
        else:
            high = middle - 1
    # Beyond the whole kits: as many further pieces as the paper gives.
    for part in (1.0, 0.6, 0.3):
        if base is kept or not budget.room_for(4 * took):
            break
        got = tried(_between(base, full, part), draft.plate.runs, 0.25)
        if got is not None:
            take(got)
    if budget.room_for(took):
        take(_topped_up(batch, draft, best[2], best[3], budget))
    return _replanned(ask, draft, best[2], best[3], budget, took)


def _topped_up(
    batch: Batch, draft: Draft, shares: Shares, papered: PaperedPasses, budget: Budget
) -> tuple[Shares, PaperedPasses]:
    """Further pieces of the draft's shares, from what the scraps have left beside those of ``shares``."""
    wanted = cuts_wanted(batch, draft.shares)
    wanted.subtract(cuts_wanted(batch, shares))
    asked = PaperedPasses(papered.runs, papered.passes, +wanted)
    got = obey_trims(batch, filled_in(batch, asked, leftovers(batch, asked), over=budget.over))
    if got.missing and Trimming.of(batch).any_shape:
        got = with_repacked(batch, replace(draft, papered=got), budget.part(REPACKING)).papered
    got = inside_openings(batch, got)
    return cut_back(batch, batch.demand, draft.shares, gone_pieces(batch, draft.shares, got.missing)), got


def _between(low: Shares, high: Shares, part: float) -> Shares:
    """Shares part of the way from one to the other, line by line."""
    result = []
    for a, b in zip(low, high, strict=True):
        have = {(s.die, s.paper): s.count for s in a}
        result.append(
            tuple(
                Share(
                    s.die,
                    s.paper,
                    have.get((s.die, s.paper), 0) + round(part * (s.count - have.get((s.die, s.paper), 0))),
                )
                for s in b
            )
        )
    return tuple(tuple(s for s in line if s.count > 0) for line in result)


def _replanned(
    ask: Ask, draft: Draft, shares: Shares, laid: PaperedPasses, budget: Budget, took: float
) -> Draft:
    """Bound for the pieces that can be had, and other lay-ups where those would save passes.

    ``laid`` holds the papers of the try that the shares come from: what it cuts is what they give out.
    """
    batch = ask.batch
    demand = [
        replace(line, count=count, spares=0)
        for line, count in zip(batch.demand, pieces_met(shares), strict=True)
    ]
    proof = ask.lay_out(batch, demand, draft.plate.footprint, budget.next(budget.left() - 3 * took))
    whole = replace(laid, missing=Counter())
    closed = closed_up(whole)
    best = Draft(draft.plate, proof, shares, closed if len(closed.passes) < len(whole.passes) else whole)
    for runs, own in ((draft.plate.runs, shares), (proof.runs, proof.shares)):
        if best.passes <= proof.bound or not budget.room_for(2 * took):
            break
        other = with_papers(batch, runs, own, budget, sparing=True, squeezing=0.4)
        if other is not None and not other.missing:
            candidate = Draft(draft.plate, proof, own, other)
            if better(batch, candidate, best):
                best = candidate
    return best
