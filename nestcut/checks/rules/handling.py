"""What hands do in the evening, counted once more from what lies where, and the minutes that it takes.

Each copy of a die is followed through the passes: whether it is down, where it lies or lay last, since when it is off.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from nestcut.checks.measures.table import PassTable
from nestcut.checks.measures.trim_cuts import trim_cuts
from nestcut.plans.model import Plan

__all__ = ["actions_of", "minutes_of_actions", "minutes_of_version_1"]

Place = tuple[float, float, float, bool]


@dataclass(slots=True)
class _DieCopy:
    place: Place
    down: bool = True
    off_since: int = -1
    """Number of the pass for which it was lifted."""


def actions_of(plan: Plan, table: PassTable) -> dict[str, float]:
    """Action → how often it is done (``scissors_mm``: mm)."""
    counts: Counter[str] = Counter(
        dict.fromkeys(
            [
                "crank",
                "lay",
                "pull_on",
                "turn",
                "take_away",
                "lift",
                "put_back",
                "set_up",
                "place_loose",
                "free",
                "trim_take",
                "trim_cut",
                "trim_cut_again",
            ],
            0,
        )
    )
    loose = plan.hand.seconds.dies == "loose" and plan.machine.dies == "over"
    lying: dict[str, Place] = {}
    copies: dict[str, list[_DieCopy]] = {}
    for index in range(len(plan.passes)):
        papers = table.paper_rows[table.first_paper[index] : table.first_paper[index + 1]]
        now = {row.sheet.id: _place(*row.pose, row.flipped) for row in papers}
        for name, place in now.items():
            counts[_what_happened(lying.get(name), place)] += 1
        counts["take_away"] += len(lying.keys() - now.keys())
        moved = {name for name, place in now.items() if lying.get(name) != place}
        lying = now

        needed: dict[str, list[tuple[Place, str]]] = {name: [] for name in copies}
        trips = 1
        for cut in table.cut_rows[table.first_cut[index] : table.first_cut[index + 1]]:
            pose = cut.layup.layup.slots[cut.slot].pose
            place = _place(pose.x_mm, pose.y_mm, pose.deg, False)
            needed.setdefault(cut.die.name, []).append((place, table.paper_rows[cut.paper].sheet.id))
            trips = max(trips, cut.die.trips)
            counts["free"] += cut.die.pieces
        counts["crank"] += trips
        for name, own in needed.items():
            _dies(
                copies.setdefault(name, []), own, table.dies[name].copies, index, counts, moved, loose=loose
            )
    scissors_mm = 0.0
    outlines = {name: sheet.outline for name, sheet in table.sheets.items()}
    for trim in plan.trims:
        if trim.scrap not in outlines:
            continue
        new, again, by_hand_mm = trim_cuts(outlines[trim.scrap], [outline for _, outline in trim.into])
        counts.update({"trim_take": 1, "trim_cut": new, "trim_cut_again": again})
        scissors_mm += by_hand_mm
    del counts["stays"]
    return {**counts, "scissors_mm": scissors_mm}


def _place(x: float, y: float, deg: float, flipped: bool) -> Place:
    return (round(x, 6) + 0.0, round(y, 6) + 0.0, round(deg, 6) % 360.0, flipped)


def _what_happened(before: Place | None, now: Place) -> str:
    if before is None:
        return "lay"
    if before == now:
        return "stays"
    return "pull_on" if before[2:] == now[2:] else "turn"


def _dies(
    own: list[_DieCopy],
    needed: list[tuple[Place, str]],
    owned: int,
    index: int,
    counts: Counter[str],
    moved: set[str],
    *,
    loose: bool,
) -> None:
    """All copies of one die: which stay, are lifted, put back or set up for a pass."""
    staying: list[_DieCopy] = []
    to_go: list[Place] = []
    for place, paper in needed:
        there = next((c for c in own if c.down and c.place == place and c not in staying), None)
        if there is None:
            to_go.append(place)
            continue
        staying.append(there)
        if loose and paper in moved:
            counts["place_loose"] += 1
    for copy in sorted((c for c in own if c.down and c not in staying), key=lambda c: c.place):
        counts["lift"] += 1
        copy.down, copy.off_since = False, index
    new: list[Place] = []
    for place in to_go:
        # One that was lifted for this very pass lay somewhere else.
        back = [c for c in own if not c.down and c.off_since < index and c.place == place]
        if back:
            min(back, key=lambda c: c.off_since).down = True
            counts["put_back"] += 1
        else:
            new.append(place)
    for place in new:
        counts["set_up"] += 1
        if len(own) < owned:
            own.append(_DieCopy(place))
            continue
        off = [c for c in own if not c.down]
        if off:
            taken = min(off, key=lambda c: (c.off_since, c.place))
            taken.place, taken.down = place, True
        else:
            # More are asked for than are owned: rule ``copies`` says so.
            own.append(_DieCopy(place))


def minutes_of_actions(plan: Plan, counts: dict[str, float]) -> float:
    """Count × seconds of each action, by the plan's own seconds and pace."""
    hand = plan.hand.seconds
    under = plan.machine.dies == "under"
    per_action = {
        "crank": hand.crank,
        "lay": hand.lay,
        "pull_on": hand.pull_on,
        "turn": hand.turn,
        "take_away": hand.take_away,
        "lift": hand.lift_under if under else hand.lift,
        "put_back": hand.put_back_under if under else hand.put_back,
        "set_up": hand.set_up_under if under else hand.set_up,
        "place_loose": hand.place_loose,
        "free": hand.free,
        "trim_take": hand.trim_take,
        "trim_cut": hand.trim_cut,
        "trim_cut_again": hand.trim_cut_again,
        "scissors_mm": hand.scissors / 100.0,
    }
    return sum(counts[name] * seconds for name, seconds in per_action.items()) / hand.pace / 60.0


def minutes_of_version_1(plan: Plan, table: PassTable, *, cranks: int, trims: int) -> float:
    """By passes, dies of each lay-up that is set up, and trimmed parts: what plans of version 1 say."""
    clock = plan.pass_clock
    assert clock is not None
    set_up = 0
    before: str | None = None
    for a_pass in plan.passes:
        layup = table.layups.get(a_pass.layup)
        if a_pass.layup != before and layup:
            set_up += len(layup.dies)
        before = a_pass.layup
    return (cranks * clock.per_pass_s + set_up * clock.per_die_s + trims * clock.per_trim_s) / 60.0
