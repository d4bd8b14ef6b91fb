"""Sums over the evening, by the rules of plan.json."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import shapely
import shapely.affinity
from shapely.geometry import MultiPolygon, Polygon
from shapely.ops import unary_union

from nestcut.batch.model import Die, Machine, Pose, Shape
from nestcut.plan.model import Layup, Pass, Remnant, Totals, Trim

__all__ = ["minutes_of", "remnants_of", "totals_of"]


def minutes_of(machine: Machine, *, cranks: int, dies_set_up: int, trims: int) -> float:
    """Minutes as contract B counts them."""
    seconds = (
        cranks * machine.seconds_per_pass
        + dies_set_up * machine.seconds_per_die
        + trims * machine.seconds_per_trim
    )
    return seconds / 60.0


def totals_of(
    machine: Machine,
    dies: Mapping[str, Die],
    layups: Mapping[str, Layup],
    passes: Sequence[Pass],
    trims: Sequence[Trim],
) -> Totals:
    """Totals of a plan; a pass is cranked as often as its most demanding die that is down needs."""
    cranks = pieces = changes = set_up = 0
    before: str | None = None
    for a_pass in passes:
        slots = layups[a_pass.layup].slots
        down = [dies[slots[cut.slot].die] for cut in a_pass.cuts]
        cranks += max((die.trips for die in down), default=1)
        pieces += sum(die.pieces for die in down)
        if a_pass.layup != before:
            before = a_pass.layup
            changes += 1
            set_up += len(slots)
    made = sum(len(trim.into) for trim in trims)
    minutes = minutes_of(machine, cranks=cranks, dies_set_up=set_up, trims=made)
    return Totals(len(passes), cranks, changes, made, pieces, round(minutes, 4))


def filled(shape: Shape) -> Shape:
    """The shape without its holes: what falls out of the paper."""
    if isinstance(shape, MultiPolygon):
        return unary_union([Polygon(part.exterior) for part in shape.geoms])
    return Polygon(shape.exterior)


def remnants_of(
    dies: Mapping[str, Die],
    layups: Mapping[str, Layup],
    passes: Sequence[Pass],
    sheets: Mapping[str, Polygon],
) -> tuple[Remnant, ...]:
    """What is left of every scrap or part that was used, in its own frame."""
    holes: dict[str, list[Shape]] = defaultdict(list)
    solid = {name: filled(die.cut) for name, die in dies.items()}
    for a_pass in passes:
        poses = {paper.scrap: paper for paper in a_pass.papers}
        slots = layups[a_pass.layup].slots
        for paper in a_pass.papers:
            holes.setdefault(paper.scrap, [])
        for cut in a_pass.cuts:
            slot, paper = slots[cut.slot], poses[cut.scrap]
            holes[cut.scrap].append(_into_paper(slot.pose.apply(solid[slot.die]), paper.pose, paper.flipped))
    result = []
    for scrap, cuts in holes.items():
        left = shapely.difference(sheets[scrap], unary_union(cuts)) if cuts else sheets[scrap]
        if isinstance(left, (Polygon, MultiPolygon)) and not left.is_empty:
            result.append(Remnant(scrap, left))
    return tuple(result)


def _into_paper(shape: Shape, pose: Pose, flipped: bool) -> Shape:
    """A shape on the plate, in the frame of a paper that lies there."""
    a, b, d, e, x, y = pose.matrix(flipped=flipped)
    det = a * e - b * d
    ia, ib, id_, ie = e / det, -b / det, -d / det, a / det
    inverse = [ia, ib, id_, ie, -(ia * x + ib * y), -(id_ * x + ie * y)]
    return shapely.affinity.affine_transform(shape, inverse)
