"""The plate half of the planner: which dies ride together, where they lie, how often, and the proof.

Papers are known here only as options of a line of demand, as turn rules and as rough supplies; what lies
under the dies in every pass is decided by the paper half.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations
from typing import Any

from nestcut.batch.model import Batch, Demand
from nestcut.errors import BatchError, Where
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.types import Footprint, PlatePlan, PlateRun, Supply
from nestcut.passes.plate.bound import PlateBound, proof_json, prove
from nestcut.passes.plate.footprints import DieFootprint, footprints_of
from nestcut.passes.plate.layups import ChosenLayups, choose_layups, fewest_passes, needed_slots, share_evenly
from nestcut.passes.plate.master import PlateTask, make_task
from nestcut.passes.plate.paper_bound import paper_bound
from nestcut.passes.plate.patterns import PatternBook
from nestcut.passes.plate.reasons import explain
from nestcut.passes.plate.search import PlateSearch
from nestcut.passes.plate.wishes import by_wish
from nestcut.plans.model import Share, Slot

__all__ = ["Books", "TradeOff", "bound_alone", "plan_plate", "searched", "trade_off"]

LAST_S = 1.0
"""Seconds beyond the search for a bound by papers."""
JOINABLE = 0.9
"""Sets that fill more of the window are not tried when lay-ups are joined."""


def plan_plate(
    batch: Batch,
    demand: Sequence[Demand],
    *,
    supplies: Sequence[Supply] = (),
    footprint: Footprint = "rims",
    seconds: float,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
    on_progress: Callable[[float, int, int, str], None] | None = None,
    work_limit: int | None = None,
    book: PatternBook | None = None,
    apart: bool = True,
) -> PlatePlan:
    """Lay-ups, how often each goes through, and a proved lower bound on the passes.

    Args:
        demand: lines in pieces; a die with k pieces per cut gives k per pass and copy.
        supplies: what papers can give; all are kept.
        footprint: what a die keeps for itself; the bound always counts rims.
        seconds: time limit; without effect when ``work_limit`` is given.
        seed: the same seed gives the same plan unless the clock cut in.
        stop: asked now and then; True ends the search with the best so far.
        on_progress: called with (seconds, passes, bound, text).
        work_limit: most tries to lay a set of dies, in place of the clock.
        book: what an earlier search of the same dies, footprint and window found; what is found now is added.
        apart: move the dies of each lay-up apart; needless where only the numbers are wanted.
    Returns: runs whose cuts meet the demand exactly as ``shares`` says.
    Raises: BatchError when a needed die fits the plate at no allowed angle that was found, when no die or
        paper may meet a line, or when the supplies can't give the demand.
    """
    budget = Budget(seconds, work_limit, seed, stop)
    search, dies = searched(batch, demand, supplies, footprint, budget, on_progress, book)
    if search is None:
        return PlatePlan(
            (),
            tuple(() for _ in demand),
            0,
            "nothing has to be cut",
            footprint=footprint,
            proved_footprint=True,
        )
    assert search.best is not None
    assert search.bound is not None
    search.say("choosing lay-ups")
    choice = by_wish(
        search.task,
        _short_list(search),
        _fewer(search, dies, _choice(search, dies, seed), seed),
        batch.wishes,
        batch.hand.seconds,
        batch.machine,
        trips=[die.trips for die in dies],
        seconds=max(1.0, min(4.0, budget.left())),
        seed=seed,
    )
    bound, reason, proof = _proved(batch, demand, search, dies)
    runs = tuple(_runs(search, choice, dies, apart))
    plan = PlatePlan(
        runs=runs,
        shares=_shares(search.task, choice),
        bound=bound,
        reason=reason,
        proof=proof,
        footprint=footprint,
        proved_footprint=choice.passes <= search.bound.passes,
    )
    search.say("lay-ups chosen")
    return plan


def _proved(
    batch: Batch, demand: Sequence[Demand], search: PlateSearch, dies: Sequence[DieFootprint]
) -> tuple[int, str, dict[str, Any]]:
    """(passes, reason, proof): by the dies on the plate, or by the papers under them where that says more."""
    bound, task = search.bound, search.bound_task
    assert bound is not None
    last = search.budget.next(search.budget.left() + LAST_S)
    by_papers = paper_bound(batch, demand, task, search.sets, over=last.over)
    if by_papers is None or by_papers.passes <= bound.passes:
        return bound.passes, explain(task, dies, bound, search.book), proof_json(task, bound, search.sets)
    prices = [Fraction(0)] * len(task.dies)
    for (die, _), price in by_papers.prices.items():
        prices[die] = max(prices[die], price)
    whole = PlateBound(by_papers.value, tuple(prices), by_papers.lines)
    proof = {**proof_json(task, whole, search.sets), **by_papers.proof(task)}
    return by_papers.passes, by_papers.reason, proof


class Books:
    """What is known of sets of dies, kept from one search to the next of the same dies, footprint and plate."""

    def __init__(self) -> None:
        self._known: dict[tuple[object, ...], PatternBook] = {}

    def of(self, batch: Batch, demand: Sequence[Demand], footprint: Footprint) -> PatternBook:
        """The book for these dies, whatever number of copies is owned: layouts say nothing about that."""
        dies = tuple(replace(die, copies=1) for die in footprints_of(batch, demand, footprint))
        key = (batch.machine.plate_mm, batch.machine.clear_mm, batch.hand.gap_mm, footprint, dies)
        return self._known.setdefault(key, PatternBook(len(dies)))


def searched(
    batch: Batch,
    demand: Sequence[Demand],
    supplies: Sequence[Supply],
    footprint: Footprint,
    budget: Budget,
    on_progress: Callable[[float, int, int, str], None] | None,
    book: PatternBook | None = None,
) -> tuple[PlateSearch | None, tuple[DieFootprint, ...]]:
    """A finished search, or None when nothing has to be cut. ``book``: what is known from an earlier one."""
    dies = footprints_of(batch, demand, footprint)
    if not dies or all(line.count <= 0 for line in demand):
        return None, dies
    task = make_task(batch, demand, dies, supplies)
    bound_task = make_task(batch, demand, dies, every_die=True)
    _check_lines(demand, task)
    search = PlateSearch(
        task,
        bound_task,
        dies,
        batch.machine.window,
        batch.hand.gap_mm,
        budget=budget,
        report=on_progress,
        book=book,
    )
    homeless = set(search.open())
    if homeless:
        search.task = _without(task, homeless)
        _check_homeless(batch, demand, search.task, dies, homeless)
    search.run()
    if search.best is None:
        raise BatchError(
            "the scraps can't give the pieces that the cards need",
            mend="try fewer kits or spares, more paper, or another paper for some lines",
        )
    return search, dies


def _check_lines(demand: Sequence[Demand], task: PlateTask) -> None:
    for line, (count, options) in zip(demand, task.lines, strict=True):
        if count and not options:
            raise BatchError(
                f"no die and paper can meet this line: {', '.join(line.dies)} in {', '.join(line.papers)}",
                mend="allow another die or paper, or another turn",
                where=Where(element=f"cards: {line.card}"),
            )


def _without(task: PlateTask, homeless: set[int]) -> PlateTask:
    lines = tuple(
        (count, tuple(pair for pair in options if pair[0] not in homeless)) for count, options in task.lines
    )
    return replace(task, lines=lines)


def _check_homeless(
    batch: Batch, demand: Sequence[Demand], task: PlateTask, dies: Sequence[DieFootprint], homeless: set[int]
) -> None:
    for (count, options), line in zip(task.lines, demand, strict=True):
        if count and not options:
            die = next(dies[d] for d in sorted(homeless) if dies[d].name in line.dies)
            width, length = batch.machine.plate_mm
            left, top, right, bottom = die.rim.bounds
            raise BatchError(
                f"the die does not fit on the plate: it is {right - left:.1f} × {bottom - top:.1f} mm, the plate "
                f"{width:g} × {length:g} mm with {batch.machine.clear_mm:g} mm kept clear",
                mend="use a smaller die or a larger plate, or allow other turns",
                where=Where(element=f"dies.{die.name}"),
            )


def _choice(search: PlateSearch, dies: Sequence[DieFootprint], seed: int) -> ChosenLayups:
    """Fewest lay-ups for the fewest passes found."""
    assert search.best is not None
    sets = _short_list(search)
    seconds = max(1.0, min(4.0, search.budget.left()))
    trips = [die.trips for die in dies]
    choice = choose_layups(search.task, sets, search.best.passes, trips=trips, seconds=seconds, seed=seed)
    if choice is not None:
        return choice
    # The short list may be too long for the time: what the master used is enough.
    used = tuple(u for u, times in zip(search.best_sets, search.best.times, strict=True) if times)
    choice = choose_layups(search.task, used, search.best.passes, trips=trips, seconds=30.0, seed=seed)
    if choice is None:  # the master's own solution is a solution: this cannot happen in finite time
        raise RuntimeError("no lay-ups found for a solved master")
    return choice


def _fewer(
    search: PlateSearch, dies: Sequence[DieFootprint], choice: ChosenLayups, seed: int
) -> ChosenLayups:
    """Use the time that is left to join lay-ups: a set that holds the dies of two makes one of them."""
    for effort in (1, 2, 3):
        joined = True
        while joined and len(choice.sets) > 1 and not search.over():
            joined = False
            needs = [
                tuple(needed_slots(cut, times) for cut in cuts)
                for cuts, times in zip(choice.cuts, choice.times, strict=True)
            ]
            whole = tuple(map(max, zip(*needs, strict=True)))
            unions = {tuple(map(max, zip(a, b, strict=True))) for a, b in combinations(needs, 2)} | {whole}
            for union in sorted(unions, key=lambda u: (search.fill(u), u)):
                if search.over():
                    break
                if search.book.is_witnessed(union) or search.fill(union) > JOINABLE:
                    continue
                if search.try_set(union, effort, search.near(union)):
                    joined = True
                    break
            if joined:
                again = _choice(search, dies, seed)
                if len(again.sets) < len(choice.sets):
                    choice = again
    return choice


def _short_list(search: PlateSearch, most: int = 120) -> tuple[tuple[int, ...], ...]:
    """Sets worth considering for lay-ups: those in use first, then by worth and size."""
    assert search.best is not None
    used = [u for u, times in zip(search.best_sets, search.best.times, strict=True) if times]
    prices = search.linear.prices if search.linear is not None else [1.0] * len(search.dies)
    rest = sorted(
        (u for u in search.book.witnesses if u not in used),
        key=lambda u: (-round(sum(p * c for p, c in zip(prices, u, strict=True)), 6), -sum(u), u),
    )
    return tuple([*used, *rest][: max(most, len(used))])


def _runs(
    search: PlateSearch, choice: ChosenLayups, dies: Sequence[DieFootprint], apart: bool
) -> list[PlateRun]:
    """Lay-ups as slots: only dies that are needed, spread apart; longest run first."""
    runs = []
    # Room for hands is worth a tenth of the time, also when the search took all of it; the longest runs first.
    budget = search.budget
    last = budget.next(budget.left() + max(1.0, budget.seconds / 10))

    def late() -> bool:
        return not apart or last.over()

    order = sorted(range(len(choice.sets)), key=lambda k: (-choice.times[k], choice.sets[k]))
    for counts, times, cuts in ((choice.sets[k], choice.times[k], choice.cuts[k]) for k in order):
        runs.append(_run(search, counts, times, cuts, dies, late))
    return runs


def _run(
    search: PlateSearch,
    counts: Sequence[int],
    times: int,
    cuts: Sequence[int],
    dies: Sequence[DieFootprint],
    late: Callable[[], bool],
) -> PlateRun:
    """One lay-up as slots."""
    needed = tuple(needed_slots(cut, times) for cut in cuts)
    assert all(n <= c for n, c in zip(needed, counts, strict=True))
    layout = search.book.layout(needed)
    assert layout is not None
    if not late():
        layout = search.packer.spread(layout, stop=late)
    per_die = {die: list(share_evenly(cuts[die], n, times)) for die, n in enumerate(needed) if n}
    slots, downs = [], []
    for die, pose in layout:
        slots.append(Slot(dies[die].name, pose))
        downs.append(per_die[die].pop(0))
    return PlateRun(tuple(slots), times, tuple(downs))


def _shares(task: PlateTask, choice: ChosenLayups) -> tuple[tuple[Share, ...], ...]:
    return tuple(
        tuple(
            Share(task.dies[die], task.papers[paper], count)
            for (die, paper), count in sorted(line.items())
            if count
        )
        for line in choice.pieces
    )


@dataclass(frozen=True, slots=True)
class TradeOff:
    """One point of the trade-off: with this many lay-ups, so many passes."""

    layups: int
    passes: int
    dies_set_up: int
    proved: bool
    """True if no fewer passes are possible with so many of the lay-ups that were found."""


def trade_off(
    batch: Batch,
    demand: Sequence[Demand],
    *,
    supplies: Sequence[Supply] = (),
    footprint: Footprint = "rims",
    seconds: float = 10.0,
    seed: int = 0,
    most_points: int = 6,
) -> tuple[TradeOff, ...]:
    """Passes against lay-ups, from one lay-up up to as many as save passes."""
    search, _ = searched(batch, demand, supplies, footprint, Budget(seconds * 0.6, seed=seed), None)
    if search is None:
        return ()
    assert search.best is not None
    points: list[TradeOff] = []
    sets = _short_list(search)
    roof = sum(search.task.most_cuts(die) for die in range(len(search.dies)))
    for layups in range(1, most_points + 1):
        choice = fewest_passes(
            search.task, sets, layups, roof=roof, seconds=seconds * 0.4 / most_points, seed=seed
        )
        if choice is None:
            continue
        if points and choice.passes >= points[-1].passes:
            break
        set_up = sum(
            needed_slots(cut, times)
            for cuts, times in zip(choice.cuts, choice.times, strict=True)
            for cut in cuts
        )
        points.append(TradeOff(len(choice.sets), choice.passes, set_up, choice.proved))
        if choice.passes <= search.best.passes:
            break
    return tuple(points)


def bound_alone(
    batch: Batch, demand: Sequence[Demand], book: PatternBook, over: Callable[[], bool] | None = None
) -> PlatePlan:
    """The lower bound for a demand and its proof, without lay-ups; quick, since no set of dies is looked at anew.

    Args:
        book: what is known of sets of these dies.
        over: True ends the search for better prices; every bound on the way is proved.
    """
    dies = footprints_of(batch, demand, "rims")
    none = PlatePlan((), tuple(() for _ in demand), 0, "nothing has to be cut")
    if not dies:
        return none
    task = make_task(batch, demand, dies, every_die=True)
    search = PlateSearch(task, task, dies, batch.machine.window, batch.hand.gap_mm, book=book)
    bound: PlateBound = prove(task, search.sets, [], over=over)
    proof = proof_json(task, bound, search.sets)
    return replace(none, bound=bound.passes, reason=explain(task, dies, bound, search.book), proof=proof)
