"""Plans that are light on the hands: scraps as they are, slit only where they are too wide, and chips for what is left.

More passes than the fewest, as a rule, and far less trimming; :mod:`nestcut.passes.makers.mixed.mixed` makes drafts half-way between
both, as many passes as the person allows. The drafts stand beside the others, and the person's order of wishes (or the
clock) chooses.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from nestcut.batch.model import Batch
from nestcut.hands import rough_pass_s, rough_trim_s
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.schedule import cuts_wanted, shares_of
from nestcut.passes.common.trims import Trimming
from nestcut.passes.common.types import PlatePlan
from nestcut.passes.drafts.fillin import filled_in, leftovers
from nestcut.passes.drafts.moved_pieces import eased_shares
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.passes.drafts.ranking import Draft, figures
from nestcut.passes.drafts.trimming import obey_trims
from nestcut.passes.makers.door import Ask, pieces_met
from nestcut.passes.makers.ends.benches import Workshop
from nestcut.passes.makers.ends.ends import EndWay, by_ends
from nestcut.passes.makers.mixed.mixed import Costs, mixed, strip_shares
from nestcut.passes.makers.whole.whole import Station, in_whole_scraps
from nestcut.passes.makers.whole.zones import zone_stations

__all__ = ["Ends", "WholeScraps", "handling_matters", "minutes_first"]

WAYS = ((1, False), (1, True), (2, False), (2, True))
"""(scraps are slit to the plate's width over this, dies of one paper lie together)."""
END_WAYS = ((True, 2, 1.0), (True, 1, 1.6), (False, 2, 1.0), (False, 1, 1.6))
"""(dies lie narrow, lay-ups, rows of dies at each end) of plans by ends."""
PAPER_WEIGHT = 3.0
"""How much dearer paper is where some was short."""
SHARING_WORK = 0.5
"""Work, in OR-Tools' own measure, for sharing out dies and papers over the ends."""
EASED = 2
"""How often pieces are moved to other papers of their lines, where one paper has too little."""
HALF = 0.5
"""Share of the time that one search for passes over whole scraps may take, where there is more to do with them."""
MODELS, LEAST_MODEL_S = 0.15, 0.5
"""Share of the time that each model of a mixed draft may take, and the least for one, seconds."""
HAIR = 0.01
"""What a pass is worth, in trims, where trims are what counts."""


def handling_matters(batch: Batch) -> bool:
    """Whether the person's wishes can be served better than by the fewest passes in the fewest lay-ups."""
    first, *others = batch.wishes.order
    return (
        not Trimming.of(batch).allowed
        or first != "passes"
        or bool(batch.wishes.extra_passes)
        or others[:1] in (["trims"], ["minutes"])
    )


def minutes_first(batch: Batch) -> bool:
    """Whether least minutes are what the person wishes most."""
    return batch.wishes.order[:1] == ("minutes",)


class _Tried:
    """Lay-ups for two ends that are still to be tried in this plan, and what those before came to."""

    def __init__(self, ask: Ask, budget: Budget) -> None:
        self.shop = Workshop(ask.batch)
        self.ways = list(budget.either(END_WAYS, by_work=END_WAYS[:2]))
        directed = any(paper.direction != "none" for paper in ask.batch.papers)
        self.feed_turns_deg = [90.0, 0.0] if directed else [0.0]
        self.minutes: list[tuple[float, float]] = []
        """Minutes of the drafts and their turn of the feed."""
        self.short: frozenset[str] = frozenset()
        """Dies that found too little paper."""


@dataclass(frozen=True, slots=True)
class Ends:
    """Each end of the plate pulls its own scraps on, and what of them is worth keeping; another step may go on with it."""

    begin_short: float
    """Share of the time within which other lay-ups are begun where some paper was short."""
    begin: float
    """The same where none was."""
    end: float
    """Share of the time within which it ends."""

    def suits(self, ask: Ask) -> bool:
        """It begins with the pieces and the passes of another draft."""
        return ask.best is not None

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """One draft for each lay-up and turn of the feed, with others half-way between it and the best one."""
        batch, draft = ask.batch, ask.best
        assert draft is not None
        tried = ask.kept(_Tried, lambda: _Tried(ask, budget))
        if not tried.ways:
            return
        mixtures = _Mixtures(batch, draft, budget)
        begin_short, begin, end = (budget.part(share) for share in (self.begin_short, self.begin, self.end))
        while tried.ways and not (begin_short if tried.short else begin).over():
            narrow, layups, rows = tried.ways.pop(0)
            for feed_turn_deg in list(tried.feed_turns_deg):
                if end.over():
                    break
                price = PAPER_WEIGHT if tried.short else 1.0
                found = by_ends(
                    batch,
                    tried.shop,
                    EndWay(narrow, feed_turn_deg, layups, rows, price, tried.short),
                    end,
                    work=SHARING_WORK,
                    asked=pieces_met(draft.plate.shares),
                )
                if found is None:
                    continue
                got, lines = found
                shares = tuple(shares_of(dict(sorted(own.items()))) for own in lines)
                plate = replace(draft.plate, shares=shares)
                filled = _filled(batch, plate, got, end)
                yield filled
                minutes = figures(batch, filled)["minutes"] + 2 * sum(got.missing.values())
                tried.minutes.append((minutes, feed_turn_deg))
                # From now on paper is used more sparingly, first for the dies that found too little.
                tried.short |= {die for die, _ in got.missing}
                yield from mixtures.of(plate, got, end)
            if tried.minutes:
                tried.feed_turns_deg = [min(tried.minutes)[1]]


class WholeScraps:
    """Scraps as they are, anywhere on the plate, and what of them is worth keeping."""

    def suits(self, ask: Ask) -> bool:
        """It begins with the pieces and the passes of another draft."""
        return ask.best is not None

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """Drafts for rows of dies of one paper or of one depth, scraps as they are or slit, pieces moved to other papers."""
        batch, draft = ask.batch, ask.best
        assert draft is not None
        mixtures = _Mixtures(batch, draft, budget)
        for slit, by_paper in WAYS:
            if budget.over() or (slit > 1 and not ask.trims.allowed):
                break

            def stations(
                left: Mapping[tuple[str, str], int], round_: int, by: bool = by_paper
            ) -> list[Station] | None:
                return zone_stations(batch, left, budget, by_paper=by, variant=round_)

            searching = budget.part(HALF) if mixtures.aims else budget
            plate, missing = draft.plate, math.inf
            for _ in range(EASED + 1):
                got = in_whole_scraps(
                    batch,
                    cuts_wanted(batch, plate.shares),
                    stations,
                    searching,
                    slit_mm=batch.machine.plate_mm[0] / slit,
                )
                yield _filled(batch, plate, got, budget)
                yield from mixtures.of(plate, got, budget)
                fewer = sum(got.missing.values()) < missing
                missing = sum(got.missing.values())
                eased = (
                    eased_shares(batch, plate.shares, got.missing)
                    if missing and fewer and not searching.over()
                    else None
                )
                if eased is None:
                    break
                plate = replace(plate, shares=eased)


class _Mixtures:
    """Drafts half-way between scraps as they are and the draft in fewest passes."""

    def __init__(self, batch: Batch, draft: Draft, budget: Budget) -> None:
        self.batch = batch
        self.strips = strip_shares(batch, draft)
        self.aims = _aims(batch, draft)
        self.seconds = max(LEAST_MODEL_S, MODELS * budget.span_s)

    def of(self, plate: PlatePlan, whole: PaperedPasses, budget: Budget) -> Iterator[Draft]:
        """Those for passes over whole scraps, one aim after the other."""
        for aim in self.aims:
            yield from mixed(self.batch, plate, whole, self.strips, aim, budget, seconds=self.seconds)


def _filled(batch: Batch, plate: PlatePlan, got: PaperedPasses, budget: Budget) -> Draft:
    """A draft of passes over whole scraps, with chips for what they leave."""
    if Trimming.of(batch).allowed and not budget.over():
        got = filled_in(batch, got, leftovers(batch, got), over=budget.over)
    return Draft(plate, plate, plate.shares, obey_trims(batch, got))


def _aims(batch: Batch, draft: Draft) -> list[Costs]:
    """What drafts half-way are to save, by the person's wishes; none where no trims are allowed."""
    wishes = batch.wishes
    if not Trimming.of(batch).allowed:
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
