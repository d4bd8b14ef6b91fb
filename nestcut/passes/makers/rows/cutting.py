"""One colour cut in a field: lay-ups of its dies, and the scraps that are pulled on under each of them.

A lay-up is made over a scrap, one die after the other, each as near to the scrap's beginning as rims, webs and the edge allow. It stays
while scraps are pulled on and turned under it, each time to the place where most of its dies cut; a scrap that lies there is rather
pulled on than exchanged. When few of the dies still cut, the next lay-up is made over what the scraps have left.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from shapely.affinity import translate

from nestcut.batch.model import Batch, Die
from nestcut.passes.common.plate_rules import chip_angle, lay_up_holds
from nestcut.passes.common.slits import Piece
from nestcut.passes.common.turns import turns_on
from nestcut.passes.makers.one_paper.one_paper_grid import Mask, Turned, switch_off
from nestcut.passes.makers.rows.sheets import Papers, Sheet

__all__ = ["ColourCutter", "Habit", "PlacedJob", "RowLayup", "RowPull"]

MOST_TRIED = 6
"""Scraps over which a new lay-up is made, to choose from."""
A_CUT = 12
"""What the worth of a cut counts, against the handling of the paper below."""
TURNED, SLIT = 2, 6
"""A piece that is turned, and a fresh one that a scrap must be slit for."""

PlacedJob = tuple[Turned, int, int]


@dataclass(frozen=True, slots=True)
class Habit:
    """How a colour is cut. Which habit is best depends on dies and scraps: several are tried."""

    busy: float = 0.75
    """Dies with so much left of what the busiest has left are cut first."""
    enough: float = 0.5
    """Share of a lay-up's dies that cut in a pass, from which no other lay-up is thought of."""
    laid: int = 9
    """What a piece counts that did not lie under the lay-up before."""
    slit: int = 0
    """Which of the ways to slit scraps that are too wide, the one that loses least first."""
    straight: bool = False
    """Dies lie with their own upright, not in the turn in which their cut takes the smallest box."""
    most_dies: int = 99
    """Dies of a lay-up."""
    shuffle: int = 0
    """0: large dies and scraps that have been cut come first. Otherwise the order is chosen by chance, by this number."""


@dataclass(frozen=True, slots=True)
class RowPull:
    """A piece at a place under a lay-up."""

    piece: Piece
    deg: float
    shift: tuple[float, float]
    """From the turned piece, its corner in the turning point, to one whose box begins at (0, 0), mm."""
    size: tuple[float, float]
    """Of its box as it lies, mm."""
    at: tuple[int, int]
    slots: tuple[int, ...]


@dataclass(slots=True, eq=False)
class RowLayup:
    """A lay-up of one colour and all pulls under it."""

    paper: str
    slots: tuple[PlacedJob, ...]
    pulls: list[RowPull] = field(default_factory=list)
    known: dict[tuple[Sheet, int, int, tuple[int, ...]], tuple[int, int, int]] = field(default_factory=dict)
    seen: set[int] = field(default_factory=set)
    """Pieces (by id) that lay under it."""


@dataclass(frozen=True, slots=True)
class _Found:
    value: int
    score: int
    block: RowLayup
    sheet: Sheet
    pieces: list[Piece]
    number: int
    at: tuple[int, int]


class ColourCutter:
    """The scraps of one paper under lay-up after lay-up."""

    def __init__(
        self, batch: Batch, papers: Papers, paper: str, habit: Habit, over: Callable[[], bool]
    ) -> None:
        """``batch`` as if the field were all of the plate."""
        self.batch, self.papers, self.paper, self.habit, self.over = batch, papers, paper, habit, over
        chance = random.Random(habit.shuffle)
        self._size = {
            die.name: die.rim.area * (chance.uniform(0.4, 1.6) if habit.shuffle else 1.0)
            for die in batch.dies
        }
        self._chance = chance
        self._windows: dict[Turned, tuple[int, int, int, int]] = {}
        self._fresh = [
            (papers.sheet(paper, outline, batch.machine), list(own))
            for outline, own in papers.pieces(batch, paper, habit.slit)
        ]
        self._table: dict[Sheet, list[Piece]] = {}
        self.blocks: list[RowLayup] = []
        self.made: Counter[str] = Counter()
        self._turns: dict[str, list[Turned]] = {}
        self._tried: tuple[tuple[str, ...], int] | None = None

    def cut(self, wanted: Mapping[str, int]) -> None:
        """Cut as much of this as the scraps give: die → cuts."""
        want = Counter({die: n for die, n in wanted.items() if n > 0})
        while +want and not self.over():
            found = self._next(want)
            if found is None:
                break
            self._do(found, want)

    def _all(self) -> list[tuple[Sheet, list[Piece]]]:
        """Pieces that have been cut first."""
        return [(sheet, own) for sheet, own in [*self._table.items(), *self._fresh] if own and sheet.views]

    def _next(self, want: Counter[str]) -> _Found | None:
        ranks = _ranks(self.batch, want, self.habit.busy)
        best: _Found | None = None
        for block in reversed(self.blocks):
            best = self._best_pull(block, want, ranks, best)
        if best is not None:
            down = sum(min(n, self.batch.die(die).copies) for die, n in want.items() if n > 0)
            cuts = self._slots(best, want)
            key = (tuple(sorted(+want)), len(cuts))
            if len(cuts) >= self.habit.enough * min(down, len(best.block.slots)) or self._tried == key:
                return best
            self._tried = key
        fresh = self._new_layup(want, ranks)
        if fresh is None or (best is not None and fresh.value <= best.value):
            return best
        self.blocks.append(fresh.block)
        self._tried = None
        return fresh

    def _worths(self, block: RowLayup, want: Mapping[str, int], ranks: Mapping[str, int]) -> tuple[int, ...]:
        left = Counter(want)
        worth = []
        for turned, _, _ in block.slots:
            worth.append(ranks.get(turned.die.name, 0) if left[turned.die.name] > 0 else 0)
            left[turned.die.name] -= 1
        return tuple(worth)

    def _slots(self, found: _Found, want: Mapping[str, int]) -> tuple[int, ...]:
        worths = self._worths(found.block, want, dict.fromkeys(want, 1))
        sx, sy = found.at
        return tuple(
            k
            for k, (turned, pi, pj) in enumerate(found.block.slots)
            if worths[k] and _free(found.sheet.mask(found.number, turned), pi - sx, pj - sy)
        )

    def _best_pull(
        self, block: RowLayup, want: Mapping[str, int], ranks: Mapping[str, int], best: _Found | None
    ) -> _Found | None:
        """The best scrap under a lay-up and its place, or ``best`` where none is better."""
        worths = self._worths(block, want, ranks)
        most = A_CUT * sum(worths)
        last = block.pulls[-1] if block.pulls else None
        for sheet, pieces in self._all():
            if best is not None and most <= best.score:
                return best
            for number, view in enumerate(sheet.views):
                if sheet.fresh and number >= 2 and _alike(view, sheet.views[number - 2]):
                    continue
                key = (sheet, number, sheet.refused, worths)
                if key not in block.known:
                    block.known[key] = _best_place(block, sheet, number, worths)
                value, sx, sy = block.known[key]
                if value == 0:
                    continue
                piece = pieces[0]
                score = A_CUT * value
                if id(piece) not in block.seen:
                    score -= self.habit.laid + (SLIT if sheet.fresh and not piece.whole else 0)
                elif last is not None and (last.piece is not piece or last.deg != view.deg):
                    score -= TURNED
                if best is None or score > best.score:
                    best = _Found(value, score, block, sheet, pieces, number, (sx, sy))
        return best

    def _do(self, found: _Found, want: Counter[str]) -> None:
        """Make the pull: cuts that hold are counted, others are left out."""
        sx, sy = found.at
        block, view = found.block, found.sheet.views[found.number]
        slots = self._slots(found, want)
        cuts = [(t, i - sx, j - sy) for t, i, j in (block.slots[k] for k in slots)]
        # Cuts of one pass keep the web among themselves, too: the lay-up was made so for its own scrap only.
        after = found.sheet.after(found.number, cuts)
        if after is found.sheet:
            return
        done = len(after.made)
        kept = _kept(after, view, cuts)
        assert len(kept) == done
        piece = found.pieces.pop(0)
        if not found.pieces:
            self._table.pop(found.sheet, None)
        self._table.setdefault(after, []).append(piece)
        down = tuple(slots[k] for k in kept)
        size = (view.outline.bounds[2], view.outline.bounds[3])
        block.pulls.append(RowPull(piece, view.deg, view.shift, size, (sx, sy), down))
        block.seen.add(id(piece))
        for k in down:
            name = block.slots[k][0].die.name
            want[name] -= 1
            self.made[name] += 1

    def _new_layup(self, want: Counter[str], ranks: Mapping[str, int]) -> _Found | None:
        """The best of a few lay-ups, each made over another scrap."""
        offers = []
        for order, (sheet, pieces) in enumerate(self._all()):
            for number, view in enumerate(sheet.views):
                if sheet.fresh and number >= 2 and _alike(view, sheet.views[number - 2]):
                    continue
                most = sum(
                    ranks[die] * min(n, self.batch.die(die).copies)
                    for die, n in (+want).items()
                    if any(sheet.mask(number, turned) for turned in self._turned(self.batch.die(die)))
                )
                if most:
                    offers.append(
                        (-most, self._chance.random() if self.habit.shuffle else order, number, sheet, pieces)
                    )
        best: _Found | None = None
        for tried, (less, _, number, sheet, pieces) in enumerate(sorted(offers, key=lambda one: one[:3])):
            if best is not None and (-less <= best.value or tried >= MOST_TRIED):
                break
            made = self._made_over(sheet, number, pieces, want, ranks)
            if made is not None and (best is None or made.value > best.value):
                best = made
        return best

    def _made_over(
        self,
        sheet: Sheet,
        number: int,
        pieces: list[Piece],
        want: Counter[str],
        ranks: Mapping[str, int],
    ) -> _Found | None:
        """A lay-up over this scrap: busy dies first, large ones first, each as near to the scrap's beginning as it can lie."""
        dies = [
            die
            for die in sorted(
                self.batch.dies, key=lambda die: (-ranks.get(die.name, 0), -self._size[die.name], die.name)
            )
            for _ in range(min(die.copies, max(0, want[die.name])))
        ]
        view = sheet.views[number]
        slots: list[PlacedJob] = []
        at: tuple[int, int] | None = None
        for die in dies:
            if len(slots) >= self.habit.most_dies:
                break
            best: tuple[tuple[float, float], PlacedJob] | None = None
            for turned in self._turned(die):
                free = self._room_for(sheet, number, turned, slots, at)
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
                window, (x_first, x_last, y_first, y_last) = self._window(turned), view.reach
                middle = (x_first + x_last) // 2
                at = (
                    min(max(middle, x_first, window[0] - i), x_last, window[1] - i),
                    min(max(y_first, window[2] - j), y_last, window[3] - j),
                )
            slots.append(best[1])
        if at is None:
            return None
        sx, sy = at
        sy += self._slide(sheet, number, slots, sy)
        placed = tuple((turned, i + sx, j + sy) for turned, i, j in slots)
        rims = [translate(turned.rim, *turned.at(i, j)) for turned, i, j in placed]
        while not lay_up_holds(self.batch.machine.window, self.batch.hand.gap_mm, rims):
            # Masks are on the safe side; should one not be, the last die goes.
            rims.pop()
            placed = placed[:-1]
        if not placed:
            return None
        value = sum(ranks[turned.die.name] for turned, _, _ in placed)
        return _Found(value, A_CUT * value, RowLayup(self.paper, placed), sheet, pieces, number, (sx, sy))

    def _slide(self, sheet: Sheet, number: int, slots: Sequence[PlacedJob], sy: int) -> int:
        """How far lay-up and scrap move along together, so that the scrap can be pulled on to its end under the lay-up."""
        view = sheet.views[number]
        _, _, y_first, y_last = view.reach
        bottom = max(turned.at(i, j)[1] + turned.hole.bounds[3] for turned, i, j in slots)
        want = int(view.outline.bounds[3] - bottom) - (sy - y_first)
        room = min(self._window(turned)[3] - (j + sy) for turned, _, j in slots)
        return max(0, min(want, room, y_last - sy))

    def _room_for(
        self,
        sheet: Sheet,
        number: int,
        turned: Turned,
        slots: Sequence[PlacedJob],
        at: tuple[int, int] | None,
    ) -> Mask | None:
        """Where a die may lie in the scrap beside those of the lay-up; None where nowhere."""
        mask = sheet.mask(number, turned)
        if mask is None:
            return None
        i_first, i_last, j_first, j_last = self._window(turned)
        reach = sheet.views[number].reach
        x_first, x_last, y_first, y_last = reach if at is None else (at[0], at[0], at[1], at[1])
        # The scrap's corner lies at a shift, the die's place in the window less that shift in the scrap.
        i_low, j_low = max(mask.i0, i_first - x_last), max(mask.j0, j_first - y_last)
        i_high = min(mask.i0 + mask.flags.shape[0] - 1, i_last - x_first)
        j_high = min(mask.j0 + mask.flags.shape[1] - 1, j_last - y_first)
        if i_high < i_low or j_high < j_low:
            return None
        flags = mask.flags[i_low - mask.i0 : i_high - mask.i0 + 1, j_low - mask.j0 : j_high - mask.j0 + 1]
        free = Mask(flags.copy(), i_low, j_low)
        for other, i, j in slots:
            for near in self.papers.grid.near(other, turned):
                switch_off(free, near, i, j)
        return free if free.flags.any() else None

    def _window(self, turned: Turned) -> tuple[int, int, int, int]:
        if turned not in self._windows:
            self._windows[turned] = turned.window(self.batch.machine)
        return self._windows[turned]

    def _turned(self, die: Die) -> list[Turned]:
        """The ways a die may lie on the plate over this paper."""
        if die.name not in self._turns:
            turns = turns_on(die, self.batch.paper(self.paper))
            own = 0.0 if self.habit.straight else chip_angle(die.cut)
            bases = [own] if turns == "any" else list(turns)
            found: list[Turned] = []
            for deg in dict.fromkeys((base + quarter) % 360.0 for base in bases for quarter in (0.0, 90.0)):
                turned = self.papers.grid.turned(die, deg)
                if turned is not None:
                    found.append(turned)
            self._turns[die.name] = found
        return self._turns[die.name]


def _ranks(batch: Batch, want: Mapping[str, int], busy: float) -> dict[str, int]:
    """What a cut of each die is worth: twice as much for those that have most left, for each of their copies."""
    left = {die: n / batch.die(die).copies for die, n in want.items() if n > 0}
    busiest = max(left.values(), default=0.0)
    return {die: 2 if n >= busy * busiest else 1 for die, n in left.items()}


def _alike(one, other) -> bool:
    """Half a turn makes no difference to a fresh piece."""
    return (one.deg - other.deg) % 360.0 == 180.0 and bool(one.outline.equals(other.outline))


def _kept(after: Sheet, view, cuts: Sequence[PlacedJob]) -> list[int]:
    """Which of these cuts were made, by their numbers."""
    made = {(cut.die.name, round(cut.pose.x_mm, 5), round(cut.pose.y_mm, 5)) for cut in after.made}
    found = []
    for k, (turned, i, j) in enumerate(cuts):
        x, y = view.back(*turned.at(i, j))
        if (turned.die.name, round(round(x, 9), 5), round(round(y, 9), 5)) in made:
            found.append(k)
    return found


def _best_place(block: RowLayup, sheet: Sheet, number: int, worths: Sequence[int]) -> tuple[int, int, int]:
    """(worth of the dies that cut, the scrap's place across, along): of equal places the one that cuts nearest to the
    scrap's beginning. Worth 0: none."""
    x_first, x_last, y_first, y_last = sheet.views[number].reach
    total = np.zeros((x_last - x_first + 1, y_last - y_first + 1), dtype=np.int32)
    for (turned, pi, pj), worth in zip(block.slots, worths, strict=True):
        mask = sheet.mask(number, turned) if worth else None
        if mask is None:
            continue
        # The scrap at s brings its place p − s under the die at p.
        x0 = pi - mask.i0 - mask.flags.shape[0] + 1 - x_first
        y0 = pj - mask.j0 - mask.flags.shape[1] + 1 - y_first
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
