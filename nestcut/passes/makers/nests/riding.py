"""Chips ride along in the passes that cut nests, so that the lay-ups for chips are kept for fewer passes.

A nest rarely wants all dies, and a scrap that hangs out at the end leaves room on the plate. A chip is a piece of paper
with one cut: it may lie under its die anywhere else as well.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

from nestcut.batch.model import Batch, Pose
from nestcut.passes.common.budget import ENDLESS, Budget
from nestcut.passes.common.plate_rules import apart
from nestcut.passes.common.slits import Piece
from nestcut.passes.drafts.order import by_layup, kept_of
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft
from nestcut.passes.makers.nests.nest_layups import in_nests_along
from nestcut.passes.makers.nests.nests import Nest, NestCut
from nestcut.passes.parts.chips import Site

__all__ = ["in_piece", "with_riders"]

Key = tuple[str, bytes]
"""A part: its scrap and outline."""


def with_riders(
    batch: Batch,
    nests: Sequence[Nest],
    nested: PaperedPasses,
    rest: PaperedPasses,
    budget: Budget = ENDLESS,
) -> tuple[PaperedPasses, PaperedPasses]:
    """The passes of the rest without the chips that ride along, and those of the nests with them; as given where
    that saves no pass.

    Args:
        nested: the passes of the nests alone.
        rest: passes under other lay-ups; only parts that are used once, for one cut, are moved.
        budget: asked once a lay-up; once it is over, everything is left as given.
    """
    chips = _chips(batch, rest)
    along, used = in_nests_along(batch, nests, chips, budget)
    gone = {
        (piece.scrap.id, piece.outline.wkb)
        for chip, count in zip(chips, used, strict=True)
        for piece in chip.pieces[:count]
    }
    passes = kept_of(rest.passes, lambda use: (use.scrap, use.outline.wkb) not in gone)
    fewer = _repacked(PaperedPasses(rest.runs, passes, rest.missing))
    # Stopped midway, cuts of the nests would be lost.
    if along.missing != nested.missing or len(fewer.passes) + len(along.passes) >= len(rest.passes) + len(
        nested.passes
    ):
        return rest, nested
    return fewer, along


def _repacked(rest: PaperedPasses) -> PaperedPasses:
    """The same cuts in fewer passes, where all parts of a lay-up are used once: each in the first pass that it fits.

    Parts of dies that take turns in a lane lie where others would; rims of dies that are down must stay clear of
    other dies' papers, too.
    """
    count: Counter[Key] = Counter((use.scrap, use.outline.wkb) for one in rest.passes for use in one.uses)
    passes: list[PassDraft] = []
    known: dict[tuple[object, object], bool] = {}
    for run, own in by_layup(rest.passes).items():
        if any(count[use.scrap, use.outline.wkb] != 1 or use.whole for draft in own for use in draft.uses):
            passes += own
            continue
        sites = rest.runs[run].sites
        queues: dict[tuple[int, ...], list[_LyingPart]] = defaultdict(list)
        for draft in own:
            for use in draft.uses:
                queues[use.slots].append(_LyingPart(use, sites))
        bins: list[list[_LyingPart]] = []
        for slots in sorted(queues, key=lambda slots: (-len(queues[slots]), slots)):
            first = 0
            for one in queues[slots]:
                # What did not fit for one part of a die will not for the next, as a rule: no pass is asked twice.
                while first < len(bins) and any(_clash(one, other, known) for other in bins[first]):
                    first += 1
                if first == len(bins):
                    bins.append([])
                bins[first].append(one)
                first += 1
        packed = [PassDraft(run, [one.use for one in own_bin]) for own_bin in bins]
        passes += packed if len(packed) < len(own) else own
    return PaperedPasses(rest.runs, passes, rest.missing)


class _LyingPart:
    """A part as it lies on the plate, with the rims that are down on it."""

    def __init__(self, use: PartUse, sites: Sequence[Site]) -> None:
        self.use = use
        self.shape = use.pose.apply(use.outline)
        self.rims = [sites[slot].rim for slot in use.slots]
        self.key = (id(sites), use.slots, tuple(round(value, 3) for value in self.shape.bounds))


def _clash(a: _LyingPart, b: _LyingPart, known: dict[tuple[object, object], bool]) -> bool:
    """Whether two parts can't lie in one pass."""
    if set(a.use.slots) & set(b.use.slots):
        return True
    key = (a.key, b.key)
    if key not in known:
        known[key] = (
            not apart(a.shape, b.shape)
            or not all(apart(a.shape, rim) for rim in b.rims)
            or not all(apart(b.shape, rim) for rim in a.rims)
        )
    return known[key]


def _chips(batch: Batch, rest: PaperedPasses) -> list[Nest]:
    """The chips of the rest, those with the same outline and cut together: the later ones of a lay-up first."""
    count: Counter[Key] = Counter((use.scrap, use.outline.wkb) for one in rest.passes for use in one.uses)
    scraps = {scrap.id: scrap for scrap in batch.scraps}
    groups: dict[tuple[object, ...], list[tuple[Piece, NestCut]]] = defaultdict(list)
    for draft in reversed(rest.passes):
        for use in draft.uses:
            if use.whole or len(use.slots) != 1 or count[use.scrap, use.outline.wkb] != 1:
                continue
            slot = rest.runs[draft.run].sites[use.slots[0]].slot
            piece = Piece(scraps[use.scrap], use.outline, whole=False)
            cut = NestCut(slot.die, in_piece(slot.pose, use, piece), 1)
            shape = tuple(
                (round(x - piece.corner[0], 4), round(y - piece.corner[1], 4))
                for x, y in use.outline.normalize().exterior.coords
            )
            where = (round(cut.pose.x_mm, 4), round(cut.pose.y_mm, 4), round(cut.pose.deg, 6))
            groups[slot.die, use.paper, where, shape].append((piece, cut))
    return [
        Nest(
            own[0][0].scrap.paper,
            tuple(piece for piece, _ in own),
            own[0][0].in_corner,
            (NestCut(own[0][1].die, own[0][1].pose, len(own)),),
        )
        for own in groups.values()
    ]


def in_piece(die: Pose, use: PartUse, piece: Piece) -> Pose:
    """Where the die cuts, in the frame of the piece whose box begins at (0, 0)."""
    back = Pose(0.0, 0.0, -use.pose.deg % 360.0)
    a, b, d, e, _, _ = back.matrix()
    x, y = die.x_mm - use.pose.x_mm, die.y_mm - use.pose.y_mm
    return Pose(
        a * x + b * y - piece.corner[0], d * x + e * y - piece.corner[1], (die.deg - use.pose.deg) % 360.0
    )
