"""What the filling searches share: the parts as kits, the room, and how a nearly exact layout is made exact."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from nestcut.batch.model import Shape
from nestcut.placement.engine.conflicts import inner_radius
from nestcut.placement.engine.fits import SearchInput
from nestcut.placement.shapes.closing import plugged_parts, rough_cores
from nestcut.placement.shapes.layout import SLACK_MM, lies_well
from nestcut.placement.shapes.turning import Kit, cores_of, kernel_pose, make_kit, pose_of
from nestcut.placement.shapes.types import Part, Placed

__all__ = ["MARGIN_MM", "Ground", "Rows"]

MARGIN_MM = 2e-3
"""Aimed at between true outlines beyond the gap, so that what is found is exact without more ado."""

Rows = NDArray[np.float64]
"""Poses of the kernels, (n, 3): middle x, y (mm) and radians; the same for all kits of a ground."""


class Ground(SearchInput):
    """Kits of the parts in the room: rough (to push about), true (a margin above the gap), exact."""

    def __init__(
        self,
        parts: Sequence[Part],
        room: Polygon | MultiPolygon,
        gap_mm: float,
        obstacles: Sequence[Shape] = (),
    ) -> None:
        self.parts = plugged_parts(parts, gap_mm)
        self.region, self.gap_mm, self.obstacles = room, gap_mm, obstacles
        turns = [part.turns for part in self.parts]
        self.coarse_mm = min(0.2, 0.009 * float(np.sqrt(min(part.shape.area for part in self.parts))))
        true = [cores_of(part.shape) for part in self.parts]
        rough = [rough_cores(part.shape, gap_mm, self.coarse_mm) for part in self.parts]
        loose = gap_mm + MARGIN_MM
        self.true = make_kit(true, turns, room, gap_mm=loose, obstacles=obstacles)
        self.exact = make_kit(true, turns, room, gap_mm=gap_mm, obstacles=obstacles)
        simple = all(a is b for a, b in zip(rough, true, strict=True))
        self.rough = self.true if simple else make_kit(rough, turns, room, gap_mm=loose, obstacles=obstacles)
        self.goal = 0.5 * MARGIN_MM if simple else max(0.25 * self.coarse_mm, MARGIN_MM)
        self.inner = np.array(
            [inner_radius(part.shape, cores) for part, cores in zip(self.parts, true, strict=True)]
        )
        self.reach = self.exact.arrays[1][:, 0].copy()

    def rows_of(self, placed: Sequence[Placed], kit: Kit | None = None) -> Rows:
        """Kernel poses of placed parts."""
        return np.array(
            [kernel_pose(kit or self.exact, one.part, one.pose) for one in placed], float
        ).reshape(-1, 3)

    def placed_of(self, kind: NDArray[np.int64], rows: Rows, kit: Kit | None = None) -> tuple[Placed, ...]:
        """Placed parts of kernel poses; listed turns exactly."""
        return tuple(
            Placed(int(k), pose_of(kit or self.exact, int(k), row)) for k, row in zip(kind, rows, strict=True)
        )

    def exact_rows(
        self, kind: NDArray[np.int64], rows: Rows, mobile: NDArray[np.bool_] | None = None
    ) -> Rows | None:
        """Nearly exact poses (of the true kit) made exact by small moves of the mobile items, or None.

        Whether they are is measured core by core; the whole layout is still to be checked by shapely.
        """
        from nestcut.placement.engine.contacts import contacts
        from nestcut.placement.engine.overlap import minimise, set_world
        from nestcut.placement.engine.settle import World, settle

        n = len(kind)
        free = np.ones(n, np.bool_) if mobile is None else mobile
        now = rows.copy()
        world = World(self.true, kind)
        set_world(self.true.arrays, kind, now, *world.all)
        minimise(
            self.true.arrays,
            kind,
            now,
            free,
            np.ones((n, n + 1)),
            *world.all,
            60,
            0.1 * MARGIN_MM * MARGIN_MM,
        )
        near = contacts(self.exact.arrays, kind, now, *World(self.exact, kind).all, 0.01)
        if len(near) == 0 or float(near[:, 2].min()) >= -0.5 * SLACK_MM:
            return now
        now, slack = settle(self.exact, kind, now, movable=free)
        return now if slack >= -SLACK_MM else None

    def check(self, placed: Sequence[Placed]) -> bool:
        """The exact check of a whole layout, with shapely on the parts' outlines."""
        return lies_well(self.parts, placed, self.region, gap_mm=self.gap_mm, obstacles=self.obstacles)
