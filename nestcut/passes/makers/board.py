"""The steps of a plan, one after the other: who is asked, for how long, and which draft stays.

What a step is stands here, the steps themselves in :mod:`nestcut.passes.makers.steps`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from nestcut.batch.model import Batch, Demand
from nestcut.errors import BatchError
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.trims import Trimming
from nestcut.passes.common.types import Footprint, PlatePlan
from nestcut.passes.drafts.inside import with_openings
from nestcut.passes.drafts.ranking import Draft, handiest_of
from nestcut.passes.makers.chips.papering import straightened
from nestcut.passes.makers.door import Ask, Maker
from nestcut.passes.plate.lighten import lightened
from nestcut.passes.plate.solve import Books

__all__ = ["Board", "Goal", "LayUps", "Step"]

LIGHTENING = 0.1
"""Share of the time left for making lay-ups easier to crank."""


@dataclass(frozen=True, slots=True)
class LayUps:
    """Lay-ups that steps put papers under; planned once, when a step first asks for them."""

    footprint: Footprint
    """What dies keep for themselves."""
    share: float
    """Share of the time left for finding them."""
    square: bool = False
    """Dies that may turn freely are kept square to the plate."""


@dataclass(frozen=True, slots=True)
class Step:
    """A row of the table: a maker is asked once."""

    says: str
    """Told to the person when it begins."""
    maker: Maker
    why: str
    when: Callable[[Ask], bool] = lambda ask: True
    """Whether it is worth while as things are; whether it can be done at all says :meth:`Maker.suits`."""
    lay_ups: LayUps | None = None
    """Lay-ups that the maker wants."""
    share: float = 1.0
    """Share of the time left to the goal that it may take."""
    needs: float | None = 0.0
    """Share of the goal's whole time that must be left to begin it, once there is a draft; None: it is begun however late."""
    after: type | None = None
    """Only where a maker of this kind was asked before, for the same goal."""


@dataclass(frozen=True, slots=True)
class Goal:
    """What several steps are for, and how their drafts are judged."""

    name: str
    steps: Sequence[Step]
    when: Callable[[Ask], bool]
    share: Callable[[Ask, Budget], float]
    """Share of the time left for all its steps together."""
    rather: Callable[[Ask, Draft], bool] | None
    """Whether a draft takes the place of the best one at once. None: the handiest of all is chosen at the end."""
    bounded: bool = True
    """Drafts are for the whole demand, so the plan's bound holds for them."""
    openings: bool = False
    """What is missing may be cut in openings of others."""


class Board:
    """All drafts of a plan, the best of them, and what is known by now."""

    def __init__(
        self, batch: Batch, demand: Sequence[Demand], budget: Budget, *, advise: bool = False
    ) -> None:
        self.budget = budget
        self.failure: BatchError | None = None
        """Why the first way that found no lay-ups found none."""
        self._ask = Ask(batch, demand, Trimming.of(batch), Books(), advise)
        self._plates: dict[LayUps, PlatePlan | None] = {}
        self.fell_back = False
        """Whether none of the ways that want lay-ups found a draft."""
        self._changed = False
        """Whether drafts were made for other pieces than the demand."""

    @property
    def ask(self) -> Ask:
        """What a maker would be asked now."""
        return self._ask

    @property
    def best(self) -> Draft | None:
        """The best draft so far."""
        return self._ask.best

    @property
    def tried(self) -> list[Draft]:
        """All drafts."""
        return self._ask.of()

    @property
    def to_choose_from(self) -> list[Draft]:
        """Whole drafts for the same pieces as the best one."""
        return [] if self._changed else [draft for draft in self.tried if not draft.missing]

    def work_on(self, goal: Goal) -> None:
        """Take the steps of a goal, if it is one."""
        if not goal.when(self._ask):
            return
        self._changed |= not goal.bounded
        budget = self.budget.part(goal.share(self._ask, self.budget))
        asked: list[Maker] = []
        for step in goal.steps:
            if step.after is None or any(isinstance(maker, step.after) for maker in asked):
                for draft in self._begun(step, budget, asked):
                    self.take(goal, draft, step)
        self._close(goal)

    def _begun(self, step: Step, budget: Budget, asked: list[Maker]) -> Iterator[Draft]:
        """The drafts of a step; none where it is not worth while, or too late."""
        in_time = step.needs is None or budget.room_for(step.needs * budget.span_s)
        if (self.best is not None and not in_time) or not step.when(self._ask):
            return
        try:
            laid_out = step.lay_ups is None or self._laid_out(step.lay_ups, budget)
            if laid_out and step.maker.suits(self._ask):
                asked.append(step.maker)
                self._say(step.says)
                yield from step.maker.drafts(self._ask, budget.part(step.share))
        except BatchError as error:
            self.failure = self.failure or error

    def _laid_out(self, wanted: LayUps, budget: Budget) -> bool:
        """Plan the lay-ups of a step, or take those of an earlier one; False where those were not found.

        Raises: BatchError where there are none.
        """
        ask = self._ask
        if wanted not in self._plates:
            self._plates[wanted] = None
            batch = straightened(ask.batch) if wanted.square else ask.batch
            plate = ask.lay_out(batch, ask.demand, wanted.footprint, budget.part(wanted.share))
            # A bound for dies that are kept square is none for the batch as asked.
            if not wanted.square and (ask.bound is None or plate.bound > ask.bound.bound):
                self._ask = ask = replace(ask, bound=plate)
            light = budget.part(LIGHTENING)
            self._plates[wanted] = lightened(batch, ask.demand, plate, seed=light.seed, over=light.over)
        self._ask = replace(ask, lay_ups=self._plates[wanted])
        return self._ask.lay_ups is not None

    def take(self, goal: Goal, draft: Draft, step: Step) -> None:
        """Keep a draft; the best one changes where the goal says so."""
        ask = self._ask
        if goal.openings:
            draft = with_openings(ask.batch, draft)
        if goal.bounded and ask.bound is not None:
            draft = replace(draft, bound=ask.bound)
        best = draft if goal.rather is not None and goal.rather(ask, draft) else ask.best
        self._ask = replace(ask, best=best, made=(*ask.made, (step.maker, draft)))
        self._say(step.says)

    def _close(self, goal: Goal) -> None:
        """Choose among the drafts of a goal.

        Raises: BatchError where nobody can ever meet the demand.
        """
        ask = self._ask
        best = ask.best
        if best is None:
            # A die or a line that is named can never be met. Else there was no room for papers between dies, or no time.
            if self.failure is not None and str(self.failure.where):
                raise self.failure
            self.fell_back = True
            return
        if goal.rather is None:
            # Drafts from before, too: a few passes more may now be as good.
            ours = {id(step.maker) for step in goal.steps}
            others = [draft for maker, draft in ask.made if id(maker) in ours or not draft.missing]
            best = handiest_of(ask.batch, [best, *others])
        if goal.bounded and ask.bound is not None:
            best = replace(best, bound=ask.bound)
        self._ask = replace(ask, best=best)

    def _say(self, text: str) -> None:
        best, bound = self.best, self._ask.bound
        self.budget.say(best.passes if best else None, bound.bound if bound else None, text)
