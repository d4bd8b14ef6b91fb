"""The cuts of a plate plan in strips: lanes are settled again and again, and what takes least is made into passes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from nestcut.batch.model import Batch
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.common.trims import Trimming
from nestcut.passes.common.types import PlatePlan
from nestcut.passes.drafts.fillin import filled_in, leftovers
from nestcut.passes.drafts.moved_pieces import other_papers
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.passes.drafts.ranking import Draft, Shares, rank, rank_of
from nestcut.passes.drafts.trimming import obey_trims
from nestcut.passes.makers.chips.papering import squeezer
from nestcut.passes.makers.door import Ask
from nestcut.passes.makers.strips.lanes import lane_layups
from nestcut.passes.makers.strips.strip_sheets import piles_by_paper
from nestcut.passes.makers.strips.strips import LaidStrips, lay_strips
from nestcut.passes.parts.papers import largest_of, sizes_by_paper
from nestcut.passes.plate.lighten import heavy_layups

__all__ = ["Strips", "in_strips"]

TURNS = 8
"""How often lanes are settled anew: trims vary by a fifth from one time to the next."""
TRIES = 12
"""Orders in which the strips of a paper are cut, every other turn."""
FEW_MISSING = 0.05
"""Where lanes leave more of the cuts without paper, the time is better spent on lay-ups for chips."""
SQUEEZING = 0.3
"""Share of the time left for squeezing chips into lanes where paper is short."""
LANES_S, LANES = 20.0, 1 / 6
"""Most seconds for settling the lanes once, and the share of the time left."""
TIME = 0.2
"""Share of the time left after which no further turn is begun."""
POLISHED = 2
"""So many times as many turns and as much time once strips give all in the fewest passes: nothing else is left to do."""


class _Best:
    """The best draft so far, the first of equals; it is made when it is asked for."""

    def __init__(self, batch: Batch, plate: PlatePlan) -> None:
        self.batch = batch
        self.plate = plate
        self.done = False
        """Everything is cut in the fewest passes."""
        self.whole = False
        """Everything is cut."""
        self._rank: tuple[float, ...] | None = None
        self._make: Callable[[], Draft] | None = None

    def draft(self) -> Draft | None:
        """None where nothing was offered."""
        return None if self._make is None else self._make()

    def take_laid(self, laid: LaidStrips) -> None:
        """Offer what is cut in strips; passes are made of it only if it stays the best."""
        found, missing = laid.figures(self.batch), laid.missing.total()
        self._take(
            self._rank_of(laid, found, missing),
            lambda: Draft(self.plate, self.plate, self.plate.shares, laid.papered(self.batch)),
            missing,
            found["passes"],
        )

    def take(self, shares: Shares, got: PaperedPasses) -> None:
        """Offer a draft whose passes are made."""
        draft = Draft(self.plate, self.plate, shares, got)
        self._take(rank(self.batch, draft), lambda: draft, draft.missing, draft.passes)

    def may_gain(self, laid: LaidStrips) -> bool:
        """Whether this could be the best once what is missing is cut in chips, each of them a trim at least."""
        found = laid.figures(self.batch)
        found["trims"] += laid.missing.total()
        return self._rank is None or self._rank_of(laid, found, 0) < self._rank

    def _take(self, rated: tuple[float, ...], make: Callable[[], Draft], missing: int, passes: float) -> None:
        if self._rank is None or rated < self._rank:
            self._rank, self._make = rated, make
        self.whole = self.whole or not missing
        self.done = self.done or (not missing and passes <= self.plate.bound)

    def _rank_of(self, laid: LaidStrips, found: Mapping[str, float], missing: int) -> tuple[float, ...]:
        return rank_of(self.batch, found, missing, len(heavy_layups(self.batch, laid.used_layups())))


class Strips:
    """Strips that are pulled on under dies in lanes."""

    def suits(self, ask: Ask) -> bool:
        """Strips are trimmed."""
        return ask.trims.allowed

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """One draft, where lanes hold all dies."""
        made = in_strips(ask.batch, ask.plate, budget)
        if made is not None:
            yield made


def in_strips(batch: Batch, plate: PlatePlan, budget: Budget) -> Draft | None:
    """The same cuts with strips that are pulled on under dies in lanes: far fewer trims."""
    wanted = cuts_wanted(batch, plate.shares)
    piles, sizes = piles_by_paper(batch), largest_of(sizes_by_paper(batch))
    best = _Best(batch, plate)
    tightest: tuple[LaidStrips, int] | None = None
    few = True
    any_shape = Trimming.of(batch).any_shape
    begun, polished = budget.part(TIME), budget.part(POLISHED * TIME)
    turns = budget.either(TURNS, by_work=TURNS // 2)
    for turn in range(turns * POLISHED):
        layups = lane_layups(
            batch,
            wanted,
            budget.next(min(LANES_S, LANES * budget.left())).reseeded(turn),
            at_least=plate.bound,
            sizes=sizes,
        )
        if layups is None:
            break
        # The largest strips first and chips for what is left, or as much as can be in strips: either may take fewer trims.
        tries, chips = (1, False) if turn % 2 == 0 else (TRIES, any_shape)
        laid = lay_strips(batch, layups, piles, budget.reseeded(turn), tries=tries, chips=chips)
        if chips and (tightest is None or laid.missing.total() < tightest[0].missing.total()):
            tightest = laid, turn
        strips: PaperedPasses | None = None
        if not any_shape and not laid.straight():
            # Which of the strips are given up shows in the passes.
            strips = obey_trims(batch, laid.papered(batch))
            best.take(plate.shares, strips)
        else:
            best.take_laid(laid)
            if laid.missing and best.may_gain(laid):
                strips = laid.papered(batch)
        if strips is not None and strips.missing:
            left = leftovers(batch, strips)
            for shares, short in ((plate.shares, strips), other_papers(batch, plate.shares, strips, left)):
                best.take(shares, obey_trims(batch, filled_in(batch, short, left)))
        few = tightest is None or tightest[0].missing.total() <= FEW_MISSING * sum(wanted.values())
        if not few or polished.over() or (not best.done and (begun.over() or turn + 1 >= turns)):
            break
    if tightest is not None and few and not best.whole and not budget.over():
        squeeze = squeezer(batch, budget.part(SQUEEZING))
        short_laid, turn = tightest
        got = lay_strips(
            batch, short_laid.layups, piles, budget.reseeded(turn), tries=TRIES, chips=True, squeeze=squeeze
        )
        best.take(plate.shares, got.papered(batch))
    budget.say(None, plate.bound, "putting passes together")
    return best.draft()
