"""Parts of the plate that work as if each were a plate of its own.

A *field* lies at one end of the plate, over all of its width or a part of it. The dies of one colour lie in it and one scrap at a
time: the scrap may stick out over the plate's end, never over the field's other three sides. So what happens in one field never
matters in another, whatever lies there. Where a die or a scrap is too large for that, the field is the whole plate.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace

from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Machine, Pose

__all__ = [
    "Field",
    "FieldCorner",
    "Size",
    "corners",
    "in_field",
    "laid_in",
    "meet",
    "sizes_of",
    "whole_plate",
]

NARROWEST_MM = 40.0
"""Narrower parts of a plate hold hardly a die with the paper around it."""
SPLITS = (0.5, 0.4)
"""Where the width of an end is parted: the narrower side's share."""
MOST_WIDTHS = 5
"""Widths by the scraps in stock."""


@dataclass(frozen=True, slots=True, order=True)
class Size:
    """Width and depth of a field, whole mm of the plate."""

    width: int
    depth: int


@dataclass(frozen=True, slots=True)
class Field(Machine):
    """A part of the plate as a machine: its own frame begins at its corner on the plate's edge, the plate's end is y = 0."""

    outer_mm: float = 0.0
    """How far papers may stick out over the plate's end."""

    @property
    def paper_field(self) -> Polygon:
        """Where papers may lie."""
        width, depth = self.plate_mm
        return box(0.0, -self.outer_mm, width, depth)


@dataclass(frozen=True, slots=True)
class FieldCorner:
    """Where a field lies on the plate."""

    size: Size
    right: bool
    """At the right side of its end, otherwise at the left."""
    far: bool
    """At the end that goes in last: everything is turned by 180°."""


def whole_plate(machine: Machine) -> Size:
    """All of the plate as a field."""
    return Size(math.floor(machine.plate_mm[0]), math.floor(machine.plate_mm[1]))


def sizes_of(batch: Batch) -> list[Size]:
    """Sizes that fields may have: the whole plate, its half, narrower parts of that.

    Narrower ones are as wide as many scraps are, or a half or a third of them: those need few trims; and what is left beside them.
    """
    whole = whole_plate(batch.machine)
    half = whole.depth // 2
    found = [whole, Size(whole.width, half)]
    worth: Counter[int] = Counter()
    for scrap in batch.scraps:
        x0, y0, x1, y1 = scrap.outline.bounds
        for side in (x1 - x0, y1 - y0):
            for parts in (1, 2, 3):
                worth[math.ceil(side / parts - 1e-6)] += int(scrap.outline.area / parts)
    for share in SPLITS:
        worth[math.floor(whole.width * share)] += 0
    usual = sorted(
        (w for w in worth if NARROWEST_MM <= w <= whole.width - NARROWEST_MM),
        key=lambda w: (-worth[w], w),
    )
    fixed = [math.floor(whole.width * share) for share in SPLITS]
    for narrow in [w for w in fixed if w in usual] + usual[:MOST_WIDTHS]:
        for width in (narrow, whole.width - narrow):
            if Size(width, half) not in found:
                found.append(Size(width, half))
    return found


def in_field(batch: Batch, size: Size) -> Batch:
    """The batch as if the field were all of the plate."""
    machine, whole = batch.machine, whole_plate(batch.machine)
    if size == whole:
        return batch
    field = Field(
        plate_mm=(
            machine.plate_mm[0] if size.width == whole.width else float(size.width),
            float(size.depth),
        ),
        # Rims of two fields keep the gap.
        clear_mm=max(machine.clear_mm, batch.hand.gap_mm / 2),
        dies=machine.dies,
        # Half of it at each end is as long as all of it at one.
        overhang_mm=machine.overhang_mm / 2,
        outer_mm=machine.overhang_mm,
    )
    return replace(batch, machine=field)


def corners(machine: Machine, size: Size) -> list[FieldCorner]:
    """All places of a field of this size."""
    whole = whole_plate(machine)
    if size == whole:
        return [FieldCorner(size, False, False)]
    sides = (False,) if size.width == whole.width else (False, True)
    return [FieldCorner(size, right, far) for far in (False, True) for right in sides]


def meet(machine: Machine, one: FieldCorner, two: FieldCorner) -> bool:
    """Whether two fields share a part of the plate."""
    whole = whole_plate(machine)
    if one.right == two.right or one.size.width + two.size.width > whole.width:
        # One behind the other, or at the same place.
        return one.far == two.far or one.size.depth + two.size.depth > whole.depth
    return False


def laid_in(
    machine: Machine, corner: FieldCorner, pose: Pose, slide: tuple[float, float] = (0.0, 0.0)
) -> Pose:
    """A pose of the field's frame on the plate.

    Args:
        slide: what a field at the far end is shifted by, so that its papers lie on whole millimetres, mm.
    """
    width, length = machine.plate_mm
    x = pose.x_mm + (math.floor(width) - corner.size.width if corner.right else 0)
    if not corner.far:
        return Pose(round(x, 9), round(pose.y_mm, 9), pose.deg)
    return Pose(
        round(width - x + slide[0], 9), round(length - pose.y_mm + slide[1], 9), (pose.deg + 180.0) % 360.0
    )
