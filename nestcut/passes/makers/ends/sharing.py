"""Which dies lie at which end of the plate, in which lay-up, and what each cuts: shared out so that the slower end is quick.

Each end of the plate belongs to one scrap at a time, so an end takes, for each paper, as many passes as its busiest
die in that paper, and no fewer than the cuts need that go side by side across a scrap. Lines of demand that name several
dies or papers are shared out together with the dies (an integer programme).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from nestcut.batch.model import Batch, Die
from nestcut.batch.turns import turns_on
from nestcut.hands import rough_pass_s
from nestcut.passes.common.budget import ENDLESS, Budget
from nestcut.passes.common.plate_rules import window_size

if TYPE_CHECKING:
    from ortools.sat.python.cp_model import CpModel, CpSolver

__all__ = ["EndMeasures", "Key", "Member", "Shared", "cuts_of_dies", "loads", "share_out"]

Key = tuple[str, str]
"""(die, paper)"""
ENDS = (0, 1)
"""Of the plate: the one that goes in first, and the other."""
SHARING_S, SHARING, LEAST_S = 3.0, 0.15, 0.5
"""Most seconds of the solver, its share of the whole time, and its least seconds."""
A_PASS = 100
"""What a pass costs; the others are counted in hundredths of it."""
UNEVEN = 3
"""A piece more of the commonest choice of a line: variety where it costs little."""
HANDLED = 3
"""A scrap laid once more."""
BALANCE = 0.3
"""A pass of the end whose rows are fuller, by width: both ends alike leave each scrap more room to be pulled on."""
SCARCE = 300
"""A hundredth of a paper's stock more than rows can give."""
ROWS_TAKE = 0.6
"""How much of a paper the boxes of rims may take up together."""
TENTHS = 10
"""Widths are counted in tenths of a millimetre."""


@dataclass(frozen=True, slots=True)
class EndMeasures:
    """What sharing out has to know of dies and papers."""

    widths: Mapping[str, float]
    """Die → what it takes across a scrap, mm."""
    row_mm: float
    """What the dies of one end may take across together, mm."""
    across: Mapping[str, float]
    """Paper → how wide its scraps are as they lie, mm."""
    long_mm: float
    """How long scraps are along the feed, mm."""


@dataclass(frozen=True, slots=True)
class Member:
    """A copy of a die at one end of a lay-up, and its cuts by paper."""

    die: Die
    cuts: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Shared:
    """Lay-ups, each with the dies of its two ends; pieces of each line by die and paper."""

    layups: tuple[tuple[tuple[Member, ...], tuple[Member, ...]], ...]
    lines: tuple[Counter[Key], ...]
    passes: int
    """What the slower ends take together, if every scrap is cut by all dies of its end."""


def share_out(
    batch: Batch,
    left: Sequence[int],
    measures: EndMeasures,
    budget: Budget = ENDLESS,
    *,
    work: float,
    layups: int,
    full: float,
    barred: Collection[Key] = (),
    row: bool = True,
) -> Shared | None:
    """Dies and cuts of both ends of every lay-up; None where they are too large for so many lay-ups.

    Args:
        left: pieces that each line still needs.
        budget, work: limits of the solver, by the clock and in its own measure.
        layups: lay-ups to use at most.
        full: how much of the plate the boxes of one lay-up's rims may take up.
        barred: (die, paper) that found no paper before: used only where a line has no other.
        row: False where dies need not go into the rows of their end.
    """
    model = _SharingModel(batch, left, measures, layups, barred)
    across_mm, along_mm = window_size(batch.machine)
    model.keep_room(min(full, 1e3) * across_mm * along_mm, row)
    model.count_passes()
    model.spare_papers()
    return model.solved(budget.solver(max(LEAST_S, min(SHARING_S, SHARING * budget.span_s)), work=work))


class _SharingModel:
    """The integer programme."""

    def __init__(
        self, batch: Batch, left: Sequence[int], measures: EndMeasures, layups: int, barred: Collection[Key]
    ) -> None:
        from ortools.sat.python import cp_model

        self.batch, self.measures, self.layups = batch, measures, layups
        self.most = sum(left)
        self.model: CpModel = cp_model.CpModel()
        self.goal: list[Any] = []
        self.passes: list[Any] = []
        self.choice = _choices(batch, left, barred)
        self.share: dict[tuple[int, Key], Any] = {}
        for k, keys in enumerate(self.choice):
            top = self.model.new_int_var(0, left[k], "")
            for key in keys:
                self.share[k, key] = self.model.new_int_var(0, left[k], "")
                self.model.add(self.share[k, key] <= top)
            if keys:
                self.model.add(sum(self.share[k, key] for key in keys) == left[k])
                self.goal.append(UNEVEN * top)
        self.wanted = sorted({key for keys in self.choice for key in keys})
        self.dies = [batch.die(name) for name in sorted({name for name, _ in self.wanted})]
        self.papers = sorted({paper for _, paper in self.wanted})
        self.lies: dict[tuple[str, int, int, int], Any] = {}
        """(die, copy, lay-up, end) → whether it lies there."""
        self.cuts: dict[tuple[str, int, int, int, str], Any] = {}
        for die in self.dies:
            self._lay(die)
        self._busiest_first(left)

    def _lay(self, die: Die) -> None:
        own = [paper for name, paper in self.wanted if name == die.name]
        for copy in range(die.copies):
            for layup in range(self.layups):
                for end in ENDS:
                    here = self.lies[die.name, copy, layup, end] = self.model.new_bool_var("")
                    for paper in own:
                        count = self.model.new_int_var(0, self.most, "")
                        self.model.add(count <= self.most * here)
                        self.cuts[die.name, copy, layup, end, paper] = count
                self.model.add(sum(self.lies[die.name, copy, layup, end] for end in ENDS) <= 1)
        for paper in own:
            made = [count for key, count in self.cuts.items() if key[0] == die.name and key[4] == paper]
            asked = sum(value for (_, key), value in self.share.items() if key == (die.name, paper))
            self.model.add(die.pieces * sum(made) >= asked)
            self.model.add(die.pieces * sum(made) <= asked + die.pieces - 1)

    def _busiest_first(self, left: Sequence[int]) -> None:
        """Ends and lay-ups are alike: a die that is needed in any case lies in the first."""
        sure = {keys[0][0] for keys in self.choice if len({die for die, _ in keys}) == 1}
        if sure:
            work = Counter(
                {
                    name: sum(
                        n
                        for n, keys in zip(left, self.choice, strict=True)
                        if any(d == name for d, _ in keys)
                    )
                    for name in sure
                }
            )
            first = max(sure, key=lambda name: (work[name] / self.batch.die(name).copies, name))
            self.model.add(self.lies[first, 0, 0, 0] == 1)

    def keep_room(self, room_mm2: float, row: bool) -> None:
        """Dies of a lay-up go onto the plate by area, those of an end into its rows by width."""
        for layup in range(self.layups):
            placed = [(key, here) for key, here in self.lies.items() if key[2] == layup]
            self.model.add(
                sum(_box_mm2(self.batch.die(key[0])) * here for key, here in placed) <= int(room_mm2)
            )
            for end in ENDS if row else ():
                across = [
                    round(TENTHS * self.measures.widths[key[0]]) * here
                    for key, here in placed
                    if key[3] == end
                ]
                self.model.add(sum(across) <= round(TENTHS * self.measures.row_mm))

    def count_passes(self) -> None:
        """Every lay-up takes as long as its slower end; an end waits for the busiest die, paper after paper."""
        fuller = []
        # Where scraps are narrower than a die, on an average, a pass cuts less than one.
        roof = self.most * math.ceil(
            1
            + max(self.measures.widths.values(), default=1.0)
            / min(self.measures.across.values(), default=1.0)
        )
        for layup in range(self.layups):
            takes = self.model.new_int_var(0, 2 * roof, "")
            full = self.model.new_int_var(0, 10**9, "")
            for end in ENDS:
                loads, widths = [], []
                for paper in self.papers:
                    own = [(k, n) for k, n in self.cuts.items() if k[2:] == (layup, end, paper)]
                    longest = self.model.new_int_var(0, roof, "")
                    for _, count in own:
                        self.model.add(count <= longest)
                    wide = [(round(TENTHS * self.measures.widths[k[0]]), n) for k, n in own]
                    width = max(1, round(TENTHS * self.measures.across[paper]))
                    self.model.add(sum(w * n for w, n in wide) <= width * longest)
                    loads.append(longest)
                    widths += [round(A_PASS * w / width) * n for w, n in wide]
                self.model.add(sum(loads) <= takes)
                self.model.add(sum(widths) <= full)
                self.goal.append(HANDLED * sum(loads))
            self.passes.append(takes)
            fuller.append(full)
        balanced = self.model.new_int_var(0, 10**9, "")
        self.model.add(A_PASS * balanced >= round(A_PASS * BALANCE) * sum(fuller))
        self.goal.append(balanced)
        self.goal.append(A_PASS * sum(self.passes))
        seconds = self.batch.hand.seconds
        a_die = round(A_PASS * seconds.set_up / seconds.pace / max(1.0, rough_pass_s(seconds)))
        self.goal.append(a_die * sum(self.lies.values()))

    def spare_papers(self) -> None:
        """No more is asked of a paper than rows can give, where there is another."""
        stock: Counter[str] = Counter()
        for scrap in self.batch.scraps:
            stock[scrap.paper] += int(scrap.outline.area)
        for paper in self.papers:
            asked = []
            for (_, key), count in self.share.items():
                if key[1] == paper:
                    die = self.batch.die(key[0])
                    asked.append(_box_mm2(die) // die.pieces * count)
            over = self.model.new_int_var(0, 10**6, "")
            a_hundredth = max(1, stock[paper] // 100)
            self.model.add(a_hundredth * over >= sum(asked) - round(ROWS_TAKE * stock[paper]))
            self.goal.append(SCARCE * over)

    def solved(self, solver: CpSolver) -> Shared | None:
        """The best that was found."""
        from ortools.sat.python import cp_model

        self.model.minimize(sum(self.goal))
        if solver.solve(self.model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return None
        cuts = {key: count for key, n in self.cuts.items() if (count := solver.value(n))}
        layups = []
        for layup in range(self.layups):
            ends = [
                tuple(
                    Member(die, own)
                    for die in self.dies
                    for copy in range(die.copies)
                    if (own := {k[4]: n for k, n in cuts.items() if k[:4] == (die.name, copy, layup, end)})
                )
                for end in ENDS
            ]
            if any(ends):
                layups.append((ends[0], ends[1]))
        lines = tuple(
            Counter({key: n for key in keys if (n := solver.value(self.share[k, key]))})
            for k, keys in enumerate(self.choice)
        )
        return Shared(tuple(layups), lines, sum(solver.value(takes) for takes in self.passes))


def loads(members: Sequence[Member]) -> int:
    """Passes of an end in which all dies of a paper are down together."""
    longest: Counter[str] = Counter()
    for member in members:
        for paper, count in member.cuts.items():
            longest[paper] = max(longest[paper], count)
    return sum(longest.values())


def cuts_of_dies(members: Sequence[Member], names: Collection[str]) -> int:
    """Cuts of these dies at an end."""
    return sum(sum(member.cuts.values()) for member in members if member.die.name in names)


def _box_mm2(die: Die) -> int:
    """The box of a rim with half a millimetre of air around it, mm²."""
    x0, y0, x1, y1 = die.rim.bounds
    return int((x1 - x0 + 1) * (y1 - y0 + 1))


def _choices(batch: Batch, left: Sequence[int], barred: Collection[Key]) -> list[list[Key]]:
    """What each line may be cut by, and out of what; nothing for lines that are done."""
    found = []
    for line, count in zip(batch.demand, left, strict=True):
        keys = [
            (die, paper)
            for die in line.dies
            for paper in line.papers
            if count > 0 and turns_on(batch.die(die), batch.paper(paper))
        ]
        found.append([key for key in keys if key not in barred] or keys)
    return found
