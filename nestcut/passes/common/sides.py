"""Which side of a scrap that is good on both lies up.

A scrap turned over is another outline to lay cuts on: a leaf that leans to the left finds room in a corner where its mirror
image finds none. The side is chosen once, before anything is planned: the planner then sees the scrap turned over as its
outline (:func:`on_better_sides`), and what it made is told as flips of the scrap as it is (:func:`turned_back`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from shapely.affinity import affine_transform, rotate
from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.batch.model import Batch, Pose
from nestcut.batch.turns import turns_on
from nestcut.placement import inner_fit
from nestcut.plans.model import Plan

__all__ = ["on_better_sides", "turned_back"]

BETTER = 1.02
"""How much more room the other side must have before a scrap is turned over: hands have to think of it."""
ANY_TURNS = tuple(range(0, 360, 30))
"""Turns that are looked at where any is allowed, degrees."""
ALIKE = 0.01
"""Outlines that differ from their mirror image in less of their area lie as they are."""
MOST_OUTLINES = 100
"""Different outlines that are looked at; further ones lie as they are."""
COARSE_MM = 0.5
"""Cuts and scraps are looked at without smaller detail than this."""


def on_better_sides(batch: Batch) -> tuple[Batch, Mapping[str, float]]:
    """The batch with some scraps turned over, and the width in mm of each of these by its id.

    Only scraps of papers that are good on both sides, and only where the other side has more room for the dies that the
    demand may cut from the paper. A scrap turned over is mirrored within its own box.
    """
    widths: dict[str, float] = {}
    scraps = []
    known: dict[tuple[str, bytes], bool] = {}
    for scrap in batch.scraps:
        width = scrap.outline.bounds[2]
        if batch.paper(scrap.paper).both_sides:
            over = _mirrored(scrap.outline, width)
            key = (scrap.paper, scrap.outline.wkb)
            if key not in known and len(known) < MOST_OUTLINES:
                known[key] = _is_better(batch, scrap.paper, over, scrap.outline)
            if known.get(key, False):
                widths[scrap.id] = width
                scrap = replace(scrap, outline=over)
        scraps.append(scrap)
    return (replace(batch, scraps=tuple(scraps)) if widths else batch), widths


def turned_back(plan: Plan, batch: Batch, widths: Mapping[str, float]) -> Plan:
    """A plan made with scraps turned over, told by the scraps of ``batch`` as they are and flipped papers.

    Args:
        batch: as it was before :func:`on_better_sides`.
        widths: what that function returned.
    """
    if not widths:
        return plan
    over = dict(widths)
    for trim in plan.trims:
        if trim.scrap in widths:
            over |= {name: widths[trim.scrap] for name, _ in trim.into}

    def own(name: str, outline: BaseGeometry) -> BaseGeometry:
        return _mirrored(outline, over[name]) if name in over else outline

    def laid(name: str, pose: Pose) -> Pose:
        # The planner's x is the width less the scrap's own x, which flipping makes −x: the width goes into the pose.
        moved = pose.apply(Point(over[name], 0.0))
        return Pose(moved.x, moved.y, pose.deg)

    return replace(
        plan,
        scraps=batch.scraps,
        trims=tuple(
            replace(trim, into=tuple((name, own(name, outline)) for name, outline in trim.into))
            for trim in plan.trims
        ),
        passes=tuple(
            replace(
                one,
                papers=tuple(
                    replace(paper, pose=laid(paper.scrap, paper.pose), flipped=True)
                    if paper.scrap in over
                    else paper
                    for paper in one.papers
                ),
            )
            for one in plan.passes
        ),
        remnants=tuple(replace(left, outline=own(left.scrap, left.outline)) for left in plan.remnants),
    )


def _mirrored(shape: BaseGeometry, width_mm: float) -> BaseGeometry:
    """The shape turned over about the upright line in the middle of a box that starts at x = 0."""
    return affine_transform(shape, [-1.0, 0.0, 0.0, 1.0, width_mm, 0.0])


def _is_better(batch: Batch, paper: str, over: Polygon, outline: Polygon) -> bool:
    if over.symmetric_difference(outline).area <= ALIKE * outline.area:
        return False
    return _room(batch, paper, over) > BETTER * _room(batch, paper, outline)


def _room(batch: Batch, paper: str, outline: Polygon) -> float:
    """Places for the dies of this paper, added up over their turns, mm²: a measure to compare two sides by."""
    inner = outline.simplify(COARSE_MM).buffer(-batch.hand.edge_mm, join_style="mitre")
    asked = {name for line in batch.demand if paper in line.papers for name in line.dies}
    total = 0.0
    for name in sorted(asked):
        die = batch.die(name)
        cut = die.cut.simplify(COARSE_MM)
        turns = turns_on(die, batch.paper(paper))
        turns = ANY_TURNS if turns == "any" else turns
        total += sum(inner_fit(inner, rotate(cut, deg, origin=(0, 0))).area for deg in turns) / max(
            1, len(turns)
        )
    return total
