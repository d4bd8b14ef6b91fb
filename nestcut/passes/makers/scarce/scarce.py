"""When paper is short: which pieces are cut from what there is.

Spares go first, then as many whole kits as can be are kept, then as many further pieces as the paper gives.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from nestcut.batch.model import Batch, Demand
from nestcut.passes.advice.estimates import Counting, paper_need
from nestcut.passes.common.clock import Clock
from nestcut.passes.common.kits import whole_kits
from nestcut.passes.common.schedule import cuts_wanted, pieces_of
from nestcut.passes.common.types import PlatePlan, PlateRun
from nestcut.passes.drafts.fillin import filled_in, leftovers
from nestcut.passes.drafts.inside import inside_openings
from nestcut.passes.drafts.order import closed_up
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.passes.drafts.ranking import Draft, Shares, better
from nestcut.passes.drafts.trimming import obey_trims
from nestcut.passes.makers.chips.papering import with_papers
from nestcut.passes.makers.nests.repack import with_repacked
from nestcut.passes.short.shortage import cut_back, kits_only, webbed_area
from nestcut.plans.model import Share

__all__ = ["asked_of", "pieces_met", "within_reach", "within_stock", "without_missing"]

HOPELESS = 0.95
"""No way of laying cuts is known whose webbed areas fill more of a scrap than this."""


def pieces_met(shares: Shares) -> list[int]:
    """Pieces that each line of demand gets."""
    return [sum(s.count for s in line) for line in shares]


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


def _gone(batch: Batch, shares: Shares, missing: Counter[tuple[str, str]]) -> dict[tuple[str, str], int]:
    """(die, paper) → pieces of the shares that are not cut."""
    wanted = cuts_wanted(batch, shares)
    have = pieces_of(shares)
    gone = {}
    for key, cuts in missing.items():
        left = (wanted[key] - cuts) * batch.die(key[0]).pieces
        if have[key] > left:
            gone[key] = have[key] - left
    return gone


def without_missing(batch: Batch, demand: Sequence[Demand], shares: Shares, got: PaperedPasses) -> Shares:
    """The shares without the cuts that found no paper: spares go first, then the line that serves most kits."""
    return cut_back(batch, demand, shares, _gone(batch, shares, got.missing))


def within_stock(batch: Batch, draft: Draft, clock: Clock, seed: int, plate_for) -> Draft:  # type: ignore[no-untyped-def]
    """The draft cut back to what the scraps give: spares go first, then as many whole kits as can be.

    ``plate_for`` plans lay-ups: (demand, footprint, seconds) → PlatePlan.
    """
    full, demand = draft.shares, batch.demand
    papers = {paper for _, paper in draft.papered.missing}

    def tried(shares: Shares, runs: Sequence[PlateRun], share: float) -> tuple[Shares, PaperedPasses] | None:
        got = with_papers(batch, runs, shares, clock, seed, sparing=True, squeezing=share)
        if got is None:
            return None
        got = inside_openings(batch, got)
        return without_missing(batch, demand, shares, got), got

    kept = without_missing(batch, demand, full, draft.papered)
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
    while low < high and clock.room_for(4 * took):
        middle = (low + high + 1) // 2
        began = clock.spent()
        got = tried(kits_only(batch, demand, full, middle, papers), draft.plate.runs, 0.12)
        took = max(took, clock.spent() - began)
        if got is None:
            break
        whole = take(got)
        if whole >= middle:
            low, base = middle, got[0]
        else:
            high = middle - 1
    # Beyond the whole kits: as many further pieces as the paper gives.
    for part in (1.0, 0.6, 0.3):
        if base is kept or not clock.room_for(4 * took):
            break
        got = tried(_between(base, full, part), draft.plate.runs, 0.25)
        if got is not None:
            take(got)
    if clock.room_for(took):
        take(_topped_up(batch, draft, best[2], best[3], clock))
    return _replanned(batch, draft, best[2], best[3], clock, seed, took, plate_for)


def _topped_up(
    batch: Batch, draft: Draft, shares: Shares, papered: PaperedPasses, clock: Clock
) -> tuple[Shares, PaperedPasses]:
    """Further pieces of the draft's shares, from what the scraps have left beside those of ``shares``."""
    wanted = cuts_wanted(batch, draft.shares)
    wanted.subtract(cuts_wanted(batch, shares))
    asked = PaperedPasses(papered.runs, papered.passes, +wanted)
    got = obey_trims(batch, filled_in(batch, asked, leftovers(batch, asked), over=clock.over))
    if got.missing and batch.hand.trims == "scissors":
        got = with_repacked(batch, replace(draft, papered=got), clock).papered
    got = inside_openings(batch, got)
    return cut_back(batch, batch.demand, draft.shares, _gone(batch, draft.shares, got.missing)), got


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


def _replanned(  # type: ignore[no-untyped-def]
    batch: Batch,
    draft: Draft,
    shares: Shares,
    laid: PaperedPasses,
    clock: Clock,
    seed: int,
    took: float,
    plate_for,
) -> Draft:
    """Bound for the pieces that can be had, and other lay-ups where those would save passes.

    ``laid`` holds the papers of the try that the shares come from: what it cuts is what they give out.
    """
    demand = [
        replace(line, count=sum(s.count for s in own), spares=0)
        for line, own in zip(batch.demand, shares, strict=True)
    ]
    proof: PlatePlan = plate_for(demand, draft.plate.footprint, clock.left() - 3 * took)
    whole = replace(laid, missing=Counter())
    closed = closed_up(whole)
    best = Draft(draft.plate, proof, shares, closed if len(closed.passes) < len(whole.passes) else whole)
    for runs, own in ((draft.plate.runs, shares), (proof.runs, proof.shares)):
        if best.passes <= proof.bound or not clock.room_for(2 * took):
            break
        other = with_papers(batch, runs, own, clock, seed, sparing=True, squeezing=0.4)
        if other is not None and not other.missing:
            candidate = Draft(draft.plate, proof, own, other)
            if better(batch, candidate, best):
                best = candidate
    return best
