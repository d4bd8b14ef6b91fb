"""Least length in a region of any form with one free side: all pieces as near to the other side as can be.

What lies beyond the farthest piece stays whole. A first layout comes from filling what is on the near side of a
line (:mod:`nestcut.placement.fill.fill`); then by turns the pieces are pulled to the near side by linear programmes (:mod:`nestcut.placement.engine.spread`)
and squeezed behind a line a little nearer (:mod:`nestcut.placement.engine.fits`), until the time is over.

Source: strips that are shortened step by step, overlaps mended each time (Imamichi, Yagiura and Nagamochi 2009);
here the strip's sides are the region's outline.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from nestcut import _stopwatch
from nestcut.arithmetic import buffered, dot, length_of
from nestcut.placement.bounds.bounds import inner_area, outer_area
from nestcut.placement.engine.fits import fits_together
from nestcut.placement.engine.spread import pull
from nestcut.placement.fill.fill import fill_region, room_in
from nestcut.placement.shapes.layout import lies_well
from nestcut.placement.shapes.types import Part, Placed, StopCheck

__all__ = ["Reach", "least_reach"]

_DENSITIES = (0.85, 0.75, 0.65, 0.55, 0.4)
"""How full the first layouts may have to be, of the paper behind the line."""
_FIRST_SHARE, _ALL_SHARE = 0.08, 0.3
_FIRST_MOVES, _TRY_MOVES = 60, 96
_LEAST_STEP = 1e-3
"""Shares of the reach: below, a step is not worth trying."""


@dataclass(frozen=True, slots=True)
class Reach:
    """All pieces in a region, none farther along the direction than ``reach_mm``.

    Lengths are measured along the direction from the region's nearest point, mm.
    """

    placed: tuple[Placed, ...]
    reach_mm: float
    bound_mm: float
    """No layout of these pieces reaches less far."""


def least_reach(
    parts: Sequence[Part],
    region: Polygon,
    direction: tuple[float, float],
    *,
    gap_mm: float,
    edge_mm: float = 0.0,
    seconds: float = 10.0,
    seed: int = 0,
    moves_limit: int | None = None,
    on_layout: Callable[[Reach], None] | None = None,
    stop: StopCheck | None = None,
) -> Reach | None:
    """Lay ``least`` of each part in a region so that they reach least far in a direction.

    Args:
        region: outline of any form, holes allowed, mm.
        direction: towards the free side, as (x, y), of any length but 0.
        gap_mm: least distance between two parts; edge_mm: of a part from the region's outline and holes.
        seconds: time limit; moves_limit: instead of it, so that the answer is the same on every machine.
        on_layout: told of every better layout.
    Returns: exactly checked poses, or None when no place was found for all of them.
    """
    far = length_of(*direction)
    if not far > 0:
        raise ValueError("direction must not be (0, 0)")
    search = _ReachSearch(parts, region, (direction[0] / far, direction[1] / far), gap_mm, edge_mm)
    search.on_layout, search.stop, search.seed = on_layout, stop, seed
    search.begin, search.seconds, search.moves_left = _stopwatch.seconds(), seconds, moves_limit
    if not search.wanted:
        return Reach((), 0.0, 0.0)
    if search.first():
        search.shorten()
    return search.best


class _ReachSearch:
    on_layout: Callable[[Reach], None] | None
    stop: StopCheck | None
    begin: float
    seconds: float
    moves_left: int | None
    seed: int

    def __init__(
        self,
        parts: Sequence[Part],
        region: Polygon,
        towards: tuple[float, float],
        gap_mm: float,
        edge_mm: float,
    ) -> None:
        self.numbers = [k for k, part in enumerate(parts) if part.least > 0]
        self.wanted = [parts[k] for k in self.numbers]
        self.gap_mm, self.towards = gap_mm, np.array(towards)
        self.room = room_in(region, edge_mm)
        reach = dot(shapely.get_coordinates(region), *self.towards)
        self.zero, self.length = float(reach.min()), float(reach.max() - reach.min())
        self.needed = sum(part.least * inner_area(part.shape, gap_mm / 2) for part in self.wanted)
        # from outside: the edge as chords takes away less than the true one
        self.outer = buffered(region, -edge_mm) if edge_mm > 0 else region
        self.best: Reach | None = None
        self.layout: tuple[Placed, ...] = ()
        self.bound = self._least()

    def behind(self, reach_mm: float, room: Polygon | MultiPolygon) -> Polygon | MultiPolygon:
        """What of a room lies no farther than this."""
        d, n = self.towards, np.array([-self.towards[1], self.towards[0]])
        x0, y0, x1, y1 = room.bounds
        wide = 2 * (length_of(x1 - x0, y1 - y0) + abs(x0) + abs(y0) + abs(x1) + abs(y1)) + 1.0
        line = (self.zero + reach_mm) * d
        half = Polygon(
            [line + wide * n, line - wide * n, line - wide * n - wide * d, line + wide * n - wide * d]
        )
        cut = room.intersection(half)
        pieces = [g for g in shapely.get_parts(cut) if isinstance(g, Polygon) and not g.is_empty]
        return pieces[0] if len(pieces) == 1 else MultiPolygon(pieces)

    def _least(self) -> float:
        """A reach that no layout can fall short of, by area: pieces and half their gaps lie behind the line."""
        low, high = 0.0, self.length
        for _ in range(40):
            middle = (low + high) / 2
            behind = self.behind(middle, self.outer)
            if outer_area(behind, self.gap_mm / 2) * (1 + 1e-9) < self.needed:
                low = middle
            else:
                high = middle
        return low

    def reach_of(self, placed: Sequence[Placed]) -> float:
        """How far these pieces reach, mm."""
        points = [shapely.get_coordinates(one.pose.apply(self.wanted[one.part].shape)) for one in placed]
        return float(dot(np.concatenate(points), *self.towards).max()) - self.zero

    def over(self) -> bool:
        """Time, moves or request."""
        if self.stop is not None and self.stop():
            return True
        if self.moves_left is not None:
            return self.moves_left <= 0
        return _stopwatch.seconds() - self.begin >= self.seconds

    def left(self) -> float:
        """Seconds left."""
        return max(0.0, self.seconds - (_stopwatch.seconds() - self.begin))

    def offer(self, placed: tuple[Placed, ...]) -> None:
        """Take over a layout if it is exact and reaches less far."""
        reach = self.reach_of(placed)
        if self.best is not None and reach >= self.best.reach_mm - 1e-9:
            return
        if not lies_well(self.wanted, placed, self.room, gap_mm=self.gap_mm):
            return
        self.layout = placed
        named = tuple(Placed(self.numbers[one.part], one.pose) for one in placed)
        self.best = Reach(named, reach, min(self.bound, reach))
        if self.on_layout is not None:
            self.on_layout(self.best)

    def first(self) -> bool:
        """All pieces anywhere, as near as a few fillings find them."""
        parts = [replace(part, most=part.least, least=0, value=part.shape.area) for part in self.wanted]
        count = sum(part.least for part in self.wanted)
        tried = 0.0
        for share, density in [(_FIRST_SHARE, d) for d in _DENSITIES] + [(_ALL_SHARE, 0.0)]:
            line = self._line_for(self.needed / density) if density > 0 else self.length
            if line <= tried + 1e-6 and density > 0:
                continue
            tried = line
            room = self.behind(line, self.room)
            if room.is_empty:
                continue
            moves = None if self.moves_left is None else _FIRST_MOVES * (1 if density > 0 else 4)
            filling = fill_region(
                room, parts, web_mm=self.gap_mm, edge_mm=0.0, seconds=share * self.seconds, seed=self.seed,  # type: ignore[arg-type]
                moves_limit=moves, stop=self.stop,
            )  # fmt: skip
            if self.moves_left is not None:
                self.moves_left -= _FIRST_MOVES
            if len(filling.placed) == count:
                self.offer(filling.placed)
                return self.best is not None
            if self.stop is not None and self.stop():
                return False
        return False

    def _line_for(self, area_mm2: float) -> float:
        """The reach with so much room behind it."""
        low, high = 0.0, self.length
        for _ in range(30):
            middle = (low + high) / 2
            low, high = (middle, high) if self.behind(middle, self.room).area < area_mm2 else (low, middle)
        return high

    def shorten(self) -> None:
        """By turns pulled tight and squeezed behind a nearer line."""
        step = 0.05
        while not self.over() and self.best is not None and self.best.reach_mm > self.bound + 1e-6:
            back = (-float(self.towards[0]), -float(self.towards[1]))
            self.offer(
                pull(
                    self.wanted,
                    self.layout,
                    self.room,
                    back,
                    keep_gap_mm=self.gap_mm,
                    rounds=40,
                    stop=self.over,
                )  # type: ignore[arg-type]
            )
            line = self.best.reach_mm * (1 - step)
            found = None
            if line > self.bound and not self.over():
                found = self._squeezed(line)
            if found is not None:
                self.offer(found)
                step = min(0.1, 1.3 * step)
            else:
                step *= 0.5
                if step < _LEAST_STEP:
                    step = 0.02
            self.seed += 1

    def _squeezed(self, line: float) -> tuple[Placed, ...] | None:
        """All pieces behind a line, from the layout in hand."""
        moves = None if self.moves_left is None else min(_TRY_MOVES, self.moves_left)
        slice_s = min(self.left(), max(0.4, 0.08 * self.seconds))
        # in the order of their kinds, as the search wants them
        found = fits_together(
            self.wanted, self.behind(line, self.room), gap_mm=self.gap_mm, seconds=slice_s,  # type: ignore[arg-type]
            moves_limit=moves, seed=self.seed, start=self.layout, stop=self.stop,
        )  # fmt: skip
        if self.moves_left is not None:
            self.moves_left -= _TRY_MOVES
        return found
