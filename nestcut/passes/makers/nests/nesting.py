"""Where chips and strips leave something out: some scraps are nested, the rest is planned as before.

Nests give more pieces and take more passes and lay-ups, so no more scraps are nested than it takes: first those in which
a large die gains most, with this die alone, then with others around it, at last the whole paper. Where small dies are
missing, the whole paper is nested at once. A nest that takes too long for what it gains is left out.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from shapely.geometry import Polygon

from nestcut.batch.model import Batch, Pose
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.convex_paper import grown_hull
from nestcut.passes.common.plate_rules import chip_angle
from nestcut.passes.common.schedule import cuts_wanted, pieces_of, shares_of
from nestcut.passes.common.slits import Piece
from nestcut.passes.common.turns import QUARTERS
from nestcut.passes.common.types import PlatePlan
from nestcut.passes.drafts.order import joined
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.passes.drafts.ranking import Draft, Shares, best_of, better
from nestcut.passes.drafts.worth import worth_it
from nestcut.passes.makers.chips.papering import with_papers
from nestcut.passes.makers.door import Ask
from nestcut.passes.makers.nests.nest_layups import in_nests
from nestcut.passes.makers.nests.nests import Fill, FillWish, Nest, alike, filled_with, nests_of
from nestcut.passes.makers.nests.repack import Repacked, with_repacked
from nestcut.passes.makers.nests.riding import with_riders
from nestcut.passes.makers.strips.strip_drafts import in_strips
from nestcut.passes.parts.slabs import Bed, Form, lay, turned
from nestcut.passes.short.shortage import cut_back

__all__ = ["Nests", "with_nests"]

MISSING, AROUND, ALL = range(3)
"""How much of a paper is nested, from few passes to much paper: as few scraps as it seems to take, with the missing dies
alone; all scraps in which those gain anything, with other dies around them; all of the paper."""
NESTING, REPACKING = 0.7, 0.7
"""Shares of the time left for nesting, then for winning back what it leaves out."""
REST = 0.35
"""Share of the time left for planning what is not nested, once."""
SQUEEZING = 0.5
"""Share of that for squeezing chips."""
DEARER = 4
"""How much more a missing die is worth than its area where others fill the gaps around it."""
FILLING = 0.4
"""Share of the time left that filling scraps may take, at all levels together."""
FILLS = 3
"""How often an outline is filled, about."""
LEAST_FILL_S, MOST_FILL_S = 0.1, 1.5
"""What a filling gets at least and at most."""
UNTIMED_S = 3600.0
"""By work a filling ends by its moves: nothing may hang on the clock."""
FILL_MOVES = 400
"""Moves for a scrap where work is counted instead of time."""


@dataclass(slots=True)
class _Short:
    """A paper in which something is missing, and how much of it is nested."""

    paper: str
    wanted: dict[str, int]
    missing: dict[str, int]
    """In the draft that has no nests."""
    enough: int
    level: int = MISSING
    nests: list[Nest] = field(default_factory=list)
    best: list[Nest] = field(default_factory=list)
    lost: int = 0
    """Cuts that are missing with the best nests so far."""

    def more(self, lost: int) -> bool:
        """Nest more of it the next time, since so many cuts are still missing. False where all of it is nested."""
        if self.level == MISSING and self.enough < sum(self.wanted.values()):
            self.enough += max(lost, self.enough // 2)
            return True
        self.level += 1
        return self.level <= ALL


class Nests:
    """Scraps of short papers filled as densely as cuts go; then missing cuts won back."""

    def suits(self, ask: Ask) -> bool:
        """What is not nested is cut out in any shape."""
        return ask.trims.any_shape

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """One draft, from the best that misses some cuts; not from one in which some were won back already."""
        short = ask.best_short(but=(Repacked,))
        if short is not None:
            nested = with_nests(ask.batch, short, budget.part(NESTING))
            yield with_repacked(ask.batch, nested, budget.part(REPACKING))


def with_nests(batch: Batch, draft: Draft, budget: Budget) -> Draft:
    """The draft, or a better one in which scraps of its short papers are nested."""
    wanted = cuts_wanted(batch, draft.shares)
    short = []
    for paper in sorted({paper for _, paper in draft.papered.missing}):
        own = {die: count for (die, p), count in wanted.items() if p == paper}
        missing = {die: n for (die, p), n in draft.papered.missing.items() if p == paper and die in own}
        if missing:
            gone = sum(missing.values())
            # Where small dies are missing, large ones have taken their room: the paper is short as a whole.
            largest = max(own, key=lambda die: (batch.die(die).cut.area, die))
            level = MISSING if largest in missing else ALL
            short.append(_Short(paper, own, missing, gone, level, lost=gone))
    fill = _filler(batch, budget, [one.paper for one in short])
    best, todo = draft, list(short)
    tried: list[list[Nest]] = []

    def take(nests: list[Nest]) -> dict[str, int] | None:
        """Plan with these nests; cuts that are missing, paper by paper."""
        nonlocal best
        tried.append(nests)
        got = _with_rest(batch, draft, nests, budget)
        if got is None:
            return None
        if better(batch, got, best) and worth_it(batch, got, draft):
            best = got
        lost = dict.fromkeys((one.paper for one in short), 0)
        for (_, paper), count in got.papered.missing.items():
            lost[paper] = lost.get(paper, 0) + count
        return lost

    while todo and not budget.over():
        for one in todo:
            before = one.nests
            while (nests := _nested(batch, draft, one, fill, budget)) == before and one.level < ALL:
                # The same nests again would be no news.
                one.level += 1
            one.nests = nests
        lost = take([nest for one in short for nest in one.nests])
        if lost is None:
            break
        for one in todo:
            if lost[one.paper] < one.lost:
                one.lost, one.best = lost[one.paper], one.nests
        todo = [one for one in short if one.lost and one.level <= ALL and one.more(lost[one.paper])]
        for one in short:
            if one not in todo:
                one.nests = one.best
    nests = [nest for one in short for nest in one.best]
    if nests and nests not in tried and not budget.over():
        take(nests)
    return best


def _nested(
    batch: Batch,
    draft: Draft,
    short: _Short,
    fill: Fill,
    budget: Budget,
) -> list[Nest]:
    """Nests of one paper at its level."""
    groups: Sequence[Sequence[Piece]] = alike(batch, short.paper)
    level, wanted, missing = short.level, short.wanted, short.missing
    largest = max(batch.die(die).cut.area for die in wanted)
    by_area = {
        die: max(1, round(1000 * batch.die(die).cut.area / largest)) * (DEARER if die in missing else 1)
        for die in wanted
    }
    if level in (MISSING, AROUND):
        enough = short.enough if level == MISSING else None
        groups = _with_gain(batch, draft, groups, short, by_area, fill, enough, budget)
        if level == MISSING:
            wanted = {die: wanted[die] for die in missing}
        return nests_of(batch, groups, wanted, by_area, fill, budget)
    best: list[Nest] = []
    most = -1
    # Where the paper can't give all, pieces count, whatever their size; small scraps then hold small dies best.
    for value, order in ((by_area, 1), (dict.fromkeys(wanted, 1), -1)):
        nests = nests_of(batch, groups[::order], wanted, value, fill, budget)
        made = sum(sum(nest.made().values()) for nest in nests)
        if made > most:
            best, most = nests, made
        if made >= sum(wanted.values()) or budget.over():
            break
    return best


def _with_gain(
    batch: Batch,
    draft: Draft,
    groups: Sequence[Sequence[Piece]],
    short: _Short,
    value: Mapping[str, int],
    fill: Fill,
    enough: int | None,
    budget: Budget,
) -> list[Sequence[Piece]]:
    """Pieces in which nests of the missing dies give more cuts than chips do, the fewest that gain ``enough``."""
    chips = {die: _chip(batch, draft, die) for die in short.missing}
    wanted = {die: short.wanted[die] for die in short.missing}
    ranked = []
    for number, own in enumerate(groups):
        if budget.over():
            break
        nest = filled_with(batch, own[0], fill, wanted, value)
        bed = Bed.fresh(own[0].outline)
        laid = 0
        for die in sorted(wanted, key=lambda die: -batch.die(die).cut.area):
            laid += len(lay(bed, 0, Form(chips[die], QUARTERS, wanted[die]), 0, wanted[die]))
        if len(nest) > laid:
            ranked.append((laid - len(nest), number))
    left = math.inf if enough is None else enough
    kept: list[Sequence[Piece]] = []
    for loss, number in sorted(ranked):
        count = int(min(len(groups[number]), max(0.0, math.ceil(left / -loss) if left < math.inf else left)))
        if count:
            kept.append(groups[number][:count])
        left += loss * count
    return kept


def _chip(batch: Batch, draft: Draft, die: str) -> Polygon:
    """The chip of a die in the draft's lay-ups."""
    for run in draft.papered.runs:
        for site, chip in zip(run.sites, run.chips, strict=False):
            if site.die.name == die:
                return chip
    own = batch.die(die)
    deg = chip_angle(own.cut) if own.turns == "any" else own.turns[0]
    return grown_hull(turned(own.cut, deg), batch.hand.edge_mm)


def _with_rest(batch: Batch, draft: Draft, nests: Sequence[Nest], budget: Budget) -> Draft | None:
    """Nests, and chips from the other scraps under the draft's lay-ups."""
    nested = in_nests(batch, nests, budget)
    made: Counter[tuple[str, str]] = Counter()
    for nest in nests:
        made += nest.made()
    made -= nested.missing
    used = {piece.scrap.id for nest in nests for piece in nest.pieces}
    others = replace(batch, scraps=tuple(scrap for scrap in batch.scraps if scrap.id not in used))
    rest = _less(batch, draft.shares, made)
    wanted = cuts_wanted(batch, rest)
    if not wanted:
        return Draft(draft.plate, draft.bound, draft.shares, PaperedPasses(nested.runs, nested.passes))
    drafts = []
    # Other nests may have to be tried: no more than a part of the time for these.
    part = budget.part(REST)
    plate = _thinned(batch, replace(draft.plate, shares=rest), wanted)
    strips = in_strips(others, plate, part)
    if strips is not None:
        drafts.append(strips)
    if strips is None or strips.missing:
        chips = with_papers(others, plate.runs, rest, part, sparing=True, squeezing=SQUEEZING)
        if chips is not None:
            drafts.append(Draft(plate, plate, rest, chips))
    if not drafts:
        return None
    best = best_of(others, drafts)
    # Pieces may have changed their paper, to one that has some left.
    shares = draft.shares if best.shares is rest else _more(best.shares, draft.shares, rest)
    fewer, along = with_riders(batch, nests, nested, best.papered, budget)
    # What is missing of the nests was asked of the rest.
    both = joined(fewer, along, fewer.missing)
    return Draft(draft.plate, draft.bound, shares, both)


def _thinned(batch: Batch, plate: PlatePlan, wanted: Mapping[tuple[str, str], int]) -> PlatePlan:
    """The lay-ups for fewer cuts: copies of a die share them evenly, so that passes can be saved."""
    need: Counter[str] = Counter()
    for (die, _), count in wanted.items():
        need[die] += count
    room: Counter[str] = Counter()
    for run in plate.runs:
        for slot, own in zip(run.slots, run.cuts, strict=True):
            room[slot.die] += own
    runs = []
    for run in plate.runs:
        thin = tuple(
            min(own, -(-own * need[slot.die] // max(1, room[slot.die])))
            for slot, own in zip(run.slots, run.cuts, strict=True)
        )
        runs.append(replace(run, cuts=thin, passes=max(thin)))
    busiest = max(-(-total // batch.die(die).copies) for die, total in need.items())
    # A target for lanes, no proof: the bound of the whole is proved elsewhere.
    return replace(plate, runs=tuple(run for run in runs if run.passes), bound=min(plate.bound, busiest))


def _more(shares: Shares, full: Shares, rest: Shares) -> Shares:
    """The shares with what the nests cut: ``full`` less ``rest``, line by line."""
    result = []
    for own, all_, left in zip(shares, full, rest, strict=True):
        count: Counter[tuple[str, str]] = Counter()
        for share in (*own, *all_):
            count[share.die, share.paper] += share.count
        for share in left:
            count[share.die, share.paper] -= share.count
        result.append(shares_of(count))
    return tuple(result)


def _less(batch: Batch, shares: Shares, made: Counter[tuple[str, str]]) -> Shares:
    """The shares without the pieces that these cuts give."""
    have = pieces_of(shares)
    gone = {key: min(have[key], cuts * batch.die(key[0]).pieces) for key, cuts in made.items()}
    return cut_back(batch, batch.demand, shares, gone)


def _filler(batch: Batch, budget: Budget, papers: Sequence[str]) -> Fill:
    """Fills a scrap; what was asked before is known."""
    from nestcut.placement import Part, fill_region

    outlines = sum(len(alike(batch, paper)) for paper in papers)
    each = min(MOST_FILL_S, max(LEAST_FILL_S, FILLING * budget.left() / max(1, FILLS * outlines)))
    known: dict[tuple[bytes, tuple[tuple[str, int, int], ...]], list[tuple[int, Pose]]] = {}

    def fill(outline: Polygon, asks: Sequence[FillWish]) -> list[tuple[int, Pose]]:
        key = (outline.wkb, tuple((ask.die.name, ask.most, ask.value) for ask in asks))
        if key not in known:
            got = fill_region(
                outline,
                [
                    # Other passes make the other cuts: by then nothing is left in an opening of this one.
                    Part(ask.die.name, ask.die.hole, turns=ask.turns, most=ask.most, value=ask.value)
                    for ask in asks
                ],
                web_mm=batch.hand.web_mm,
                edge_mm=batch.hand.edge_mm,
                # Nothing may hang on the clock where work is counted.
                seconds=budget.either(each, by_work=UNTIMED_S),
                moves_limit=budget.either(None, by_work=FILL_MOVES),
                stop=budget.over,
            )
            known[key] = [(placed.part, placed.pose) for placed in got.placed]
        return known[key]

    return fill
