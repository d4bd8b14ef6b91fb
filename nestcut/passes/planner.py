"""The whole plan: plate half, papers, kits, totals – checked before anybody sees it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from nestcut import _stopwatch
from nestcut.batch.model import Batch, Demand
from nestcut.errors import BatchError, RefusedPlanError
from nestcut.passes.advice.prepare import prepare
from nestcut.passes.common.clock import Clock, ProgressCall
from nestcut.passes.common.kits import pack_kits
from nestcut.passes.common.load import line_load
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.common.sides import on_better_sides, turned_back
from nestcut.passes.common.solvers import solving_with
from nestcut.passes.common.types import Footprint, PlatePlan
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.drafts.inside import with_openings
from nestcut.passes.drafts.ranking import Draft, better, choices, handiest_of, heavy
from nestcut.passes.makers.chips.papering import straightened, with_papers
from nestcut.passes.makers.mixed.low_trim import handling_matters, in_few_trims
from nestcut.passes.makers.nests.nesting import with_nests
from nestcut.passes.makers.nests.repack import with_repacked
from nestcut.passes.makers.scarce.fallback import Resort
from nestcut.passes.makers.scarce.scarce import asked_of, within_reach, within_stock
from nestcut.passes.makers.strips.strip_drafts import in_strips
from nestcut.passes.plate.lighten import heavy_layups, lightened
from nestcut.passes.short.shortage import shortages
from nestcut.plans.model import Bound, Plan, Shortage

if TYPE_CHECKING:
    from nestcut.passes.plate.solve import Books

__all__ = ["plan_batch"]

ADVICE_S = 6.0
"""Most seconds for what-if; it is left out where the plan took all the time."""

SQUEEZING = 0.4
"""Share of the time left that squeezing the whole demand into the scraps may take."""
NESTING = 0.7
"""Share of the time left for nesting scraps of short papers."""
ABOVE = 1.1
"""Passes by their bound from which a whole plan is not good enough."""
NESTED_MISSING = 0.2
"""Where more of the cuts find no paper, no way of laying them mends it."""
HANDIER = 0.7
"""Share of the time left that plans with few trims may take."""
HANDIEST = 0.8
"""The same where no others are wanted."""
GLANCE_S = 4.0
"""Most seconds for them where the person's wishes come first to fewest passes."""
GLANCE_PASSES = 10_000
"""With more passes even a glance takes longer than that."""
WAYS: dict[str, tuple[tuple[Footprint, bool], ...]] = {
    "scissors": (("hulls", False), ("hulls", True), ("rims", False)),
    "straight": (("chips", False),),
    "none": (("hulls", False),),
}
"""Lay-ups that are tried, by the trims that are allowed: what dies keep for themselves, and whether they are kept square.
Without trims hardly a chip lies as it is: the time is for scraps as they are (:mod:`nestcut.passes.makers.mixed.low_trim`)."""
ANOTHER_WAY = 0.1
"""Share of the whole time that must be left for another way to be begun."""


def plan_batch(
    batch: Batch,
    *,
    seconds: float = 30,
    seed: int = 0,
    workers: int = 1,
    on_progress: ProgressCall | None = None,
    stop: Callable[[], bool] | None = None,
    work_limit: int | None = None,
    advise: bool = False,
) -> Plan:
    """Plan a batch: lay-ups, passes, papers, kits; always checked before it is returned.

    Args:
        batch: what is asked.
        seconds: time limit, counted once the kernels are compiled; the best checked plan so far is returned.
        seed: the same seed gives the same plan unless the clock cut in.
        workers: threads of the solvers; several may give another plan each time.
        on_progress: called with (seconds, passes, bound, text).
        stop: asked now and then; True ends the search.
        work_limit: most tries of the plate search, in place of the clock.
        advise: use time that is left for what-if (``plan.extras["what_if"]``) and list the other drafts
            (``plan.extras["trade_off"]``).
    Raises: BatchError where nothing can be planned; RefusedPlanError for a mistake of ours (a plan that the
        checker refuses is never returned).
    """
    prepare(lambda text: on_progress(0.0, None, None, text) if on_progress else None)
    with solving_with(workers):
        clock = Clock(seconds, work_limit, stop, on_progress, _stopwatch.seconds())
        return _planned(batch, clock, seed, advise)


def _planned(batch: Batch, clock: Clock, seed: int, advise: bool) -> Plan:
    clock.say(None, None, "reading the demand")
    if not any(line.count > 0 for line in batch.demand):
        raise BatchError(
            "no pieces are asked for, so there is nothing to cut", mend="ask for at least one piece of a card"
        )
    from nestcut.passes.plate.solve import Books

    asked = batch
    batch, widths = on_better_sides(asked)

    def told(plan: Plan) -> Plan:
        return turned_back(plan, asked, widths)

    drafts: list[Draft] = []
    tried: list[Draft] = []
    books = Books()
    resort = Resort(batch, books, clock)
    try:
        draft = _best_draft(batch, within_reach(batch), clock, seed, tried, books)
    except BatchError as error:
        # A die or a line that is named can never be met. Else there was no room for papers between dies, or no time.
        if str(error.where):
            raise
        draft = resort.by_hand()
        plan, draft = _sound(batch, draft, tried, clock, resort, told)
        return plan
    drafts += [one for one in tried if not one.missing]
    matters = handling_matters(batch)
    glance = advise and draft.passes <= GLANCE_PASSES
    if batch.hand.trims == "none" or (not draft.missing and (matters or glance)):
        # Only to choose from: a glance will do.
        share = (
            HANDIEST
            if batch.hand.trims == "none"
            else HANDIER
            if matters
            else min(HANDIER, GLANCE_S / max(1.0, clock.left()))
        )
        draft = _handier(batch, draft, drafts, tried, clock, seed, share)
    if draft.missing or resort.unmet(draft):

        def plate_for(demand: Sequence[Demand], footprint: Footprint, limit: float) -> PlatePlan:
            return _plate(batch, demand, footprint, limit, clock, seed, books)

        tried.append(draft)
        hand = resort.by_hand()
        if draft.missing and resort.unmet(hand):
            clock.say(None, None, "paper is short: keeping whole kits")
            # As much again is kept for counting what to buy.
            rest = clock if clock.by_work else replace(clock, seconds=clock.seconds - resort.took_s)
            draft = within_stock(batch, draft, rest, seed, plate_for)
            tried.append(draft)
        if draft.missing or resort.unmet(hand) < resort.unmet(draft):
            draft = hand
        # What was tried before is for other pieces.
        drafts = []
    plan, draft = _sound(batch, draft, tried, clock, resort, told)
    if advise and not plan.nothing_cut:
        plan = replace(plan, extras={**plan.extras, **_advice(batch, plan, draft, drafts, clock, seed)})
    return plan


def _plate(
    batch: Batch,
    demand: Sequence[Demand],
    footprint: Footprint,
    seconds: float,
    clock: Clock,
    seed: int,
    books: Books,
) -> PlatePlan:
    from nestcut.passes.plate.solve import plan_plate

    return plan_plate(
        batch,
        demand,
        footprint=footprint,
        seconds=max(0.5, seconds),
        seed=seed,
        stop=clock.stop,
        work_limit=clock.work_limit,
        book=books.of(batch, demand, footprint),
        on_progress=lambda _s, _p, bound, text: clock.say(None, bound, f"lay-ups: {text}"),
    )


def _best_draft(
    batch: Batch,
    demand: Sequence[Demand],
    clock: Clock,
    seed: int,
    drafts: list[Draft],
    books: Books,
) -> Draft:
    """The best of several ways to lay dies: hulls first, since papers separate there; then square dies, which
    suit small scraps; then bare rims, where hulls cost passes. ``drafts`` is given all that were tried."""
    best: Draft | None = None
    short: Draft | None = None
    chips: Draft | None = None
    ways: tuple[tuple[Footprint, bool], ...] = WAYS.get(batch.hand.trims, WAYS["scissors"])
    failure: BatchError | None = None
    proof: PlatePlan | None = None

    def take(draft: Draft, text: str) -> None:
        nonlocal best, short
        draft = with_openings(batch, draft)
        drafts.append(draft)
        if draft.missing and (short is None or better(batch, draft, short)):
            short = draft
        if best is None or better(batch, draft, best):
            best = draft
        clock.say(best.passes, proof.bound if proof else None, text)

    for number, (footprint, square) in enumerate(ways):
        if best is not None and not clock.room_for(ANOTHER_WAY * clock.seconds):
            break
        # Square dies suit small scraps, bare rims save passes: each answers one kind of trouble.
        if best is not None and square is not bool(best.missing):
            continue
        limit = clock.left() * (0.35 if number == 0 else 0.3)
        try:
            turned = straightened(batch) if square else batch
            plate = _plate(turned, demand, footprint, limit, clock, seed, books)
        except BatchError as error:
            failure = failure or error
            continue
        # A bound for dies that are kept square is none for the batch as asked.
        if not square and (proof is None or plate.bound > proof.bound):
            proof = plate
        if proof is None:
            continue
        plate = lightened(turned, demand, plate, seed=seed, over=clock.within(0.1))
        if number == 0 and batch.hand.trims != "none":
            strips = in_strips(batch, plate, clock, seed)
            if strips is not None:
                take(strips, "strips cut")
        # Strips in lanes lie square to the feed: where they are too hard to crank, chips are tried as well.
        if best is not None and not best.missing and best.passes <= proof.bound and not heavy(batch, best):
            break
        papered = with_papers(batch, plate.runs, plate.shares, clock, seed)
        if papered is not None:
            laid = Draft(plate, proof, plate.shares, papered)
            chips = laid if chips is None or better(batch, laid, chips) else chips
            take(laid, "papers laid")
        if best is not None and not best.missing and best.passes <= proof.bound:
            break
    if best is None or proof is None:
        raise failure or BatchError(
            "no lay-up leaves enough space between the dies for the paper",
            mend="a smaller edge, a larger gap, a larger plate, or more seconds",
        )
    if batch.hand.trims != "scissors":
        return replace(best, bound=proof)
    if _wanting(best, proof) and short is not None and not clock.over():
        # Squeezing takes time: only on the lay-ups that get along best with these scraps.
        clock.say(best.passes, proof.bound, "squeezing parts together")
        roomy = chips or short
        tight = with_papers(
            batch, roomy.plate.runs, roomy.shares, clock, seed, sparing=True, squeezing=SQUEEZING
        )
        if tight is not None:
            take(Draft(roomy.plate, proof, roomy.shares, tight), "papers laid")
    if (
        _wanting(best, proof)
        and short is not None
        and short.missing <= NESTED_MISSING * sum(cuts_wanted(batch, short.shares).values())
        and not clock.over()
    ):
        clock.say(best.passes, proof.bound, "pushing cuts together")
        chips_only = short
        take(with_repacked(batch, chips_only, clock), "cuts pushed together")
        if (best.missing or best.passes > proof.bound) and not clock.over():
            clock.say(best.passes, proof.bound, "nesting scraps")
            nested = with_nests(batch, chips_only, clock.share(NESTING), seed)
            take(with_repacked(batch, nested, clock), "scraps nested")
    return replace(best, bound=proof)


def _wanting(best: Draft, proof: PlatePlan) -> bool:
    """Whether cuts are missing, or all are made but in many passes: others may do with what misses a few."""
    return bool(best.missing) or best.passes > ABOVE * proof.bound


def _handier(
    batch: Batch, draft: Draft, drafts: list[Draft], tried: list[Draft], clock: Clock, seed: int, share: float
) -> Draft:
    """The draft, or a better one with scraps as they are: more passes as a rule, but hardly a trim."""
    clock.say(draft.passes, draft.bound.bound, "scraps laid as they are")
    others = [replace(other, bound=draft.bound) for other in in_few_trims(batch, draft, clock, seed, share)]
    # Those from before, too: a few passes more may now be as good.
    best = handiest_of(batch, [draft, *(replace(one, bound=draft.bound) for one in drafts), *others])
    drafts += [other for other in others if not other.missing]
    tried += others
    return best


def _finished(batch: Batch, draft: Draft, clock: Clock, resort: Resort) -> Plan:
    bound = draft.bound
    plan = assemble(
        batch,
        batch.demand,
        draft.shares,
        draft.papered,
        Bound(bound.bound, bound.reason),
        proof=bound.proof,
        short=_short(batch, draft, clock, resort),
        packing=pack_kits(batch, batch.demand, draft.shares),
    )
    warnings = [
        f"Lay-up {plan.layups[number].id} brings {peak:.0f} mm of cut under the roller at once; your limit is "
        f"{batch.machine.load_limit_mm:g} mm. Crank it slowly, or lift a die and give it passes of its own."
        for number, peak in heavy_layups(batch, plan.layups)
    ]
    if resort.uncounted:
        warnings.append("Time ran out before nestcut counted what to buy. Plan again with more --seconds.")
    plan = replace(plan, notes=(*plan.notes, *warnings))
    dies = {die.name: die for die in plan.dies}
    loads = {layup.id: asdict(line_load(layup.slots, dies, plan.machine)) for layup in plan.layups}
    return replace(plan, extras={**plan.extras, "loads": loads})


def _short(batch: Batch, draft: Draft, clock: Clock, resort: Resort) -> tuple[Shortage, ...]:
    met = [sum(s.count for s in line) for line in draft.shares]
    if all(m >= line.count for m, line in zip(met, batch.demand, strict=True)):
        return ()
    asked = asked_of(batch, draft.shares)
    buy = resort.to_buy(asked, draft.shares)
    return shortages(batch, asked, draft.shares, buy=buy, over=clock.late)


def _sound(
    batch: Batch,
    draft: Draft,
    others: Sequence[Draft],
    clock: Clock,
    resort: Resort,
    told: Callable[[Plan], Plan],
) -> tuple[Plan, Draft]:
    """The plan of the draft, checked; should the checker refuse it, that of the next best one, and a note says so.

    Args:
        told: a plan for ``batch`` as one for the batch that was asked.
    Raises: RefusedPlanError where not even one paper and one die a pass is let through.
    """
    from nestcut.checks import check_plan

    refused: Plan | None = None
    why = ""
    for candidate in resort.line(draft, others):
        plan = told(_finished(batch, candidate, clock, resort))
        report = check_plan(plan)
        if report.ok and refused is not None:
            note = (
                f"A better plan broke a rule and was thrown away ({why}). Please tell the makers of nestcut."
            )
            return replace(plan, notes=(*plan.notes, note)), candidate
        if report.ok:
            return plan, candidate
        if refused is None:
            refused = plan
            why = "; ".join(fault.message for fault in report.faults[:3])
    raise RefusedPlanError(why, refused)


def _advice(
    batch: Batch, plan: Plan, draft: Draft, drafts: Sequence[Draft], clock: Clock, seed: int
) -> dict[str, Any]:
    """What-if and trade-off for the sheets, as far as the time allows."""
    from nestcut.passes.advice.whatif import what_if

    total = plan.totals
    chosen = {
        "passes": float(total.passes),
        "changes": float(total.changes),
        "trims": float(total.trims),
        "paper": draft.paper_mm2,
        "minutes": total.minutes,
    }
    found: dict[str, Any] = {
        "trade_off": choices(batch, [d for d in drafts if d.papered is not draft.papered], chosen)
    }
    if not clock.over():
        clock.say(total.passes, plan.bound.passes, "asking what if")
        answers = what_if(batch, seconds=min(ADVICE_S, clock.left()), seed=seed, stop=clock.over)
        found["what_if"] = [answer.as_change() for answer in answers]
    return found
