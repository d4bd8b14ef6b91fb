"""Which slots share one piece of paper: neighbours that want the same colour in the same passes.

A group's outline is the convex hull of its chips, as long as that touches no other group. Groups merge
pairwise, least waste first, and remember how they merged: where no scrap is large enough for a group,
its two halves are laid instead.
Source: agglomerative clustering; separation of convex sets.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import shapely
from shapely.geometry import MultiPolygon, Polygon

from nestcut.passes.common.plate_rules import TINY_MM2, apart

__all__ = ["SlotGroup", "groups_of"]


@dataclass(frozen=True, slots=True)
class SlotGroup:
    """Slots that one piece of paper serves in one pass. ``outline`` in plate coordinates."""

    slots: tuple[int, ...]
    outline: Polygon
    halves: tuple[SlotGroup, ...] = ()


def groups_of(
    papers: Sequence[str | None],
    chips: Sequence[Polygon],
    cuts: Sequence[Polygon | MultiPolygon],
    *,
    suits: Callable[[Sequence[int], str, Polygon], bool],
    waste: Mapping[str, float],
) -> list[tuple[str, SlotGroup]]:
    """(paper, group) for every slot with a paper.

    Args:
        papers: paper under each slot in this stretch; None for lifted dies.
        chips: outline for each slot alone.
        cuts: cuts on the plate, per slot.
        suits: whether slots may share a piece of this outline (turns, sizes of the scraps).
        waste: paper → share of a merged outline that may be neither of its halves; 0 leaves slots alone.
    """
    groups: list[tuple[str, SlotGroup]] = [
        (paper, SlotGroup((slot,), chips[slot])) for slot, paper in enumerate(papers) if paper is not None
    ]
    refused: set[tuple[tuple[int, ...], tuple[int, ...]]] = set()
    known: dict[tuple[tuple[int, ...], tuple[int, ...]], tuple[float, Polygon]] = {}
    while True:
        best: tuple[float, int, int, Polygon] | None = None
        for i in range(len(groups)):
            for j in range(i + 1, len(groups)):
                (paper, a), (other, b) = groups[i], groups[j]
                if paper != other or (a.slots, b.slots) in refused:
                    continue
                key = (a.slots, b.slots)
                if key not in known:
                    hull = shapely.union(a.outline, b.outline).convex_hull
                    known[key] = (hull.area - a.outline.area - b.outline.area, hull)
                lost, hull = known[key]
                if lost > waste.get(paper, 1.0) * hull.area:
                    continue
                if best is None or lost < best[0] - 1e-9:
                    best = (lost, i, j, hull)
        if best is None:
            return groups
        _, i, j, hull = best
        (paper, a), (_, b) = groups[i], groups[j]
        slots = tuple(sorted((*a.slots, *b.slots)))
        others = [group for k, (_, group) in enumerate(groups) if k not in (i, j)]
        clear = all(apart(hull, group.outline) for group in others) and all(
            shapely.intersection(hull, cuts[s]).area <= TINY_MM2 for group in others for s in group.slots
        )
        if clear and suits(slots, paper, hull):
            groups[i] = (paper, SlotGroup(slots, hull, (a, b)))
            groups.pop(j)
        else:
            refused.add((a.slots, b.slots))
