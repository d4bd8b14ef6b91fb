"""The rest of an evening, planned anew from what is cut by now.

Several ways are tried, and the one that gives most pieces, then least minutes, is taken: the old plan carried on without what is
spoilt or broken, with passes added for what it then lacks; and all of the rest planned afresh. So whatever the old plan still
gives is never lost, and a lay-up stays on the plate where that saves time. Papers that were cut before are not trimmed: a trim
comes before all cuts.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from shapely import affinity
from shapely.geometry import Polygon

from nestcut.batch.model import Batch, Card, CardLine, Demand, Die, Pose, Scrap
from nestcut.errors import BatchError, RefusedPlanError
from nestcut.evening.state import EveningState
from nestcut.outlines import grow_outline
from nestcut.plans.leftovers import keep_mm, offcuts_of
from nestcut.plans.model import (
    Bound,
    DemandMet,
    KitPacking,
    Layup,
    Missing,
    PaperOnPlate,
    Pass,
    Plan,
    Share,
    Shortage,
    Trim,
)
from nestcut.units import counted, letters

__all__ = ["go_on"]

LONG_S = 30.0
GO_ON = ": go on from there."
"""How the note ends that says what is done; the next going on replaces it."""

Given = list[Counter[tuple[str, str]]]
"""For each line of demand: (die, paper) → pieces."""


@dataclass(frozen=True, slots=True)
class _Course:
    """An evening so far: what was done, and what is planned after it."""

    trims: tuple[Trim, ...]
    layups: tuple[Layup, ...]
    passes: tuple[Pass, ...]
    given: Given


def go_on(
    plan: Plan, state: EveningState, *, seconds: float = 10.0, seed: int = 0, work_limit: int | None = None
) -> Plan:
    """The whole evening: the passes that are done as they were, then the rest; always checked.

    Args:
        plan: the plan up to now; it stays as it is.
        state: what happened (:func:`nestcut.evening.reckon`).
        seconds: for all ways together.
        work_limit: tries of each search, instead of the clock.
    Raises: RefusedPlanError where not even the old plan carried on is let through (a mistake of ours).
    """
    from nestcut.checks import check_plan

    done = _course(plan, state, plan.passes[: state.done])
    carried = _course(plan, state, (*plan.passes[: state.done], *_carried_on(plan, state)))
    begun = [_with_offcuts(plan, one) for one in ([carried] if carried == done else [carried, done])]
    whole = [_whole(plan, state, carried)]
    for course in begun:
        share = seconds / len(begun)
        # Scraps full of holes take the planner half a minute whatever the limit: only where something is lacking, or time is given.
        holes = seconds >= LONG_S or not any(one.complete for one in whole)
        whole += [
            _whole(plan, state, added)
            for added in _added(
                plan, state, course, holes=holes, seconds=share, seed=seed, work_limit=work_limit
            )
        ]
    whole.sort(key=lambda one: (-sum(line.met for line in one.demand), one.totals.minutes))
    why = ""
    for one in whole:
        report = check_plan(one)
        if report.ok:
            return one
        why = why or "; ".join(str(fault) for fault in report.faults[:3])
    raise RefusedPlanError(why, whole[0])


# ---------------------------------------------------------------------- what is done, and what the old plan still gives


def _copies(plan: Plan, state: EveningState) -> dict[str, int]:
    broken = Counter(one.die for one in state.broken)
    return {die.name: die.copies - broken[die.name] for die in plan.dies}


def _carried_on(plan: Plan, state: EveningState) -> Iterable[Pass]:
    """The passes that are not done, without cuts that can't be made any more."""
    spoilt = {one.scrap for one in state.spoilt}
    copies = _copies(plan, state)
    number = state.done
    for one in plan.passes[state.done :]:
        slots = plan.layup(one.layup).slots
        down: Counter[str] = Counter()
        cuts = []
        for cut in one.cuts:
            die = slots[cut.slot].die
            if cut.scrap not in spoilt and down[die] < copies[die]:
                down[die] += 1
                cuts.append(cut)
        if cuts:
            number += 1
            lying = {cut.scrap for cut in cuts}
            papers = tuple(paper for paper in one.papers if paper.scrap in lying)
            yield Pass(number, one.layup, papers, tuple(cuts))


def _course(plan: Plan, state: EveningState, passes: Sequence[Pass]) -> _Course:
    return _Course(plan.trims, plan.layups, tuple(passes), _given(plan, state, passes))


def _given(plan: Plan, state: EveningState, passes: Sequence[Pass]) -> Given:
    """What the pieces of the passes go to: first as the plan says, then wherever a line that takes them lacks some."""
    free = _pieces(plan, state, passes)
    given: Given = [Counter() for _ in plan.demand]
    for line, own in zip(plan.demand, given, strict=True):
        for share in line.by:
            key = share.die, share.paper
            take = min(share.count, max(free[key], 0))
            own[key] += take
            free[key] -= take
    for line, own in zip(plan.demand, given, strict=True):
        for key in sorted(free):
            if key[0] in line.dies and key[1] in line.papers:
                take = min(free[key], line.count - own.total())
                if take > 0:
                    own[key] += take
                    free[key] -= take
    return given


def _pieces(plan: Plan, state: EveningState, passes: Sequence[Pass]) -> Counter[tuple[str, str]]:
    """(die, paper) → pieces that the passes give."""
    missed = {(one.pass_number, one.slot) for one in state.missed}
    papers = {name: paper for name, (paper, _) in plan.pieces_of_paper().items()}
    dies = {die.name: die for die in plan.dies}
    slots = {layup.id: layup.slots for layup in plan.layups}
    pieces: Counter[tuple[str, str]] = Counter()
    for one in passes:
        for cut in one.cuts:
            if (one.number, cut.slot) not in missed:
                die = dies[slots[one.layup][cut.slot].die]
                pieces[die.name, papers[cut.scrap]] += die.pieces
    return pieces


# ---------------------------------------------------------------------- passes that are added

MOST_OFFCUTS = 200
"""The largest ones are planned with; more would make the search slow."""


def _with_offcuts(plan: Plan, course: _Course) -> _Course:
    """The course with what its trims left beside their parts as parts, too, where a die could find room on it."""
    known = plan.pieces_of_paper()
    keep = keep_mm(plan)
    least = min(die.hole.area for die in plan.dies)
    taken = set(known)
    offcuts = [
        (number, shape)
        for number, trim in enumerate(course.trims)
        for shape in offcuts_of(known[trim.scrap][1], trim, keep_mm=keep)
        if shape.area > least
    ]
    offcuts.sort(key=lambda one: -one[1].area)
    trims = list(course.trims)
    for number, shape in offcuts[:MOST_OFFCUTS]:
        part = (_fresh(f"{trims[number].scrap}-off", taken), shape)
        trims[number] = replace(trims[number], into=(*trims[number].into, part))
    return replace(course, trims=tuple(trims))


def _without_idle(plan: Plan, course: _Course) -> _Course:
    """The course without the offcuts that nothing is cut from after all."""
    own = set(plan.pieces_of_paper())
    used = {paper.scrap for one in course.passes for paper in one.papers}
    used |= {trim.scrap for trim in course.trims}
    used |= {part for trim in course.trims[len(plan.trims) :] for part, _ in trim.into}
    trims = [
        replace(trim, into=tuple(one for one in trim.into if one[0] in own or one[0] in used))
        for trim in course.trims
    ]
    return replace(course, trims=tuple(trims))


def _added(
    plan: Plan,
    state: EveningState,
    course: _Course,
    *,
    holes: bool,
    seconds: float,
    seed: int,
    work_limit: int | None,
) -> list[_Course]:
    """The course with passes for what it lacks, in the ways that there are. ``holes``: also from scraps that were cut before."""
    stock = _stock(plan, state, course)
    touched = {paper.scrap for one in course.passes for paper in one.papers}
    whole = [one for one in stock if one[0].id not in touched]
    # Paper without holes first: it is planned in a fraction of the time, and mostly gives all that is lacking.
    ways = [(whole, plan.hand.trims), (stock, plan.hand.trims)][: 1 + holes]
    lacking = sum(line.count > own.total() for line, own in zip(plan.demand, course.given, strict=True))
    found = []
    while ways:
        scraps, trims = ways.pop(0)
        asked, lines = _asked(plan, state, course, scraps, trims)
        if not lines or not scraps:
            continue
        from nestcut.passes import plan_batch

        try:
            rest = plan_batch(asked, seconds=max(1.0, seconds / 3), seed=seed, work_limit=work_limit)
        except (BatchError, RefusedPlanError):
            continue
        if rest.complete and len(lines) == lacking:
            ways = []
        if any(trim.scrap in touched for trim in rest.trims):
            ways = [(scraps, "none")]
        elif rest.passes:
            found.append(
                _without_idle(plan, _joined(plan, course, rest, lines, {one.id: at for one, at in scraps}))
            )
    return found


def _stock(plan: Plan, state: EveningState, course: _Course) -> list[tuple[Scrap, tuple[float, float]]]:
    """Scraps and parts as they are after the course, each moved so that its box starts at (0, 0), and where that was before.

    Cuts are grown by what the web is wider than the edge: a cut that keeps the edge to them keeps the web.
    """
    from nestcut.passes.common.totals import remnants_of

    grow = max(0.0, plan.hand.web_mm - plan.hand.edge_mm)
    dies = {die.name: replace(die, cut=grow_outline(die.hole, grow)) for die in plan.dies}
    known = replace(plan, trims=course.trims).pieces_of_paper()
    outlines = {name: outline for name, (_, outline) in known.items()}
    layups = {layup.id: layup for layup in course.layups}
    left = {one.scrap: one.outline for one in remnants_of(dies, layups, course.passes, outlines)}
    gone = {one.scrap for one in state.spoilt} | {trim.scrap for trim in course.trims}
    cut = {one.scrap for a_pass in course.passes for one in a_pass.cuts}
    stock = []
    for name, (paper, outline) in known.items():
        shape = left.get(name) if name in cut else outline
        if name in gone or shape is None:
            continue
        if not isinstance(
            shape, Polygon
        ):  # it hangs together in truth; what is planned for lies in its largest part
            shape = max(shape.geoms, key=lambda part: part.area)
        if shape.bounds == outline.bounds:  # papers lie by the box of the whole scrap
            x, y = outline.bounds[:2]
            stock.append((Scrap(name, paper, affinity.translate(shape, -x, -y)), (x, y)))
    return stock


def _asked(
    plan: Plan,
    state: EveningState,
    course: _Course,
    stock: Sequence[tuple[Scrap, tuple[float, float]]],
    trims: str,
) -> tuple[Batch, list[int]]:
    """A batch of what the course lacks, and which line of the demand each of its lines is."""
    copies = _copies(plan, state)
    dies = tuple(replace(die, copies=copies[die.name]) for die in plan.dies if copies[die.name] > 0)
    whole = {die.name for die in dies}
    there = {scrap.paper for scrap, _ in stock}
    cards, lines = [], []
    for number, (line, own) in enumerate(zip(plan.demand, course.given, strict=True)):
        lacking = line.count - own.total()
        able = tuple(die for die in line.dies if die in whole)
        papers = tuple(paper for paper in line.papers if paper in there)
        if lacking > 0 and able and papers:
            cards.append(Card(f"line {number + 1}", 1, (CardLine(able, papers, lacking),)))
            lines.append(number)
    batch = replace(
        _batch_of(plan),
        hand=replace(plan.hand, trims=trims),  # type: ignore[arg-type]
        scraps=tuple(scrap for scrap, _ in stock),
        dies=dies,
        cards=tuple(cards),
        kits=1,
    )
    return batch, lines


def _joined(
    plan: Plan, course: _Course, rest: Plan, lines: Sequence[int], moved: Mapping[str, tuple[float, float]]
) -> _Course:
    """The rest after the course, in the frames and with the names of the whole evening."""
    taken = set(replace(plan, trims=course.trims).pieces_of_paper())
    names: dict[str, str] = {}
    trims = []
    at = dict(moved)
    for trim in rest.trims:
        x, y = at[trim.scrap]
        into = []
        for part, outline in trim.into:
            names[part] = _fresh(part, taken)
            at[part] = (x, y)
            into.append((names[part], affinity.translate(outline, x, y)))
        trims.append(Trim(names.get(trim.scrap, trim.scrap), tuple(into)))
    same = {layup.slots: layup.id for layup in course.layups}
    used = {layup.id for layup in course.layups}
    layups = list(course.layups)
    ids: dict[str, str] = {}
    for layup in rest.layups:
        if layup.slots not in same:
            same[layup.slots] = _fresh_letter(used)
            layups.append(Layup(same[layup.slots], layup.slots))
        ids[layup.id] = same[layup.slots]
    passes = list(course.passes)
    for one in rest.passes:
        papers = tuple(
            PaperOnPlate(
                names.get(p.scrap, p.scrap), _from_corner(p.pose, at[p.scrap], flipped=p.flipped), p.flipped
            )
            for p in one.papers
        )
        cuts = tuple(replace(cut, scrap=names.get(cut.scrap, cut.scrap)) for cut in one.cuts)
        passes.append(Pass(len(passes) + 1, ids[one.layup], papers, cuts))
    given = [Counter(own) for own in course.given]
    for number, line in zip(lines, rest.demand, strict=True):
        for share in line.by:
            given[number][share.die, share.paper] += share.count
    return _Course((*course.trims, *trims), tuple(layups), tuple(passes), given)


def _from_corner(pose: Pose, at: tuple[float, float], *, flipped: bool) -> Pose:
    """The pose of a paper that was moved by −``at`` in its own frame, for the paper as it was."""
    a, b, d, e, x, y = pose.matrix(flipped=flipped)
    return Pose(x - (a * at[0] + b * at[1]), y - (d * at[0] + e * at[1]), pose.deg)


def _fresh(name: str, taken: set[str]) -> str:
    found, number = name, 2
    while found in taken:
        found, number = f"{name}-{number}", number + 1
    taken.add(found)
    return found


def _fresh_letter(used: set[str]) -> str:
    """The next lay-up: A … Z, AA, …"""
    found = next(text for number in itertools.count() if (text := letters(number).upper()) not in used)
    used.add(found)
    return found


# ---------------------------------------------------------------------- the evening as one plan


def _whole(plan: Plan, state: EveningState, course: _Course) -> Plan:
    """The course as a plan that carries what was done and what went wrong."""
    from nestcut.passes.common.load import line_loads
    from nestcut.passes.common.totals import remnants_of, totals_of

    used = {one.layup for one in course.passes}
    layups = tuple(layup for layup in course.layups if layup.id in used)
    by_id = {layup.id: layup for layup in layups}
    dies = {die.name: die for die in plan.dies}
    sheets = {
        name: outline for name, (_, outline) in replace(plan, trims=course.trims).pieces_of_paper().items()
    }
    shares = tuple(
        tuple(Share(die, paper, count) for (die, paper), count in sorted(own.items()) if count)
        for own in course.given
    )
    demand = tuple(
        replace(line, met=sum(share.count for share in by), by=by)
        for line, by in zip(plan.demand, shares, strict=True)
    )
    as_before = [line.met for line in demand] == [line.met for line in plan.demand]
    return replace(
        plan,
        complete=all(line.met >= line.count for line in demand),
        trims=course.trims,
        layups=layups,
        passes=course.passes,
        demand=demand,
        totals=totals_of(plan.machine, plan.hand, dies, by_id, course.passes, course.trims, sheets),
        remnants=remnants_of(dies, by_id, course.passes, sheets),
        # What a plan without mishaps needs at least, this one needs, too; with fewer pieces nothing is known.
        bound=plan.bound if as_before else Bound(0, "some pieces can't be cut any more"),
        proof=plan.proof if as_before else {},
        short=plan.short if as_before else _short(demand, dies, plan.hand.web_mm),
        packing=_packing(plan, demand, shares),
        extras={
            **{key: plan.extras[key] for key in ("box",) if key in plan.extras},
            "loads": line_loads(layups, dies, plan.machine),
        },
        notes=(*(note for note in plan.notes if not note.endswith(GO_ON)), *_notes(state, course)),
        done=state.done,
        missed=state.missed,
        spoilt=state.spoilt,
        broken=state.broken,
    )


def _notes(state: EveningState, course: _Course) -> list[str]:
    """For the run sheet."""
    if state.done == 0:
        return []
    return [
        f"{counted(state.done, 'pass is', 'passes are')} done, {len(course.passes) - state.done} to go{GO_ON}"
    ]


def _short(demand: Sequence[DemandMet], dies: Mapping[str, Die], web_mm: float) -> tuple[Shortage, ...]:
    """What each line lacks."""
    short = []
    for number, line in enumerate(demand, start=1):
        lacking = line.count - line.met
        if lacking > 0:
            die = dies[line.dies[0]]
            area = lacking * die.cut.buffer(web_mm / 2).area / die.pieces
            paper = line.papers[0] if len(line.papers) == 1 else None
            reason = "after what went wrong no paper or no die is left that gives them"
            by = (Missing(number, die.name, lacking),)
            short.append(Shortage(paper, (die.name,), lacking, area, {}, False, reason, by))
    return tuple(short)


def _packing(
    plan: Plan, demand: Sequence[DemandMet], shares: Sequence[Sequence[Share]]
) -> tuple[KitPacking, ...]:
    """The kit pick list for the whole evening."""
    from nestcut.passes.common.kits import pack_kits

    per_kit = [card.count * line.count for card in plan.cards for line in card.lines]
    if len(per_kit) != len(demand):
        return ()
    asked = [
        Demand(line.card, line.dies, line.papers, line.count, line.spares, count)
        for line, count in zip(demand, per_kit, strict=True)
    ]
    return tuple(pack_kits(_batch_of(plan), asked, tuple(tuple(one) for one in shares)))


def _batch_of(plan: Plan) -> Batch:
    """What the plan is for, as far as the plan tells."""
    return Batch(
        title=plan.title,
        machine=plan.machine,
        hand=plan.hand,
        papers=plan.papers,
        scraps=plan.scraps,
        dies=plan.dies,
        cards=plan.cards,
        kits=plan.kits,
    )
