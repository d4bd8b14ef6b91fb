"""Random small classes, and what may go wrong in their evenings."""

from __future__ import annotations

import random

from nestcut.batch.model import Batch, CardLine, Hand, Paper
from nestcut.evening import Event
from nestcut.plans import Plan
from tests.shared.batches import batch_of, disc_die, label_die, sheets

__all__ = ["small_class", "some_mishaps"]


def small_class(number: int) -> Batch:
    """Two dies, two papers, a few scraps that have some paper to spare or just not enough."""
    chance = random.Random(f"class {number}")
    dies = [
        disc_die("coin", chance.choice((22, 26)), copies=chance.choice((1, 2))),
        label_die("tag", chance.choice((30, 40)), 18),
    ]
    sizes = [(chance.choice((60, 80, 95)), chance.choice((50, 70, 120))) for _ in range(6)]
    scraps = [*sheets("red", *sizes[:3]), *sheets("blue", *sizes[3:])]
    kits = chance.choice((3, 5, 8))
    lines = [
        CardLine(("coin",), ("red",), 1),
        CardLine(("tag",), ("blue", "red"), 1),
        CardLine(("coin", "tag"), ("blue",), 1),
    ]
    hand = Hand(web_mm=chance.choice((2.0, 2.5, 5.0)), trims=chance.choice(("none", "straight", "scissors")))
    papers = [Paper("red", both_sides=chance.random() < 0.5), Paper("blue")]
    return batch_of(dies, scraps, lines[: chance.choice((2, 3))], kits=kits, hand=hand, papers=papers)


def some_mishaps(plan: Plan, number: int) -> list[Event]:
    """Some passes done, then one to four things that go wrong, by chance."""
    chance = random.Random(f"mishaps {number}")
    after = chance.randint(plan.done, len(plan.passes))
    events = [Event(f"done {k}", "done", {"pass": k}) for k in range(plan.done + 1, after + 1)]
    for _ in range(chance.randint(1, 4)):
        kind = chance.choice(("missed", "missed", "spoilt", "broken"))
        done = plan.passes[:after]
        if kind == "missed" and done:
            one = chance.choice(done)
            data = {"pass": one.number, "slot": chance.choice(one.cuts).slot}
        elif kind == "broken":
            data = {"die": chance.choice(plan.dies).name}
        else:
            kind = "spoilt"
            gone = {trim.scrap for trim in plan.trims}
            data = {"scrap": chance.choice([name for name in plan.pieces_of_paper() if name not in gone])}
        events.append(Event(f"mishap {len(events)}", kind, data))
    return events
