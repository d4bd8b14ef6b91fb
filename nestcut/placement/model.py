"""The OR-Tools placement model: choose among exact places, so that no two chosen ones conflict.

A boolean per place; places that may not be chosen together form cliques (at most one of each). Conflicts
are decided on exact geometry before the model sees them, so every solution is an exact layout: there is no
raster and nothing to repair. On a complete set of places (:func:`.candidates.grid_of`) CP-SAT's bound is a
bound for the problem itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from .candidates import grid_of
from .layout import SLACK_MM
from .types import Part, Placed

__all__ = ["choose_places", "conflict_cliques", "fill_on_grid"]

_VALUE_TICKS = 1000  # CP-SAT takes whole numbers only: 1 tick = 0.001 of the largest value
_DETERMINISTIC_PER_MOVE = 0.02


def conflict_cliques(parts: Sequence[Part], places: Sequence[Placed], *, gap_mm: float) -> list[list[int]]:
    """Sets of places of which at most one may be chosen; together they cover every conflict.

    Two places conflict unless they are exactly ``gap_mm`` apart or more (decided with shapely).
    """
    shapes = np.array([one.pose.apply(parts[one.part].shape) for one in places], dtype=object)
    n = len(shapes)
    if n == 0:
        return []
    tree = shapely.STRtree(shapes)
    if gap_mm > SLACK_MM:
        one, two = tree.query(shapes, predicate="dwithin", distance=gap_mm - SLACK_MM)
    else:
        # Touching is allowed: without a skin of the slack a shape must not meet the other.
        cores = shapely.buffer(shapes, -SLACK_MM, join_style="mitre", mitre_limit=10.0)
        one, two = tree.query(cores, predicate="intersects")
    meets = np.zeros((n, n), bool)
    meets[one, two] = True
    meets |= meets.T
    np.fill_diagonal(meets, False)
    # neighbours as the bits of whole numbers
    near = [int.from_bytes(np.packbits(row, bitorder="little").tobytes(), "little") for row in meets]
    left = list(near)
    cliques: list[list[int]] = []
    for i in range(n):
        while left[i]:
            j = (left[i] & -left[i]).bit_length() - 1
            clique = [i, j]
            common = near[i] & near[j]
            while common:
                # grow first along conflicts that are not covered yet
                pool = (common & left[i]) or (common & left[j]) or common
                k = (pool & -pool).bit_length() - 1
                clique.append(k)
                common &= near[k]
            mask = sum(1 << a for a in clique)
            for a in clique:
                left[a] &= ~mask
            cliques.append(sorted(clique))
    return cliques


def choose_places(
    parts: Sequence[Part],
    places: Sequence[Placed],
    cliques: Iterable[Sequence[int]],
    *,
    seconds: float,
    steps: int | None = None,
    seed: int = 0,
    workers: int = 1,
    hint: Sequence[int] = (),
    proportions: Sequence[float] | None = None,
    cover: Iterable[Sequence[int]] = (),
) -> tuple[list[int], float]:
    """The most valuable choice of places.

    Args:
        cliques: sets of places of which at most one may be chosen.
        steps: if given, a deterministic limit instead of ``seconds``.
        hint: places to begin with.
        proportions: whole numbers per part; whole sets count first.
        cover: sets of places of which exactly one must be chosen (puzzles that leave nothing free).
    Returns: numbers of the chosen places, and an upper bound on the value over these places.
    """
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    chosen = [model.new_bool_var("") for _ in places]
    for clique in cliques:
        if len(clique) > 1:
            model.add_at_most_one([chosen[i] for i in clique])
    for group in cover:
        model.add_exactly_one([chosen[i] for i in group])
    by_part: list[list[Any]] = [[] for _ in parts]
    for var, one in zip(chosen, places, strict=True):
        by_part[one.part].append(var)
    for part, group in zip(parts, by_part, strict=True):
        if part.most is not None and part.most < len(group):
            model.add(sum(group) <= part.most)
        if part.least:
            model.add(sum(group) >= part.least)
    top = max((part.value for part in parts), default=1.0)
    whole = all(float(part.value).is_integer() for part in parts)
    ticks = [int(part.value) if whole else int(np.ceil(part.value / top * _VALUE_TICKS)) for part in parts]
    unit = 1.0 if whole else top / _VALUE_TICKS
    total = sum(ticks[k] * sum(group) for k, group in enumerate(by_part) if group)
    if proportions is not None:
        share = [round(p) for p in proportions]
        sets = model.new_int_var(0, len(places), "sets")
        for p, group in zip(share, by_part, strict=True):
            model.add(sum(group) >= p * sets)
            model.add(sum(group) <= p * sets + p)
        model.maximize(sets * (sum(ticks) * max(share) * 2 + 1) + total)
    else:
        model.maximize(total)
    if hint:
        picked = set(hint)
        for i, var in enumerate(chosen):
            model.add_hint(var, i in picked)
    solver = cp_model.CpSolver()
    solver.parameters.catch_sigint_signal = (
        False  # Ctrl-C is ours: OR-Tools would put the default handler back
    )
    solver.parameters.num_workers = workers
    solver.parameters.random_seed = seed % 2**31
    if steps is not None:
        solver.parameters.max_deterministic_time = max(0.1, steps * _DETERMINISTIC_PER_MOVE)
    else:
        solver.parameters.max_time_in_seconds = max(0.05, seconds)
    status = solver.solve(model)
    if status == cp_model.INFEASIBLE:
        return [], 0.0
    bound = float("inf") if proportions is not None else solver.best_objective_bound * unit
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return [], bound
    return [i for i, var in enumerate(chosen) if solver.value(var)], bound


def fill_on_grid(
    parts: Sequence[Part],
    room: Polygon | MultiPolygon,
    *,
    gap_mm: float,
    seconds: float,
    steps: int | None = None,
    seed: int = 0,
    proportions: Sequence[float] | None = None,
) -> tuple[tuple[Placed, ...], float, bool] | None:
    """Fill a room with shapes that have a common grid, exactly.

    Returns: layout, upper bound, and whether the bound holds for the problem itself; None when the shapes
        have no common grid, it is too fine, or a gap is asked for (gaps need no grid).
    """
    if gap_mm > 0:
        return None
    grid = grid_of(parts, room)
    if grid is None:
        return None
    if not grid.places:
        return (), 0.0, True
    cell_of: dict[int, list[int]] = {}
    for i, cells in enumerate(grid.cells):
        for cell in cells.tolist():
            cell_of.setdefault(cell, []).append(i)
    picked, bound = choose_places(
        parts, grid.places, cell_of.values(), seconds=seconds, steps=steps, seed=seed, proportions=proportions
    )
    return tuple(grid.places[i] for i in picked), bound, True
