"""Witnesses: exactly checked layouts of a set of dies in the plate's window."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from shapely.geometry import Polygon

from nestcut.passes.common.plate_rules import lay_up_holds
from nestcut.passes.plate.footprints import DieFootprint
from nestcut.passes.plate.master import Counts
from nestcut.passes.plate.patterns import Layout

__all__ = ["Packer", "lies_apart"]


def lies_apart(dies: Sequence[DieFootprint], layout: Layout, window: Polygon, gap_mm: float) -> bool:
    """The exact check: every footprint lies in the window and is a gap away from every other."""
    return lay_up_holds(window, gap_mm, [pose.apply(dies[die].shape) for die, pose in layout])


class Packer:
    """Tries to lay sets of dies on the plate; counts its work so that a run can be repeated.

    Efforts 0, 1, 2, … are longer and longer searches of the placement room.
    """

    def __init__(
        self,
        dies: Sequence[DieFootprint],
        window: Polygon,
        gap_mm: float,
        *,
        seed: int = 0,
        stop: Callable[[], bool] | None = None,
    ) -> None:
        self.dies = tuple(dies)
        self.window = window
        self.gap_mm = gap_mm
        self.seed = seed
        self.work = 0
        self.stop = stop

    def try_set(self, counts: Counts, effort: int, *, start: Layout | None = None) -> Layout | None:
        """A checked layout of exactly this set, or None (which proves nothing)."""
        order = [die for die, count in enumerate(counts) for _ in range(count)]
        if not order:
            return ()
        self.work += 1
        layout = self._search(order, effort, start)
        if layout is not None and not lies_apart(self.dies, layout, self.window, self.gap_mm):
            return None
        return layout

    def _search(self, order: Sequence[int], effort: int, start: Layout | None) -> Layout | None:
        from nestcut.placement import fits_together
        from nestcut.placement.shapes.types import Part, Placed

        parts = [Part(self.dies[die].name, self.dies[die].shape, turns=self.dies[die].turns) for die in order]
        begin = None
        if start is not None:
            left: dict[int, list[int]] = {}
            for index, die in enumerate(order):
                left.setdefault(die, []).append(index)
            begin = tuple(Placed(left[die].pop(0), pose) for die, pose in start if left.get(die))
        placed = fits_together(
            parts,
            self.window,
            gap_mm=self.gap_mm,
            moves_limit=MOVES[min(effort, len(MOVES) - 1)],
            seed=self.seed * 1000 + self.work,
            start=begin,
            stop=self.stop,
        )
        if placed is None:
            return None
        return tuple((order[item.part], item.pose) for item in placed)

    def spread(self, layout: Layout, *, rounds: int = 30, stop: Callable[[], bool] | None = None) -> Layout:
        """The same dies with the smallest gap, also to the window's edge, made large: room for hands and papers."""
        from nestcut.placement.engine.spread import spread  # the door of this name may be the module
        from nestcut.placement.shapes.types import Part, Placed

        if not layout:
            return layout
        parts = [
            Part(self.dies[die].name, self.dies[die].shape, turns=self.dies[die].turns) for die, _ in layout
        ]
        placed = [Placed(index, pose) for index, (_, pose) in enumerate(layout)]
        apart = spread(parts, placed, self.window, keep_gap_mm=self.gap_mm, rounds=rounds, stop=stop)
        poses = {item.part: item.pose for item in apart}
        moved = tuple((die, poses[index]) for index, (die, _) in enumerate(layout))
        return moved if lies_apart(self.dies, moved, self.window, self.gap_mm) else layout


MOVES = (8, 40, 200, 1_000, 5_000)
"""Moves of the placement search for efforts 0, 1, 2, …"""
