"""Lay-ups by the person's own order of wishes: passes first is the rule, changes or minutes first the exception."""

from __future__ import annotations

from collections.abc import Sequence

from nestcut.batch.model import HandSeconds, Machine, Wishes
from nestcut.hands import rough_minutes
from nestcut.passes.plate.layups import ChosenLayups, fewest_passes, needed_slots
from nestcut.passes.plate.master import Counts, PlateTask

__all__ = ["by_wish", "choice_minutes"]


def choice_minutes(
    choice: ChosenLayups, seconds: HandSeconds, machine: Machine, trips: Sequence[int]
) -> float:
    """Minutes for cranking and setting up (no papers, no trims); a pass is cranked as its most demanding die needs.

    Dies of several trips are taken to be down together as far as they can, as the planner arranges it.
    """
    cranks = set_up = 0
    for times, cuts in zip(choice.times, choice.cuts, strict=True):
        slots = [needed_slots(cut, times) for cut in cuts]
        set_up += sum(slots)
        cranks += times
        for level in range(2, max(trips, default=1) + 1):
            cranks += max(
                (
                    -(-cut // n)
                    for cut, n, trip in zip(cuts, slots, trips, strict=True)
                    if n and trip >= level
                ),
                default=0,
            )
    return rough_minutes(seconds, machine, cranks=cranks, dies_set_up=set_up, trims=0)


def by_wish(
    task: PlateTask,
    sets: Sequence[Counts],
    choice: ChosenLayups,
    wishes: Wishes,
    hand_seconds: HandSeconds,
    machine: Machine,
    *,
    trips: Sequence[int],
    seconds: float,
    seed: int = 0,
) -> ChosenLayups:
    """The choice that suits the first of passes, changes and minutes among the wishes.

    Args:
        sets: witnessed sets to choose from.
        choice: fewest lay-ups for the fewest passes.
        trips: trips of each die.
    Returns: ``choice`` where passes come first, or where it has one lay-up only.
    """
    first = next((w for w in wishes.order if w in ("passes", "changes", "minutes")), "passes")
    if first == "passes" or len(choice.sets) < 2:
        return choice
    roof = sum(task.most_cuts(die) for die in range(len(task.dies)))
    best = choice

    def minutes(one: ChosenLayups) -> float:
        return choice_minutes(one, hand_seconds, machine, trips)

    for layups in range(1, len(choice.sets)):
        other = fewest_passes(
            task, sets, layups, roof=roof, seconds=seconds / (len(choice.sets) - 1), seed=seed
        )
        if other is None:
            continue
        if first == "changes":
            return other
        if minutes(other) < minutes(best) - 1e-9:
            best = other
    return best
