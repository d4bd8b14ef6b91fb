"""What hands do in a draft, counted before it is a plan: the same as of the plan that comes of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Iterator

from shapely.geometry import Polygon

from nestcut.batch.model import Batch
from nestcut.hands import Down, OnPlate, Spot, actions_by_pass, spot_of, sum_of, work_of_trim
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.plans.model import Actions

__all__ = ["draft_actions"]


def draft_actions(batch: Batch, papered: PaperedPasses) -> Actions:
    """All that hands do for these passes, in their order, and for the trims that their parts take."""
    parts: dict[str, dict[bytes, Polygon]] = defaultdict(dict)
    keys: dict[int, bytes] = {}  # equal strips share their outline, in all passes and scraps
    spots = [[spot_of(slot.pose) for slot in run.task.slots] for run in papered.runs]

    def on_plate() -> Iterator[OnPlate]:
        for one in papered.passes:
            own = papered.runs[one.run]
            papers: dict[Hashable, Spot] = {}
            down = []
            for use in one.uses:
                name: Hashable = use.scrap
                if not use.whole:
                    key = keys.get(id(use.outline)) or keys.setdefault(id(use.outline), use.outline.wkb)
                    parts[use.scrap].setdefault(key, use.outline)
                    name = (use.scrap, key)
                papers[name] = spot_of(use.pose)
                down += [Down(own.task.slots[slot].die, spots[one.run][slot], name) for slot in use.slots]
            yield OnPlate(papers, tuple(down))

    dies = {die.name: die for die in batch.dies}
    done = sum_of(actions_by_pass(batch.machine, batch.hand, dies, on_plate()))
    work = [
        work_of_trim(scrap.outline, list(parts[scrap.id].values()))
        for scrap in batch.scraps
        if scrap.id in parts
    ]
    trims = Actions(
        trim_take=len(work),
        trim_cut=sum(one.cuts - one.again for one in work),
        trim_cut_again=sum(one.again for one in work),
        scissors_mm=round(sum(one.scissors_mm for one in work), 3),
    )
    return sum_of([trims, done])
