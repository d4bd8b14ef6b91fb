"""Cutting by one paper a pass: lay-ups of all dies that fit over a scrap, the scrap pulled on under them.

A lay-up is made over a scrap, so that every die of it cuts there: one die after the other, as near to the scrap's beginning as
rims, webs and the edge allow. It stays while scraps are pulled on under it, each time to the place where most of its dies cut.
When few of them still do, the next lay-up is made over what the scraps have left. The end is a lay-up of one die.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from shapely.affinity import translate

from nestcut.batch.model import Batch, Machine, Pose
from nestcut.passes.common.plate_rules import lay_up_holds
from nestcut.passes.common.slits import Piece
from nestcut.passes.drafts.order import layups_together
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft, bare_run
from nestcut.passes.makers.one_paper.one_paper_grid import Mask, Turned, switch_off
from nestcut.passes.makers.one_paper.one_paper_stock import Fresh, FreshStock, PieceInUse, PieceKind
from nestcut.plans.model import Slot

__all__ = ["Cutter"]

ALWAYS = 500
"""So many passes are made however late it is: a usual evening."""
BUSY = 0.75
"""Dies with so much left of what the busiest has left are cut first."""
ENOUGH = 0.5
"""Share of a lay-up's dies that cut in a pass, from which no other lay-up is thought of."""
MOST_TRIED = 8
"""Scraps over which a new lay-up is made, to choose from."""

Placed = tuple[Turned, int, int]


@dataclass(slots=True, eq=False)
class _OpenLayup:
    """Dies on the plate, and the best place of each scrap under them as far as it is known."""

    deg: float
    """The turn of the scraps under it."""
    slots: tuple[Placed, ...]
    known: dict[tuple[PieceInUse, int, tuple[int, ...]], tuple[int, int, int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _PiecePull:
    """A scrap at a place under a lay-up."""

    value: int
    layup: _OpenLayup
    lying: PieceInUse
    pieces: list[Piece]
    """Those that lie so; the first is taken."""
    at: tuple[int, int]
    slots: tuple[int, ...]


class Cutter:
    """Scraps in the box and on the table, the lay-ups so far, and the passes that were made."""

    def __init__(self, stock: FreshStock, *, most_dies: int | None = None) -> None:
        """``most_dies``: dies of a lay-up, at most; None: as many as fit."""
        self.stock, self.batch, self.grid, self.most_dies = stock, stock.batch, stock.known.grid, most_dies
        self._box: dict[Fresh, list[Piece]] = {}
        """Fresh pieces that are left."""
        self._table: dict[str, dict[PieceInUse, list[Piece]]] = defaultdict(dict)
        """Pieces that have been cut."""
        self.layups: dict[str, list[_OpenLayup]] = defaultdict(list)
        self.made: Counter[tuple[str, str]] = Counter()
        """(die, paper) → cuts."""
        self._passes: list[tuple[str, _PiecePull, Piece]] = []
        self._tried: dict[str, tuple[tuple[str, ...], int]] = {}

    def cut(self, wanted: Mapping[tuple[str, str], int]) -> None:
        """Cut as much of this as the scraps give, on top of what was cut so far: (die, paper) → cuts."""
        for paper in sorted({paper for (_, paper), count in wanted.items() if count > 0}):
            want = Counter({die: n for (die, p), n in wanted.items() if p == paper and n > 0})
            while +want and (len(self._passes) < ALWAYS or not self.stock.known.budget.over()):
                pull = self._next(paper, want)
                if pull is None:
                    break
                self._do(paper, pull, want)

    def papered(self) -> PaperedPasses:
        """The passes so far, those of a lay-up together."""
        numbers = {
            id(layup): number
            for number, layup in enumerate(layup for own in self.layups.values() for layup in own)
        }
        layups = [layup for own in self.layups.values() for layup in own]
        passes = layups_together(
            [
                PassDraft(numbers[id(pull.layup)], [_use(paper, pull, piece)])
                for paper, pull, piece in self._passes
            ]
        )
        counts = Counter(draft.run for draft in passes)
        runs = []
        for number, layup in enumerate(layups):
            slots = tuple(_slot(*placed) for placed in layup.slots)
            runs.append(bare_run(self.batch, slots, counts[number]))
        return PaperedPasses(runs, passes)

    def _all(self, paper: str) -> list[tuple[PieceInUse, list[Piece]]]:
        """What can lie on the plate, and the pieces that lie so: those that have been cut come first."""
        found = list(self._table[paper].items())
        for fresh in self.stock.fresh(paper):
            left = self._box.setdefault(fresh, list(fresh.pieces))
            found += [(lying, left) for lying in fresh.ways if left]
        return found

    def _next(self, paper: str, want: Counter[str]) -> _PiecePull | None:
        """The next pass, or None where nothing can be cut any more."""
        ranks = _ranks(self.batch, want)
        pull: _PiecePull | None = None
        for layup in reversed(self.layups[paper]):
            found = self._best_pull(layup, paper, want, ranks, pull.value if pull else 0)
            pull = found or pull
        if pull is not None:
            down = sum(min(n, self.batch.die(die).copies) for die, n in want.items() if n > 0)
            key = (tuple(sorted(+want)), len(pull.slots))
            if len(pull.slots) >= ENOUGH * min(down, len(pull.layup.slots)) or self._tried.get(paper) == key:
                return pull
            self._tried[paper] = key
        fresh = self._new_layup(paper, want, ranks)
        if fresh is None or (pull is not None and fresh.value <= pull.value):
            return pull
        self.layups[paper].append(fresh.layup)
        self._tried.pop(paper, None)
        return fresh

    def _best_pull(
        self, layup: _OpenLayup, paper: str, want: Counter[str], ranks: Mapping[str, int], least: int
    ) -> _PiecePull | None:
        """The best scrap under a lay-up and its place; None where none is worth more than ``least``."""
        left = Counter(want)
        worth = []
        for turned, _, _ in layup.slots:
            worth.append(ranks.get(turned.die.name, 0) if left[turned.die.name] > 0 else 0)
            left[turned.die.name] -= 1
        worths = tuple(worth)
        if sum(worths) <= least:
            return None
        best: tuple[int, PieceInUse, list[Piece], tuple[int, int]] | None = None
        for lying, pieces in self._all(paper):
            if lying.kind.deg != layup.deg:
                continue
            key = (lying, lying.refused, worths)
            if key not in layup.known:
                layup.known[key] = _best_place(layup, lying, worths)
            value, sx, sy = layup.known[key]
            if value > least:
                least = value
                best = (value, lying, pieces, (sx, sy))
                if value == sum(worths):
                    break
        if best is None:
            return None
        value, lying, pieces, (sx, sy) = best
        slots = tuple(
            k
            for k, (turned, pi, pj) in enumerate(layup.slots)
            if worths[k] and _free(lying.mask(turned), pi - sx, pj - sy)
        )
        return _PiecePull(value, layup, lying, pieces, (sx, sy), slots)

    def _do(self, paper: str, pull: _PiecePull, want: Counter[str]) -> None:
        """Make the pass: cuts that hold are counted, others are left out."""
        lying, (sx, sy) = pull.lying, pull.at
        cuts = [(t, i - sx, j - sy) for t, i, j in (pull.layup.slots[k] for k in pull.slots)]
        after = lying.after(cuts)
        if after is lying:
            return
        table = self._table[paper]
        piece = pull.pieces.pop(0)
        if not pull.pieces:
            table.pop(lying, None)
        table.setdefault(after, []).append(piece)
        down = tuple(k for k, cut in zip(pull.slots, cuts, strict=True) if cut in after.made)
        self._passes.append((paper, replace(pull, slots=down), piece))
        for k in down:
            name = pull.layup.slots[k][0].die.name
            want[name] -= 1
            self.made[name, paper] += 1

    def _new_layup(self, paper: str, want: Counter[str], ranks: Mapping[str, int]) -> _PiecePull | None:
        """The best of a few lay-ups, each made over another scrap."""
        offers = []
        for number, (lying, pieces) in enumerate(self._all(paper)):
            most = sum(
                ranks[die] * min(n, self.batch.die(die).copies)
                for die, n in (+want).items()
                if any(lying.mask(turned) for turned in self._turned(paper, die, lying.kind.deg))
            )
            if most:
                offers.append((-most, number, lying, pieces))
        best: _PiecePull | None = None
        for tried, (less, _, lying, pieces) in enumerate(sorted(offers, key=lambda offer: offer[:2])):
            if best is not None and (-less <= best.value or tried >= MOST_TRIED):
                break
            made = self._made_over(paper, lying, pieces, want, ranks)
            if made is not None and (best is None or made.value > best.value):
                best = made
        return best

    def _made_over(
        self, paper: str, lying: PieceInUse, pieces: list[Piece], want: Counter[str], ranks: Mapping[str, int]
    ) -> _PiecePull | None:
        """A lay-up over this scrap: busy dies first, large ones first, each as near to the scrap's beginning as it can lie."""
        dies = [
            die
            for die in sorted(
                self.batch.dies, key=lambda die: (-ranks.get(die.name, 0), -die.rim.area, die.name)
            )
            for _ in range(min(die.copies, max(0, want[die.name])))
        ]
        slots: list[Placed] = []
        at: tuple[int, int] | None = None
        value = 0
        machine = self.batch.machine
        for die in dies:
            if self.most_dies is not None and len(slots) >= self.most_dies:
                break
            best: tuple[tuple[float, float], Placed] | None = None
            for turned in self._turned(paper, die.name, lying.kind.deg):
                free = self._room_for(lying, turned, slots, at)
                if free is None:
                    continue
                row = int(np.argmax(free.flags.any(axis=0)))
                i, j = free.i0 + int(np.argmax(free.flags[:, row])), free.j0 + row
                x, y = turned.at(i, j)
                score = (round(y + turned.hole.bounds[3], 6), round(x + turned.hole.bounds[0], 6))
                if best is None or score < best[0]:
                    best = (score, (turned, i, j))
            if best is None:
                continue
            turned, i, j = best[1]
            if at is None:
                at = _shift(lying.kind, turned.window(machine), i, j)
            slots.append(best[1])
            value += ranks[die.name]
        if at is None:
            return None
        sx, sy = at
        sy_more = _slide(lying.kind, slots, sy, machine)
        placed = tuple((turned, i + sx, j + sy + sy_more) for turned, i, j in slots)
        rims = [translate(turned.rim, *turned.at(i, j)) for turned, i, j in placed]
        while not lay_up_holds(self.batch.machine.window, self.batch.hand.gap_mm, rims):
            # Masks are on the safe side; should one not be, the last die goes.
            rims.pop()
            placed = placed[:-1]
        if not placed:
            return None
        value = sum(ranks[turned.die.name] for turned, _, _ in placed)
        layup = _OpenLayup(lying.kind.deg, placed)
        return _PiecePull(value, layup, lying, pieces, (sx, sy + sy_more), tuple(range(len(placed))))

    def _room_for(
        self, lying: PieceInUse, turned: Turned, slots: Sequence[Placed], at: tuple[int, int] | None
    ) -> Mask | None:
        """Where a die may lie in the scrap beside those of the lay-up; None where nowhere."""
        mask = lying.mask(turned)
        if mask is None:
            return None
        i_first, i_last, j_first, j_last = turned.window(self.batch.machine)
        x_first, x_last, y_first, y_last = lying.kind.reach if at is None else (at[0], at[0], at[1], at[1])
        # The scrap's corner lies at a shift, the die's place in the window less that shift in the scrap.
        i_low, j_low = max(mask.i0, i_first - x_last), max(mask.j0, j_first - y_last)
        i_high = min(mask.i0 + mask.flags.shape[0] - 1, i_last - x_first)
        j_high = min(mask.j0 + mask.flags.shape[1] - 1, j_last - y_first)
        if i_high < i_low or j_high < j_low:
            return None
        flags = mask.flags[
            i_low - mask.i0 : i_high - mask.i0 + 1, j_low - mask.j0 : j_high - mask.j0 + 1
        ].copy()
        free = Mask(flags, i_low, j_low)
        for other, i, j in slots:
            for near in self.grid.near(other, turned):
                switch_off(free, near, i, j)
        return free if flags.any() else None

    def _turned(self, paper: str, name: str, deg: float) -> list[Turned]:
        """The ways a die may lie on the plate over scraps of this paper that are turned by ``deg``."""
        key = (paper, name, deg)
        if key not in self.stock.dies:
            die = self.batch.die(name)
            found = []
            for turn in self.stock.known.turns(die, paper):
                turned = self.grid.turned(die, turn + deg)
                if turned is None:
                    continue
                fresh = [one for own in self.stock.fresh(paper) for one in own.ways if one.kind.deg == deg]
                if not any(self._room_for(lying, turned, (), None) for lying in fresh):
                    tight = (
                        self.grid.tight(die, turned.deg, lying.kind.outline, lying.kind.reach)
                        for lying in sorted(fresh, key=lambda lying: -lying.kind.outline.area)
                    )
                    turned = next((one for one in tight if one is not None), None)
                if turned is not None:
                    found.append(turned)
            self.stock.dies[key] = found
        return self.stock.dies[key]


def _ranks(batch: Batch, want: Mapping[str, int]) -> dict[str, int]:
    """What a cut of each die is worth: twice as much for those that have most left, for each of their copies."""
    left = {die: n / batch.die(die).copies for die, n in want.items() if n > 0}
    busiest = max(left.values(), default=0.0)
    return {die: 2 if n >= BUSY * busiest else 1 for die, n in left.items()}


def _shift(kind: PieceKind, window: tuple[int, int, int, int], i: int, j: int) -> tuple[int, int]:
    """Where the scrap's corner lies so that its place (i, j) comes to the beginning of the window, across in the middle."""
    x_first, x_last, y_first, y_last = kind.reach
    middle = (x_first + x_last) // 2
    sx = min(max(middle, x_first, window[0] - i), x_last, window[1] - i)
    return sx, min(max(y_first, window[2] - j), y_last, window[3] - j)


def _slide(kind: PieceKind, slots: Sequence[Placed], sy: int, machine: Machine) -> int:
    """How far lay-up and scrap move along together, so that the scrap can be pulled on to its end under the lay-up."""
    _, _, y_first, y_last = kind.reach
    bottom = max(turned.at(i, j)[1] + turned.hole.bounds[3] for turned, i, j in slots)
    want = int(kind.size[1] - bottom) - (sy - y_first)
    room = min(turned.window(machine)[3] - (j + sy) for turned, _, j in slots)
    return max(0, min(want, room, y_last - sy))


def _best_place(layup: _OpenLayup, lying: PieceInUse, worths: Sequence[int]) -> tuple[int, int, int]:
    """(worth of the dies that cut, the scrap's place across, along): of equal places the one that cuts nearest to the
    scrap's beginning. Worth 0: none."""
    x_first, x_last, y_first, y_last = lying.kind.reach
    total = np.zeros((x_last - x_first + 1, y_last - y_first + 1), dtype=np.int32)
    for (turned, pi, pj), worth in zip(layup.slots, worths, strict=True):
        mask = lying.mask(turned) if worth else None
        if mask is None:
            continue
        # The scrap at s brings its place p − s under the die at p.
        x0, y0 = (
            pi - mask.i0 - mask.flags.shape[0] + 1 - x_first,
            pj - mask.j0 - mask.flags.shape[1] + 1 - y_first,
        )
        x1, y1 = x0 + mask.flags.shape[0], y0 + mask.flags.shape[1]
        cx0, cy0, cx1, cy1 = max(0, x0), max(0, y0), min(total.shape[0], x1), min(total.shape[1], y1)
        if cx0 < cx1 and cy0 < cy1:
            total[cx0:cx1, cy0:cy1] += (
                worth * mask.flags[::-1, ::-1][cx0 - x0 : cx1 - x0, cy0 - y0 : cy1 - y0]
            )
    top = int(total.max())
    if top == 0:
        return (0, 0, 0)
    best = total == top
    row = int(np.flatnonzero(best.any(axis=0))[-1])
    return (top, int(np.flatnonzero(best[:, row])[-1]) + x_first, row + y_first)


def _free(mask: Mask | None, i: int, j: int) -> bool:
    if mask is None:
        return False
    i, j = i - mask.i0, j - mask.j0
    return 0 <= i < mask.flags.shape[0] and 0 <= j < mask.flags.shape[1] and bool(mask.flags[i, j])


def _slot(turned: Turned, i: int, j: int) -> Slot:
    x, y = turned.at(i, j)
    return Slot(turned.die.name, Pose(round(x, 9), round(y, 9), turned.deg))


def _use(paper: str, pull: _PiecePull, piece: Piece) -> PartUse:
    kind = pull.lying.kind
    pose = piece.lying(kind.deg, kind.shift, pull.at)
    return PartUse(piece.scrap.id, piece.outline, pose, pull.slots, paper, whole=piece.whole)
