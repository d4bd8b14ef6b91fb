"""The least seconds that an evening can take, exactly, for classes so small that all evenings can be gone through.

The plate is an abstract one that allows more than any real one: two places for dies; a scrap lies under one of them or under both,
as it was laid, pulled on, or turned. A die cuts the scrap that lies under its place, and the same die in the same place of a scrap that lies in
the same way only once: that is all that geometry says. So what is least here is no more than what is least for real.
Shortest ways are found by Dijkstra's method over states (pieces missing, what lies where, where dies last lay, what is cut).
"""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import count, product

from nestcut.batch.model import Die, HandSeconds, Machine
from nestcut.hands import Down, OnPlate, PlateState, next_plate, seconds_of

PLACES = (0, 1)
COVERS = (frozenset({0}), frozenset({1}), frozenset({0, 1}))
WAYS = ((0.0, 0.0, False), (1.0, 0.0, False), (0.0, 90.0, False), (0.0, 0.0, True))
"""As laid, pulled on, turned, flipped: (shift, degrees, flipped)."""


@dataclass(frozen=True)
class Line:
    """Pieces wanted of any of these dies in any of these colours."""

    dies: tuple[str, ...]
    papers: tuple[str, ...]
    count: int


def least_seconds(
    lines: Sequence[Line],
    dies: dict[str, Die],
    scraps: dict[str, str],
    seconds: HandSeconds,
    machine: Machine,
    *,
    ways: int = 3,
    most_states: int = 8_000,
) -> tuple[float, int] | None:
    """(seconds, passes of that evening); None where there is no such evening, or too many states.

    Args:
        scraps: id → colour.
        ways: how many of ``WAYS`` a scrap may lie in.
    """
    copies = {name: die.copies for name, die in dies.items()}
    loose = seconds.dies == "loose" and machine.dies == "over"
    plates = list(_plates(scraps, dies, ways))
    ticket = count()

    @cache
    def step(plate_key, number: int):  # type: ignore[no-untyped-def]
        plate = PlateState(dict(plate_key[0]), dict(plate_key[1]), dict(plate_key[2]))
        on, _ = plates[number]
        after, done = next_plate(plate, on, copies, loose=loose)
        cranks = max(dies[one.die].trips for one in on.down)
        freed = sum(dies[one.die].pieces for one in on.down)
        took = (
            seconds_of(done, seconds, machine)
            + (cranks * seconds.crank + freed * seconds.free) / seconds.pace
        )
        key = tuple(tuple(sorted(part.items())) for part in (after.papers, after.down, after.up))
        return took, key

    start = (tuple(line.count for line in lines), ((), (), ()), frozenset())
    best = {start: 0.0}
    queue = [(0.0, 0, next(ticket), start)]
    done_states = set()
    while queue:
        so_far, passes, _, state = heapq.heappop(queue)
        if state in done_states:
            continue
        done_states.add(state)
        if len(done_states) > most_states:
            return None
        missing, plate_key, cut = state
        if not any(missing):
            return so_far, passes
        for number, (_, cells) in enumerate(plates):
            if any(cell in cut for cell in cells):
                continue
            took = after_key = None
            for left in _given(lines, missing, dies, scraps, cells):
                if after_key is None:
                    took, after_key = step(plate_key, number)
                after = (left, after_key, cut | frozenset(cells))
                total = so_far + took
                if total < best.get(after, float("inf")) - 1e-12:
                    best[after] = total
                    heapq.heappush(queue, (total, passes + 1, next(ticket), after))
    return None


def _plates(
    scraps: dict[str, str], dies: dict[str, Die], ways: int
) -> Iterator[tuple[OnPlate, tuple[tuple, ...]]]:
    """All that a pass may look like: (what lies there, the places of scraps that are cut)."""
    lying = [None, *product(COVERS, WAYS[:ways])]
    for arrangement in product(lying, repeat=len(scraps)):
        covers = [one[0] for one in arrangement if one is not None]
        if not covers or sum(map(len, covers)) > len(frozenset().union(*covers)):
            continue
        spots, under = {}, {}
        for scrap, one in zip(scraps, arrangement, strict=True):
            if one is not None:
                cover, (shift, deg, flipped) = one
                spots[scrap] = (10.0 * sum(cover) + len(cover) + 0.1 * shift, 0.0, deg, flipped)
                under |= dict.fromkeys(cover, scrap)
        for down in product([None, *dies], repeat=len(PLACES)):
            used = Counter(die for die in down if die is not None)
            if not used or any(number > dies[die].copies for die, number in used.items()):
                continue
            if any(die is not None and place not in under for place, die in zip(PLACES, down, strict=True)):
                continue
            ones = [(place, die) for place, die in zip(PLACES, down, strict=True) if die is not None]
            yield (
                OnPlate(
                    spots,
                    tuple(Down(die, (float(place), 0.0, 0.0, False), under[place]) for place, die in ones),
                ),
                tuple((die, place, under[place], spots[under[place]]) for place, die in ones),
            )


def _given(
    lines: Sequence[Line],
    missing: tuple[int, ...],
    dies: dict[str, Die],
    scraps: dict[str, str],
    cells: tuple[tuple, ...],
) -> set[tuple[int, ...]]:
    """What may be missing then: the pieces of each cut go to any lines that take them, what is too much to none.

    A cut that gives no line a piece would only take time, but may be made: it is left out where the others go on without it.
    """
    found = {missing}
    for die, _, scrap, _ in cells:
        after = set()
        for left in found:
            takers = [
                k
                for k, line in enumerate(lines)
                if left[k] and die in line.dies and scraps[scrap] in line.papers
            ]
            if not takers:
                continue
            shared = {left}
            for _ in range(dies[die].pieces):
                shared = {
                    tuple(n - (k == to) for k, n in enumerate(one))
                    for one in shared
                    for to in takers
                    if one[to]
                } | {one for one in shared if not any(one[k] for k in takers)}
            after |= shared
        found = after
    return found
