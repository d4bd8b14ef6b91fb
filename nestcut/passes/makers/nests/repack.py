"""Missing cuts are won back scrap by scrap: the cuts that a scrap gets as chips are pushed together until others fit between.

Two chips keep an edge each from where the scissors go; cuts that are made before the scrap is cut up keep one web.
A scrap that takes further cuts so becomes a nest (:mod:`nestcut.passes.makers.nests.nests`), everything else stays as it is.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from shapely.geometry import MultiPolygon, Polygon

from nestcut.batch.model import Batch, Die, Pose, Scrap
from nestcut.batch.turns import turns_on
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.slits import Piece, slit
from nestcut.passes.drafts.order import joined, kept_of
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse
from nestcut.passes.drafts.ranking import Draft
from nestcut.passes.drafts.worth import LAYUPS_A_CUT, worth_it
from nestcut.passes.makers.door import Ask
from nestcut.passes.makers.nests.nest_layups import in_nests
from nestcut.passes.makers.nests.nests import Nest, NestCut, reachable
from nestcut.passes.makers.nests.riding import in_piece, with_riders
from nestcut.passes.parts.chips import Site
from nestcut.passes.short.shortage import webbed_area

__all__ = ["Repacked", "with_repacked"]

EFFORTS = (15, 60)
"""Moves of the placement search for one more cut, round by round: what fits at all is found at once, as a rule."""
FULLEST = 0.95
"""A piece that cuts with half a web around would cover more of is not tried."""
PUSHING = 0.6
"""Share of its time for pushing; the rest is for lay-ups."""
TRIES_BY_WORK = 40
"""Tries to pack a scrap anew, where work is counted instead of time."""

_Cuts = tuple[tuple[Die, Pose], ...]
_Key = tuple[str, bytes, tuple[tuple[str, int], ...]]
"""Paper, room and dies of a sheet."""


@dataclass(slots=True)
class _FullScrap:
    """A scrap, or a part of one that is too wide for the plate, with the cuts it gets."""

    piece: Piece
    room: Polygon | MultiPolygon
    """Where cuts may lie, in the frame of the piece whose box begins at (0, 0)."""
    cuts: _Cuts = ()


@dataclass(slots=True)
class _Stack:
    """The sheets of a scrap, and what they were given beyond what the draft cuts from it."""

    scrap: Scrap
    sheets: list[_FullScrap]
    homeless: list[Die]
    """Cuts that a slit would hit: they must find another place first."""
    gained: Counter[str] = field(default_factory=Counter)
    """Die → further cuts that lie in the sheets."""

    def nests(self, spare: Counter[str]) -> list[Nest]:
        """The sheets as nests, so many cuts left out."""
        left = Counter(spare)
        found = []
        for sheet in self.sheets:
            cuts = []
            for die, pose in sheet.cuts:
                if left[die.name] > 0:
                    left[die.name] -= 1
                else:
                    cuts.append(NestCut(die.name, pose, 1))
            if cuts:
                piece = sheet.piece
                found.append(Nest(piece.scrap.paper, (piece,), piece.in_corner, tuple(cuts)))
        return found


@dataclass(frozen=True, slots=True)
class _NestedScrap:
    """A scrap that becomes nests, with cuts that were missing."""

    scrap: Scrap
    nests: list[Nest]
    gained: Counter[str]
    cost: float
    """Passes a gained cut, if it were cut alone."""


class Repacked:
    """Missing cuts won back in the best draft that misses some."""

    def suits(self, ask: Ask) -> bool:
        """Nests are cut by dies, but some of what they leave between them by scissors."""
        return ask.trims.any_shape

    def drafts(self, ask: Ask, budget: Budget) -> Iterator[Draft]:
        """One draft."""
        short = ask.best_short()
        if short is not None:
            yield with_repacked(ask.batch, short, budget)


def with_repacked(batch: Batch, draft: Draft, budget: Budget) -> Draft:
    """The draft, or one that cuts some of what is missing there, for the same shares."""

    def as_draft(got: PaperedPasses) -> Draft:
        return replace(draft, papered=got)

    return as_draft(
        _regained(batch, draft.papered, budget, pays=lambda got: worth_it(batch, as_draft(got), draft))
    )


def _regained(
    batch: Batch,
    got: PaperedPasses,
    budget: Budget,
    *,
    pays: Callable[[PaperedPasses], bool],
) -> PaperedPasses:
    """The passes with some of the missing cuts, or as given where none is worth it.

    Args:
        budget: asked before every try, every scrap that is chosen and every lay-up; the rest is left as it is.
        pays: asked with other passes: whether what they win is worth it.
    """
    missing = +Counter(got.missing)
    if not missing:
        return got
    # A cut with half a web around, in mm²: asked in every try.
    areas = {die.name: webbed_area(die, batch.hand.web_mm) * die.pieces for die in batch.dies}
    stacks = _stacks(batch, got, {paper for _, paper in missing}, areas)
    pushing = budget.part(PUSHING)
    # By work, most tries in all: the answer is the same on every machine.
    tries = budget.either(None, by_work=TRIES_BY_WORK)
    kept: list[_NestedScrap] = []
    for effort in EFFORTS:
        tries = _push(batch, stacks, missing, areas, effort, pushing, tries)
        kept = _chosen(batch, stacks, missing, budget)
        if sum(one.gained.total() for one in kept) == missing.total():
            break
    while kept and not budget.over():
        new = _with_nests(batch, got, kept, budget)
        if new is not None and pays(new):
            return new
        # The dearest are left out.
        kept = kept[: len(kept) * 3 // 4]
    return got


def _stacks(
    batch: Batch, got: PaperedPasses, papers: Iterable[str], areas: Mapping[str, float]
) -> list[_Stack]:
    """The scraps of these papers with their cuts, roomy ones first; not those that lie whole in some pass."""
    from nestcut.placement.fill.fill import room_in

    whole = {use.scrap for one in got.passes for use in one.uses if use.whole}
    cuts: dict[str, list[tuple[Site, PartUse]]] = defaultdict(list)
    for one in got.passes:
        for use in one.uses:
            sites = got.runs[one.run].sites
            cuts[use.scrap] += [(sites[slot], use) for slot in use.slots]
    stacks = []
    for scrap in batch.scraps:
        if scrap.paper not in papers or scrap.id in whole:
            continue
        pieces = slit(scrap, batch.machine.plate_mm[0])
        sheets = [
            _FullScrap(piece, room_in(reachable(batch, piece.in_corner), batch.hand.edge_mm))
            for piece in pieces
        ]
        stack = _Stack(scrap, sheets, [])
        for site, use in cuts[scrap.id]:
            for sheet in sheets:
                pose = in_piece(site.slot.pose, use, sheet.piece)
                if len(sheets) == 1 or sheet.room.covers(pose.apply(site.die.cut)):
                    sheet.cuts += ((site.die, pose),)
                    break
            else:
                stack.homeless.append(site.die)
        stacks.append(stack)
    return sorted(stacks, key=lambda one: (_fill(one.sheets, areas), one.scrap.id))


def _fill(sheets: Sequence[_FullScrap], areas: Mapping[str, float], more: float = 0.0) -> float:
    """Share of the sheets that cuts with half a web around cover."""
    covered = more + sum(areas[die.name] for sheet in sheets for die, _ in sheet.cuts)
    return covered / max(1e-9, sum(sheet.room.area for sheet in sheets))


def _push(
    batch: Batch,
    stacks: Sequence[_Stack],
    missing: Counter[tuple[str, str]],
    areas: Mapping[str, float],
    effort: int,
    budget: Budget,
    tries: int | None,
) -> int | None:
    """Give every scrap as many of the missing cuts as it takes, as if it were the only one (in place).

    Returns: how many of the tries are left.
    """
    known: dict[_Key, _Cuts | None] = {}

    def add(k: int, die: Die) -> bool:
        nonlocal tries
        for sheet in stacks[k].sheets:
            if _fill([sheet], areas, areas[die.name]) > FULLEST:
                continue
            # Equal scraps with equal cuts are asked once; lying alike, they share their lay-ups.
            count = Counter(one.name for one, _ in sheet.cuts) + Counter([die.name])
            key = (stacks[k].scrap.paper, sheet.room.wkb, tuple(sorted(count.items())))
            if key not in known:
                if budget.over() or tries == 0:
                    return False
                tries = None if tries is None else tries - 1
                known[key] = _pushed(batch, sheet, count, effort, budget)
            cuts = known[key]
            if cuts is not None:
                sheet.cuts = cuts
                return True
        return False

    for k, stack in enumerate(stacks):
        while stack.homeless and add(k, stack.homeless[-1]):
            stack.homeless.pop()
        while not stack.homeless:
            taken = next((die for die in _wanted(batch, stack, missing) if add(k, die)), None)
            if taken is None:
                break
            stack.gained[taken.name] += 1
    return tries


def _wanted(batch: Batch, stack: _Stack, missing: Counter[tuple[str, str]]) -> list[Die]:
    """Dies of which the scrap may take one more, small ones first."""
    own = [name for name, paper in missing if paper == stack.scrap.paper]
    dies = [batch.die(name) for name in own if missing[name, stack.scrap.paper] > stack.gained[name]]
    return sorted(dies, key=lambda die: (die.cut.area, die.name))


def _chosen(
    batch: Batch, stacks: Sequence[_Stack], missing: Counter[tuple[str, str]], budget: Budget
) -> list[_NestedScrap]:
    """The scraps that give the missing cuts for fewest passes and few lay-ups each, the cheapest first."""
    left = Counter(missing)
    waiting = [stack for stack in stacks if stack.gained and not stack.homeless]
    found: list[_NestedScrap] = []
    offers: dict[tuple[str, tuple[tuple[str, int], ...]], _NestedScrap | None] = {}
    while waiting and not budget.over():
        best: _NestedScrap | None = None
        for stack in waiting:
            own = Counter({name: left[name, stack.scrap.paper] for name in stack.gained})
            useful = stack.gained & own
            if not useful:
                continue
            key = (stack.scrap.id, tuple(sorted(useful.items())))
            if key not in offers:
                offers[key] = _offer(batch, stack, useful)
            offer = offers[key]
            if offer is not None and (best is None or offer.cost < best.cost):
                best = offer
        if best is None:
            break
        found.append(best)
        waiting = [stack for stack in waiting if stack.scrap is not best.scrap]
        left.subtract({(name, best.scrap.paper): count for name, count in best.gained.items()})
    return found


def _offer(batch: Batch, stack: _Stack, useful: Counter[str]) -> _NestedScrap | None:
    """The scrap with so much of what it could gain; None where that takes too many lay-ups."""
    nests = stack.nests(stack.gained - useful)
    alone = in_nests(batch, nests)
    if alone.missing or len(alone.runs) > LAYUPS_A_CUT * useful.total():
        return None
    return _NestedScrap(stack.scrap, nests, useful, len(alone.passes) / useful.total())


def _pushed(
    batch: Batch, sheet: _FullScrap, count: Counter[str], effort: int, budget: Budget
) -> _Cuts | None:
    """So many cuts of each die, a web between them, beginning with those of the sheet; None where some found no place."""
    from nestcut.placement import fits_together
    from nestcut.placement.shapes.types import Part, Placed

    paper = batch.paper(sheet.piece.scrap.paper)
    dies = sorted(count)
    layout = fits_together(
        [
            Part(name, batch.die(name).hole, turns_on(batch.die(name), paper), least=count[name])
            for name in dies
        ],
        sheet.room,
        gap_mm=batch.hand.web_mm,
        moves_limit=effort,
        start=[Placed(dies.index(one.name), pose) for one, pose in sheet.cuts],
        stop=budget.over,
    )
    if layout is None:
        return None
    return tuple((batch.die(dies[placed.part]), placed.pose) for placed in layout)


def _taking_turns(nests: Sequence[Nest]) -> list[Nest]:
    """Equal nests made one with several pieces."""
    alike: dict[tuple[object, ...], list[Nest]] = defaultdict(list)
    for nest in nests:
        alike[nest.paper, nest.outline.wkb, nest.cuts].append(nest)
    return [
        replace(
            own[0],
            pieces=tuple(piece for nest in own for piece in nest.pieces),
            cuts=tuple(replace(cut, times=len(own)) for cut in own[0].cuts),
        )
        for own in alike.values()
    ]


def _with_nests(
    batch: Batch, got: PaperedPasses, chosen: Sequence[_NestedScrap], budget: Budget
) -> PaperedPasses | None:
    """The scraps cut as nests, everything else as before."""
    nests = _taking_turns([nest for one in chosen for nest in one.nests])
    nested = in_nests(batch, nests, budget)
    if nested.missing:
        return None
    ids = {one.scrap.id for one in chosen}
    missing = Counter(got.missing)
    for one in chosen:
        missing.subtract({(name, one.scrap.paper): count for name, count in one.gained.items()})
    rest = PaperedPasses(got.runs, kept_of(got.passes, lambda use: use.scrap not in ids), +missing)
    fewer, along = with_riders(batch, nests, nested, rest, budget)
    # What is missing of the nests was asked of the rest.
    return joined(fewer, along, fewer.missing)
