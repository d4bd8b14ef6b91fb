"""The OR-Tools placement model: choose among exact places, so that no two chosen ones conflict.

A boolean per place; places that may not be chosen together form cliques (at most one of each). Conflicts
are decided on exact geometry before the model sees them, so every solution is an exact layout: there is no
raster and nothing to repair. On a complete set of places (:func:`.candidates.grid_of`) CP-SAT's bound is a
bound for the problem itself; on places that a search came by, it only says that these hold no more.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from nestcut.placement.exact.candidates import grid_of
from nestcut.placement.shapes.types import Part, Placed

__all__ = [
    "Wish",
    "add_sets",
    "choose_places",
    "cliques_of",
    "fill_on_grid",
    "limited_solver",
    "stopping",
    "value_ticks",
    "whole_shares",
]

_VALUE_TICKS = 1000  # CP-SAT takes whole numbers only: 1 tick = 0.001 of the largest value
_DETERMINISTIC_PER_MOVE = 0.02
"""OR-Tools' own measure of work, for one step of ours."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What is wanted beside value: proportions, and what lies outside of the places to choose from."""

    proportions: tuple[int, ...] | None = None
    """Whole numbers per part. Sets count first, and no part gets ahead by more than one set."""
    kept: tuple[int, ...] = ()
    """How many of each part lie elsewhere already (``most``, ``least`` and sets count them)."""

    def with_kept(self, kept: Sequence[int] | NDArray[np.int64]) -> Wish:
        """The same wish beside other kept pieces."""
        return replace(self, kept=tuple(int(n) for n in kept))


def whole_shares(proportions: Sequence[float]) -> tuple[int, ...]:
    """Proportions as the smallest whole numbers (1.5, 1 → 3, 2), within a thousandth."""
    shares = [Fraction(p).limit_denominator(1000) for p in proportions]
    scale = math.lcm(*(share.denominator for share in shares))
    whole = [int(share * scale) for share in shares]
    common = math.gcd(*whole) or 1
    return tuple(n // common for n in whole)


def cliques_of(n: int, pairs: NDArray[np.int64]) -> list[list[int]]:
    """Cliques of a graph that together cover all its edges, grown greedily.

    Args: n nodes; pairs (m, 2), in any order; loops are ignored.
    """
    meets = np.zeros((n, n), bool)
    meets[pairs[:, 0], pairs[:, 1]] = True
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
    kinds: Sequence[int] | NDArray[np.int64],
    cliques: Iterable[Sequence[int]],
    *,
    seconds: float,
    steps: int | None = None,
    seed: int = 0,
    workers: int = 1,
    hint: Iterable[int] = (),
    wish: Wish | None = None,
    cover: Iterable[Sequence[int]] = (),
    lean: NDArray[np.int64] | None = None,
    stop: Callable[[], bool] | None = None,
) -> tuple[list[int], float]:
    """The most valuable choice of places.

    Args:
        kinds: for each place, the part that would lie there.
        cliques: sets of places of which at most one may be chosen.
        steps: if given, a deterministic limit instead of ``seconds``.
        hint: places to begin with.
        wish: proportions, and pieces that lie elsewhere.
        cover: sets of places of which exactly one must be chosen (puzzles that leave nothing free).
        lean: whole numbers ≥ 0 that decide between choices of the same worth (the larger sum wins).
        stop: asked ten times a second; True ends the search with the best choice so far.
    Returns: numbers of the chosen places, and an upper bound on the value over these places.
    """
    from ortools.sat.python import cp_model

    wish = wish or Wish()
    kept = wish.kept or (0,) * len(parts)
    model = cp_model.CpModel()
    chosen = [model.new_bool_var("") for _ in kinds]
    for clique in cliques:
        if len(clique) > 1:
            model.add_at_most_one([chosen[i] for i in clique])
    for group in cover:
        model.add_exactly_one([chosen[i] for i in group])
    by_part: list[list[Any]] = [[] for _ in parts]
    for var, part in zip(chosen, kinds, strict=True):
        by_part[int(part)].append(var)
    for part, group, there in zip(parts, by_part, kept, strict=True):
        if part.most is not None and part.most - there < len(group):
            model.add(sum(group) <= max(0, part.most - there))
        if part.least > there:
            model.add(sum(group) >= part.least - there)
    ticks, unit = value_ticks(parts)
    picked = set(hint)
    goal = sum(ticks[k] * sum(group) for k, group in enumerate(by_part) if group)
    if wish.proportions is not None:
        picked_by_part = (
            np.bincount([int(kinds[i]) for i in picked], minlength=len(parts)) if picked else None
        )
        goal = goal + add_sets(model, by_part, kept, wish.proportions, ticks, picked_by_part)
    if lean is not None and len(kinds):
        goal = goal * (int(lean.max()) * len(kinds) + 1) + sum(
            int(w) * var for w, var in zip(lean, chosen, strict=True)
        )
    model.maximize(goal)
    if picked:
        for i, var in enumerate(chosen):
            model.add_hint(var, int(i in picked))
    solver = limited_solver(seconds, steps=steps, seed=seed, workers=workers)
    with stopping(solver, stop):
        status = solver.solve(model)
    if status == cp_model.INFEASIBLE:
        return [], 0.0
    plain = wish.proportions is None and lean is None
    bound = solver.best_objective_bound * unit if plain else float("inf")
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return [], bound
    return [i for i, var in enumerate(chosen) if solver.value(var)], bound


def limited_solver(seconds: float, *, steps: int | None = None, seed: int = 0, workers: int = 1) -> Any:
    """A CP-SAT solver that ends after ``seconds``, or, if given, after so many ``steps`` (deterministic)."""
    from ortools.sat.python import cp_model

    solver = cp_model.CpSolver()
    # Ctrl-C is ours: OR-Tools would put the default handler back
    solver.parameters.catch_sigint_signal = False
    solver.parameters.num_workers = workers
    solver.parameters.random_seed = seed % 2**31
    if steps is not None:
        solver.parameters.max_deterministic_time = max(0.1, steps * _DETERMINISTIC_PER_MOVE)
    else:
        solver.parameters.max_time_in_seconds = max(0.05, seconds)
    return solver


def value_ticks(parts: Sequence[Part]) -> tuple[list[int], float]:
    """Values as whole numbers, and what one of them is worth; rounded up, so that bounds stay bounds."""
    top = max((part.value for part in parts), default=1.0)
    if all(float(part.value).is_integer() for part in parts) or top <= 0:
        return [int(part.value) for part in parts], 1.0
    return [math.ceil(part.value / top * _VALUE_TICKS - 1e-9) for part in parts], top / _VALUE_TICKS


def add_sets(
    model: Any,
    by_part: list[list[Any]],
    kept: Sequence[int],
    shares: tuple[int, ...],
    ticks: Sequence[int],
    hinted: NDArray[np.int64] | None,
) -> Any:
    """Proportions as constraints; returns what the sets weigh in the goal (more than any value can)."""
    whole = math.lcm(*(p for p in shares if p > 0))
    most = [there + len(group) for there, group in zip(kept, by_part, strict=True)]
    # in ``whole``-ths of a set, so that a set that is begun counts too
    sets = model.new_int_var(0, max(most, default=0) * whole, "sets")
    for p, group, there in zip(shares, by_part, kept, strict=True):
        if p > 0:
            model.add((there + sum(group)) * (whole // p) >= sets)
            model.add((there + sum(group)) * (whole // p) <= sets + whole)
        elif group:
            model.add(sum(group) == 0)
    if hinted is not None:
        begun = [
            (n + there) * (whole // p) for n, there, p in zip(hinted, kept, shares, strict=True) if p > 0
        ]
        model.add_hint(sets, int(min(begun)))
    return sets * (sum(n * tick for n, tick in zip(most, ticks, strict=True)) + 1)


@contextmanager
def stopping(solver: Any, stop: Callable[[], bool] | None) -> Iterator[None]:
    """Ends the solver soon after ``stop`` says so."""
    if stop is None:
        yield
        return
    done = threading.Event()

    def watch() -> None:
        while not done.wait(0.1):
            if stop():
                solver.stop_search()
                return

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        yield
    finally:
        done.set()
        watcher.join()


def fill_on_grid(
    parts: Sequence[Part],
    room: Polygon | MultiPolygon,
    *,
    gap_mm: float,
    seconds: float,
    steps: int | None = None,
    seed: int = 0,
    proportions: Sequence[float] | None = None,
    stop: Callable[[], bool] | None = None,
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
    wish = Wish(whole_shares(proportions) if proportions is not None else None)
    picked, bound = choose_places(
        parts, [one.part for one in grid.places], cell_of.values(),
        seconds=seconds, steps=steps, seed=seed, wish=wish, stop=stop,
    )  # fmt: skip
    return tuple(grid.places[i] for i in picked), bound, True
