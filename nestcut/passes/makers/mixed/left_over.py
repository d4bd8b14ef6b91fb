"""What passes over whole scraps leave: in strips, in chips, or over the whole scraps once more.

Strips take few trims, but their lanes may take more passes; chips lie in the lay-ups of the plate's bound, a trim for
a cut or so. A last cut that finds no paper either way is made over a scrap that lies whole anyway.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from shapely.geometry.base import BaseGeometry

from nestcut.batch.model import Batch
from nestcut.hands import rough_pass_s, rough_trim_s
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.plate_rules import apart
from nestcut.passes.common.schedule import run_tasks
from nestcut.passes.common.types import PlatePlan
from nestcut.passes.drafts.fillin import filled_in, leftovers
from nestcut.passes.drafts.order import joined, layups_together
from nestcut.passes.drafts.papers_for_passes import (
    PaperedPasses,
    PartUse,
    PassDraft,
    draft_runs,
    papers_for_passes,
)
from nestcut.passes.drafts.trimming import obey_trims
from nestcut.passes.makers.strips.lanes import lane_layups
from nestcut.passes.makers.strips.strips import realise_strips

__all__ = ["Key", "cuts_of", "with_rest"]

Key = tuple[str, str]
"""(die, paper)"""

STRIPS_TURNS = 3
"""How often lanes are settled anew."""
CHIPS_TRIES = 2
"""How often chips are laid anew while some find no scrap."""


def cuts_of(whole: PaperedPasses, run: int, use: PartUse) -> Counter[Key]:
    """What a part is cut by in its pass."""
    return Counter((whole.runs[run].sites[slot].die.name, use.paper) for slot in use.slots)


def with_rest(
    batch: Batch,
    plate: PlatePlan,
    whole: PaperedPasses,
    kept: list[PassDraft],
    wanted: Mapping[Key, int],
    budget: Budget,
    *,
    most_passes: int | None,
) -> Iterator[tuple[PaperedPasses, Counter[str]]]:
    """The passes that are kept, and the rest: in strips, then in chips where strips take too many passes.

    Args:
        whole: all passes over whole scraps that were found; ``kept`` are some of them, with some of their scraps.
        wanted: (die, paper) → cuts, of all.
        budget: for the lanes of one try.
    Yields: what it comes to, and for how many cuts the rest found too little of which paper.
    """
    left = Counter(wanted)
    for one in kept:
        for use in one.uses:
            left.subtract(cuts_of(whole, one.run, use))
    left = +left
    if not left:
        yield PaperedPasses(whole.runs, kept), Counter()
        return
    taken = {use.scrap for one in kept for use in one.uses}
    others = replace(batch, scraps=tuple(scrap for scrap in batch.scraps if scrap.id not in taken))
    for way in (
        lambda: _in_strips(batch, others, left, budget),
        lambda: _in_chips(others, plate, left, budget),
    ):
        rest = way()
        if rest is None:
            continue
        got = obey_trims(batch, joined(PaperedPasses(whole.runs, list(kept)), rest, rest.missing))
        if got.missing:
            got = obey_trims(batch, filled_in(batch, got, leftovers(batch, got)))
        short: Counter[str] = Counter()
        for (_, paper), count in (+got.missing).items():
            short[paper] += count
        got = _once_more(whole, got)
        got.passes = layups_together(got.passes)
        yield got, short
        # Chips take fewer passes; they hardly find paper that strips don't.
        if most_passes is None or len(got.passes) <= most_passes:
            return


def _in_strips(batch: Batch, others: Batch, left: Mapping[Key, int], budget: Budget) -> PaperedPasses | None:
    least = max(
        -(-sum(n for (die, _), n in left.items() if die == name) // batch.die(name).copies)
        for name, _ in left
    )
    found: list[PaperedPasses] = []
    for turn in range(STRIPS_TURNS):
        # The first turn is made in any case.
        if found and budget.over():
            break
        again = budget.reseeded(turn)
        layups = lane_layups(batch, left, again, at_least=least)
        if layups is None:
            break
        found.append(realise_strips(others, layups, again))
    return min(found, key=lambda got: _rated(batch, got)) if found else None


def _rated(batch: Batch, got: PaperedPasses) -> tuple[int, float]:
    """What is missing, then seconds for passes and trims."""
    parts = {(use.scrap, use.outline.wkb) for one in got.passes for use in one.uses}
    return (
        sum(got.missing.values()),
        len(got.passes) * rough_pass_s(batch.hand.seconds) + len(parts) * rough_trim_s(batch.hand.seconds),
    )


def _in_chips(
    others: Batch, plate: PlatePlan, left: Mapping[Key, int], budget: Budget
) -> PaperedPasses | None:
    tasks, lost = run_tasks(others, plate.runs, Counter(left))
    runs = draft_runs(others, tasks)
    if runs is None or lost:
        return None
    return papers_for_passes(others, runs, seed=budget.seed, tries=CHIPS_TRIES)


def _once_more(whole: PaperedPasses, got: PaperedPasses) -> PaperedPasses:
    """Missing cuts made as the whole scraps foresaw them, in passes that were not kept; not over scraps that are trimmed."""
    missing = +got.missing
    if not missing:
        return got
    trimmed = {use.scrap for one in got.passes for use in one.uses if not use.whole}
    made = {
        (one.run, use.scrap, use.pose, slot) for one in got.passes for use in one.uses for slot in use.slots
    }
    passes = [PassDraft(one.run, list(one.uses)) for one in got.passes]
    lying = [[use.pose.apply(use.outline) for use in one.uses] for one in passes]
    for one in whole.passes:
        for use in one.uses:
            if use.scrap in trimmed or not use.whole:
                continue
            slots = []
            for slot in use.slots:
                key = (whole.runs[one.run].sites[slot].die.name, use.paper)
                if missing[key] > 0 and (one.run, use.scrap, use.pose, slot) not in made:
                    missing[key] -= 1
                    slots.append(slot)
            if not slots:
                continue
            shape = use.pose.apply(use.outline)
            again = replace(use, slots=tuple(slots))
            for number, other in enumerate(passes):
                if other.run == one.run and _room_for(again, shape, other, lying[number]):
                    break
            else:
                number = len(passes)
                passes.append(PassDraft(one.run, []))
                lying.append([])
            passes[number].uses.append(again)
            lying[number].append(shape)
    return PaperedPasses(got.runs, passes, +missing)


def _room_for(use: PartUse, shape: BaseGeometry, one: PassDraft, lying: Sequence[BaseGeometry]) -> bool:
    """Whether a scrap may lie in a further pass of its lay-up: it is not there already, and no other is in its way."""
    free = all(use.scrap != other.scrap and not set(use.slots) & set(other.slots) for other in one.uses)
    return free and all(apart(shape, other) for other in lying)
