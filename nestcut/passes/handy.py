"""Plans that are light on the hands: scraps as they are, slit only where they are too wide, and chips for what is left.

More passes than the fewest, as a rule, and far less trimming: the drafts stand beside the others, and the person's
order of wishes (or the clock) chooses.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from nestcut.batch.model import Batch
from nestcut.passes.drafts import Draft
from nestcut.passes.realise import PassDraft, Realised, draft_runs, realise
from nestcut.passes.schedule import cuts_wanted, run_tasks
from nestcut.passes.trimming import obey_trims
from nestcut.passes.types import PlatePlan
from nestcut.passes.whole import Station, in_whole_scraps
from nestcut.passes.zones import zone_stations

__all__ = ["in_few_trims"]

WAYS = ((1, True), (1, False), (2, True), (2, False))
"""(scraps are slit to the plate's width over this, dies of one paper lie together)."""


def in_few_trims(
    batch: Batch, plate: PlatePlan, seed: int, *, over: Callable[[], bool] = lambda: False
) -> Iterator[Draft]:
    """Drafts for the pieces of ``plate.shares``, several ways, as long as there is time.

    Args:
        plate: lay-ups with room for chips, and the proved bound.
        over: asked now and then; True ends the search.
    """
    wanted = cuts_wanted(batch, plate.shares)
    seen: set[tuple[int, int]] = set()
    for slit, by_paper in WAYS:
        if over() or (slit > 1 and batch.hand.trims == "none"):
            return

        def stations(
            left: Mapping[tuple[str, str], int], round_: int, by: bool = by_paper
        ) -> list[Station] | None:
            return zone_stations(batch, left, by_paper=by, variant=round_, seed=seed)

        got = in_whole_scraps(
            batch,
            wanted,
            stations,
            slit_mm=batch.machine.plate_mm[0] / slit,
            over=over,
        )
        got = _completed(batch, plate, obey_trims(batch, got), over)
        size = (len(got.passes), sum(got.missing.values()))
        if size not in seen:
            seen.add(size)
            yield Draft(plate, plate, plate.shares, got)


def _completed(batch: Batch, plate: PlatePlan, got: Realised, over: Callable[[], bool]) -> Realised:
    """What found no place in whole scraps, in chips from scraps that nobody has touched."""
    if not +got.missing or batch.hand.trims == "none" or over():
        return got
    used = {use.scrap for draft in got.passes for use in draft.uses}
    rest = replace(batch, scraps=tuple(scrap for scrap in batch.scraps if scrap.id not in used))
    tasks, lost = run_tasks(rest, plate.runs, Counter(+got.missing))
    runs = draft_runs(rest, tasks)
    if not tasks or runs is None:
        return got
    more = obey_trims(rest, realise(rest, runs, stop=over))
    shift = len(got.runs)
    passes = [PassDraft(draft.run + shift, draft.uses) for draft in more.passes]
    missing = Counter(more.missing)
    missing.update(lost)
    return Realised([*got.runs, *more.runs], [*got.passes, *passes], +missing)
