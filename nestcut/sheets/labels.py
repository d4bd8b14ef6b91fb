"""Where names and numbers stand on a lay-up: readable, and never over one another.

Each die gets its number and name inside its cut where they fit, otherwise the number alone, and
where even that does not fit, a number outside with a leader line. The table on the sheet holds
number, name and measures of every die. Greedy, in the order of the slots.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import shapely
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.strtree import STRtree

from nestcut.sheets.draw import filled, inner_circle
from nestcut.sheets.words import clipped, text_width

__all__ = ["BADGE_MM", "Label", "place_labels"]

BADGE_MM = 2.6
"""Radius of the disc behind a number."""
_NUMBER_MM = 4.0
_NAME_SIZES_MM = (4.2, 3.6, 3.0)


@dataclass(frozen=True, slots=True)
class Label:
    """A die's number, and its name where there is room for it. Centres in seen coordinates, mm."""

    number: int
    name: str
    """Empty where only the number fits."""
    x_mm: float
    y_mm: float
    size_mm: float
    """Letter size of the name."""
    leader: tuple[float, float] | None
    """Where the leader line ends on the die; None where the label lies inside it."""
    beside: tuple[float, float] | None = None
    """Middle of the name where it stands beside the die, the number being inside."""

    @property
    def box(self) -> BaseGeometry:
        """What the label covers."""
        if not self.name or self.beside:
            badge = Point(self.x_mm, self.y_mm).buffer(BADGE_MM)
            return badge.union(name_box(self.name, self.size_mm, *self.beside)) if self.beside else badge
        half = max(text_width(self.name, self.size_mm) / 2, BADGE_MM)
        return box(
            self.x_mm - half, self.y_mm - _NUMBER_MM - 0.6, self.x_mm + half, self.y_mm + self.size_mm + 0.6
        )


def name_box(name: str, size_mm: float, x_mm: float, y_mm: float) -> Polygon:
    """What a name covers whose middle is at (x, y)."""
    half = text_width(name, size_mm) / 2
    return box(x_mm - half, y_mm - size_mm * 0.6, x_mm + half, y_mm + size_mm * 0.6)


def _beside(
    label: Label,
    name: str,
    own: BaseGeometry,
    rims: Sequence[BaseGeometry],
    taken: list[BaseGeometry],
    frame: Polygon,
) -> Label:
    """The label with its name under, over or next to the die, where the plate is free."""
    shown = clipped(name, 26)
    x0, y0, x1, y1 = own.bounds
    for size in _NAME_SIZES_MM[1:]:
        half, tall = text_width(shown, size) / 2, size * 0.6
        for x, y in (
            (label.x_mm, y1 + tall + 0.6),
            (label.x_mm, y0 - tall - 0.6),
            (x1 + half + 0.8, label.y_mm),
            (x0 - half - 0.8, label.y_mm),
        ):
            spot = name_box(shown, size, x, y)
            if (
                frame.covers(spot)
                and not any(spot.intersects(rim) for rim in rims)
                and not any(spot.intersects(other) for other in taken)
            ):
                return replace(label, name=shown, size_mm=size, beside=(x, y))
    return label


def _inside(number: int, name: str, room: BaseGeometry, taken: list[BaseGeometry]) -> Label | None:
    centre, radius = inner_circle(room)
    if radius <= 0:
        return None
    spots = [centre]
    middle = room.centroid
    if room.covers(middle):
        spots.append(middle)
    shown = clipped(name, 26)
    for size in _NAME_SIZES_MM:
        for spot in spots:
            label = Label(number, shown, spot.x, spot.y, size, None)
            if room.covers(label.box) and not any(label.box.intersects(other) for other in taken):
                return label
    for spot in spots:
        label = Label(number, "", spot.x, spot.y, 0.0, None)
        if room.covers(label.box) and not any(label.box.intersects(other) for other in taken):
            return label
    return None


def _outside(
    number: int, die: BaseGeometry, rims: Sequence[BaseGeometry], taken: list[BaseGeometry], frame: Polygon
) -> Label:
    centre, _ = inner_circle(die)
    tree = STRtree(list(rims))
    best: tuple[float, Label] | None = None
    reach = math.hypot(die.bounds[2] - die.bounds[0], die.bounds[3] - die.bounds[1]) / 2
    for ring in range(24):
        away = reach * 0.6 + BADGE_MM + 1.0 + 1.5 * ring
        for step in range(24):
            angle = 2 * math.pi * (step + 0.5) / 24
            label = Label(
                number,
                "",
                centre.x + away * math.cos(angle),
                centre.y + away * math.sin(angle),
                0.0,
                (centre.x, centre.y),
            )
            spot = label.box
            if not frame.covers(spot) or any(spot.intersects(other) for other in taken):
                continue
            line = LineString([(centre.x, centre.y), (label.x_mm, label.y_mm)])
            covered = sum(spot.intersection(rims[k]).area for k in tree.query(spot))
            crossed = sum(line.intersection(rims[k]).length for k in tree.query(line))
            cost = (
                away + 40.0 * covered + 2.0 * crossed + 30.0 * sum(line.intersects(other) for other in taken)
            )
            if best is None or cost < best[0]:
                best = (cost, label)
        if best is not None and best[0] < away:
            break
    if best is not None:
        return best[1]
    # No free place at all: on the die itself, over whatever is there.
    return Label(number, "", centre.x, centre.y, 0.0, None)


def place_labels(
    names: Sequence[str], cuts: Sequence[BaseGeometry], rims: Sequence[BaseGeometry], frame: Polygon
) -> list[Label]:
    """A label for each die, in the same order.

    Args:
        names: the dies' names.
        cuts, rims: their shapes as seen, mm.
        frame: where labels may stand (the plate and a little around it), as seen, mm.
    """
    taken: list[BaseGeometry] = []
    waiting: list[int] = []
    found: dict[int, Label] = {}
    for k, (name, cut) in enumerate(zip(names, cuts, strict=True)):
        others = [rim for j, rim in enumerate(rims) if j != k and rim.intersects(filled(cut))]
        solid = filled(cut) if not others else cut
        room = shapely.difference(solid, shapely.union_all(others)) if others else solid
        label = None
        if others or solid.area > shapely.area(cut) * 1.05:
            # A frame: rather on what is cut than in its opening.
            label = _inside(
                k + 1, name, shapely.difference(cut, shapely.union_all(others)).buffer(-0.3), taken
            )
        if label is None or not label.name:
            label = _inside(k + 1, name, room.buffer(-0.3), taken)
        if label is None:
            waiting.append(k)
            continue
        found[k] = label
        taken.append(label.box)
    for k in waiting:
        found[k] = _outside(k + 1, rims[k], rims, taken, frame)
        taken.append(found[k].box)
    for k, name in enumerate(names):
        if not found[k].name and not found[k].leader:
            found[k] = _beside(found[k], name, rims[k], rims, taken, frame)
            taken.append(found[k].box)
    return [found[k] for k in range(len(names))]
