"""How a scrap is trimmed, told for a paper trimmer: straight cuts with measures, in an order that works."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from shapely.geometry import Polygon, box

from nestcut.plan.model import Plan
from nestcut.sheets.words import id_list, number, plain

__all__ = ["TrimKind", "is_rectangle", "straight_cuts", "trim_kinds"]

_SAME_MM = 0.05


def is_rectangle(shape: Polygon) -> bool:
    """True for a rectangle square to its frame."""
    return not shape.interiors and shape.area >= box(*shape.bounds).area - 1e-6


@dataclass(slots=True)
class TrimKind:
    """Trims that are done alike: the same outline cut into the same parts."""

    paper: str
    scraps: list[str]
    outline: Polygon
    parts: list[Polygon]
    part_ids: list[list[str]]
    """Ids of the parts, one list per scrap."""

    @property
    def labels(self) -> list[str]:
        """What the parts are called on drawings: what their ids add to the scrap's id, or plain numbers."""
        tails = []
        for k, first in enumerate(self.part_ids[0]):
            tail = first.removeprefix(self.scraps[0])
            ids = zip(self.scraps, self.part_ids, strict=True)
            if not 0 < len(tail) <= 4 or any(names[k] != scrap + tail for scrap, names in ids):
                return [str(number + 1) for number in range(len(self.parts))]
            tails.append(plain(tail))
        return tails

    @property
    def named_by_labels(self) -> bool:
        """True where a part's id is its scrap's id and its label."""
        return self.labels == [plain(name.removeprefix(self.scraps[0])) for name in self.part_ids[0]]

    @property
    def straight(self) -> bool:
        return all(is_rectangle(part) for part in self.parts)


def trim_kinds(plan: Plan) -> list[TrimKind]:
    """All trims of the plan, equal ones together, in the order in which they are first met."""
    known = plan.pieces_of_paper()
    kinds: dict[object, TrimKind] = {}
    for trim in plan.trims:
        paper, outline = known[trim.scrap]
        parts = [part for _, part in trim.into]
        key = (paper, _key(outline), tuple(_key(part) for part in parts))
        kind = kinds.setdefault(key, TrimKind(paper, [], outline, parts, []))
        kind.scraps.append(trim.scrap)
        kind.part_ids.append([name for name, _ in trim.into])
    return list(kinds.values())


def _key(shape: Polygon) -> object:
    return tuple(
        tuple((round(x, 2) + 0.0, round(y, 2) + 0.0) for x, y in ring.coords)
        for ring in [shape.exterior, *shape.interiors]
    )


def _lines(
    region: tuple[float, float, float, float], parts: Sequence[tuple[float, float, float, float]], axis: int
) -> list[float]:
    """Places along an axis where a straight cut through the region separates and meets no part."""
    low, high = region[axis], region[axis + 2]
    edges = sorted({edge for part in parts for edge in (part[axis], part[axis + 2])})
    found: list[float] = []
    for edge in edges:
        if edge <= low + _SAME_MM or edge >= high - _SAME_MM:
            continue
        if any(part[axis] + _SAME_MM < edge < part[axis + 2] - _SAME_MM for part in parts):
            continue
        if not found or edge > found[-1] + _SAME_MM:
            found.append(edge)
    return found


def straight_cuts(outline: Polygon, parts: Sequence[Polygon], names: Sequence[str]) -> list[str] | None:
    """The cuts on a paper trimmer, each as a sentence, or None where straight cuts can't do it.

    Cuts go right through the piece in hand; measures are from that piece's own left or upper side.
    """
    if not all(is_rectangle(part) for part in parts):
        return None
    boxes = [part.bounds for part in parts]
    steps: list[tuple[str, list[list[int]]]] = []
    """What to do, and with the pieces for which parts; no parts: with the whole scrap."""

    def cut(region: tuple[float, float, float, float], inside: list[int], whole: bool) -> bool:
        if len(inside) == 1 and all(
            abs(a - b) <= _SAME_MM for a, b in zip(region, boxes[inside[0]], strict=True)
        ):
            return True
        here = [boxes[k] for k in inside]
        options = {axis: _lines(region, here, axis) for axis in (0, 1)}
        axis = 0 if len(options[0]) >= len(options[1]) else 1
        if not options[axis]:
            return False
        side = ("left", "upper")[axis]
        places = [number(line - region[axis], 1) for line in options[axis]]
        at = places[0] if len(places) == 1 else f"{', '.join(places[:-1])} and {places[-1]}"
        words = f"at {at} mm from the {side} side"
        known = next((pieces for said, pieces in steps if said == words and pieces), None)
        if whole or known is None:
            steps.append((words, [] if whole else [inside]))
        else:
            known.append(inside)
        marks = [region[axis], *options[axis], region[axis + 2]]
        for low, high in itertools.pairwise(marks):
            mine = [
                k
                for k in inside
                if boxes[k][axis] >= low - _SAME_MM and boxes[k][axis + 2] <= high + _SAME_MM
            ]
            if mine:
                new = list(region)
                new[axis], new[axis + 2] = low, high
                if not cut((new[0], new[1], new[2], new[3]), mine, False):
                    return False
        return True

    if not cut(outline.bounds, list(range(len(parts))), True):
        return None
    told = []
    for words, pieces in steps:
        if not pieces:
            told.append(f"Cut {words}.")
        elif len(pieces) == 1:
            noun = "part" if len(pieces[0]) == 1 else "parts"
            told.append(f"Cut the piece for {noun} {id_list((names[k] for k in pieces[0]), most=6)} {words}.")
        else:
            each = "; ".join(id_list((names[k] for k in one), most=4) for one in pieces[:8])
            more = f" and {len(pieces) - 8} more" if len(pieces) > 8 else ""
            told.append(f"Cut each of the pieces for parts {each}{more} {words}.")
    return told
