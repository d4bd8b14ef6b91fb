"""The one door for ways to make a plan: what a maker is asked, and what it hands back.

A *maker* is one way to make a plan: strips, chips, nests … It is asked with an :class:`Ask` and a
:class:`~nestcut.passes.common.budget.Budget`, and offers drafts as it finds them. Which makers are asked, in what order
and for how long stands in :mod:`nestcut.passes.makers.steps`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeVar

from nestcut.batch.model import Batch, Demand
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.trims import Trimming
from nestcut.passes.common.types import Footprint, PlatePlan
from nestcut.passes.drafts.ranking import Draft, Shares, best_of, heavy
from nestcut.passes.plate.solve import Books, plan_plate

__all__ = ["Ask", "Maker", "pieces_met"]

T = TypeVar("T")
LEAST_S = 0.5
"""Seconds that a search for lay-ups gets in any case."""


def pieces_met(shares: Shares) -> list[int]:
    """Pieces that each line of demand gets."""
    return [sum(share.count for share in line) for line in shares]


@dataclass(frozen=True)
class Ask:
    """What is asked of a maker, and what is known by now."""

    batch: Batch
    demand: Sequence[Demand]
    """The lines of demand; where a paper is hopelessly short, what of them is within reach."""
    trims: Trimming
    books: Books
    """What is known of sets of dies."""
    advise: bool = False
    """Whether drafts are wanted that are only to choose from."""
    lay_ups: PlatePlan | None = None
    """Lay-ups to put papers under, where the step wants some; see :attr:`plate`."""
    bound: PlatePlan | None = None
    """The lay-ups with the highest proved bound for the demand so far."""
    best: Draft | None = None
    """The best draft when the step began."""
    made: tuple[tuple[Maker, Draft], ...] = ()
    """All drafts so far and who made them, in their order."""
    memory: dict[type, Any] = field(default_factory=dict)
    """What makers keep from one step of the plan to the next, see :meth:`kept`."""

    @property
    def plate(self) -> PlatePlan:
        """The lay-ups of this step."""
        assert self.lay_ups is not None, "the step in the table names no lay-ups"
        return self.lay_ups

    @property
    def closed(self) -> bool:
        """True where everything is cut in as few passes as is proved to be possible."""
        return (
            self.best is not None
            and self.bound is not None
            and not self.best.missing
            and self.best.passes <= self.bound.bound
        )

    @property
    def heavy(self) -> bool:
        """True where the best draft has lay-ups that are too hard to crank."""
        return self.best is not None and heavy(self.batch, self.best) > 0

    @property
    def missing(self) -> int:
        """Cuts that found no paper in the best draft; 0 where there is none yet."""
        return self.best.missing if self.best is not None else 0

    def unmet(self, draft: Draft) -> int:
        """Pieces that are asked for and that a draft's shares do not give."""
        return sum(line.count for line in self.batch.demand) - sum(pieces_met(draft.shares))

    def of(self, *kinds: type) -> list[Draft]:
        """Drafts by makers of these kinds; by any where none is named."""
        return [draft for maker, draft in self.made if not kinds or isinstance(maker, kinds)]

    def best_short(self, *, but: tuple[type, ...] = ()) -> Draft | None:
        """The best of the drafts in which cuts are missing, without those by makers of some kinds."""
        short = [draft for maker, draft in self.made if draft.missing and not isinstance(maker, but)]
        return best_of(self.batch, short) if short else None

    def kept(self, kind: type[T], make: Callable[[], T]) -> T:
        """A value of this kind, made the first time that some step of this plan asks for it."""
        if kind not in self.memory:
            self.memory[kind] = make()
        found: T = self.memory[kind]
        return found

    def lay_out(
        self, batch: Batch, demand: Sequence[Demand], footprint: Footprint, budget: Budget
    ) -> PlatePlan:
        """Lay-ups for a demand, with what is known of sets of dies.

        Args:
            batch: the batch of this plan, or one with the same plate and fewer turns.
        Raises: BatchError where some die can't be laid.
        """
        return plan_plate(
            batch,
            demand,
            footprint=footprint,
            seconds=max(LEAST_S, budget.left()),
            seed=budget.seed,
            stop=budget.stop,
            work_limit=budget.work_limit,
            book=self.books.of(batch, demand, footprint),
            on_progress=lambda _s, _p, bound, text: budget.say(None, bound, f"lay-ups: {text}"),
        )


class Maker(Protocol):
    """A way to make a plan."""

    def suits(self, ask: Ask) -> bool:
        """Whether it can do anything for this batch and these wishes."""
        ...

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """Drafts as they are found, each whole in itself; cuts that found no paper are counted as missing.

        The budget is asked now and then; once it is over, the maker ends with what it has.
        """
        ...
