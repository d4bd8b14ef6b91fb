"""What found no paper is cut from what the scraps have left, in passes in which its die is idle.

Strips and whole scraps leave odd corners that they can't use themselves: single chips nest there. A chip lies under its
own die in a pass that leaves the die lifted and the place free; where no pass is left, chips share passes of their own.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import shapely
from shapely.geometry import Polygon

from nestcut.batch.model import Batch, Scrap
from nestcut.passes.common.plate_rules import apart
from nestcut.passes.common.turns import paper_turns
from nestcut.passes.drafts.order import layups_together
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft, back_on_plate
from nestcut.passes.parts.chips import chips_of
from nestcut.passes.parts.papers import LaidPart
from nestcut.passes.parts.slabs import Bed, Form, lay, moved

__all__ = ["Leftovers", "filled_in", "leftovers"]

Leftovers = dict[str, list[tuple[Scrap, Polygon]]]
"""Paper → pieces that its scraps have left, small ones first."""

SMALLEST_MM2 = 60.0
"""Leftovers smaller than this are not looked at."""


@dataclass(slots=True)
class _Chip:
    """One missing cut, laid into a leftover."""

    run: int
    slot: int
    paper: str
    outline: Polygon
    """Where it lies on the plate."""
    laid: LaidPart

    def use(self) -> PartUse:
        return PartUse(
            self.laid.scrap,
            moved(self.outline, self.laid.pose),
            back_on_plate(self.laid),
            (self.slot,),
            self.paper,
        )


@dataclass
class _LeftPiece:
    """What a scrap has left, rastered when it is looked at: there may be ten thousand of them."""

    scrap: Scrap
    outline: Polygon

    @cached_property
    def bed(self) -> Bed:
        # Untouched scraps come again; other leftovers never do, so their rastering is not kept.
        fresh = self.outline.equals_exact(self.scrap.outline, 0.0)
        return Bed.fresh(self.outline) if fresh else Bed(self.outline)


def filled_in(
    batch: Batch, got: PaperedPasses, left: Leftovers, *, over: Callable[[], bool] = lambda: False
) -> PaperedPasses:
    """The same passes with as many missing cuts as the leftovers give; further passes where they must be.

    Args:
        over: asked before every die, paper and leftover; True leaves the rest missing.
    """
    missing = +Counter(got.missing)
    if not missing or not got.passes:
        return got
    beds = {paper: [_LeftPiece(scrap, piece) for scrap, piece in own] for paper, own in left.items()}
    chips: list[_Chip] = []
    for (die, paper), count in sorted(missing.items(), key=lambda item: -batch.die(item[0][0]).cut.area):
        if over():
            break
        found = _laid(batch, got, beds.get(paper, []), die, paper, count, over)
        missing[die, paper] -= len(found)
        chips += found
    passes = [PassDraft(draft.run, list(draft.uses)) for draft in got.passes]
    lying = [[use.pose.apply(use.outline) for use in draft.uses] for draft in passes]
    of_run: dict[int, list[int]] = defaultdict(list)
    for number, draft in enumerate(passes):
        of_run[draft.run].append(number)
    # A pass that one chip of a slot does not fit into takes no other of it later on: passes only fill up.
    begin: Counter[tuple[int, int]] = Counter()
    for chip in chips:
        own, key = of_run[chip.run], (chip.run, chip.slot)
        while begin[key] < len(own):
            number = own[begin[key]]
            if all(chip.slot not in use.slots for use in passes[number].uses) and all(
                apart(chip.outline, shape) for shape in lying[number]
            ):
                break
            begin[key] += 1
        else:
            own.append(len(passes))
            passes.append(PassDraft(chip.run, []))
            lying.append([])
        number = own[begin[key]]
        passes[number].uses.append(chip.use())
        lying[number].append(chip.outline)
    return PaperedPasses(got.runs, layups_together(passes), +missing)


def leftovers(batch: Batch, got: PaperedPasses) -> Leftovers:
    """What the scraps have left beside the parts. Scraps that lie whole in some pass can't be trimmed: nothing of them."""
    parts: dict[str, list[Polygon]] = defaultdict(list)
    whole = set()
    for draft in got.passes:
        for use in draft.uses:
            parts[use.scrap].append(use.outline)
            if use.whole:
                whole.add(use.scrap)
    found: Leftovers = defaultdict(list)
    for scrap in batch.scraps:
        if scrap.id in whole:
            continue
        left = (
            shapely.difference(scrap.outline, shapely.union_all(parts[scrap.id]))
            if parts[scrap.id]
            else scrap.outline
        )
        found[scrap.paper] += [
            (scrap, piece)
            for piece in shapely.get_parts(left)
            if isinstance(piece, Polygon) and piece.area >= SMALLEST_MM2
        ]
    return {
        paper: sorted(own, key=lambda entry: (entry[1].area, entry[0].id)) for paper, own in found.items()
    }


def _laid(
    batch: Batch,
    got: PaperedPasses,
    pieces: Sequence[_LeftPiece],
    die: str,
    paper: str,
    count: int,
    over: Callable[[], bool],
) -> list[_Chip]:
    """Chips for missing cuts of one die in one paper; those of the lay-up that is kept longest are tried first."""
    kept = Counter(draft.run for draft in got.passes)
    found: list[_Chip] = []
    for run, _ in kept.most_common():
        for slot, site in enumerate(got.runs[run].sites):
            if site.die.name != die or len(found) >= count:
                continue
            turns = paper_turns(site.die, batch.paper(paper), site.slot.pose.deg, papers=batch.hand.papers)
            alone = chips_of(batch, [site])
            if not turns or not alone:
                continue
            form = Form(alone[0], turns, count)
            for number, piece in enumerate(pieces):
                if len(found) >= count or over():
                    break
                if piece.outline.area < alone[0].area:
                    continue
                for part in lay(piece.bed, number, form, 0, count - len(found)):
                    found.append(_Chip(run, slot, paper, alone[0], LaidPart(piece.scrap.id, part.pose)))
    return found
