"""Plans that are light on the hands: scraps as they are, slit only where they are too wide, and chips for what is left.

More passes than the fewest, as a rule, and far less trimming; :mod:`nestcut.passes.makers.mixed.mixed` makes drafts half-way between
both, as many passes as the person allows. The drafts stand beside the others, and the person's order of wishes (or the
clock) chooses.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace

from nestcut.batch.model import Batch
from nestcut.hands import rough_pass_s, rough_trim_s
from nestcut.passes.common.clock import Clock
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.common.types import PlatePlan
from nestcut.passes.drafts.fillin import filled_in, leftovers
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.passes.drafts.ranking import Draft, Shares, figures
from nestcut.passes.drafts.trimming import obey_trims
from nestcut.passes.makers.ends.benches import Workshop
from nestcut.passes.makers.ends.ends import EndWay, by_ends
from nestcut.passes.makers.mixed.mixed import Costs, PerCut, mixed, strip_shares
from nestcut.passes.makers.whole.whole import Station, in_whole_scraps
from nestcut.passes.makers.whole.zones import zone_stations
from nestcut.plans.model import Share

__all__ = ["eased_shares", "handling_matters", "in_few_trims"]

WAYS = ((1, False), (1, True), (2, False), (2, True))
"""(scraps are slit to the plate's width over this, dies of one paper lie together)."""
END_WAYS = ((True, 2, 1.0), (True, 1, 1.6), (False, 2, 1.0), (False, 1, 1.6))
"""(dies lie narrow, lay-ups, rows of dies at each end) of plans by ends."""
DEAR = 3.0
"""How much dearer paper is where some was short."""
ENDS_SHORT, ENDS, END_TRY = 0.55, 0.65, 0.8
"""Shares of the time before the other ways: within which another of them is begun where some paper was short, where none
was, and within which it ends."""
SHARING_S, SHARING_WORK = 3.0, 0.5
"""Most seconds, and work in OR-Tools' own measure, for sharing out dies and papers over the ends."""
EASED = 2
"""How often pieces are moved to other papers of their lines, where one paper has too little."""
HALF = 0.5
"""Share of the time that one search for passes over whole scraps may take, where there is more to do with them."""
MODELS = 0.15
"""Share of the time that each model of a mixed draft may take."""
MODELS_BY_WORK_S = 60.0
"""The same, in seconds, where work is counted: the models' own limits come first."""
HAIR = 0.01
"""What a pass is worth, in trims, where trims are what counts."""


def handling_matters(batch: Batch) -> bool:
    """Whether the person's wishes can be served better than by the fewest passes in the fewest lay-ups."""
    first, *others = batch.wishes.order
    return (
        batch.hand.trims == "none"
        or first != "passes"
        or bool(batch.wishes.extra_passes)
        or others[:1] in (["trims"], ["minutes"])
    )


def in_few_trims(batch: Batch, draft: Draft, clock: Clock, seed: int, share: float) -> Iterator[Draft]:
    """Drafts for the pieces of ``draft.plate.shares``, several ways, as long as there is time.

    Args:
        draft: the best draft so far, in as few passes as was found.
        share: share of the time left that this may take.
    """
    over = clock.within(share)
    seconds = MODELS_BY_WORK_S if clock.by_work else max(0.5, MODELS * share * clock.left())
    strips = strip_shares(batch, draft)
    aims = _aims(batch, draft)
    # What these have not come to is for the end: where paper is short the others may do better.
    limits = [clock.within(part * share) for part in (ENDS_SHORT, ENDS, END_TRY)]
    ends = _by_ends(batch, draft, strips, aims, clock.by_work, seed, seconds, limits)
    for made in ends:
        if made is None:
            break
        yield made
    for slit, by_paper in WAYS:
        if over() or (slit > 1 and batch.hand.trims == "none"):
            break

        def stations(
            left: Mapping[tuple[str, str], int], round_: int, by: bool = by_paper
        ) -> list[Station] | None:
            return zone_stations(batch, left, by_paper=by, variant=round_, seed=seed, over=over)

        late = clock.within(HALF * share) if aims else over
        plate, missing = draft.plate, math.inf
        for _ in range(EASED + 1):
            got = in_whole_scraps(
                batch,
                cuts_wanted(batch, plate.shares),
                stations,
                slit_mm=batch.machine.plate_mm[0] / slit,
                over=late,
            )
            yield _filled(batch, plate, got, over)
            for aim in aims:
                yield from mixed(batch, plate, got, strips, aim, seed=seed, seconds=seconds, over=over)
            fewer = sum(got.missing.values()) < missing
            missing = sum(got.missing.values())
            eased = (
                eased_shares(batch, plate.shares, got.missing) if missing and fewer and not late() else None
            )
            if eased is None:
                break
            plate = replace(plate, shares=eased)
    limits[:] = [over, over, over]
    yield from (made for made in ends if made is not None)


def _by_ends(
    batch: Batch,
    draft: Draft,
    strips: Mapping[tuple[str, str], PerCut],
    aims: Sequence[Costs],
    by_work: bool,
    seed: int,
    seconds: float,
    limits: list[Callable[[], bool]],
) -> Iterator[Draft | None]:
    """Drafts in which each end of the plate pulls its own scraps on, and what of them is worth keeping.

    Args:
        limits: whether no other is begun where some paper was short, where none was, and whether one that was begun ends;
            they may be exchanged meanwhile.
    Yields: None where it would begin no other.
    """

    def late() -> bool:
        return limits[0 if short else 1]()

    def over() -> bool:
        return limits[2]()

    shop = Workshop(batch)
    directed = any(paper.direction != "none" for paper in batch.papers)
    feed_turns_deg = [90.0, 0.0] if directed else [0.0]
    tried: list[tuple[float, float]] = []
    short: frozenset[str] = frozenset()
    ways = list(END_WAYS[:2] if by_work else END_WAYS)
    while ways:
        if late():
            yield None
            if late():
                return
        narrow, layups, rows = ways.pop(0)
        for feed_turn_deg in list(feed_turns_deg):
            if over():
                break
            found = by_ends(
                batch,
                shop,
                EndWay(narrow, feed_turn_deg, layups, rows, DEAR if short else 1.0, short),
                seconds=MODELS_BY_WORK_S if by_work else min(SHARING_S, seconds),
                work=SHARING_WORK,
                asked=[sum(share.count for share in own) for own in draft.plate.shares],
                seed=seed,
                over=over,
            )
            if found is None:
                continue
            got, lines = found
            shares = tuple(
                tuple(Share(die, paper, count) for (die, paper), count in sorted(own.items()) if count > 0)
                for own in lines
            )
            plate = replace(draft.plate, shares=shares)
            filled = _filled(batch, plate, got, over)
            yield filled
            tried.append((figures(batch, filled)["minutes"] + 2 * sum(got.missing.values()), feed_turn_deg))
            # From now on paper is used more sparingly, first for the dies that found too little.
            short |= {die for die, _ in got.missing}
            for aim in aims:
                yield from mixed(batch, plate, got, strips, aim, seed=seed, seconds=seconds, over=over)
        if tried:
            feed_turns_deg = [min(tried)[1]]


def _filled(batch: Batch, plate: PlatePlan, got: PaperedPasses, over: Callable[[], bool]) -> Draft:
    """A draft of passes over whole scraps, with chips for what they leave."""
    if batch.hand.trims != "none" and not over():
        got = filled_in(batch, got, leftovers(batch, got), over=over)
    return Draft(plate, plate, plate.shares, obey_trims(batch, got))


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
        lines.append(tuple(Share(die, paper, n) for (die, paper), n in left.items() if n > 0))
    return tuple(lines) if moved else None


def _aims(batch: Batch, draft: Draft) -> list[Costs]:
    """What drafts half-way are to save, by the person's wishes; none where no trims are allowed."""
    wishes = batch.wishes
    if batch.hand.trims == "none":
        return []
    by_time = Costs(rough_pass_s(batch.hand.seconds), rough_trim_s(batch.hand.seconds))
    by_trims = Costs(HAIR, 1.0)
    first, *others = wishes.order
    if first == "minutes":
        # What is foreseen is not always reached: a second aim that asks for less change, no pass more.
        return [by_time, replace(by_time, most_passes=draft.passes)]
    if first == "trims":
        return [by_trims]
    if first != "passes":
        return []
    most = draft.passes + wishes.extra_passes.of(draft.passes)
    sought = by_time if "minutes" in others[:1] else by_trims
    return [replace(sought, most_passes=passes) for passes in sorted({draft.passes, most}, reverse=True)]
