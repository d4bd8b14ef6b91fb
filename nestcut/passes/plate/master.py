"""The master problem: how often each set of dies goes through the rollers.

A *set* is a tuple of counts, one per die (how many copies lie on the plate). The linear programme is the
pattern formulation of cutting stock (Gilmore & Gomory 1961, 1963) with free lines: a line of demand may be
met by several dies and papers. Its duals price the dies; the whole-number master is OR-Tools CP-SAT.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from nestcut.batch.model import Batch, Demand
from nestcut.passes.common.solvers import new_solver
from nestcut.passes.common.turns import plate_turns
from nestcut.passes.common.types import Supply
from nestcut.passes.plate.footprints import DieFootprint

__all__ = ["Counts", "LinearMaster", "PlateTask", "make_task", "solve_integer", "solve_linear"]

Counts = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class PlateTask:
    """Demand and supply with numbers instead of names."""

    dies: tuple[str, ...]
    pieces: tuple[int, ...]
    """Pieces per cut of each die."""
    papers: tuple[str, ...]
    lines: tuple[tuple[int, tuple[tuple[int, int], ...]], ...]
    """(pieces wanted, ((die, paper), …) that may meet them); lines without pieces have no options."""
    limits: tuple[tuple[float, tuple[tuple[int, int, float], ...]], ...] = ()
    """(total mm², ((die, paper, mm² per cut), …)) of each supply."""

    @property
    def pairs(self) -> tuple[tuple[int, int], ...]:
        """All (die, paper) that some line may use."""
        return tuple(sorted({pair for _, options in self.lines for pair in options}))

    def most_cuts(self, die: int) -> int:
        """Cuts of the die if it alone met every line that may use it."""
        total = sum(count for count, options in self.lines if any(d == die for d, _ in options))
        # One cut too many per paper at most, when a die gives several pieces per cut.
        return math.ceil(total / self.pieces[die]) + (len(self.papers) if self.pieces[die] > 1 else 0)


def make_task(
    batch: Batch,
    demand: Sequence[Demand],
    footprints: Sequence[DieFootprint],
    supplies: Sequence[Supply] = (),
    *,
    every_die: bool = False,
) -> PlateTask:
    """Number dies and papers; drop pairs that turn rules or missing supplies rule out.

    ``every_die`` keeps every die that a line names, as the proof of the bound must price them all.
    """
    number = {die.name: index for index, die in enumerate(footprints)}
    papers = tuple(paper.name for paper in batch.papers)
    paper_number = {name: index for index, name in enumerate(papers)}
    supplied: dict[str, set[str]] = {}
    for supply in supplies:
        supplied.setdefault(supply.paper, set()).update(supply.per_cut_mm2)
    lines = []
    for line in demand:
        options = []
        for die in line.dies:
            for paper in line.papers:
                if line.count <= 0 or (paper in supplied and die not in supplied[paper]):
                    continue
                turns = plate_turns(batch.die(die), batch.paper(paper), papers=batch.hand.papers)
                if turns or every_die:
                    options.append((number[die], paper_number[paper]))
        lines.append((max(0, line.count), tuple(options)))
    limits = tuple(
        (
            supply.total_mm2,
            tuple(
                (number[die], paper_number[supply.paper], area)
                for die, area in supply.per_cut_mm2.items()
                if die in number
            ),
        )
        for supply in supplies
    )
    return PlateTask(
        dies=tuple(die.name for die in footprints),
        pieces=tuple(die.pieces for die in footprints),
        papers=papers,
        lines=tuple(lines),
        limits=limits,
    )


@dataclass(frozen=True, slots=True)
class LinearMaster:
    """Optimum of the linear master: value, passes of each set, price of one cut of each die."""

    value: float
    times: tuple[float, ...]
    prices: tuple[float, ...]


def solve_linear(task: PlateTask, sets: Sequence[Counts], *, limits: bool = True) -> LinearMaster | None:
    """Least Σ passes over the given sets. None if they can't meet the demand.

    Variables: passes x_u, cuts c of each (die, paper), pieces f of each line's (die, paper).
    """
    from scipy.optimize import linprog
    from scipy.sparse import coo_matrix

    pairs = task.pairs
    pair_number = {pair: index for index, pair in enumerate(pairs)}
    n_sets, n_pairs = len(sets), len(pairs)
    n_free = sum(len(options) for _, options in task.lines)
    n = n_sets + n_pairs + n_free
    rows: list[int] = []
    cols: list[int] = []
    vals: list[float] = []
    bounds_ub: list[float] = []

    def put(row: int, col: int, val: float) -> None:
        rows.append(row)
        cols.append(col)
        vals.append(val)

    n_dies = len(task.dies)
    for index, counts in enumerate(sets):
        for die, count in enumerate(counts):
            if count:
                put(die, index, -count)
    for pair, index in pair_number.items():
        put(pair[0], n_sets + index, 1.0)  # Σ cuts ≤ Σ u_d x_u
        put(n_dies + index, n_sets + index, -task.pieces[pair[0]])  # Σ pieces ≤ pieces per cut · cuts
    bounds_ub = [0.0] * (n_dies + n_pairs)
    eq_rows: list[int] = []
    eq_cols: list[int] = []
    col = n_sets + n_pairs
    wanted = []
    for row, (count, options) in enumerate(task.lines):
        wanted.append(float(count))
        for pair in options:
            put(n_dies + pair_number[pair], col, 1.0)
            eq_rows.append(row)
            eq_cols.append(col)
            col += 1
        if count and not options:
            return None
    if limits:
        for total, takes in task.limits:
            for die, paper, area in takes:
                if (die, paper) in pair_number:
                    put(len(bounds_ub), n_sets + pair_number[(die, paper)], area)
            bounds_ub.append(total)
    cost = np.zeros(n)
    cost[:n_sets] = 1.0
    a_ub = coo_matrix((vals, (rows, cols)), shape=(len(bounds_ub), n)).tocsr()
    a_eq = coo_matrix((np.ones(len(eq_rows)), (eq_rows, eq_cols)), shape=(len(wanted), n)).tocsr()
    res = linprog(cost, A_ub=a_ub, b_ub=bounds_ub, A_eq=a_eq, b_eq=wanted, method="highs")
    if res.status != 0:
        return None
    prices = tuple(max(0.0, -float(price)) for price in res.ineqlin.marginals[:n_dies])
    return LinearMaster(float(res.fun), tuple(float(x) for x in res.x[:n_sets]), prices)


@dataclass(frozen=True, slots=True)
class IntegerMaster:
    """A whole-number solution: passes of each set and pieces per line and (die, paper)."""

    passes: int
    times: tuple[int, ...]
    pieces: tuple[Mapping[tuple[int, int], int], ...]
    proved: bool
    """True if no fewer passes are possible with these sets."""


def solve_integer(
    task: PlateTask,
    sets: Sequence[Counts],
    *,
    start: LinearMaster | None = None,
    at_least: int = 0,
    seconds: float = 5.0,
    seed: int = 0,
) -> IntegerMaster | None:
    """Fewest passes in whole numbers over the given sets; stops as soon as ``at_least`` is reached.

    Large numbers of passes are taken from the linear optimum, rounded down with some slack, so that the
    work does not grow with the number of kits; a proof of optimality is then only claimed by ``at_least``.
    """
    from ortools.sat.python import cp_model

    linear = start or solve_linear(task, sets)
    if linear is None:
        return None
    used = [index for index, value in enumerate(linear.times) if value > 1e-9]
    slack = len(task.dies) + 3
    roof = sum(math.ceil(value - 1e-9) for value in linear.times) + slack
    model = cp_model.CpModel()
    times, cut_down = [], False
    for index, value in enumerate(linear.times):
        low = max(0, math.floor(value) - slack)
        cut_down = cut_down or low > 0
        high = math.ceil(value) + slack if index in used else slack * 2
        if high < roof and index not in used:
            cut_down = True
        times.append(model.new_int_var(low, max(low, min(high, roof)), f"x{index}"))
    flows, cuts = flow_model(model, task, roof)
    for die in range(len(task.dies)):
        model.add(
            sum(counts[die] * times[index] for index, counts in enumerate(sets) if counts[die])
            >= sum(cut for (d, _), cut in cuts.items() if d == die)
        )
    total = sum(times)
    model.add(total >= max(at_least, math.ceil(linear.value - 1e-6)))
    model.minimize(total)
    solver = new_solver(seconds=seconds, seed=seed)
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    passes = tuple(solver.value(x) for x in times)
    pieces = tuple({pair: solver.value(v) for pair, v in line.items() if solver.value(v)} for line in flows)
    value = int(sum(passes))
    return IntegerMaster(value, passes, pieces, (status == cp_model.OPTIMAL and not cut_down))


def flow_model(model, task: PlateTask, roof: int):  # type: ignore[no-untyped-def]
    """Variables and rows for pieces per line and pair, and cuts per pair; supplies rounded to be kept."""
    flows = []
    into: dict[tuple[int, int], list] = {}
    for row, (count, options) in enumerate(task.lines):
        line = {pair: model.new_int_var(0, count, f"f{row}_{pair[0]}_{pair[1]}") for pair in options}
        if options:
            model.add(sum(line.values()) == count)
        for pair, var in line.items():
            into.setdefault(pair, []).append(var)
        flows.append(line)
    cuts = {}
    for pair, parts in into.items():
        cuts[pair] = model.new_int_var(0, task.most_cuts(pair[0]), f"c{pair[0]}_{pair[1]}")
        model.add(task.pieces[pair[0]] * cuts[pair] >= sum(parts))
    for total, takes in task.limits:
        terms = [
            math.ceil(area * 100) * cuts[(die, paper)] for die, paper, area in takes if (die, paper) in cuts
        ]
        if terms:
            model.add(sum(terms) <= math.floor(total * 100))
    return flows, cuts
