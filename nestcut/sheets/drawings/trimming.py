"""How a scrap is trimmed, told for a paper trimmer: straight cuts with measures, in an order that works."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from shapely.geometry import Polygon

from nestcut.plans.cutting_up import SlitStep, straight_cuts_of
from nestcut.plans.model import Plan
from nestcut.sheets.drawings.words import id_list, number, plain

__all__ = ["TrimKind", "straight_cuts", "trim_kinds"]


@dataclass
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

    @cached_property
    def straight(self) -> bool:
        """True where a paper trimmer makes the parts; else they are cut along a template with scissors."""
        return straight_cuts_of(self.outline, self.parts) is not None


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


def straight_cuts(
    outline: Polygon, parts: Sequence[Polygon], names: Sequence[str], *, keep_mm: float = 30.0
) -> list[str] | None:
    """The cuts on a paper trimmer, each as a sentence, or None where straight cuts can't do it.

    Cuts go right through the piece in hand; measures are from that piece's own left or upper side.

    Args:
        keep_mm: as for :func:`nestcut.plans.cutting_up.straight_cuts_of`.
    """
    cuts = straight_cuts_of(outline, parts, keep_mm=keep_mm)
    return None if cuts is None else _sentences(cuts.steps, names)


def _sentences(steps: Sequence[SlitStep], names: Sequence[str]) -> list[str]:
    """The steps in words; one sentence for all pieces that are cut alike, where each is there by then."""
    told: list[tuple[str, list[SlitStep]]] = []
    sentence_of: list[int] = []
    for step in steps:
        side = ("left", "upper")[step.axis]
        places = [number(line, 1) for line in step.at_mm]
        at = places[0] if len(places) == 1 else f"{', '.join(places[:-1])} and {places[-1]}"
        words = f"at {at} mm from the {side} side"
        after = sentence_of[step.parent] + 1 if step.parent >= 0 else 0
        place = next((k for k in range(max(after, 1), len(told)) if told[k][0] == words), None)
        if place is None:
            place = len(told)
            told.append((words, []))
        told[place][1].append(step)
        sentence_of.append(place)
    return [
        f"Cut {words}." if one[0].parent < 0 else f"Cut {_pieces(one, names)} {words}." for words, one in told
    ]


def _pieces(steps: Sequence[SlitStep], names: Sequence[str]) -> str:
    if len(steps) == 1:
        noun = "part" if len(steps[0].parts) == 1 else "parts"
        return f"the piece for {noun} {id_list((names[k] for k in steps[0].parts), most=6)}"
    each = "; ".join(id_list((names[k] for k in step.parts), most=4) for step in steps[:40])
    more = f" and {len(steps) - 40} more" if len(steps) > 40 else ""
    return f"each of the pieces for parts {each}{more}"
