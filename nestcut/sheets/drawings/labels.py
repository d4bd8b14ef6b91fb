"""Where names and numbers stand on a lay-up: readable, and never over one another.

Each die gets its number and name inside its cut where they fit, clear of pierced detail; otherwise the
number alone, and where even that does not fit, a number outside with a leader line. The name then stands
beside the die where the plate is free. The table on the sheet holds number, name and measures of every
die. Greedy, in the order of the slots.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import shapely
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.strtree import STRtree

from nestcut.batch.model import filled
from nestcut.sheets.drawings.draw import inner_circle
from nestcut.sheets.drawings.words import clipped, text_width

__all__ = ["BADGE_MM", "Label", "place_labels"]

BADGE_MM = 2.6
"""Radius of the disc behind a number."""
_NUMBER_MM = 4.0
"""Height of a slot's number."""
_NAME_SIZES_MM = (4.2, 3.6, 3.0)
"""Heights of a die's name, largest first: the first that finds room is taken."""


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
    room: BaseGeometry,
    rims: Sequence[BaseGeometry],
    taken: list[BaseGeometry],
    frame: Polygon,
) -> Label:
    """The label with its name apart from its number: in the die, or under, over or next to it where the plate is free."""
    shown = clipped(name, 26)
    x0, y0, x1, y1 = own.bounds
    middle = label.leader[0] if label.leader else label.x_mm
    inside = _grid(room) if not label.leader and not room.is_empty else []
    for size in _NAME_SIZES_MM[1:]:
        half, tall = text_width(shown, size) / 2, size * 0.6
        for at in inside:
            spot = name_box(shown, size, at.x, at.y)
            if room.covers(spot) and not any(spot.intersects(other) for other in taken):
                return replace(label, name=shown, size_mm=size, beside=(at.x, at.y))
        for x, y in (
            (middle, y1 + tall + 0.6),
            (middle, y0 - tall - 0.6),
            (x1 + half + 0.8, (y0 + y1) / 2),
            (x0 - half - 0.8, (y0 + y1) / 2),
        ):
            spot = name_box(shown, size, x, y)
            if (
                frame.covers(spot)
                and not any(spot.intersects(rim) for rim in rims)
                and not any(spot.intersects(other) for other in taken)
            ):
                return replace(label, name=shown, size_mm=size, beside=(x, y))
    return label


def _grid(room: BaseGeometry) -> list[Point]:
    """Places all over a room, those near its middle first."""
    x0, y0, x1, y1 = room.bounds
    grid = [
        Point(x0 + (x1 - x0) * i / 14, y0 + (y1 - y0) * j / 14) for i in range(1, 14) for j in range(1, 14)
    ]
    shapely.prepare(room)
    return sorted((p for p in grid if room.covers(p)), key=room.centroid.distance)


def _inside(number: int, name: str, room: BaseGeometry, taken: list[BaseGeometry]) -> Label | None:
    centre, radius = inner_circle(room)
    if radius <= 0:
        return None
    spots = [centre]
    middle = room.centroid
    if room.covers(middle):
        spots.append(middle)
    # Off the middle a petal or a margin may still have room for a name, beside what is pierced.
    spots += _grid(room)
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
    rooms = [_rooms(k, cuts, rims) for k in range(len(names))]
    found: dict[int, Label] = {}

    def taken(but: int | None = None) -> list[BaseGeometry]:
        return [label.box for k, label in found.items() if k != but]

    for k, name in enumerate(names):
        # Clear of pierced detail if it can be; a name right over it only where it can stand nowhere else.
        inside = (_inside(k + 1, name, room, taken()) for room in rooms[k])
        label = next((one for one in inside if one), None)
        if label:
            found[k] = label
    for k in range(len(names)):
        if k not in found:
            found[k] = _outside(k + 1, rims[k], rims, taken(), frame)
    for k, name in enumerate(names):
        if found[k].name:
            continue
        label = _beside(found[k], name, rims[k], rooms[k][0], rims, taken(), frame)
        if not label.name and not label.leader:
            over = _inside(k + 1, name, rooms[k][-1], taken(but=k))
            label = over if over and over.name else label
        found[k] = label
    return [found[k] for k in range(len(names))]


def _rooms(k: int, cuts: Sequence[BaseGeometry], rims: Sequence[BaseGeometry]) -> list[BaseGeometry]:
    """Where a die's label may stand, best first: on what is cut, clear of openings and pierced detail; all inside."""
    cut, solid = cuts[k], filled(cuts[k])
    others = [rim for j, rim in enumerate(rims) if j != k and rim.intersects(solid)]
    away = shapely.union_all(others)
    rooms = [solid] if solid.area <= cut.area * 1.0001 else [cut, solid]
    return [(shapely.difference(room, away) if others else room).buffer(-0.3) for room in rooms]
