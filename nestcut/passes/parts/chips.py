"""Chips: for every slot of a lay-up, the outline of a piece of paper that serves just that die.

A chip contains the cut and the edge around it, reaches no other die's paper, and the left and upper
side of its box lie on whole millimetres of the plate, so that hands can lay it by a ruler. Where chips
of all slots are apart, every pass can cut every die in any paper: the plate's lower bound carries over
to paper (a lay-up kept for x passes serves every table of cuts whose rows have at most x; König 1916,
edge colouring of bipartite graphs).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import MultiPoint, Polygon

from nestcut.arithmetic import length_of
from nestcut.batch.model import Batch, Die, Pose, Shape
from nestcut.outlines import grow_outline
from nestcut.passes.common.convex_paper import grown_hull, hull_through
from nestcut.passes.common.plate_rules import apart, in_window, keeps_gap, overlap_in_air
from nestcut.plans.model import Slot

__all__ = ["Site", "chips_of", "chips_or_slot", "sites_of", "snapped", "whole_mm"]

TINY_MM = 1e-7
"""Coordinates nearer to a whole millimetre are on it."""


@dataclass(frozen=True, slots=True)
class Site:
    """A slot as the papers see it, in plate coordinates."""

    die: Die
    slot: Slot
    cut: Shape
    rim: Shape


def sites_of(batch: Batch, slots: Sequence[Slot]) -> list[Site]:
    """Cuts and rims of a lay-up where they lie on the plate."""
    sites = []
    for slot in slots:
        die = batch.die(slot.die)
        sites.append(Site(die, slot, slot.pose.apply(die.cut), slot.pose.apply(die.rim)))
    return sites


def _fraction_above(value: float) -> float:
    """How far a coordinate lies above the whole millimetre below it."""
    above = value - math.floor(value + TINY_MM)
    return above if above > TINY_MM else 0.0


def whole_mm(outline: Polygon) -> bool:
    """True when the left and upper side of the outline's box lie on whole millimetres."""
    x0, y0, _, _ = outline.bounds
    return abs(x0 - round(x0)) <= TINY_MM and abs(y0 - round(y0)) <= TINY_MM


def _reaching(outline: Polygon, axis: int, fits) -> Polygon | None:
    """The outline with one more corner on the whole millimetre left of (axis 0) or above (axis 1) its box."""
    low = outline.bounds[axis]
    if _fraction_above(low) == 0.0:
        return outline
    line = math.floor(low + TINY_MM)
    other_low, other_high = outline.bounds[1 - axis], outline.bounds[3 - axis]
    corners = np.asarray(outline.exterior.coords)[:-1]
    nearest = corners[int(np.argmin(corners[:, axis])), 1 - axis]
    places = sorted(
        [nearest, *np.linspace(other_low, other_high, 15)], key=lambda place: abs(place - nearest)
    )
    best: Polygon | None = None
    for place in places:
        point = (float(line), float(place)) if axis == 0 else (float(place), float(line))
        grown = (
            hull_through(outline, point) if outline.equals(outline.convex_hull) else _tabbed(outline, point)
        )
        if grown is not None and (best is None or grown.area < best.area - 1e-6) and fits(grown):
            best = grown
            if place == nearest:
                break
    return best


def _tabbed(outline: Polygon, point: tuple[float, float]) -> Polygon | None:
    """A non-convex outline with a small tab that reaches a point."""
    corners = list(outline.exterior.coords)[:-1]
    near = min(range(len(corners)), key=lambda k: math.dist(corners[k], point))
    around = [corners[near - 1], corners[near], corners[(near + 1) % len(corners)], point]
    grown = outline.union(MultiPoint(around).convex_hull)
    return grown if isinstance(grown, Polygon) and not grown.interiors else None


def snapped(batch: Batch, slots: Sequence[Slot]) -> tuple[Slot, ...]:
    """The lay-up with dies nudged by less than a millimetre, so that their papers start on whole ones.

    A die stays where it was when a nudge would bring its rim too near to another, or papers together.
    """
    if batch.hand.papers != "square":
        return tuple(slots)
    edge = batch.hand.edge_mm
    sites = sites_of(batch, slots)
    papers = [grown_hull(site.cut, edge, added=0.0) for site in sites]
    clashing = {
        (j, k)
        for k in range(len(sites))
        for j in range(len(sites))
        if j != k and not apart(papers[j], papers[k])
    }
    waiting = sorted(range(len(sites)), key=lambda k: -sites[k].cut.area)
    for _ in range(2):
        stuck = []
        for k in waiting:
            x0, y0, _, _ = papers[k].bounds
            nudges = [
                (dx, dy) for dx in (math.floor(x0 + 0.5) - x0, math.floor(x0) - x0, math.ceil(x0) - x0)
                for dy in (math.floor(y0 + 0.5) - y0, math.floor(y0) - y0, math.ceil(y0) - y0)
            ]  # fmt: skip
            for dx, dy in sorted(set(nudges), key=lambda d: (length_of(*d), d)):
                pose = sites[k].slot.pose
                slot = Slot(
                    sites[k].slot.die, Pose(round(pose.x_mm + dx, 6), round(pose.y_mm + dy, 6), pose.deg)
                )
                (site,) = sites_of(batch, [slot])
                paper = grown_hull(site.cut, edge, added=0.0)
                if not in_window(batch.machine.window, site.rim.bounds) or not whole_mm(paper):
                    continue
                others = [j for j in range(len(sites)) if j != k]
                if keeps_gap(site.rim, [sites[j].rim for j in others], batch.hand.gap_mm) and all(
                    (j, k) in clashing or apart(paper, papers[j]) for j in others
                ):
                    sites[k], papers[k] = site, paper
                    break
            else:
                stuck.append(k)
        waiting = stuck
    return tuple(site.slot for site in sites)


def chips_of(batch: Batch, sites: Sequence[Site], *, sparing: bool = False) -> list[Polygon] | None:
    """A chip for every slot, or None when some slot can't have one beside its neighbours."""
    found = chips_or_slot(batch, sites, sparing=sparing)
    return None if isinstance(found, int) else found


def chips_or_slot(batch: Batch, sites: Sequence[Site], *, sparing: bool = False) -> list[Polygon] | int:
    """A chip for every slot, or the number of the first slot that can't have one beside its neighbours.

    Convex chips where they are apart; elsewhere chips that follow the cut. ``sparing`` prefers the
    tightest outlines to those with fewer corners.
    """
    edge, square = batch.hand.edge_mm, batch.hand.papers == "square"
    field = batch.machine.paper_field
    tight = [grown_hull(site.cut, edge, added=0.0) for site in sites]
    followed: dict[int, Polygon] = {}
    clashes = {
        k for k in range(len(sites)) for j in range(len(sites)) if j != k and not apart(tight[k], tight[j])
    }
    for k in clashes:
        grown = grow_outline(sites[k].cut, edge + 1e-5)
        outer = max(grown.geoms, key=lambda p: p.area) if grown.geom_type == "MultiPolygon" else grown
        if grown.geom_type == "MultiPolygon" and len(grown.geoms) > 1:
            return k
        followed[k] = Polygon(outer.exterior)
    least = [followed.get(k, tight[k]) for k in range(len(sites))]
    rims = [site.rim for site in sites]
    chips: list[Polygon | None] = [None] * len(sites)
    order = sorted(range(len(sites)), key=lambda k: -sites[k].cut.area)
    for k in order:
        others = [chips[j] or least[j] for j in range(len(sites)) if j != k]
        cuts = [sites[j].cut for j in range(len(sites)) if j != k]

        def fits(outline: Polygon, others=others, cuts=cuts, in_air=False) -> bool:
            if not field.covers(outline) or any(not apart(outline, cut) for cut in cuts):
                return False
            if in_air:
                return all(overlap_in_air(outline, other, rims) for other in others)
            return all(apart(outline, other) for other in others)

        forms = (
            [least[k]]
            if k in followed
            else [grown_hull(sites[k].cut, edge, added=share) for share in (() if sparing else (0.04, 0.015))]
            + [tight[k]]
            + _clipped(tight[k], sites[k].cut, field, edge)
        )
        chips[k] = _first_fitting(forms, fits, square)
        if chips[k] is None:
            return k
    return [chip for chip in chips if chip is not None]


def _clipped(outline: Polygon, cut: Shape, field: Polygon, edge_mm: float) -> list[Polygon]:
    """The outline without the hair by which it sticks out of the plate, where cut and edge fill that to the last bit."""
    if field.covers(outline):
        return []
    inside = shapely.intersection(outline, field)
    if not isinstance(inside, Polygon):
        return []
    near = shapely.distance(inside.exterior, cut) if inside.covers(cut) else 0.0
    kept = near >= edge_mm - TINY_MM and shapely.difference(cut, inside).area <= TINY_MM * cut.length
    return [inside] if kept else []


def _first_fitting(forms: Sequence[Polygon], fits, square: bool) -> Polygon | None:
    for in_air in (False, True):

        def allowed(outline: Polygon, in_air=in_air) -> bool:
            return fits(outline, in_air=in_air)

        for form in forms:
            if not allowed(form):
                continue
            if not square:
                return form
            left = _reaching(form, 0, allowed)
            both = _reaching(left, 1, allowed) if left is not None else None
            if both is not None:
                return both
    return None
