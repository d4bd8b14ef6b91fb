"""Plans that are light on the hands: scraps as they are, slit only where they are too wide, and chips for what is left.

More passes than the fewest, as a rule, and far less trimming: the drafts stand beside the others, and the person's
order of wishes (or the clock) chooses.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from nestcut.batch.model import Batch
from nestcut.passes.drafts import Draft
from nestcut.passes.fillin import filled_in, leftovers
from nestcut.passes.schedule import cuts_wanted
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
        plate: shares of the demand, and the proved bound.
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
            return zone_stations(batch, left, by_paper=by, variant=round_, seed=seed, over=over)

        got = in_whole_scraps(
            batch,
            wanted,
            stations,
            slit_mm=batch.machine.plate_mm[0] / slit,
            over=over,
        )
        if batch.hand.trims != "none" and not over():
            got = filled_in(batch, got, leftovers(batch, got))
        got = obey_trims(batch, got)
        size = (len(got.passes), sum(got.missing.values()))
        if size not in seen:
            seen.add(size)
            yield Draft(plate, plate, plate.shares, got)
