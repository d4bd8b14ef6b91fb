"""What if: what another die, another plate, more or fewer kits or spares would save or cost.

Every question is answered by solving the plate half again, not by reading it off prices: copies sit inside
the sets of dies that share a plate, so prices mislead. Solving again is cheap, since sets of dies that were
found to share the plate do so whatever is asked of them: the book of patterns is handed on. Only dies that
the lower bound rests on can save passes when a second copy is bought; the others are not asked about.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from typing import Any

from nestcut.batch.model import Batch, Spares
from nestcut.errors import BatchError
from nestcut.hands import rough_minutes
from nestcut.passes.advice.estimates import Counting, paper_need, plate_for
from nestcut.passes.advice.prepare import prepare
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.schedule import cuts_wanted, run_tasks
from nestcut.passes.common.types import PlatePlan
from nestcut.passes.plate.footprints import DieFootprint, footprints_of
from nestcut.passes.plate.patterns import PatternBook

__all__ = ["WhatIf", "advice", "what_if"]

LONGEST = 1.5
"""So many times the seconds a question that was begun may take."""
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
    kind: str = "other"
    """"die" for something to buy, "plate", "spares", "kits", "colour"."""

    def to_json(self) -> dict[str, Any]:
        """As plain JSON values, the sentence among them."""
        return {**asdict(self), "sentence": advice(self)}

    def as_change(self) -> dict[str, Any]:
        """For ``plan.extras``: what changes, so that fewer passes are below 0; and the sentence."""
        return {
            "what": self.what,
            "kind": self.kind,
            "passes": -self.passes,
            "minutes": -self.minutes,
            "paper_mm2": -self.paper_mm2,
            "short": -self.short,
            "sentence": advice(self),
        }


def advice(answer: WhatIf) -> str:
    """The answer as a sentence: "a second campion die saves 31 passes, about half an hour"."""
    plural = answer.kind in ("plate", "spares") or " and " in answer.what
    gains: list[str] = []
    costs: list[str] = []
    for amount, one, many in (
        (answer.passes, "pass", "passes"),
        (answer.short, "piece that is short", "pieces that are short"),
    ):
        if amount:
            (gains if amount > 0 else costs).append(f"{abs(amount)} {one if abs(amount) == 1 else many}")
    if abs(answer.minutes) >= 1:
        (gains if answer.minutes > 0 else costs).append(f"about {_time_words(abs(answer.minutes))}")
    if abs(answer.paper_mm2) >= 1000:
        (gains if answer.paper_mm2 > 0 else costs).append(
            f"{_area_words(abs(answer.paper_mm2))} of paper{' more' if answer.paper_mm2 < 0 else ''}"
        )
    parts = []
    if gains:
        parts.append(f"save{'' if plural else 's'} {', '.join(gains)}")
    if costs:
        parts.append(f"cost{'' if plural else 's'} {', '.join(costs)}")
    if not parts:
        parts.append(f"change{'' if plural else 's'} nothing")
    return f"{answer.what} {' but '.join(parts)}"


def _time_words(minutes: float) -> str:
    whole = round(minutes)
    if 25 <= whole <= 35:
        return "half an hour"
    if whole < 90:
        return f"{whole} minute{'' if whole == 1 else 's'}"
    return f"{round(whole / 30) / 2:g} hours"


def _area_words(mm2: float) -> str:
    """Below a sheet in cm², above it in sheets of A4 (210 × 297 mm, ISO 216)."""
    sheets = mm2 / (210 * 297)
    return f"{mm2 / 100:.0f} cm²" if sheets < 1 else f"{sheets:.1f} A4 sheets' worth"


@dataclass(frozen=True, slots=True)
class _Figures:
    passes: int
    minutes: float
    paper_mm2: float
    short: int


@dataclass(frozen=True, slots=True)
class _Question:
    what: str
    batch: Batch
    kind: str
    same_paper: bool = False


class _Asker:
    """Solves changed batches, with what is known from the ones before."""

    def __init__(self, batch: Batch, seconds: float, seed: int, stop: Callable[[], bool]) -> None:
        self.seed, self.seconds, self.stop = seed, seconds, stop
        self.counting = Counting()
        self.dies = self._bare(footprints_of(batch, batch.demand, "hulls"))
        self.window = batch.machine.plate_mm
        self.book = PatternBook(len(self.dies))

    @staticmethod
    def _bare(dies: Sequence[DieFootprint]) -> tuple[DieFootprint, ...]:
        """The dies whatever number of copies is owned: layouts say nothing about that."""
        return tuple(replace(die, copies=1) for die in dies)

    def _book_for(self, batch: Batch) -> PatternBook | None:
        """What is known that holds here, too; on a larger plate layouts hold, disproofs do not."""
        if self._bare(footprints_of(batch, batch.demand, "hulls")) != self.dies:
            return None
        width, length = batch.machine.plate_mm
        if width < self.window[0] or length < self.window[1]:
            return None
        same = (width, length) == self.window
        return replace(
            self.book,
            witnesses=dict(self.book.witnesses),
            disproofs=dict(self.book.disproofs) if same else {},
            effort=dict(self.book.effort) if same else {},
        )

    def first(self, batch: Batch) -> PlatePlan:
        """The batch as it is: fills the book."""
        return plate_for(
            batch,
            batch.demand,
            seconds=self.seconds,
            seed=self.seed,
            stop=self.stop,
            work_limit=TRIES,
            book=self.book,
            apart=False,
        )

    def plate(self, batch: Batch) -> PlatePlan:
        return plate_for(
            batch,
            batch.demand,
            seconds=1.0,
            seed=self.seed,
            stop=self.stop,
            work_limit=TRIES,
            book=self._book_for(batch),
            apart=False,
        )

    def figures(self, batch: Batch, plate: PlatePlan, known: _Figures | None = None) -> _Figures:
        wanted = cuts_wanted(batch, plate.shares)
        tasks, _ = run_tasks(batch, plate.runs, wanted)
        cranks = 0
        for task in tasks:
            dies = [batch.die(slot.die) for slot in task.slots]
            cranks += task.passes * max((die.trips for die in dies), default=1)
        minutes = rough_minutes(
            batch.hand.seconds,
            batch.machine,
            cranks=cranks,
            dies_set_up=sum(len(task.slots) for task in tasks),
            trims=0,
            pulled_on=sum(wanted.values()),
        )
        if known is not None:
            paper, short = known.paper_mm2, known.short
        else:
            need, _, missing = paper_need(batch, wanted, self.counting)
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


def _priced(plate: PlatePlan) -> list[str]:
    """Dies that the bound rests on."""
    prices = plate.proof.get("prices", {})
    return [name for name in prices if Fraction(str(prices[name])) > 0]


def _purchases(batch: Batch, plate: PlatePlan, asker: _Asker) -> Iterator[_Question]:
    """Two or three dies bought together, where one alone saves little: the next die holds the passes up."""
    names: list[str] = []
    for _ in range(3):
        busiest = [name for name in _priced(plate) if name not in names]
        if not busiest:
            return
        names += busiest[:1]
        changed = _with_more(batch, names)
        plate = asker.plate(changed)
        if len(names) > 1:
            yield _Question(_bought(batch, names), changed, "die", same_paper=True)


def _questions(batch: Batch, plate: PlatePlan) -> Iterator[_Question]:
    priced = set(_priced(plate))
    for die in batch.dies:
        if die.name in priced:
            yield _Question(_bought(batch, [die.name]), _with_more(batch, [die.name]), "die", same_paper=True)
    width, length = batch.machine.plate_mm
    larger = replace(batch.machine, plate_mm=(width, round(length * 1.5)))
    what = f"plates half as long again ({width:g} × {round(length * 1.5)} mm)"
    yield _Question(what, replace(batch, machine=larger), "plate", same_paper=True)
    if batch.spares.percent or batch.spares.pieces:
        yield _Question("no spares", replace(batch, spares=Spares()), "spares")
    yield _Question("one kit more", replace(batch, kits=batch.kits + 1), "kits")
    if batch.kits > 1:
        yield _Question("one kit less", replace(batch, kits=batch.kits - 1), "kits")


def _other_colours(batch: Batch, short: Sequence[str]) -> Iterator[_Question]:
    """Lines that insist on a short paper, let loose to the paper with most stock per wanted piece."""
    stock: Counter[str] = Counter()
    for scrap in batch.scraps:
        stock[scrap.paper] += round(scrap.outline.area)
    for wanted in batch.demand:
        for paper in wanted.papers:
            area = min(batch.die(die).cut.area for die in wanted.dies)
            stock[paper] -= round(wanted.count * area * 1.8 / len(wanted.papers))
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
            yield _Question(what, replace(batch, cards=tuple(cards)), "colour")


def what_if(
    batch: Batch,
    *,
    seconds: float = 10,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
) -> list[WhatIf]:
    """Answers, the one that saves most passes first; minutes, short pieces and paper decide ties.

    Args:
        seconds: no question is begun later; the first solution and each question have work limits, too.
        stop: asked now and then; True ends with the answers so far.
    """
    prepare()
    asking = Budget(seconds, seed=seed, stop=stop)
    late = replace(asking, seconds=LONGEST * seconds).over
    asker = _Asker(batch, seconds / 3, seed, late)
    plate = asker.first(batch)
    if late():
        return []  # a plan that was cut short says nothing of others
    now = asker.figures(batch, plate)
    _, _, missing = paper_need(batch, cuts_wanted(batch, plate.shares), asker.counting)

    def questions() -> Iterator[_Question]:
        yield from _questions(batch, plate)
        yield from _purchases(batch, plate, asker)
        yield from _other_colours(batch, list(missing))

    answers = []
    for asked in questions():
        if asking.over():
            break
        try:
            other = asker.plate(asked.batch)
        except BatchError:
            continue
        if late():
            break
        then = asker.figures(asked.batch, other, known=now if asked.same_paper else None)
        answer = WhatIf(
            asked.what,
            now.passes - then.passes,
            round(now.minutes - then.minutes, 2),
            round(now.paper_mm2 - then.paper_mm2, 1),
            now.short - then.short,
            asked.kind,
        )
        if answer.passes or answer.short or not asked.same_paper:
            answers.append(answer)
    # Another die on top that saves nothing more is no advice.
    answers = [
        a
        for a in answers
        if not any(a.what.startswith(f"{b.what} and ") and a.passes <= b.passes for b in answers)
    ]
    return sorted(answers, key=lambda a: (-a.passes, -a.minutes, -a.short, -a.paper_mm2, a.what))
