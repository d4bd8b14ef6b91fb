"""Sums over the evening, by the rules of plan.json."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.ops import unary_union

from nestcut.arithmetic import dot
from nestcut.batch.model import Die, Hand, Machine, Pose, Shape
from nestcut.hands import minutes_of, pass_actions, sum_of, trim_actions
from nestcut.plans.model import Layup, Pass, Remnant, Totals, Trim

__all__ = ["remnants_of", "totals_of"]


def totals_of(
    machine: Machine,
    hand: Hand,
    dies: Mapping[str, Die],
    layups: Mapping[str, Layup],
    passes: Sequence[Pass],
    trims: Sequence[Trim],
    sheets: Mapping[str, Polygon],
) -> Totals:
    """Totals of a plan; a pass is cranked as often as its most demanding die that is down needs.

    Args:
        sheets: outlines of all scraps and parts by id.
    """
    changes = 0
    before: str | None = None
    for a_pass in passes:
        changes += a_pass.layup != before
        before = a_pass.layup
    actions = sum_of([trim_actions(trims, sheets), *pass_actions(machine, hand, dies, layups, passes)])
    made = sum(len(trim.into) for trim in trims)
    minutes = minutes_of(actions, hand.seconds, machine)
    return Totals(len(passes), actions.crank, changes, made, actions.free, round(minutes, 4), actions)


def remnants_of(
    dies: Mapping[str, Die],
    layups: Mapping[str, Layup],
    passes: Sequence[Pass],
    sheets: Mapping[str, Polygon],
    *,
    apart: bool = False,
) -> tuple[Remnant, ...]:
    """What is left of every scrap or part that was used, in its own frame.

    Args:
        apart: cuts are known to lie inside their sheets and off each other (web and edge above 0): each is
            then a hole of its own, which is ten times quicker than a difference of shapes.
    """
    holes: dict[str, list[np.ndarray]] = defaultdict(list)
    # Of these, one cut may lie in the opening of another.
    nested: set[str] = set()
    rings = {name: _outer_rings(die.cut) for name, die in dies.items()}
    # Dies and papers are turned few ways, however many passes there are.
    turned: dict[tuple[str, float, float, bool], tuple[np.ndarray, list[np.ndarray]]] = {}
    for a_pass in passes:
        poses = {paper.scrap: paper for paper in a_pass.papers}
        slots = layups[a_pass.layup].slots
        for paper in a_pass.papers:
            holes.setdefault(paper.scrap, [])
        together = Counter(cut.scrap for cut in a_pass.cuts)
        nested |= {
            cut.scrap
            for cut in a_pass.cuts
            if together[cut.scrap] > 1 and dies[slots[cut.slot].die].has_opening
        }
        for cut in a_pass.cuts:
            slot, paper = slots[cut.slot], poses[cut.scrap]
            key = (slot.die, slot.pose.deg, paper.pose.deg, paper.flipped)
            if key not in turned:
                back, turn = _into_paper(slot.pose, paper.pose, paper.flipped)
                turned[key] = (
                    back,
                    [np.column_stack([dot(ring, *row) for row in turn]) for ring in rings[slot.die]],
                )
            back, own = turned[key]
            shift = dot(back, slot.pose.x_mm - paper.pose.x_mm, slot.pose.y_mm - paper.pose.y_mm)
            holes[cut.scrap] += [ring + shift for ring in own]
    quick = {scrap: cuts for scrap, cuts in holes.items() if apart and scrap not in nested}
    known = dict(_with_holes(sheets, quick))
    result = []
    for scrap, cuts in holes.items():
        if scrap in known:
            result.append(Remnant(scrap, known[scrap]))
            continue
        left: Shape = sheets[scrap]
        if cuts:
            left = shapely.difference(left, unary_union([Polygon(ring) for ring in cuts]))
        if isinstance(left, Polygon | MultiPolygon) and not left.is_empty:
            result.append(Remnant(scrap, left))
    return tuple(result)


def _with_holes(
    sheets: Mapping[str, Polygon], holes: Mapping[str, Sequence[np.ndarray]]
) -> list[tuple[str, Polygon]]:
    """Sheets with a hole for each ring more, by name; all at once, since there may be sheets by the ten thousand."""
    if not holes:
        return []
    cut = [ring for own in holes.values() for ring in own]
    made = list(
        shapely.linearrings(
            np.concatenate([np.empty((0, 2)), *cut]),
            indices=np.repeat(np.arange(len(cut)), [len(ring) for ring in cut]),
        )
        if cut
        else ()
    )
    rings, of_sheet, begin = [], [], 0
    for number, (name, own) in enumerate(holes.items()):
        mine = [sheets[name].exterior, *sheets[name].interiors, *made[begin : begin + len(own)]]
        begin += len(own)
        rings += mine
        of_sheet += [number] * len(mine)
    return list(zip(holes, shapely.polygons(rings, indices=of_sheet), strict=True))


def _outer_rings(cut: Shape) -> list[np.ndarray]:
    """What falls out of the paper: the outer ring of each part, shape (n, 2), mm."""
    parts = cut.geoms if isinstance(cut, MultiPolygon) else (cut,)
    return [np.asarray(part.exterior.coords)[:, :2] for part in parts]


def _into_paper(slot: Pose, paper: Pose, flipped: bool) -> tuple[np.ndarray, np.ndarray]:
    """(from the plate into the frame of a paper that lies there, from the die's frame into it): the turns alone."""
    a, b, d, e, _, _ = slot.matrix()
    pa, pb, pd, pe, _, _ = paper.matrix(flipped=flipped)
    back = np.array([[pe, -pb], [-pd, pa]]) / (pa * pe - pb * pd)
    return back, np.column_stack((dot(back, a, d), dot(back, b, e)))
