"""The whole plan: plate half, papers, kits, totals – checked before anybody sees it."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from nestcut.batch.model import Batch, Demand
from nestcut.errors import BatchError
from nestcut.passes.assemble import assemble
from nestcut.passes.packing import pack_kits
from nestcut.passes.realise import Realised, draft_runs, realise
from nestcut.passes.schedule import cuts_wanted, run_tasks
from nestcut.passes.types import PlatePlan, Room
from nestcut.plan.model import Bound, Plan, Share

__all__ = ["Clock", "plan_batch"]

ProgressCall = Callable[[float, int | None, int | None, str], None]

WASTES = (1.0, 0.25, 0.12, 0.0)
"""How wasteful shared parts may be, first to last resort (share of the part's area)."""


@dataclass
class Clock:
    """Time and work that are left. With a work limit the clock never decides, so plans repeat."""

    seconds: float
    work_limit: int | None
    stop: Callable[[], bool] | None
    on_progress: ProgressCall | None
    start: float

    def spent(self) -> float:
        return time.monotonic() - self.start

    def left(self) -> float:
        return max(0.0, self.seconds - self.spent())

    def stopped(self) -> bool:
        return bool(self.stop and self.stop())

    def over(self) -> bool:
        return self.stopped() or (self.work_limit is None and self.left() <= 0)

    def say(self, passes: int | None, bound: int | None, text: str) -> None:
        if self.on_progress is not None:
            self.on_progress(self.spent(), passes, bound, text)


def plan_batch(
    batch: Batch,
    *,
    seconds: float = 30,
    seed: int = 0,
    workers: int = 1,
    on_progress: ProgressCall | None = None,
    stop: Callable[[], bool] | None = None,
    work_limit: int | None = None,
) -> Plan:
    """Plan a batch: lay-ups, passes, papers, kits; always checked before it is returned.

    Args:
        batch: what is asked.
        seconds: time limit; the best checked plan so far is returned.
        seed: the same seed gives the same plan unless the clock cut in.
        workers: processes that search; kept for later, one is used.
        on_progress: called with (seconds, passes, bound, text).
        stop: asked now and then; True ends the search.
        work_limit: most tries of the plate search, in place of the clock.
    Raises: BatchError where nothing can be planned; RuntimeError for a mistake of ours (a plan that the
        checker refuses is never returned).
    """
    clock = Clock(seconds, work_limit, stop, on_progress, time.monotonic())
    clock.say(None, None, "reading the demand")
    draft = _best_draft(batch, batch.demand, clock, seed)
    return _checked(_finished(batch, draft))


@dataclass(frozen=True, slots=True)
class Draft:
    """A plate plan with its papers."""

    plate: PlatePlan
    shares: tuple[tuple[Share, ...], ...]
    realised: Realised

    @property
    def passes(self) -> int:
        return len(self.realised.passes)

    @property
    def missing(self) -> int:
        return sum(self.realised.missing.values())


def _best_draft(batch: Batch, demand: Sequence[Demand], clock: Clock, seed: int) -> Draft:
    """The best of the rooms: hulls first, since papers separate there; rims where that costs passes."""
    best: Draft | None = None
    rooms: tuple[Room, ...] = ("chips",) if batch.hand.trims == "straight" else ("hulls", "rims")
    bound = 0
    failure: BatchError | None = None
    for number, room in enumerate(rooms):
        share = clock.left() * (0.35 if number == 0 else 0.5)
        try:
            from nestcut.passes.plate import plan_plate

            plate = plan_plate(
                batch, demand, room=room, seconds=max(0.5, share), seed=seed, stop=clock.stop,
                work_limit=clock.work_limit,
                on_progress=lambda s, p, b, text: clock.say(None, b, f"lay-ups: {text}"),
            )  # fmt: skip
        except BatchError as error:
            failure = error
            continue
        bound = max(bound, plate.bound)
        draft = with_papers(batch, plate, clock, seed)
        if draft is not None and (best is None or _better(draft, best)):
            best = draft
            clock.say(draft.passes, bound, "papers laid")
        if best is not None and (best.passes <= bound or clock.over()):
            break
    if best is None:
        raise failure or BatchError(
            "no lay-up was found whose dies leave room for the papers between them",
            mend="a smaller edge, a larger gap, a larger plate, or more seconds",
        )
    return best


def _better(a: Draft, b: Draft) -> bool:
    return (a.missing, a.passes) < (b.missing, b.passes)


def with_papers(batch: Batch, plate: PlatePlan, clock: Clock, seed: int) -> Draft | None:
    """The plate plan with papers under its dies, shared parts where the stock allows them."""
    wanted = cuts_wanted(batch, plate)
    tasks, lost = run_tasks(batch, plate.runs, wanted)
    runs = draft_runs(batch, tasks)
    if runs is None:
        return None
    level: dict[str, int] = {paper.name: 0 for paper in batch.papers}
    best: Realised | None = None
    while True:
        tries = 6 if all(level[p] == len(WASTES) - 1 for p in level) else 2
        wastes = {paper: WASTES[k] for paper, k in level.items()}
        got = realise(batch, runs, waste=wastes, seed=seed, tries=tries, stop=clock.stopped)
        if best is None or sum(got.missing.values()) < sum(best.missing.values()):
            best = got
        short = {paper for _, paper in got.missing}
        raised = [paper for paper in short if level[paper] < len(WASTES) - 1]
        if not raised or clock.over():
            break
        for paper in raised:
            level[paper] += 1
    best.missing.update(lost)
    return Draft(plate, plate.shares, best)


def _finished(batch: Batch, draft: Draft) -> Plan:
    plate = draft.plate
    return assemble(
        batch,
        batch.demand,
        draft.shares,
        draft.realised,
        Bound(plate.bound, plate.reason),
        proof=plate.proof,
        packing=pack_kits(batch, batch.demand, draft.shares),
    )


def _checked(plan: Plan) -> Plan:
    """The plan, if the independent checker finds nothing wrong with it."""
    from nestcut.check import check_plan

    report = check_plan(plan)
    if not report.ok:
        lines = "; ".join(fault.message for fault in report.faults[:3])
        raise RuntimeError(f"the planner made a plan that the checker refuses: {lines}")
    return plan
