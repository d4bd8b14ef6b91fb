"""Passes that cut nests: lay-ups made for the scraps, not scraps cut for the lay-ups.

A nest says where the cuts of a scrap lie; a pass can make those whose dies are at hand, whose rims keep the gap and
lie in the window when the scrap lies somewhere on the plate, square and on whole millimetres. Scraps may hang out at
the ends, so one that is as large as the plate leaves room for others where only its ends are wanted. Equal scraps
with the same nest take turns under one lay-up.

Greedy, lay-up by lay-up: the scrap, place and cuts that use most of the dies that are urgent and leave most of the
plate, then the next scrap beside it. A die is urgent when what it has left to cut is most of what the busiest has left.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from shapely.affinity import translate

from nestcut.batch.model import Batch, Pose, Shape
from nestcut.passes.common.budget import ENDLESS, Budget
from nestcut.passes.common.plate_rules import in_window_at, keeps_gap, places_of
from nestcut.passes.common.schedule import urgency
from nestcut.passes.common.slits import Piece
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft, RunDraft, bare_run
from nestcut.passes.makers.nests.nest_kernels import allowed_at, gains
from nestcut.passes.makers.nests.nests import Nest
from nestcut.plans.model import Slot

__all__ = ["in_nests"]

STEP_MM = 8
"""Places along the feed that are looked at; the first and the last as well."""
ACROSS = 4
"""Places across."""
FINE = 4
"""So many times as many, each way, for what rides along."""
LEAVE = 0.5
"""What a free plate is worth, as a share of the dies that could still use it."""
APART_MM = 1e-4
"""Rims lie so much further apart than the gap: poses are rounded afterwards."""


@dataclass(slots=True)
class _Side:
    """A nest at one quarter turn: where it can lie, and which cuts the window then allows."""

    deg: float
    shift: tuple[float, float]
    """From the turned outline to one whose box begins at (0, 0)."""
    size: tuple[float, float]
    places: NDArray[np.int64]
    """(places, 2): the box's corner on the plate, whole mm."""
    able: NDArray[np.bool_]
    """(places, cuts): the cut's rim lies in the window."""
    free: NDArray[np.float64]
    """(places,): share of the plate that the scrap leaves free."""
    rims: list[Shape]
    """Turned, in the frame whose box begins at (0, 0)."""
    boxes: NDArray[np.float64]
    """(cuts, 4): their boxes."""


@dataclass(slots=True)
class _NestWork:
    """Pieces of a nest with the cuts they have yet to get."""

    nest: Nest
    pieces: tuple[Piece, ...]
    left: NDArray[np.int64]
    """For each cut: how many of the pieces still get it."""
    sides: list[_Side]
    kind: NDArray[np.int64]
    """The die of each cut."""
    along: bool = False
    """Chips that ride along: they need not be cut here."""
    begun: int = 0
    """Pieces that have been used."""


@dataclass(slots=True)
class _Tile:
    """A scrap in a lay-up."""

    work: _NestWork
    side: _Side
    at: tuple[int, int]
    cuts: list[int]
    slots: list[int] = field(default_factory=list)

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Of the scrap on the plate, mm."""
        return (*self.at, self.at[0] + self.side.size[0], self.at[1] + self.side.size[1])


def in_nests(batch: Batch, nests: Sequence[Nest], budget: Budget = ENDLESS) -> PaperedPasses:
    """Lay-ups and passes for all cuts of the nests; what no place on the plate allows is missing.

    Args:
        budget: asked once a lay-up; once it is over, the rest is missing.
    """
    return in_nests_along(batch, nests, (), budget)[0]


def in_nests_along(
    batch: Batch, nests: Sequence[Nest], along: Sequence[Nest], budget: Budget = ENDLESS
) -> tuple[PaperedPasses, list[int]]:
    """The same, with chips that ride along where dies and room are left.

    Args:
        along: chips as nests of one cut each, all pieces alike.
    Returns: the passes, and for each of ``along`` how many of its pieces, from the first, are cut in them.
    """
    dies = [die.name for die in batch.dies]
    works = [_work(batch, nest, dies) for nest in nests]
    chips = [_work(batch, nest, dies, along=True) for nest in along]
    runs: list[RunDraft] = []
    passes: list[PassDraft] = []
    while not budget.over() and any(work.left.any() for work in works):
        tiles = _layup(batch, dies, works, chips)
        if not tiles:
            break
        slots = [slot for tile in tiles for slot in _slots(batch, tile)]
        number = 0
        for tile in tiles:
            tile.slots = list(range(number, number + len(tile.cuts)))
            number += len(tile.cuts)
        length = max(int(tile.work.left[tile.cuts].max()) for tile in tiles if not tile.work.along)
        run = len(runs)
        for turn in range(length):
            uses = []
            for tile in tiles:
                down = [s for s, c in zip(tile.slots, tile.cuts, strict=True) if turn < tile.work.left[c]]
                if down:
                    uses.append(_use(tile, tile.work.pieces[tile.work.begun + turn], down))
            passes.append(PassDraft(run, uses))
        runs.append(bare_run(batch, slots, length))
        for tile in tiles:
            if tile.work.along:
                done = min(length, int(tile.work.left[0]))
                tile.work.begun += done
                tile.work.left -= done
            else:
                tile.work.left[tile.cuts] = 0
    missing: Counter[tuple[str, str]] = Counter()
    for work in works:
        for cut, count in zip(work.nest.cuts, work.left, strict=True):
            missing[cut.die, work.nest.paper] += int(count)
    return PaperedPasses(runs, passes, +missing), [chip.begun for chip in chips]


def _work(batch: Batch, nest: Nest, dies: Sequence[str], *, along: bool = False) -> _NestWork:
    kind = np.array([dies.index(cut.die) for cut in nest.cuts], np.int64)
    rims = [cut.pose.apply(batch.die(cut.die).rim) for cut in nest.cuts]
    sides = [s for deg in (0.0, 90.0) if (s := _side(batch, nest, rims, deg, fine=along)) is not None]
    left = np.array([cut.times for cut in nest.cuts], np.int64)
    return _NestWork(nest, nest.pieces, left, sides, kind, along)


def _side(batch: Batch, nest: Nest, rims: Sequence[Shape], deg: float, *, fine: bool) -> _Side | None:
    turn = Pose(0.0, 0.0, deg)
    x0, y0, x1, y1 = turn.apply(nest.outline).bounds
    w, h = x1 - x0, y1 - y0
    lying = places_of(batch.machine, (w, h))
    if lying is None:
        return None
    across, first, last = lying
    many, step = (FINE * ACROSS, STEP_MM // FINE) if fine else (ACROSS, STEP_MM)
    xs = sorted({round(across * k / (many - 1)) for k in range(many)})
    ys = sorted({*range(first, last + 1, step), last})
    places = np.array([(x, y) for y in ys for x in xs], np.int64)
    moved = [translate(turn.apply(rim), -x0, -y0) for rim in rims]
    boxes = np.array([rim.bounds for rim in moved])
    able = in_window_at(batch.machine, boxes, places)
    useful = able.any(axis=1)
    if not useful.any():
        return None
    places, able = places[useful], able[useful]
    return _Side(
        deg,
        (-x0, -y0),
        (w, h),
        places,
        np.ascontiguousarray(able),
        _free(batch, places, (w, h)),
        moved,
        boxes,
    )


def _weights(batch: Batch, dies: Sequence[str], works: Sequence[_NestWork]) -> NDArray[np.float64]:
    totals = np.zeros(len(dies))
    for work in works:
        totals += np.bincount(work.kind, work.left, len(dies))
    totals /= np.array([batch.die(name).copies for name in dies])
    busiest = totals.max(initial=0.0)
    if busiest <= 0:
        return np.zeros(len(dies))
    return np.where(totals > 0, urgency(totals, busiest), 0.0)


def _layup(
    batch: Batch, dies: Sequence[str], works: Sequence[_NestWork], chips: Sequence[_NestWork]
) -> list[_Tile]:
    """The scraps of one lay-up and the cuts that each gets there."""
    weights = _weights(batch, dies, [*works, *chips])
    copies = np.array([batch.die(name).copies for name in dies], np.int64)
    tiles: list[_Tile] = []
    rims: list[Shape] = []
    passes = 0
    barred: set[int] = set()
    # Nests first, as many as go; then what may ride along.
    pool = works
    while copies.any():
        best: tuple[float, int, _Side, int] | None = None
        lying = _boxes([rim.bounds for rim in rims])
        papers = _boxes([tile.box for tile in tiles])
        for number, work in enumerate(pool):
            if number in barred or not work.left.any():
                continue
            share = min(1.0, work.left.max() / passes) if passes else 1.0
            wanted = np.bincount(work.kind[work.left > 0], minlength=len(dies))
            most = float((np.minimum(wanted, copies) * weights).sum()) * share
            if best is not None and most + LEAVE <= best[0]:
                continue
            for side in work.sides:
                gain = np.empty(len(side.places))
                gains(
                    side.places, side.able, side.boxes, side.size, work.left, work.kind,
                    copies, weights, lying, papers, gain,
                )  # fmt: skip
                gain *= share
                if gain.max(initial=0.0) <= 0:
                    continue
                rest = 1.0 - gain / max(1e-9, float((copies * weights).sum()))
                score = gain + LEAVE * rest * side.free * (gain > 0)
                place = int(score.argmax())
                if best is None or score[place] > best[0] + 1e-6:
                    best = (float(score[place]), number, side, place)
        if best is None:
            if pool is chips or not tiles:
                break
            pool, barred = chips, set()
            continue
        _, number, side, place = best
        work = pool[number]
        barred.add(number)
        allowed = np.empty(len(work.left), bool)
        x, y = side.places[place]
        allowed_at(x, y, side.able[place], side.boxes, papers, allowed)
        chosen = _chosen(batch, work, side, place, allowed, copies, weights, rims)
        if not chosen:
            continue
        at = (int(side.places[place, 0]), int(side.places[place, 1]))
        for cut in chosen:
            copies[work.kind[cut]] -= 1
            rims.append(translate(side.rims[cut], *at))
        tiles.append(_Tile(work, side, at, chosen))
        if not work.along:
            passes = max(passes, int(work.left[chosen].max()))
    return tiles


def _boxes(bounds: Sequence[tuple[float, ...]]) -> NDArray[np.float64]:
    return np.array(bounds, float).reshape(-1, 4)


def _free(batch: Batch, places: NDArray[np.int64], size: tuple[float, float]) -> NDArray[np.float64]:
    """Share of the plate that a scrap in each place leaves free."""
    width, length = batch.machine.plate_mm
    covered = np.minimum(length, places[:, 1] + size[1]) - np.maximum(0, places[:, 1])
    return 1.0 - np.maximum(0.0, covered) * size[0] / (width * length)


def _chosen(
    batch: Batch,
    work: _NestWork,
    side: _Side,
    place: int,
    allowed: NDArray[np.bool_],
    copies: NDArray[np.int64],
    weights: NDArray[np.float64],
    rims: Sequence[Shape],
) -> list[int]:
    """Cuts of the scrap that one pass can make there: dies at hand, rims that keep the gap; urgent dies first."""
    x, y = (int(v) for v in side.places[place])
    gap = batch.hand.gap_mm
    able = [c for c in range(len(work.left)) if work.left[c] > 0 and allowed[c]]
    kind = work.kind
    end = 1 if y + side.size[1] / 2 < batch.machine.plate_mm[1] / 2 else -1
    able.sort(key=lambda c: (-weights[kind[c]], -work.left[c], end * side.rims[c].bounds[1], c))
    lying: list[Shape] = list(rims)
    left = copies.copy()
    chosen = []
    for cut in able:
        if left[kind[cut]] <= 0:
            continue
        rim = translate(side.rims[cut], x, y)
        if not keeps_gap(rim, lying, gap, play_mm=-APART_MM):
            continue
        left[kind[cut]] -= 1
        lying.append(rim)
        chosen.append(cut)
    return chosen


def _slots(batch: Batch, tile: _Tile) -> list[Slot]:
    """Where the dies of a scrap's cuts lie on the plate."""
    turn = Pose(0.0, 0.0, tile.side.deg)
    slots = []
    for number in tile.cuts:
        cut = tile.work.nest.cuts[number]
        a, b, d, e, _, _ = turn.matrix()
        x, y = cut.pose.x_mm, cut.pose.y_mm
        slots.append(
            Slot(
                cut.die,
                Pose(
                    a * x + b * y + tile.side.shift[0] + tile.at[0],
                    d * x + e * y + tile.side.shift[1] + tile.at[1],
                    (cut.pose.deg + tile.side.deg) % 360.0,
                ),
            )
        )
    return slots


def _use(tile: _Tile, piece: Piece, slots: Sequence[int]) -> PartUse:
    pose = piece.lying(tile.side.deg, tile.side.shift, tile.at)
    return PartUse(piece.scrap.id, piece.outline, pose, tuple(slots), tile.work.nest.paper, whole=piece.whole)
