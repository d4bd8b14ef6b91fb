"""Lay-ups in lanes: every die can see an end of the plate, so that strips of paper can be pulled on under it.

The plate is split across the feed into two ends; each end is divided into lanes along the feed. A lane belongs
to one or more dies that take turns (one is down, the others are lifted), so the paper of a lane never
meets the paper of another and every lane goes through its cuts at its own pace. A strip hangs over the end of the
plate and is pulled inward by the length of a cut from pass to pass.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from nestcut.batch.model import Batch, Die, Pose
from nestcut.passes.common.budget import ENDLESS, Budget
from nestcut.passes.common.plate_rules import HAIR_MM, suits, turns_in_rows, window_size
from nestcut.passes.makers.strips.lane_moves import (
    Copy,
    LaneLayup,
    LaneSlot,
    LaneVariant,
    lane_sides,
    room_across,
    settled,
)
from nestcut.passes.makers.strips.strip_forms import MOST_COLUMNS
from nestcut.passes.parts.papers import Sizes, largest_of, sizes_by_paper

__all__ = ["LaneLayup", "LaneSlot", "lane_layups"]


def lane_layups(
    batch: Batch,
    wanted: Mapping[tuple[str, str], int],
    budget: Budget = ENDLESS,
    *,
    at_least: int,
    most_layups: int = 3,
    work: float = 1.0,
    sizes: Sizes | None = None,
) -> tuple[LaneLayup, ...] | None:
    """Lay-ups in lanes that cut everything in as few passes as the model finds.

    Args:
        wanted: (die, paper) → cuts.
        budget: what it may take, in case the work takes longer than foreseen.
        at_least: a proved lower bound on the passes; the search ends there.
        work: deterministic time for the model (OR-Tools' own unit, about seconds).
        sizes: see :func:`nestcut.passes.parts.papers.largest_of`; for callers that ask often.
    Returns: None where some die fits no lane, or nothing has to be cut.
    """
    copies = _copies(batch, wanted)
    if not copies:
        return None
    best: tuple[LaneLayup, ...] | None = None
    sizes = largest_of(sizes_by_paper(batch)) if sizes is None else sizes
    for count in range(1, most_layups + 1):
        found = _solve(batch, copies, count, budget, at_least=at_least, work=work, sizes=sizes)
        if found and (best is None or _passes(found) < _passes(best)):
            best = found
        if (best is not None and _passes(best) <= at_least) or budget.over():
            break
    return best


def _passes(layups: Sequence[LaneLayup]) -> int:
    return sum(layup.passes for layup in layups)


def _copies(batch: Batch, wanted: Mapping[tuple[str, str], int]) -> list[Copy] | None:
    copies = []
    order = [paper.name for paper in batch.papers]
    for die in batch.dies:
        own = {paper: wanted.get((die.name, paper), 0) for paper in order}
        own = {paper: n for paper, n in own.items() if n > 0}
        if not own:
            continue
        variants = _variants(batch, die, tuple(own))
        if not variants:
            return None
        used = min(die.copies, max(1, sum(own.values())))
        # Even shares: copy k gets every used-th cut of the die's list of papers.
        flat = [paper for paper, n in own.items() for _ in range(n)]
        for k in range(used):
            mine = flat[len(flat) * k // used : len(flat) * (k + 1) // used]
            cuts = tuple((paper, mine.count(paper)) for paper in own if paper in mine)
            if cuts:
                copies.append(Copy(die, cuts, variants, _wide(batch, variants)))
    return copies


def _wide(batch: Batch, variants: Sequence[LaneVariant]) -> tuple[LaneVariant, ...]:
    """The same dies in lanes that are wide enough for several columns of cuts."""
    left, right = lane_sides(batch)
    return tuple(
        replace(variant, width=max(width, variant.width), columns=columns)
        for variant in variants
        for columns, (width, _) in enumerate(variant.rooms, start=2)
        if width <= right - left
    )


def _variants(batch: Batch, die: Die, papers: Sequence[str]) -> tuple[LaneVariant, ...]:
    bases = turns_in_rows(batch, die, papers)
    degrees = list(dict.fromkeys((float(base) + q) % 360.0 for base in bases for q in (0.0, 90.0)))
    if die.turns != "any":
        degrees.sort()
    left, right = lane_sides(batch)
    length = window_size(batch.machine)[1]
    clear, gap, edge = batch.machine.clear_mm, batch.hand.gap_mm, batch.hand.edge_mm
    # Where the edge is wide, a die nearest the end lies so far in that its paper does not stick out too far.
    aside = edge - clear - batch.machine.overhang_mm
    found: dict[tuple[int, float], LaneVariant] = {}
    for deg in degrees:
        if not suits(batch, die, papers, deg):
            continue
        pose = Pose(0.0, 0.0, deg)
        cut, rim = pose.apply(die.cut).bounds, pose.apply(die.rim).bounds
        # The die lies with its cut in the middle of its strip, and the strip on whole millimetres: half a
        # millimetre either way may be lost, and a drawn rim need not lie evenly around its cut.
        middle = (cut[0] + cut[2]) / 2
        side = max(middle - rim[0], rim[2] - middle)
        lane = math.ceil(max(2 * side + gap + 1.0, cut[2] - cut[0] + 2 * edge + 1.0) - 1e-9)
        high, metal = cut[3] - cut[1], max(cut[1] - rim[1], rim[3] - cut[3])
        depth = max(rim[3] - rim[1] + gap, high + 2 * edge, aside + high + metal + gap) + 1.0
        if lane <= right - left and depth <= length + 1.0:
            variant = LaneVariant(deg, cut, rim, lane, depth)
            rooms = [
                room_across(variant, columns, gap, edge, batch.hand.web_mm)
                for columns in range(2, MOST_COLUMNS + 1)
            ]
            found.setdefault((lane, round(depth, 6)), replace(variant, rooms=tuple(rooms)))
    return tuple(found.values())


def _solve(
    batch: Batch,
    copies: Sequence[Copy],
    count: int,
    budget: Budget,
    *,
    at_least: int,
    work: float,
    sizes: Sizes,
) -> tuple[LaneLayup, ...] | None:
    """Which copy lies in which lane of which lay-up, and how often (OR-Tools CP-SAT)."""
    from ortools.sat.python import cp_model

    sides = lane_sides(batch)
    across = sides[1] - sides[0]
    along = math.floor(window_size(batch.machine)[1] + HAIR_MM)
    narrowest = min(v.width for c in copies for v in c.variants)
    lanes = max(1, min(8, across // narrowest, len(copies)))
    most = max(c.total for c in copies)
    horizon = max(at_least, most, sum(c.total for c in copies))
    model = cp_model.CpModel()
    passes = [model.new_int_var(0, horizon, f"x{m}") for m in range(count)]
    places = [(m, e, k) for m in range(count) for e in (0, 1) for k in range(lanes)]
    lies: dict[tuple[int, int, int, int, int], cp_model.IntVar] = {}
    cuts: dict[tuple[int, int, int, int], cp_model.IntVar] = {}
    width = {p: model.new_int_var(0, across, "w") for p in places}
    depth = {(m, e): model.new_int_var(0, along, "d") for m in range(count) for e in (0, 1)}
    for c, copy in enumerate(copies):
        for p in places:
            options = []
            for v, variant in enumerate(copy.variants):
                if math.ceil(variant.depth) > along:
                    continue
                b = model.new_bool_var("b")
                lies[(c, v, *p)] = b
                options.append(b)
                model.add(width[p] >= variant.width).only_enforce_if(b)
            n = model.new_int_var(0, copy.total, "n")
            cuts[(c, *p)] = n
            model.add(n <= copy.total * sum(options))
        model.add(sum(cuts[(c, *p)] for p in places) == copy.total)
        for m in range(count):
            here = [lies[key] for key in lies if key[0] == c and key[2] == m]
            model.add_at_most_one(here)
    for p in places:
        m, e, _ = p
        own = [(key, b) for key, b in lies.items() if key[2:] == p]
        model.add(sum(cuts[(c, *p)] for c in range(len(copies))) <= passes[m])
        model.add(sum(math.ceil(copies[key[0]].variants[key[1]].depth) * b for key, b in own) <= depth[m, e])
    for m in range(count):
        model.add(depth[m, 0] + depth[m, 1] <= along)
        for e in (0, 1):
            model.add(sum(width[m, e, k] for k in range(lanes)) <= across)
            for k in range(lanes - 1):  # lanes of an end are alike: the wider come first
                model.add(width[m, e, k] >= width[m, e, k + 1])
    for m in range(count - 1):
        model.add(passes[m] >= passes[m + 1])
    total = sum(passes)
    model.add(total >= max(at_least, most))
    model.minimize(total)
    solver = budget.solver(5 * work, work=work)
    if solver.solve(model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    left = [dict(c.cuts) for c in copies]
    layups = []
    for m in range(count):
        if not solver.value(passes[m]):
            continue
        lanes_of: dict[tuple[int, int], list[tuple[Copy, LaneVariant, tuple[tuple[str, int], ...]]]] = {}
        for (c, v, mm, e, k), b in lies.items():
            if mm != m or not solver.value(b):
                continue
            number = solver.value(cuts[(c, m, e, k)])
            if not number:
                continue
            taken = []
            for paper in list(left[c]):
                part = min(number, left[c][paper])
                if part:
                    taken.append((paper, part))
                    left[c][paper] -= part
                    number -= part
            lanes_of.setdefault((e, k), []).append((copies[c], copies[c].variants[v], tuple(taken)))
        longest = max(sum(n for *_, taken in own for _, n in taken) for own in lanes_of.values())
        slots = settled(batch, lanes_of, longest, sizes, budget)
        if slots is None:
            return None
        layups.append(LaneLayup(slots, longest))
    return tuple(layups)
