"""Papers under the dies of given lay-ups: shared parts first, then chips, then chips squeezed together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from nestcut.batch.model import Batch, Scrap
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.schedule import cuts_wanted, run_tasks
from nestcut.passes.common.trims import Trimming
from nestcut.passes.common.types import PlateRun
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, Squeeze, draft_runs, papers_for_passes
from nestcut.passes.drafts.ranking import Draft, Shares, best_of
from nestcut.passes.drafts.trimming import obey_trims
from nestcut.passes.makers.door import Ask
from nestcut.passes.parts.papers import GroupNode
from nestcut.passes.parts.squeeze import EFFORTS, squeeze_in

__all__ = ["Chips", "SqueezedChips", "squeezer", "straightened", "with_papers"]

WASTES = (1.0, 0.25, 0.12, 0.0)
"""How wasteful shared parts may be, first to last resort (share of the part's area)."""

SQUEEZING = 0.4
"""Share of the time left that squeezing the whole demand into the scraps may take."""
TRIES_BY_WORK = 30
"""Most parts that are squeezed in per paper where work is counted instead of time."""


class Chips:
    """Parts under the dies of the lay-ups, shared by neighbours where the stock allows it."""

    def suits(self, ask: Ask) -> bool:
        """Not where everything is cut in the fewest passes already, and easy to crank."""
        return not ask.closed or ask.heavy

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """One draft, where the dies leave room for their papers."""
        plate = ask.plate
        papered = with_papers(ask.batch, plate.runs, plate.shares, budget)
        if papered is not None:
            yield Draft(plate, plate, plate.shares, papered)


class SqueezedChips:
    """Chips squeezed together in their scraps: on the lay-ups that chips got along with best."""

    def suits(self, ask: Ask) -> bool:
        """Squeezed parts have no straight edges in common."""
        return ask.trims.any_shape

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """One draft, where something is missing."""
        chips = ask.of(Chips)
        roomy = best_of(ask.batch, chips) if chips else ask.best_short()
        if roomy is None:
            return
        papered = with_papers(
            ask.batch, roomy.plate.runs, roomy.shares, budget, sparing=True, squeezing=SQUEEZING
        )
        if papered is not None:
            yield replace(roomy, papered=papered)


def straightened(batch: Batch) -> Batch:
    """The batch with dies that may turn freely kept square to their papers.

    A die across the corner of a small scrap wastes it: the smallest box around the die, turned square
    to the plate, is what fits most scraps.
    """
    from nestcut.passes.common.plate_rules import chip_angle

    dies = []
    for die in batch.dies:
        if die.turns == "any":
            deg = chip_angle(die.cut)
            die = replace(
                die, turns=tuple(sorted((deg + quarter) % 360.0 for quarter in (0.0, 90.0, 180.0, 270.0)))
            )
        dies.append(die)
    return replace(batch, dies=tuple(dies))


def with_papers(
    batch: Batch,
    plate_runs: Sequence[PlateRun],
    shares: Shares,
    budget: Budget,
    *,
    sparing: bool = False,
    most_tries: int = 4,
    squeezing: float = 0.0,
) -> PaperedPasses | None:
    """The lay-ups with papers under their dies, parts shared by neighbours where the stock allows it.

    Args:
        sparing: go straight to the way that takes the least paper.
        squeezing: share of the time left for squeezing in parts that found no scrap.
    Returns: None where some die has no room for its paper even alone.
    """
    wanted = cuts_wanted(batch, shares)
    tasks, lost = run_tasks(batch, plate_runs, wanted)
    runs = draft_runs(batch, tasks, sparing=sparing)
    if runs is None:
        return None
    last = len(WASTES) - 1
    level: dict[str, int] = {paper.name: last if sparing else 0 for paper in batch.papers}
    best: PaperedPasses | None = None
    while True:
        tries = most_tries if sparing or all(k == last for k in level.values()) else 2
        wastes = {paper: WASTES[k] for paper, k in level.items()}
        got = papers_for_passes(
            batch,
            runs,
            waste=wastes,
            seed=budget.seed,
            tries=tries,
            stop=budget.over,
            squeeze=squeezer(batch, budget.part(squeezing)) if sparing and squeezing > 0 else None,
        )
        got = obey_trims(batch, got)
        if best is None or sum(got.missing.values()) < sum(best.missing.values()):
            best = got
        short = {paper for _, paper in got.missing}
        raised = [paper for paper in short if level[paper] < last]
        if not raised or budget.over():
            break
        for paper in raised:
            # A paper that is short by much is not helped by a little less waste.
            gone = sum(n for (_, p), n in got.missing.items() if p == paper)
            asked = sum(n for (_, p), n in wanted.items() if p == paper)
            level[paper] = last if gone > 0.1 * asked else level[paper] + 1
    best.missing.update(lost)
    if best.missing and not sparing and not budget.over():
        tight = with_papers(
            batch,
            plate_runs,
            shares,
            budget,
            sparing=True,
            most_tries=most_tries,
            squeezing=squeezing,
        )
        if tight is not None and sum(tight.missing.values()) < sum(best.missing.values()):
            return tight
    return best


def squeezer(batch: Batch, budget: Budget) -> Squeeze | None:
    """Squeezes parts in within the budget; None where parts must be cut straight or not at all."""
    if not Trimming.of(batch).any_shape:
        return None

    def squeeze(scraps: Sequence[Scrap], nodes: Sequence[GroupNode], part: float) -> None:
        squeeze_in(
            scraps,
            nodes,
            over=budget.part(part).over,
            efforts=budget.either(EFFORTS, by_work=EFFORTS[:1]),
            most_tries=budget.either(None, by_work=TRIES_BY_WORK),
        )

    return squeeze
