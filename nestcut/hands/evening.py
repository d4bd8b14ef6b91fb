"""An evening's actions: counted pass by pass, summed, and as time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, replace
from typing import Literal

from shapely.geometry import Polygon

from nestcut.batch.model import Die, Hand, HandSeconds, Machine
from nestcut.hands.plate import EMPTY, Down, OnPlate, next_plate, spot_of
from nestcut.hands.trimming import work_of_trim
from nestcut.plans.model import Actions, Layup, Pass, PassClock, Plan, Trim

__all__ = [
    "actions_by_pass",
    "evening_actions",
    "minutes_of",
    "pass_actions",
    "seconds_by_pass",
    "seconds_in_use",
    "seconds_of",
    "sum_of",
    "trim_actions",
]


def evening_actions(plan: Plan) -> Actions:
    """All that hands do in a plan, trims included; breaks are not counted, and nothing after the last pass."""
    outlines = {scrap: outline for scrap, (_, outline) in plan.pieces_of_paper().items()}
    dies = {die.name: die for die in plan.dies}
    layups = {layup.id: layup for layup in plan.layups}
    done = pass_actions(plan.machine, plan.hand, dies, layups, plan.passes)
    return sum_of([trim_actions(plan.trims, outlines), *done])


def seconds_by_pass(plan: Plan) -> tuple[float, list[float]]:
    """Seconds of trimming before the first pass, and of each pass with all that is done for it; no breaks."""
    if plan.pass_clock is not None:
        return _by_version_1(plan, plan.pass_clock)
    outlines = {scrap: outline for scrap, (_, outline) in plan.pieces_of_paper().items()}
    dies = {die.name: die for die in plan.dies}
    layups = {layup.id: layup for layup in plan.layups}
    seconds, machine = plan.hand.seconds, plan.machine
    done = pass_actions(machine, plan.hand, dies, layups, plan.passes)
    return (
        seconds_of(trim_actions(plan.trims, outlines), seconds, machine),
        [seconds_of(one, seconds, machine) for one in done],
    )


def _by_version_1(plan: Plan, clock: PassClock) -> tuple[float, list[float]]:
    trips = {die.name: die.trips for die in plan.dies}
    slots = {layup.id: layup.slots for layup in plan.layups}
    each, before = [], None
    for one in plan.passes:
        own = slots[one.layup]
        cranks = max((trips[own[cut.slot].die] for cut in one.cuts), default=1)
        set_up = len(own) if one.layup != before else 0
        before = one.layup
        each.append(cranks * clock.per_pass_s + set_up * clock.per_die_s)
    return sum(len(trim.into) for trim in plan.trims) * clock.per_trim_s, each


def pass_actions(
    machine: Machine,
    hand: Hand,
    dies: Mapping[str, Die],
    layups: Mapping[str, Layup],
    passes: Sequence[Pass],
) -> Iterator[Actions]:
    """What each pass of a plan takes, in order: the plate made ready, the crank, its pieces freed."""
    spots = {name: [spot_of(slot.pose) for slot in layup.slots] for name, layup in layups.items()}

    def on_plate() -> Iterator[OnPlate]:
        for one in passes:
            slots, lying = layups[one.layup].slots, spots[one.layup]
            yield OnPlate(
                {paper.scrap: spot_of(paper.pose, flipped=paper.flipped) for paper in one.papers},
                tuple(Down(slots[cut.slot].die, lying[cut.slot], cut.scrap) for cut in one.cuts),
            )

    return actions_by_pass(machine, hand, dies, on_plate())


def actions_by_pass(
    machine: Machine, hand: Hand, dies: Mapping[str, Die], passes: Iterable[OnPlate]
) -> Iterator[Actions]:
    """The same from what lies on the plate, so that a draft can be counted before it is a plan."""
    copies = {name: die.copies for name, die in dies.items()}
    loose = machine.dies == "over" and hand.seconds.dies == "loose"
    plate = EMPTY
    for on in passes:
        plate, done = next_plate(plate, on, copies, loose=loose)
        yield replace(
            done,
            crank=max((dies[one.die].trips for one in on.down), default=1),
            free=sum(dies[one.die].pieces for one in on.down),
        )


def trim_actions(trims: Sequence[Trim], outlines: Mapping[str, Polygon]) -> Actions:
    """What trimming takes before the first pass.

    Args:
        outlines: of every scrap, and of every part that is trimmed again, by id.
    """
    cuts = again = 0
    scissors_mm = 0.0
    for trim in trims:
        work = work_of_trim(outlines[trim.scrap], [outline for _, outline in trim.into])
        cuts += work.cuts - work.again
        again += work.again
        scissors_mm += work.scissors_mm
    return Actions(
        trim_take=len(trims), trim_cut=cuts, trim_cut_again=again, scissors_mm=round(scissors_mm, 3)
    )


def sum_of(actions: Iterable[Actions]) -> Actions:
    """All of them together."""
    names = [one.name for one in fields(Actions)]
    total = dict.fromkeys(names, 0)
    for one in actions:
        for name in names:
            total[name] += getattr(one, name)
    return Actions(**total)


def seconds_in_use(seconds: HandSeconds, dies: Literal["over", "under"]) -> dict[str, float]:
    """Action → seconds that one takes, pace included (``scissors_mm``: a millimetre), for dies over or under the papers."""
    under = "_under" if dies == "under" else ""
    rates = {
        one.name: getattr(seconds, one.name + (under if one.name in ("lift", "put_back", "set_up") else ""))
        for one in fields(Actions)
        if one.name != "scissors_mm"
    }
    rates["scissors_mm"] = seconds.scissors / 100.0
    return {name: rate / seconds.pace for name, rate in rates.items()}


def seconds_of(actions: Actions, seconds: HandSeconds, machine: Machine) -> float:
    """How long these actions take, seconds."""
    rates = seconds_in_use(seconds, machine.dies)
    return sum(getattr(actions, name) * rate for name, rate in rates.items())


def minutes_of(actions: Actions, seconds: HandSeconds, machine: Machine) -> float:
    """The same in minutes."""
    return seconds_of(actions, seconds, machine) / 60.0
