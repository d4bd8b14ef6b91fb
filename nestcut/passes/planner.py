"""The whole plan: plate half, papers, kits, totals – checked before anybody sees it."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace

from nestcut.batch.model import Batch, Demand
from nestcut.errors import BatchError
from nestcut.passes.assemble import assemble
from nestcut.passes.load import line_load
from nestcut.passes.packing import pack_kits, whole_kits
from nestcut.passes.prepare import prepare
from nestcut.passes.realise import Realised, draft_runs, realise
from nestcut.passes.schedule import cuts_wanted, run_tasks
from nestcut.passes.shortage import cut_back, kits_only, shortages
from nestcut.passes.totals import minutes_of
from nestcut.passes.trimming import obey_trims
from nestcut.passes.types import PlatePlan, PlateRun, Room
from nestcut.plan.model import Bound, Plan, Share, Shortage

__all__ = ["Clock", "plan_batch"]

Shares = tuple[tuple[Share, ...], ...]
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
        # Putting the plan together and checking it takes time as well: keep a tenth for that.
        return max(0.0, 0.9 * self.seconds - self.spent())

    def stopped(self) -> bool:
        return bool(self.stop and self.stop())

    def room_for(self, seconds: float) -> bool:
        """Whether a step that took so long the last time can be made again."""
        return not self.stopped() and (self.work_limit is not None or self.left() > seconds)

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
        seconds: time limit, counted once the kernels are compiled; the best checked plan so far is returned.
        seed: the same seed gives the same plan unless the clock cut in.
        workers: processes that search; kept for later, one is used.
        on_progress: called with (seconds, passes, bound, text).
        stop: asked now and then; True ends the search.
        work_limit: most tries of the plate search, in place of the clock.
    Raises: BatchError where nothing can be planned; RuntimeError for a mistake of ours (a plan that the
        checker refuses is never returned).
    """
    prepare(lambda text: on_progress(0.0, None, None, text) if on_progress else None)
    clock = Clock(seconds, work_limit, stop, on_progress, time.monotonic())
    clock.say(None, None, "reading the demand")
    draft = _best_draft(batch, batch.demand, clock, seed)
    asked = draft.shares
    if draft.missing:
        draft = _within_stock(batch, draft, clock, seed)
    return _checked(_finished(batch, draft, asked))


@dataclass(frozen=True, slots=True)
class Draft:
    """A plate plan with its papers. ``bound`` and its proof are for the pieces in ``shares``."""

    plate: PlatePlan
    bound: PlatePlan
    shares: Shares
    realised: Realised

    @property
    def passes(self) -> int:
        return len(self.realised.passes)

    @property
    def missing(self) -> int:
        return sum(self.realised.missing.values())

    @property
    def paper_mm2(self) -> float:
        """Paper in all parts that are used, mm²."""
        parts = {(u.scrap, u.outline.wkb): u.outline.area for d in self.realised.passes for u in d.uses}
        return sum(parts.values())

    @property
    def trims(self) -> int:
        return len({(use.scrap, use.outline.wkb) for draft in self.realised.passes for use in draft.uses})


def _plate(
    batch: Batch, demand: Sequence[Demand], room: Room, seconds: float, clock: Clock, seed: int
) -> PlatePlan:
    from nestcut.passes.plate import plan_plate

    return plan_plate(
        batch,
        demand,
        room=room,
        seconds=max(0.5, seconds),
        seed=seed,
        stop=clock.stop,
        work_limit=clock.work_limit,
        on_progress=lambda _s, _p, bound, text: clock.say(None, bound, f"lay-ups: {text}"),
    )


def _straightened(batch: Batch) -> Batch:
    """The batch with dies that may turn freely kept square to their papers.

    A die across the corner of a small scrap wastes it: the smallest box around the die, turned square
    to the plate, is what fits most scraps.
    """
    from nestcut.passes.kept import chip_angle

    dies = []
    for die in batch.dies:
        if die.turns == "any":
            deg = chip_angle(die.cut)
            die = replace(
                die, turns=tuple(sorted((deg + quarter) % 360.0 for quarter in (0.0, 90.0, 180.0, 270.0)))
            )
        dies.append(die)
    return replace(batch, dies=tuple(dies))


def _best_draft(batch: Batch, demand: Sequence[Demand], clock: Clock, seed: int) -> Draft:
    """The best of several ways to lay dies: hulls first, since papers separate there; then square dies, which
    suit small scraps; then bare rims, where hulls cost passes."""
    best: Draft | None = None
    straight = batch.hand.trims == "straight"
    ways: tuple[tuple[Room, bool], ...] = (
        (("chips", False),) if straight else (("hulls", False), ("hulls", True), ("rims", False))
    )
    failure: BatchError | None = None
    proof: PlatePlan | None = None
    for number, (room, square) in enumerate(ways):
        if best is not None and clock.over():
            break
        if best is not None and not best.missing and square:
            continue
        limit = clock.left() * (0.35 if number == 0 else 0.4)
        try:
            plate = _plate(_straightened(batch) if square else batch, demand, room, limit, clock, seed)
        except BatchError as error:
            failure = failure or error
            continue
        # A bound for dies that are kept square is none for the batch as asked.
        if not square and (proof is None or plate.bound > proof.bound):
            proof = plate
        if proof is None:
            continue
        if number == 0 and batch.hand.trims != "none":
            strips = _in_strips(batch, plate, clock, seed)
            if strips is not None and (best is None or _better(batch, strips, best)):
                best = strips
                clock.say(best.passes, proof.bound, "strips cut")
        if best is not None and not best.missing and best.passes <= proof.bound:
            break
        realised = with_papers(batch, plate.runs, plate.shares, clock, seed)
        if realised is not None:
            draft = Draft(plate, proof, plate.shares, realised)
            if best is None or _better(batch, draft, best):
                best = draft
            clock.say(best.passes, proof.bound, "papers laid")
        if best is not None and not best.missing and best.passes <= proof.bound:
            break
    if best is None or proof is None:
        raise failure or BatchError(
            "no lay-up was found whose dies leave room for the papers between them",
            mend="a smaller edge, a larger gap, a larger plate, or more seconds",
        )
    return replace(best, bound=proof)


def _in_strips(batch: Batch, plate: PlatePlan, clock: Clock, seed: int) -> Draft | None:
    """The same cuts with strips that are pulled on under dies in lanes: far fewer trims."""
    from nestcut.passes.lanes import lane_layups
    from nestcut.passes.strips import realise_strips

    clock.say(None, plate.bound, "lanes and strips")
    layups = lane_layups(batch, cuts_wanted(batch, plate.shares), at_least=plate.bound, seed=seed)
    if layups is None:
        return None
    return Draft(
        plate, plate, plate.shares, obey_trims(batch, realise_strips(batch, layups, stop=clock.stopped))
    )


def _better(batch: Batch, a: Draft, b: Draft) -> bool:
    return _rank(batch, a) < _rank(batch, b)


def _rank(batch: Batch, draft: Draft) -> tuple[float, ...]:
    """What is missing first, then what the person wishes, in their order; fewer trims where all else is equal."""
    runs = draft.realised.runs
    used = {draft_pass.run for draft_pass in draft.realised.passes}
    cranks = sum(
        max((runs[one.run].sites[slot].die.trips for use in one.uses for slot in use.slots), default=1)
        for one in draft.realised.passes
    )
    figures = {
        "passes": float(draft.passes),
        "changes": float(len(used)),
        "trims": float(draft.trims),
        "paper": draft.paper_mm2,
        "minutes": minutes_of(
            batch.machine,
            cranks=cranks,
            dies_set_up=sum(len(runs[run].task.slots) for run in used),
            trims=draft.trims,
        ),
    }
    return (float(draft.missing), *(figures[wish] for wish in batch.wishes.order), figures["trims"])


def with_papers(
    batch: Batch,
    plate_runs: Sequence[PlateRun],
    shares: Shares,
    clock: Clock,
    seed: int,
    *,
    sparing: bool = False,
    most_tries: int = 6,
) -> Realised | None:
    """The lay-ups with papers under their dies, parts shared by neighbours where the stock allows it.

    Args:
        sparing: go straight to the way that takes the least paper.
    Returns: None where some lay-up leaves no room for papers.
    """
    wanted = cuts_wanted(batch, shares)
    tasks, lost = run_tasks(batch, plate_runs, wanted)
    runs = draft_runs(batch, tasks, sparing=sparing)
    if runs is None:
        return None
    last = len(WASTES) - 1
    level: dict[str, int] = {paper.name: last if sparing else 0 for paper in batch.papers}
    best: Realised | None = None
    while True:
        tries = most_tries if sparing or all(k == last for k in level.values()) else 2
        wastes = {paper: WASTES[k] for paper, k in level.items()}
        got = realise(batch, runs, waste=wastes, seed=seed, tries=tries, stop=clock.over)
        got = obey_trims(batch, got)
        if best is None or sum(got.missing.values()) < sum(best.missing.values()):
            best = got
        short = {paper for _, paper in got.missing}
        raised = [paper for paper in short if level[paper] < last]
        if not raised or clock.over():
            break
        for paper in raised:
            level[paper] += 1
    best.missing.update(lost)
    if best.missing and not sparing and not clock.over():
        tight = with_papers(batch, plate_runs, shares, clock, seed, sparing=True, most_tries=most_tries)
        if tight is not None and sum(tight.missing.values()) < sum(best.missing.values()):
            return tight
    return best


def _gone(batch: Batch, shares: Shares, missing: Counter[tuple[str, str]]) -> dict[tuple[str, str], int]:
    """(die, paper) → pieces of the shares that are not cut."""
    wanted = cuts_wanted(batch, shares)
    have: Counter[tuple[str, str]] = Counter()
    for line in shares:
        for share in line:
            have[share.die, share.paper] += share.count
    gone = {}
    for key, cuts in missing.items():
        left = (wanted[key] - cuts) * batch.die(key[0]).pieces
        if have[key] > left:
            gone[key] = have[key] - left
    return gone


def _within_stock(batch: Batch, draft: Draft, clock: Clock, seed: int) -> Draft:
    """The draft cut back to what the scraps give: spares go first, then as many whole kits as can be."""
    full, demand = draft.shares, batch.demand
    papers = {paper for _, paper in draft.realised.missing}

    def met(shares: Shares) -> list[int]:
        return [sum(s.count for s in line) for line in shares]

    def tried(shares: Shares) -> tuple[Shares, Realised] | None:
        got = with_papers(batch, draft.plate.runs, shares, clock, seed, sparing=True)
        return (
            None if got is None else (cut_back(batch, demand, shares, _gone(batch, shares, got.missing)), got)
        )

    kept = cut_back(batch, demand, full, _gone(batch, full, draft.realised.missing))
    best = (whole_kits(batch, demand, met(kept)), sum(met(kept)), kept, draft.realised)
    low, high = best[0], batch.kits
    base = kept
    # How long one try takes; replanning at the end takes up to three.
    took = 0.5
    while low < high and clock.room_for(4 * took):
        middle = (low + high + 1) // 2
        began = clock.spent()
        got = tried(kits_only(batch, demand, full, middle, papers))
        took = max(took, clock.spent() - began)
        if got is None:
            break
        whole = whole_kits(batch, demand, met(got[0]))
        if (whole, sum(met(got[0]))) > best[:2]:
            best = (whole, sum(met(got[0])), got[0], got[1])
        if whole >= middle:
            low, base = middle, got[0]
        else:
            high = middle - 1
    # Beyond the whole kits: as many further pieces as the paper gives.
    for part in (1.0, 0.6, 0.3):
        if base is kept or not clock.room_for(4 * took):
            break
        target = _between(base, full, part)
        got = tried(target)
        if got is not None:
            whole = whole_kits(batch, demand, met(got[0]))
            if (whole, sum(met(got[0]))) > best[:2]:
                best = (whole, sum(met(got[0])), got[0], got[1])
    return _replanned(batch, draft, best[2], best[3], clock, seed, took)


def _between(low: Shares, high: Shares, part: float) -> Shares:
    """Shares part of the way from one to the other, line by line."""
    result = []
    for a, b in zip(low, high, strict=True):
        have = {(s.die, s.paper): s.count for s in a}
        result.append(
            tuple(
                Share(
                    s.die,
                    s.paper,
                    have.get((s.die, s.paper), 0) + round(part * (s.count - have.get((s.die, s.paper), 0))),
                )
                for s in b
            )
        )
    return tuple(tuple(s for s in line if s.count > 0) for line in result)


def _replanned(
    batch: Batch, draft: Draft, shares: Shares, laid: Realised, clock: Clock, seed: int, took: float
) -> Draft:
    """Bound for the pieces that can be had, and other lay-ups where those would save passes.

    ``laid`` holds the papers of the try that the shares come from: what it cuts is what they give out.
    """
    demand = [
        replace(line, count=sum(s.count for s in own), spares=0)
        for line, own in zip(batch.demand, shares, strict=True)
    ]
    proof = _plate(batch, demand, draft.plate.room, clock.left() - 3 * took, clock, seed)
    best = Draft(draft.plate, proof, shares, replace(laid, missing=Counter()))
    for runs, own in ((draft.plate.runs, shares), (proof.runs, proof.shares)):
        if best.passes <= proof.bound or not clock.room_for(2 * took):
            break
        other = with_papers(batch, runs, own, clock, seed, sparing=True)
        if other is not None and not other.missing:
            candidate = Draft(draft.plate, proof, own, other)
            if _better(batch, candidate, best):
                best = candidate
    return best


def _finished(batch: Batch, draft: Draft, asked: Shares) -> Plan:
    bound = draft.bound
    plan = assemble(
        batch,
        batch.demand,
        draft.shares,
        draft.realised,
        Bound(bound.bound, bound.reason),
        proof=bound.proof,
        short=_short(batch, draft, asked),
        packing=pack_kits(batch, batch.demand, draft.shares),
    )
    dies = {die.name: die for die in plan.dies}
    loads = {layup.id: asdict(line_load(layup.slots, dies, plan.machine)) for layup in plan.layups}
    return replace(plan, extras={**plan.extras, "loads": loads})


def _short(batch: Batch, draft: Draft, asked: Shares) -> tuple[Shortage, ...]:
    met = [sum(s.count for s in line) for line in draft.shares]
    if all(m >= line.count for m, line in zip(met, batch.demand, strict=True)):
        return ()
    return shortages(batch, batch.demand, asked, draft.shares)


def _checked(plan: Plan) -> Plan:
    """The plan, if the independent checker finds nothing wrong with it."""
    from nestcut.check import check_plan

    report = check_plan(plan)
    if not report.ok:
        lines = "; ".join(fault.message for fault in report.faults[:3])
        raise RuntimeError(f"the planner made a plan that the checker refuses: {lines}")
    return plan
