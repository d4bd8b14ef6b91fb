"""Few lay-ups: which witnessed sets to set up, how often, and which dies lie idle in them.

After the fewest passes are known, a second whole-number programme chooses, step by step, what the person
wishes next: fewer changes, free lines met by an even mix, fewer dies to set up, fewer second trips.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from nestcut.passes.common.solvers import new_solver
from nestcut.passes.plate.master import Counts, PlateTask, flow_model

__all__ = ["ChosenLayups", "choose_layups", "fewest_passes"]


@dataclass(frozen=True, slots=True)
class ChosenLayups:
    """Lay-ups chosen: for each its set, its passes and how often each die is down; pieces of each line."""

    sets: tuple[Counts, ...]
    times: tuple[int, ...]
    cuts: tuple[tuple[int, ...], ...]
    """Cuts of each die in each lay-up (all its copies together)."""
    pieces: tuple[Mapping[tuple[int, int], int], ...]
    proved: bool
    """True if the number of lay-ups is proved least among the given sets."""

    @property
    def passes(self) -> int:
        return sum(self.times)


class _LayupModel:
    """The programme with everything in it; goals are fixed one after another."""

    def __init__(self, task: PlateTask, sets: Sequence[Counts], passes: int) -> None:
        from ortools.sat.python import cp_model

        self.cp = cp_model
        self.model = cp_model.CpModel()
        self.task, self.sets = task, tuple(sets)
        model = self.model
        self.used = [model.new_bool_var(f"y{index}") for index in range(len(sets))]
        self.times = [model.new_int_var(0, passes, f"x{index}") for index in range(len(sets))]
        for use, time in zip(self.used, self.times, strict=True):
            model.add(time <= passes * use)
            model.add(time >= use)
        self.flows, self.paper_cuts = flow_model(model, task, passes)
        self.cuts: list[dict[int, Any]] = []
        for index, counts in enumerate(sets):
            row = {}
            for die, count in enumerate(counts):
                if count:
                    most = min(count * passes, task.most_cuts(die))
                    row[die] = model.new_int_var(0, most, f"c{index}_{die}")
                    model.add(row[die] <= count * self.times[index])
            self.cuts.append(row)
        for die in range(len(task.dies)):
            given = [row[die] for row in self.cuts if die in row]
            wanted = [cut for (d, _), cut in self.paper_cuts.items() if d == die]
            if wanted:
                model.add(sum(given) == sum(wanted))
        self.total = sum(self.times)
        self.layups = sum(self.used)

    def slots(self):  # type: ignore[no-untyped-def]
        """Dies set up: copies that are down at least once."""
        terms = []
        for index, row in enumerate(self.cuts):
            for die, cut in row.items():
                for copy in range(self.sets[index][die]):
                    # Copy number ``copy`` is needed when the cuts exceed what the ones before can give.
                    need = self.model.new_bool_var("")
                    if copy == 0:
                        self.model.add(cut == 0).only_enforce_if(need.Not())
                    else:
                        self.model.add(cut <= copy * self.times[index]).only_enforce_if(need.Not())
                    terms.append(need)
        return sum(terms)

    def unevenness(self):  # type: ignore[no-untyped-def]
        """Over all lines: the most pieces from one (die, paper) less the least."""
        terms = []
        for (count, options), line in zip(self.task.lines, self.flows, strict=True):
            if len(options) > 1:
                high = self.model.new_int_var(0, count, "")
                low = self.model.new_int_var(0, count, "")
                for var in line.values():
                    self.model.add(var <= high)
                    self.model.add(var >= low)
                terms.append(high - low)
        return sum(terms) if terms else None

    def second_trips(self, trips: Sequence[int]):  # type: ignore[no-untyped-def]
        """Extra cranks: per lay-up, passes in which a die that needs more trips is down."""
        terms = []
        for index, row in enumerate(self.cuts):
            extra = [(die, cut) for die, cut in row.items() if trips[die] > 1]
            if not extra:
                continue
            most = self.model.new_int_var(0, 10**9, "")
            for die, cut in extra:
                self.model.add(self.sets[index][die] * most >= (trips[die] - 1) * cut)
            terms.append(most)
        return sum(terms) if terms else None

    def hint(self, choice: ChosenLayups) -> None:
        """Begin from a known choice."""
        self.model.clear_hints()
        where = {counts: index for index, counts in enumerate(choice.sets)}
        for index, counts in enumerate(self.sets):
            at = where.get(counts)
            self.model.add_hint(self.used[index], int(at is not None))
            self.model.add_hint(self.times[index], choice.times[at] if at is not None else 0)
            for die, cut in self.cuts[index].items():
                self.model.add_hint(cut, choice.cuts[at][die] if at is not None else 0)
        for line, pieces in zip(self.flows, choice.pieces, strict=True):
            for pair, var in line.items():
                self.model.add_hint(var, pieces.get(pair, 0))

    def solve(self, seconds: float, seed: int) -> tuple[ChosenLayups, int] | None:
        """(choice, value of the goal) or None; ``choice.proved`` says whether the goal is proved least."""
        solver = new_solver(seconds=seconds, seed=seed)
        status = solver.solve(self.model)
        if status not in (self.cp.OPTIMAL, self.cp.FEASIBLE):
            return None
        chosen = [index for index in range(len(self.sets)) if solver.value(self.times[index]) > 0]
        cuts = [
            tuple(
                solver.value(self.cuts[index][die]) if die in self.cuts[index] else 0
                for die in range(len(self.task.dies))
            )
            for index in chosen
        ]
        pieces = tuple(
            {pair: solver.value(v) for pair, v in line.items() if solver.value(v)} for line in self.flows
        )
        choice = ChosenLayups(
            tuple(self.sets[index] for index in chosen),
            tuple(solver.value(self.times[index]) for index in chosen),
            tuple(cuts),
            pieces,
            status == self.cp.OPTIMAL,
        )
        return choice, round(solver.objective_value)


def choose_layups(
    task: PlateTask,
    sets: Sequence[Counts],
    passes: int,
    *,
    trips: Sequence[int] | None = None,
    most_layups: int | None = None,
    seconds: float = 4.0,
    seed: int = 0,
) -> ChosenLayups | None:
    """Fewest lay-ups within ``passes`` passes; then few second trips, even free lines, few dies set up.

    Args:
        sets: witnessed sets to choose from.
        passes: passes allowed.
        most_layups: do not ask for fewer than the best, only for at most this many.
    Returns: None if nothing was found in time (or the sets don't allow it).
    """
    first = _LayupModel(task, sets, passes)
    first.model.add(first.total <= passes)
    if most_layups is not None:
        first.model.add(first.layups <= most_layups)
    first.model.minimize(first.layups)
    solved = first.solve(seconds * 0.6, seed)
    if solved is None:
        return None
    choice = solved[0]
    proved = choice.proved
    # From here on only the chosen lay-ups matter: a small programme.
    small = _LayupModel(task, choice.sets, passes)
    small.model.add(small.total <= passes)
    small.hint(choice)
    goals = [
        small.total,
        small.second_trips(trips) if trips is not None and max(trips, default=1) > 1 else None,
        small.unevenness(),
        small.slots(),
    ]
    for goal in goals:
        if goal is None:
            continue
        small.model.minimize(goal)
        solved = small.solve(seconds * 0.1, seed)
        if solved is None:
            continue
        choice, value = solved
        small.hint(choice)
        small.model.add(goal <= value)
    return ChosenLayups(choice.sets, choice.times, choice.cuts, choice.pieces, proved)


def fewest_passes(
    task: PlateTask, sets: Sequence[Counts], layups: int, *, roof: int, seconds: float = 2.0, seed: int = 0
) -> ChosenLayups | None:
    """Fewest passes with at most ``layups`` lay-ups out of the given sets."""
    model = _LayupModel(task, sets, roof)
    model.model.add(model.layups <= layups)
    model.model.minimize(model.total)
    solved = model.solve(seconds, seed)
    return None if solved is None else solved[0]


def share_evenly(total: int, slots: int, most: int) -> tuple[int, ...]:
    """``total`` cuts over ``slots`` copies, none more than ``most``, the first ones first.

    Raises: ValueError if they do not fit.
    """
    if total > slots * most:
        raise ValueError(f"{total} cuts do not fit {slots} × {most}")
    base, extra = divmod(total, max(1, slots))
    return tuple(base + (1 if index < extra else 0) for index in range(slots))


def needed_slots(cuts: int, times: int) -> int:
    """Copies of a die that must lie in a lay-up of ``times`` passes to give ``cuts`` cuts."""
    return math.ceil(cuts / times) if times else 0
