"""The order of passes: passes of one lay-up stay together, lay-ups in the order in which they were made.

Hands change a lay-up as seldom as can be, so all passes of one follow each other; :mod:`nestcut.passes.drafts.assemble` names lay-ups
in this order. Within a lay-up the order is the maker's own, by construction: strips are pulled on from pass to pass
(``makers/strips``), scraps at the ends of the plate as well (``makers/ends/pairing``), nests take turns (``makers/nests``). Papers
come in one order at all dies of a lay-up of chips (:func:`nestcut.passes.common.schedule.common_order`). What is added later rides
along in the first pass of its lay-up that has room, else it makes a further pass of it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence

from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft

__all__ = ["by_layup", "closed_up", "joined", "kept_of", "layups_together", "layups_used"]


def layups_used(passes: Sequence[PassDraft]) -> list[int]:
    """Numbers of the lay-ups that have passes, in their order."""
    return sorted({draft.run for draft in passes})


def by_layup(passes: Sequence[PassDraft]) -> dict[int, list[PassDraft]]:
    """The passes of each lay-up, lay-ups in their order."""
    found: dict[int, list[PassDraft]] = {run: [] for run in layups_used(passes)}
    for draft in passes:
        found[draft.run].append(draft)
    return found


def layups_together(passes: Sequence[PassDraft]) -> list[PassDraft]:
    """The passes with those of one lay-up together; within a lay-up the order stays."""
    return sorted(passes, key=lambda draft: draft.run)


def joined(first: PaperedPasses, second: PaperedPasses, missing: Counter[tuple[str, str]]) -> PaperedPasses:
    """The passes of both, one after the other; ``missing`` is what both together leave, (die, paper) → cuts."""
    shift = len(first.runs)
    passes = [PassDraft(one.run + shift, one.uses) for one in second.passes]
    return PaperedPasses([*first.runs, *second.runs], [*first.passes, *passes], Counter(missing))


def kept_of(passes: Sequence[PassDraft], keep: Callable[[PartUse], bool]) -> list[PassDraft]:
    """The passes with these parts only; none that would be empty."""
    kept = [PassDraft(one.run, [use for use in one.uses if keep(use)]) for one in passes]
    return [one for one in kept if one.uses]


def closed_up(papered: PaperedPasses) -> PaperedPasses:
    """The same cuts in fewer passes: what found no paper leaves gaps that later passes can fill.

    Only runs of chips in which every part serves one slot: such parts keep to their own slot's place on the
    plate, so any of them may share a pass (see :mod:`nestcut.passes.parts.chips`). Strips are left alone: dies of a
    lane take turns. Each slot keeps its order of papers.
    """
    passes: list[PassDraft] = []
    for run, own in by_layup(papered.passes).items():
        chips = papered.runs[run].chips
        if not chips or any(len(use.slots) > 1 or use.whole for draft in own for use in draft.uses):
            passes += own
            continue
        queues: dict[int, list[PartUse]] = defaultdict(list)
        for draft in own:
            for use in draft.uses:
                queues[use.slots[0]].append(use)
        for number in range(max(map(len, queues.values()), default=0)):
            passes.append(PassDraft(run, [q[number] for q in queues.values() if number < len(q)]))
    return PaperedPasses(papered.runs, passes, papered.missing)
