"""Batches for the plate half, and a check of its answers that shares no code with it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from shapely.affinity import rotate, translate
from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Card, CardLine, Die, Hand, Machine, Paper
from nestcut.passes.common.types import PlatePlan


def rectangle(
    name: str, width: float, length: float, *, copies: int = 1, turns=(0.0, 90.0, 180.0, 270.0)
) -> Die:
    """A die whose rim is a rectangle centred on its frame; the cut lies 1 mm inside."""
    rim = box(-width / 2, -length / 2, width / 2, length / 2)
    return Die(name, rim.buffer(-1.0, join_style="mitre"), rim, copies=copies, turns=turns)


def batch_of(
    dies: Sequence[Die],
    lines: Sequence[tuple[Sequence[str], Sequence[str], int]],
    *,
    plate: tuple[float, float] = (100.0, 100.0),
    clear: float = 0.0,
    hand: Hand | None = None,
    papers: Sequence[Paper] = (Paper("red"), Paper("white")),
) -> Batch:
    """A batch with one card whose lines are (dies, papers, count)."""
    card = Card("card", 1, tuple(CardLine(tuple(d), tuple(p), n) for d, p, n in lines))
    return Batch(
        title="test",
        machine=Machine(plate, clear_mm=clear),
        hand=hand or Hand(gap_mm=0.0),
        papers=tuple(papers),
        scraps=(),
        dies=tuple(dies),
        cards=(card,),
    )


def faults(batch: Batch, plan: PlatePlan) -> list[str]:
    """What is wrong with a plate plan: layouts, copies, cuts against passes, demand, bound."""
    found = []
    window = batch.machine.window.buffer(1e-6, join_style="mitre")
    cuts: Counter[str] = Counter()
    for run in plan.runs:
        rims: list[Polygon] = []
        for slot in run.slots:
            rim = rotate(batch.die(slot.die).rim, slot.pose.deg, origin=(0, 0))
            rims.append(translate(rim, slot.pose.x_mm, slot.pose.y_mm))
        for index, rim in enumerate(rims):
            if not window.covers(rim):
                found.append(f"{run.slots[index].die} sticks out")
            for other in range(index):
                gap = rim.distance(rims[other])
                deep = rim.intersection(rims[other]).area > 1e-3
                if gap < batch.hand.gap_mm - 1e-6 or deep:
                    found.append(f"{run.slots[index].die} is {gap} mm from {run.slots[other].die}")
        for name, used in Counter(slot.die for slot in run.slots).items():
            if used > batch.die(name).copies:
                found.append(f"{used} copies of {name}")
        if len(run.cuts) != len(run.slots) or any(not 0 < cut <= run.passes for cut in run.cuts):
            found.append(f"cuts {run.cuts} in {run.passes} passes")
        for slot, cut in zip(run.slots, run.cuts, strict=True):
            cuts[slot.die] += cut * batch.die(slot.die).pieces
    wanted: Counter[str] = Counter()
    for line, shares in zip(batch.demand, plan.shares, strict=True):
        if sum(share.count for share in shares) != line.count:
            found.append(f"line of {line.count} is met by {shares}")
        for share in shares:
            if share.die not in line.dies or share.paper not in line.papers:
                found.append(f"{share} may not meet {line}")
            wanted[share.die] += share.count
    for name, pieces in wanted.items():
        if cuts[name] < pieces:
            found.append(f"{name}: {cuts[name]} pieces cut, {pieces} wanted")
    if sum(run.passes for run in plan.runs) < plan.bound:
        found.append("fewer passes than the bound")
    return found
