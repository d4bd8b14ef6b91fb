"""There is always a plan: what to take where the checker refuses a draft, or where no other way finds one.

All drafts that were tried stand in line, those that miss least first, one paper a pass among them. The end is one paper and one
die a pass (:mod:`nestcut.passes.makers.one_paper.one_paper`): every cut of it was measured when it was laid.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace

from nestcut.passes.common.budget import Budget
from nestcut.passes.common.schedule import pieces_of
from nestcut.passes.common.types import PlatePlan
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.passes.drafts.ranking import Draft, Shares, rank
from nestcut.passes.makers.door import Ask, pieces_met
from nestcut.passes.makers.one_paper.one_paper import ByHand, one_paper_a_pass
from nestcut.passes.makers.one_paper.one_paper_stock import Known
from nestcut.passes.makers.scarce.buying import sheets_to_buy
from nestcut.passes.plate.solve import bound_alone
from nestcut.passes.short.shortage import without_missing

__all__ = ["OnePaper", "Resort"]

GRACE_S = 2.0
"""So many seconds one paper a pass, or what to buy, may take where the time is over: enough for a usual evening."""
MOST_TRIED = 6
"""Drafts that are put together and checked before one paper a pass is taken at once."""


class OnePaper:
    """One paper a pass, what people do by hand."""

    def suits(self, ask: Ask) -> bool:
        """Always."""
        return True

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """One draft, for the pieces that it cuts."""
        yield ask.kept(Resort, lambda: Resort(ask, budget)).by_hand()


class Resort:
    """One paper a pass for a batch, made when it is first asked for, and the line of drafts to fall back on."""

    def __init__(self, ask: Ask, budget: Budget) -> None:
        self.ask, self.batch, self.budget = ask, ask.batch, budget
        self.known = Known(ask.batch, budget)
        self.took_s = 0.0
        """Seconds that one paper a pass took."""
        self._by_hand: dict[int | None, ByHand] = {}
        self._buy: dict[Shares, dict[str, dict[str, int]]] = {}

    @property
    def uncounted(self) -> bool:
        """Whether the time was over before what to buy was counted."""
        return any(not found for found in self._buy.values())

    def _begin(self) -> None:
        """Something that needs a little time is begun now, however late it is."""
        self.known.budget = self.budget.grace(GRACE_S)

    def by_hand(self, most_dies: int | None = None) -> Draft:
        """One paper a pass as a draft, for the pieces that it cuts, with a bound for these."""
        if most_dies not in self._by_hand:
            self.budget.say(None, None, "one paper a pass")
            self._begin()
            begin = self.budget.spent()
            self._by_hand[most_dies] = one_paper_a_pass(self.batch, most_dies=most_dies, known=self.known)
            self.took_s = self.budget.spent() - begin
        found = self._by_hand[most_dies]
        bound = self._bound(found.shares)
        return Draft(bound, bound, found.shares, found.papered)

    def to_buy(self, asked: Shares, kept: Shares) -> dict[str, dict[str, int]]:
        """Paper → sheets to buy by size for what is asked for and not kept."""
        if asked not in self._buy:
            short = sorted({paper for _, paper in pieces_of(asked) - pieces_of(kept)})
            self.budget.say(None, None, "counting what to buy")
            self._begin()
            self._buy[asked] = sheets_to_buy(self.batch, asked, short, self.known)
        return self._buy[asked]

    def _bound(self, shares: Shares) -> PlatePlan:
        """The bound for what these shares cut."""
        demand = [
            replace(line, count=count, spares=0)
            for line, count in zip(self.batch.demand, pieces_met(shares), strict=True)
        ]
        book = self.ask.books.of(self.batch, demand, "rims")
        return replace(bound_alone(self.batch, demand, book, self.budget.late), shares=shares)

    def line(self, draft: Draft, tried: Sequence[Draft]) -> Iterator[Draft]:
        """The draft, then what to fall back on, best first; each for the pieces that it cuts."""
        yield draft
        hand = self.by_hand()
        known = (draft.papered, hand.papered)
        others = [self._cut_short(other) for other in tried if all(other.papered is not one for one in known)]
        ranked = sorted([*others, hand], key=lambda other: (self.ask.unmet(other), rank(self.batch, other)))
        for other in ranked[:MOST_TRIED]:
            if other is hand or self.budget.late():
                break
            same = pieces_met(other.shares) == pieces_met(draft.shares)
            yield replace(other, bound=draft.bound if same else self._bound(other.shares))
        if draft.papered is not hand.papered:
            yield hand
        yield self.by_hand(1)

    def _cut_short(self, other: Draft) -> Draft:
        """Another draft, for what it cuts alone."""
        if not other.missing:
            return other
        shares = without_missing(self.batch, other.shares, other.papered.missing)
        whole = PaperedPasses(other.papered.runs, other.papered.passes, Counter())
        return Draft(other.plate, other.bound, shares, whole)
