"""What is cut by now: reckoned from the plan and the events, in their order, and from nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

from nestcut.plans.model import BrokenDie, MissedCut, Plan, SpoiltPaper

__all__ = ["EveningState", "Event", "Kind", "reckon"]

Kind = Literal["done", "undone", "missed", "spoilt", "broken", "stopped"]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened.

    ``done`` and ``undone`` name a pass; ``missed`` a pass and a slot; ``spoilt`` a scrap; ``broken`` a die.
    """

    id: str
    """Different for every event: who sends one twice sends the same id."""
    kind: Kind
    data: Mapping[str, Any]
    at: str = ""
    """ISO 8601, UTC; told only, nothing is reckoned from it."""


@dataclass(frozen=True, slots=True)
class EveningState:
    """What the events come to. Mishaps of an earlier part of the evening, which the plan carries, are in it."""

    done: int = 0
    missed: tuple[MissedCut, ...] = ()
    spoilt: tuple[SpoiltPaper, ...] = ()
    broken: tuple[BrokenDie, ...] = ()
    stopped: bool = False


def reckon(plan: Plan, events: Iterable[Event]) -> EveningState:
    """The state after the events. An event that does not fit when it comes changes nothing: a pass is done in its turn, undone
    only as the last one, and fails only where it cut something. What failed in a pass goes when the pass is undone.
    """
    state = EveningState(plan.done, plan.missed, plan.spoilt, plan.broken)
    cuts = {(one.number, cut.slot) for one in plan.passes for cut in one.cuts}
    trimmed = {trim.scrap for trim in plan.trims}
    papers = set(plan.pieces_of_paper()) - trimmed
    dies = {die.name: die.copies for die in plan.dies}
    seen: set[str] = set()
    for event in events:
        if event.id not in seen:
            seen.add(event.id)
            state = _after(state, event, plan, cuts, papers, dies)
    return state


def _after(
    state: EveningState,
    event: Event,
    plan: Plan,
    cuts: set[tuple[int, int]],
    papers: set[str],
    dies: Mapping[str, int],
) -> EveningState:
    data = event.data
    number = data.get("pass")
    if event.kind == "done" and number == state.done + 1 <= len(plan.passes):
        return replace(state, done=state.done + 1)
    if event.kind == "undone" and number == state.done > plan.done:
        # What is spoilt or broken stays so.
        return EveningState(
            done=state.done - 1,
            missed=tuple(one for one in state.missed if one.pass_number < state.done),
            spoilt=tuple(replace(one, after=min(one.after, state.done - 1)) for one in state.spoilt),
            broken=tuple(replace(one, after=min(one.after, state.done - 1)) for one in state.broken),
            stopped=state.stopped,
        )
    if event.kind == "missed" and number is not None and (number, data.get("slot")) in cuts:
        failed = MissedCut(number, data["slot"])
        if number <= state.done and failed not in state.missed:
            return replace(state, missed=(*state.missed, failed))
    if event.kind == "spoilt" and data.get("scrap") in papers - {one.scrap for one in state.spoilt}:
        return replace(state, spoilt=(*state.spoilt, SpoiltPaper(data["scrap"], state.done)))
    if event.kind == "broken":
        die = data.get("die", "")
        if sum(one.die == die for one in state.broken) < dies.get(die, 0):
            return replace(state, broken=(*state.broken, BrokenDie(die, state.done)))
    if event.kind == "stopped":
        return replace(state, stopped=True)
    return state
