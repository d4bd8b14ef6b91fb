"""Missing cuts are won back scrap by scrap: the cuts that a scrap gets as chips are pushed together until others fit between.

Two chips keep an edge each from where the scissors go; cuts that are made before the scrap is cut up keep one web.
A scrap that takes further cuts so becomes a nest (:mod:`nestcut.passes.nests`), everything else stays as it is.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

from shapely.geometry import MultiPolygon, Polygon

from nestcut.batch.model import Batch, Die, Pose, Scrap
from nestcut.passes.chips import Site
from nestcut.passes.clock import Clock
from nestcut.passes.drafts import Draft
from nestcut.passes.nest_layups import in_nests
from nestcut.passes.nests import Nest, NestCut, reachable
from nestcut.passes.realise import PartUse, PassDraft, Realised
from nestcut.passes.riding import in_piece, joined, with_riders
from nestcut.passes.schedule import turns_on
from nestcut.passes.shortage import webbed_area
from nestcut.passes.slits import Piece, slit
from nestcut.passes.worth import LAYUPS_A_CUT, worth_it

__all__ = ["with_regained"]

EFFORTS = (15, 60)
"""Moves of the placement search for one more cut, round by round: what fits at all is found at once, as a rule."""
FULLEST = 0.95
"""A piece that cuts with half a web around would cover more of is not tried."""
TRIES_BY_WORK = 40


@dataclass(slots=True)
class _Sheet:
    """A scrap, or a part of one that is too wide for the plate, with the cuts it gets."""

    piece: Piece
    room: Polygon | MultiPolygon
    """Where cuts may lie, in the frame of the piece whose box begins at (0, 0)."""
    cuts: list[tuple[Die, Pose]] = field(default_factory=list)

    def nest(self) -> Nest:
        cuts = tuple(NestCut(die.name, pose, 1) for die, pose in self.cuts)
        return Nest(self.piece.scrap.paper, (self.piece,), self.piece.in_corner, cuts)


@dataclass(slots=True)
class _Stack:
    """The sheets of a scrap, and what they were given beyond what the draft cuts from it."""

    scrap: Scrap
    sheets: list[_Sheet]
    homeless: list[Die]
    """Cuts that a slit would hit: they must find another place first."""
    gained: Counter[str] = field(default_factory=Counter)
    """Die → further cuts that lie in the sheets."""
    kept: Counter[str] = field(default_factory=Counter)
    """Those of them that are worth their lay-ups, which ``nests`` has."""
    nests: list[Nest] = field(default_factory=list)
    passes: int = 0
    version: int = 0


def with_regained(batch: Batch, draft: Draft, clock: Clock, part: float) -> Draft:
    """The draft, or one that cuts some of what is missing there, for the same shares.

    Args:
        part: share of the time left that it may take.
    """

    def as_draft(got: Realised) -> Draft:
        return replace(draft, realised=got)

    return as_draft(
        _regained(
            batch,
            draft.realised,
            over=clock.within(part),
            pays=lambda got: worth_it(batch, as_draft(got), draft),
            most_tries=TRIES_BY_WORK if clock.by_work else None,
        )
    )


def _regained(
    batch: Batch,
    got: Realised,
    *,
    over: Callable[[], bool],
    pays: Callable[[Realised], bool],
    most_tries: int | None = None,
) -> Realised:
    """The passes with some of the missing cuts, or as given where none is worth it.

    Args:
        over: asked before every try; True ends the search.
        pays: asked with other passes: whether what they win is worth it.
        most_tries: most tries in all, so that the answer is the same on every machine.
    """
    missing = +Counter(got.missing)
    if not missing:
        return got
    stacks = _stacks(batch, got, {paper for _, paper in missing})
    kept = _pushed(batch, stacks, missing, over, most_tries)
    while kept:
        new = _with_nests(batch, got, kept)
        if new is not None and pays(new):
            return new
        # The dearest are left out.
        kept = kept[: len(kept) * 3 // 4]
    return got


def _stacks(batch: Batch, got: Realised, papers: Iterable[str]) -> list[_Stack]:
    """The scraps of these papers with their cuts, roomy ones first; not those that lie whole in some pass."""
    from nestcut.placement.fill import room_in

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
            _Sheet(piece, room_in(reachable(batch, piece.in_corner), batch.hand.edge_mm)) for piece in pieces
        ]
        stack = _Stack(scrap, sheets, [])
        for site, use in cuts[scrap.id]:
            for sheet in sheets:
                pose = in_piece(site.slot.pose, use, sheet.piece)
                if len(sheets) == 1 or sheet.room.covers(pose.apply(site.die.cut)):
                    sheet.cuts.append((site.die, pose))
                    break
            else:
                stack.homeless.append(site.die)
        stacks.append(stack)
    return sorted(stacks, key=lambda one: (_fill(batch, one.sheets), one.scrap.id))


def _fill(batch: Batch, sheets: Sequence[_Sheet], more: float = 0.0) -> float:
    """Share of the sheets that cuts with half a web around cover."""
    covered = more + sum(_area(batch, die) for sheet in sheets for die, _ in sheet.cuts)
    return covered / max(1e-9, sum(sheet.room.area for sheet in sheets))


def _area(batch: Batch, die: Die) -> float:
    return webbed_area(die, batch.hand.web_mm) * die.pieces


def _pushed(
    batch: Batch,
    stacks: Sequence[_Stack],
    missing: Counter[tuple[str, str]],
    over: Callable[[], bool],
    most_tries: int | None,
) -> list[_Stack]:
    """The scraps that take missing cuts (``missing`` is lowered) for few lay-ups, those with fewest a cut first."""
    tries = 0
    tried: set[tuple[int, int, str, int, int]] = set()

    def add(k: int, die: Die, effort: int) -> bool:
        nonlocal tries
        for number, sheet in enumerate(stacks[k].sheets):
            key = (k, number, die.name, effort, stacks[k].version)
            if key in tried or _fill(batch, [sheet], _area(batch, die)) > FULLEST:
                continue
            if over() or (most_tries is not None and tries >= most_tries):
                return False
            tried.add(key)
            tries += 1
            if _added(batch, sheet, die, effort, over):
                stacks[k].version += 1
                return True
        return False

    for effort in EFFORTS:
        for k, stack in enumerate(stacks):
            while stack.homeless and add(k, stack.homeless[-1], effort):
                stack.homeless.pop()
            before = stack.version
            while not stack.homeless:
                wanted = _wanted(batch, stack, missing)
                taken = next((die for die in wanted if add(k, die, effort)), None)
                if taken is None:
                    break
                stack.gained[taken.name] += 1
            if stack.version > before:
                _keep(batch, stack, missing)
    kept = [stack for stack in stacks if stack.kept]
    return sorted(kept, key=lambda stack: stack.passes / stack.kept.total())


def _wanted(batch: Batch, stack: _Stack, missing: Counter[tuple[str, str]]) -> list[Die]:
    """Dies of which the scrap may take one more, small ones first."""
    ahead = stack.gained - stack.kept
    paper = stack.scrap.paper
    dies = [batch.die(name) for (name, p), count in missing.items() if p == paper and count > ahead[name]]
    return sorted(dies, key=lambda die: (die.cut.area, die.name))


def _keep(batch: Batch, stack: _Stack, missing: Counter[tuple[str, str]]) -> None:
    """Make the scrap a nest if what it gains is worth the lay-ups (in place, ``missing`` too)."""
    paper = stack.scrap.paper
    nests = [sheet.nest() for sheet in stack.sheets if sheet.cuts]
    alone = in_nests(batch, nests)
    if alone.missing or len(alone.runs) > LAYUPS_A_CUT * stack.gained.total():
        return
    more = stack.gained - stack.kept
    if any(count > missing[name, paper] for name, count in more.items()):
        return
    for name, count in more.items():
        missing[name, paper] -= count
    stack.kept, stack.nests, stack.passes = Counter(stack.gained), nests, len(alone.passes)


def _added(batch: Batch, sheet: _Sheet, die: Die, effort: int, over: Callable[[], bool]) -> bool:
    """Add one cut of the die to the sheet, if all find a place with a web between them."""
    from nestcut.placement import fits_together
    from nestcut.placement.types import Part, Placed

    paper = batch.paper(sheet.piece.scrap.paper)
    dies = sorted({one.name for one, _ in sheet.cuts} | {die.name})
    count = Counter([one.name for one, _ in sheet.cuts] + [die.name])
    layout = fits_together(
        [
            Part(name, batch.die(name).cut, turns_on(batch.die(name), paper), least=count[name])
            for name in dies
        ],
        sheet.room,
        gap_mm=batch.hand.web_mm,
        moves_limit=effort,
        start=[Placed(dies.index(one.name), pose) for one, pose in sheet.cuts],
        stop=over,
    )
    if layout is None:
        return False
    sheet.cuts = [(batch.die(dies[placed.part]), placed.pose) for placed in layout]
    return True


def _with_nests(batch: Batch, got: Realised, stacks: Sequence[_Stack]) -> Realised | None:
    """The scraps cut as nests, everything else as before."""
    nests = [nest for stack in stacks for nest in stack.nests]
    nested = in_nests(batch, nests)
    if nested.missing:
        return None
    ids = {stack.scrap.id for stack in stacks}
    missing = Counter(got.missing)
    for stack in stacks:
        missing.subtract({(name, stack.scrap.paper): count for name, count in stack.kept.items()})
    passes = []
    for one in got.passes:
        uses = [use for use in one.uses if use.scrap not in ids]
        if uses:
            passes.append(PassDraft(one.run, uses))
    rest = Realised(got.runs, passes, +missing)
    return joined(*with_riders(batch, nests, nested, rest))
