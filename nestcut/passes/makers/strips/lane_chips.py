"""Chips in lanes: where the scraps of a paper hold too few strips, every cut in it gets a part of its own.

A chip lies where a strip with a single cut would, inside its die's lane, so it takes the strip's turn and touches no
other lane. Chips take less of a scrap than strips where dies are large or round, and far more trimming: only the
papers that need it are cut so.
"""

from __future__ import annotations

from collections.abc import Sequence

import shapely
from shapely.geometry import MultiPoint, Polygon, box

from nestcut.batch.model import Batch, Scrap
from nestcut.passes.common.convex_paper import grown_hull
from nestcut.passes.common.turns import paper_turns
from nestcut.passes.drafts.papers_for_passes import Squeeze, best_laid
from nestcut.passes.makers.strips.lane_moves import LaneSlot
from nestcut.passes.parts.chips import sites_of
from nestcut.passes.parts.papers import LaidPart, Want
from nestcut.passes.parts.regions import SlotGroup

__all__ = ["LaneChips", "chips_in_lanes"]

LaneChips = dict[tuple[int, int], tuple[Polygon, list[LaidPart]]]
"""(lay-up, slot) → the chip's outline on the plate, and where its copies lie in the scraps."""

TRIES = 4
"""Orders in which the chips of a paper are laid."""


def chip_in_lane(batch: Batch, slot: LaneSlot) -> Polygon:
    """The outline of a chip on the plate; the left and upper side of its box lie on whole millimetres."""
    (site,) = sites_of(batch, [slot.slot])
    single = min(slot.forms(batch, False), key=lambda form: form.cuts)
    top = slot.near_mm if slot.lane[0] == 0 else slot.near_mm - single.length_mm
    left = slot.left_mm
    room = box(left, top, left + single.width_mm, top + single.length_mm)
    hull = grown_hull(site.cut, batch.hand.edge_mm, added=0.0).intersection(room)
    corners = shapely.get_coordinates(hull)
    beside = min(corners, key=lambda p: (p[0], p[1]))[1]
    above = min(corners, key=lambda p: (p[1], p[0]))[0]
    return MultiPoint([*corners, (left, beside), (above, top)]).convex_hull


def chips_in_lanes(
    batch: Batch,
    paper: str,
    scraps: Sequence[Scrap],
    jobs: Sequence[tuple[tuple[int, int], LaneSlot, int]],
    *,
    seed: int,
    squeeze: Squeeze | None = None,
    part: float = 1.0,
) -> tuple[LaneChips, dict[tuple[int, int], int]]:
    """Chips for all cuts in one paper, and how many cuts of which slot found no place.

    Args:
        jobs: ((lay-up, slot), the slot, cuts).
        squeeze: squeezes in what found no place (in place), within this ``part`` of its time.
    """

    def turns_of(slot: LaneSlot) -> tuple[float, ...]:
        return paper_turns(batch.die(slot.slot.die), batch.paper(paper), slot.slot.pose.deg, papers="square")

    wants = [
        Want(key[0], key[1], paper, SlotGroup((key[1],), chip_in_lane(batch, slot)), turns_of(slot), count)
        for key, slot, count in jobs
    ]
    nodes = best_laid(scraps, wants, lambda *_: (), order="small", seed=seed, tries=TRIES, stop=None)
    if squeeze is not None and any(node.missing for node in nodes):
        squeeze(scraps, nodes, part)
    laid = {key: (node.want.group.outline, node.laid) for (key, _, _), node in zip(jobs, nodes, strict=True)}
    lost = {key: node.missing for (key, _, _), node in zip(jobs, nodes, strict=True) if node.missing}
    return laid, lost
