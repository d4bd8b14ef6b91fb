"""What if: what another die, another plate, more or fewer kits or spares would save or cost.

Every question is answered by solving the plate half again, not by reading it off prices: copies sit inside
the sets of dies that share a plate, so prices mislead. Only dies that the lower bound rests on can save
passes when a second copy is bought; the others are not asked about.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from typing import Any

from nestcut.batch.model import Batch, Spares
from nestcut.errors import BatchError
from nestcut.passes.estimates import paper_need, plate_for
from nestcut.passes.schedule import cuts_wanted, run_tasks
from nestcut.passes.totals import minutes_of
from nestcut.passes.types import PlatePlan

__all__ = ["WhatIf", "what_if"]

TRIES = 40
"""Work of the plate search for one question."""


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A change and what it saves (below 0: costs)."""

    what: str
    passes: int
    minutes: float
    """Cranking and setting up; trims are taken as they are."""
    paper_mm2: float
    short: int
    """Pieces fewer that are short."""

    def to_json(self) -> dict[str, Any]:
        """As plain JSON values."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class _Figures:
    passes: int
    minutes: float
    paper_mm2: float
    short: int


def _figures(batch: Batch, plate: PlatePlan, *, known: _Figures | None = None) -> _Figures:
    wanted = cuts_wanted(batch, plate.shares)
    tasks, _ = run_tasks(batch, plate.runs, wanted)
    cranks = 0
    for task in tasks:
        dies = [batch.die(slot.die) for slot in task.slots]
        cranks += task.passes * max((die.trips for die in dies), default=1)
    minutes = minutes_of(
        batch.machine, cranks=cranks, dies_set_up=sum(len(task.slots) for task in tasks), trims=0
    )
    if known is not None:
        paper, short = known.paper_mm2, known.short
    else:
        need, _, missing = paper_need(batch, wanted)
        paper, short = need, sum(missing.values())
    return _Figures(sum(task.passes for task in tasks), minutes, paper, short)


def _with_more(batch: Batch, names: Sequence[str]) -> Batch:
    """The batch with one more copy of each of these dies."""
    return replace(
        batch,
        dies=tuple(replace(die, copies=die.copies + 1) if die.name in names else die for die in batch.dies),
    )


def _bought(batch: Batch, names: Sequence[str]) -> str:
    words = {1: "second", 2: "third"}
    return " and ".join(f"a {words.get(batch.die(name).copies, 'further')} {name} die" for name in names)


def _purchases(batch: Batch, plate: PlatePlan, seed: int) -> list[tuple[str, Batch, bool]]:
    """Two or three dies bought together, where one alone saves nothing: the next die holds the passes up."""
    names: list[str] = []
    result = []
    for _ in range(3):
        prices = plate.proof.get("prices", {})
        busiest = [n for n in prices if Fraction(str(prices[n])) > 0 and n not in names]
        if not busiest:
            break
        names += busiest[:1]
        changed = _with_more(batch, names)
        plate = plate_for(changed, changed.demand, seconds=1.0, seed=seed, work_limit=TRIES)
        if len(names) > 1:
            result.append((_bought(batch, names), changed, True))
    return result


def _questions(batch: Batch, plate: PlatePlan) -> list[tuple[str, Batch, bool]]:
    """(what, changed batch, whether the paper stays as it is)."""
    result: list[tuple[str, Batch, bool]] = []
    prices = plate.proof.get("prices", {})
    for die in batch.dies:
        if Fraction(str(prices.get(die.name, "0"))) > 0:
            result.append((_bought(batch, [die.name]), _with_more(batch, [die.name]), True))
    width, length = batch.machine.plate_mm
    larger = replace(batch.machine, plate_mm=(width, round(length * 1.5)))
    result.append(
        (
            f"plates half as long again ({width:g} × {round(length * 1.5)} mm)",
            replace(batch, machine=larger),
            True,
        )
    )
    if batch.spares.percent or batch.spares.pieces:
        result.append(("no spares", replace(batch, spares=Spares()), False))
    result.append(("one kit more", replace(batch, kits=batch.kits + 1), False))
    if batch.kits > 1:
        result.append(("one kit less", replace(batch, kits=batch.kits - 1), False))
    return result


def _other_colours(batch: Batch, short: Sequence[str]) -> list[tuple[str, Batch, bool]]:
    """Lines that insist on a short paper, let loose to the paper with most stock per wanted piece."""
    stock: Counter[str] = Counter()
    for scrap in batch.scraps:
        stock[scrap.paper] += round(scrap.outline.area)
    for line in batch.demand:
        for paper in line.papers:
            area = min(batch.die(die).cut.area for die in line.dies)
            stock[paper] -= round(line.count * area * 1.8 / len(line.papers))
    result = []
    for c, card in enumerate(batch.cards):
        for n, line in enumerate(card.lines):
            if len(line.papers) != 1 or line.papers[0] not in short:
                continue
            others = [p.name for p in batch.papers if p.name not in short and stock[p.name] > 0]
            if not others:
                continue
            best = max(others, key=lambda name: (stock[name], name))
            lines = list(card.lines)
            lines[n] = replace(line, papers=(best,))
            cards = list(batch.cards)
            cards[c] = replace(card, lines=tuple(lines))
            what = f"{' or '.join(line.dies)} of card {card.name} in {best} instead of {line.papers[0]}"
            result.append((what, replace(batch, cards=tuple(cards)), False))
    return result


def what_if(
    batch: Batch,
    *,
    seconds: float = 10,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
) -> list[WhatIf]:
    """Answers, the one that saves most passes first; minutes, short pieces and paper decide ties.

    Args:
        seconds: time limit for the first solution; each question has a work limit of its own.
        stop: asked between questions; True ends with the answers so far.
    """
    plate = plate_for(batch, batch.demand, seconds=seconds / 3, seed=seed, work_limit=TRIES)
    now = _figures(batch, plate)
    wanted = cuts_wanted(batch, plate.shares)
    _, _, missing = paper_need(batch, wanted)
    answers = []
    for what, changed, same_paper in [
        *_questions(batch, plate),
        *_purchases(batch, plate, seed),
        *_other_colours(batch, list(missing)),
    ]:
        if stop and stop():
            break
        try:
            other = plate_for(changed, changed.demand, seconds=1.0, seed=seed, work_limit=TRIES)
        except BatchError:
            continue
        then = _figures(changed, other, known=now if same_paper else None)
        answer = WhatIf(
            what,
            now.passes - then.passes,
            round(now.minutes - then.minutes, 2),
            round(now.paper_mm2 - then.paper_mm2, 1),
            now.short - then.short,
        )
        if answer.passes or answer.short or not same_paper:
            answers.append(answer)
    # Another die on top that saves nothing more is no advice.
    answers = [
        a
        for a in answers
        if not any(a.what.startswith(f"{b.what} and ") and a.passes <= b.passes for b in answers)
    ]
    return sorted(answers, key=lambda a: (-a.passes, -a.minutes, -a.short, -a.paper_mm2, a.what))
