"""A whole evening by rows: every colour in a field of its own, fields side by side, in as little time as was found.

How wide a colour's field is, by which habit it is cut, and which die and paper meet a free line are changed one at a time, and kept
where the hands' clock says so. A change cuts its own colours anew, all others stay as they are.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from nestcut.batch.model import Batch
from nestcut.hands import seconds_in_use, seconds_of, trim_actions
from nestcut.passes.common.slits import Piece
from nestcut.passes.common.turns import turns_on
from nestcut.passes.makers.rows.cutting import ColourCutter, Habit
from nestcut.passes.makers.rows.fields import Size, in_field, sizes_of
from nestcut.passes.makers.rows.sheets import Papers
from nestcut.passes.makers.rows.timetable import Job, PlacedJob, in_order, job_of, timetable
from nestcut.plans.model import Trim

__all__ = ["RowsPlan", "by_rows"]

HEAT = 0.006
"""A change that costs up to so much of the whole is taken in the beginning."""
COOL = 300
"""Changes after which none is taken that costs anything."""
RETURN = 40
"""After so many changes the search goes back to the best."""
A_MISSING_S = 120.0
"""A cut that is missing weighs so many seconds."""
FIRST_SIZES = 10
"""Sizes of fields that are looked at to begin with."""
LOOKED_AT = 4
"""Sizes for each colour that are looked at with further habits."""
HABITS = (Habit(laid=25, straight=True, enough=0.4), Habit(laid=25, shuffle=1))
"""Those habits."""
MOST_STARTS = 6
"""Shares of the plate that are worked out whole, of all that were looked at."""
A_LINE, ANOTHER_SIZE = 0.15, 0.5
"""How often a free line is changed, and how often a colour's field."""
GLANCE = 3
"""Orders of a timetable that are tried to choose among sizes."""
ORDERS = 60
"""Orders of a timetable that are tried for each change."""
Key = tuple[str, str]
Lines = tuple[tuple[tuple[Key, int], ...], ...]
"""For each line of demand, the pieces of each (die, paper)."""


@dataclass(frozen=True, slots=True)
class ColourWay:
    """How a colour is cut."""

    size: Size
    habit: Habit


@dataclass(frozen=True, slots=True, eq=False)
class Cutting:
    """What came of it."""

    jobs: tuple[Job, ...]
    missing: Counter[str]
    seconds: float
    """All that hands do for it, without cranks and freeing pieces."""
    pulls: int
    worth: float
    """The same with cranks, as far as this colour has its share in them, and what is missing."""


@dataclass(frozen=True, slots=True)
class RowsPlan:
    """A whole plan by rows."""

    lines: Lines
    ways: Mapping[str, ColourWay]
    placed: tuple[PlacedJob, ...]
    missing: Counter[Key]
    seconds: float
    """Without freeing the pieces, which takes the same in every plan."""

    @property
    def worth(self) -> float:
        """What is least in the best of them."""
        return self.seconds + A_MISSING_S * sum(self.missing.values())


class Rows:
    """All that is known of a batch while plans by rows are sought."""

    def __init__(self, batch: Batch, over: Callable[[], bool], sizes: Sequence[Size] | None = None) -> None:
        """``sizes`` of fields, the whole plate first; those that suit the batch where none are named."""
        self.batch, self.over = batch, over
        self.rates = seconds_in_use(batch.hand.seconds, batch.machine.dies)
        self.loose = batch.machine.dies == "over" and batch.hand.seconds.dies == "loose"
        self.sizes = list(sizes or sizes_of(batch))
        self._trims: dict[tuple[bytes, ...], float] = {}
        self._fields = {size: in_field(batch, size) for size in self.sizes}
        self._papers = Papers(batch)
        self._cuttings: dict[tuple[str, ColourWay, tuple[tuple[str, int], ...]], Cutting] = {}
        self._best: dict[tuple[str, Size, tuple[tuple[str, int], ...]], tuple[float, ColourWay]] = {}
        self.options = [
            [
                (die, paper)
                for die in line.dies
                for paper in line.papers
                if turns_on(batch.die(die), batch.paper(paper))
            ]
            for line in batch.demand
        ]
        self.trips = {die.name: die.trips for die in batch.dies}

    def cutting(self, paper: str, way: ColourWay, wanted: Mapping[str, int]) -> Cutting:
        """One colour cut in one way."""
        key = (paper, way, tuple(sorted(wanted.items())))
        if key not in self._cuttings:
            field = self._fields[way.size]
            cutter = ColourCutter(field, self._papers, paper, way.habit, self.over)
            cutter.cut(wanted)
            jobs = tuple(job_of(b, way.size, in_order(b.pulls)) for b in cutter.blocks if b.pulls)
            missing = +Counter({die: n - cutter.made[die] for die, n in wanted.items()})
            seconds = sum(self._work(job) for job in jobs) + self._trimming(jobs)
            pulls = sum(len(job.pulls) for job in jobs)
            worth = seconds + self.rates["crank"] * self.share_of(way.size) * pulls
            worth += A_MISSING_S * sum(missing.values())
            got = self._cuttings[key] = Cutting(jobs, missing, seconds, pulls, worth)
            best = self._best.get((paper, way.size, key[2]))
            if best is None or worth < best[0]:
                self._best[paper, way.size, key[2]] = (worth, way)
            return got
        return self._cuttings[key]

    def way(self, paper: str, size: Size, wanted: Mapping[str, int], habit: Habit | None = None) -> ColourWay:
        """The best way that is known to cut a colour in fields of a size.

        Args:
            habit: tried where none is known.
        """
        key = (paper, size, tuple(sorted(wanted.items())))
        if key not in self._best:
            for one in dict.fromkeys((Habit(), habit or Habit())):
                self.cutting(paper, ColourWay(size, one), wanted)
        return self._best[key][1]

    def known(self, paper: str, size: Size, wanted: Mapping[str, int]) -> bool:
        """Whether a colour was cut in fields of this size."""
        return (paper, size, tuple(sorted(wanted.items()))) in self._best

    def best(self, paper: str, way: ColourWay, wanted: Mapping[str, int]) -> float:
        """What the best way of this size comes to."""
        return self._best[paper, way.size, tuple(sorted(wanted.items()))][0]

    def share_of(self, size: Size) -> float:
        """The share of the plate that a field takes."""
        whole = self.sizes[0]
        return size.width * size.depth / (whole.width * whole.depth)

    def beside(self, size: Size) -> Size | None:
        """What is left of the end beside a field."""
        other = Size(self.sizes[0].width - size.width, size.depth)
        return other if other in self._fields else None

    def _work(self, job: Job) -> float:
        """Papers and dies of a job, seconds."""
        rates = self.rates
        total = 0.0
        before = None
        known: set[int] = set()
        down: set[int] = set()
        for pull in job.pulls:
            now = set(pull.slots)
            moved = True
            if before is None or before.piece is not pull.piece:
                total += rates["lay"] + rates["take_away"]
            elif before.deg != pull.deg:
                total += rates["turn"]
            elif before.at != pull.at:
                total += rates["pull_on"]
            else:
                moved = False
            if self.loose and moved:
                total += rates["place_loose"] * len(down & now)
            total += rates["lift"] * len(down - now)
            total += rates["put_back"] * len((now - down) & known) + rates["set_up"] * len(now - known)
            known |= now
            before, down = pull, now
        return total + rates["lift"] * len(down)

    def _trimming(self, jobs: Sequence[Job]) -> float:
        """Scraps trimmed before the evening, seconds."""
        parts: dict[str, dict[int, Piece]] = {}
        for job in jobs:
            for pull in job.pulls:
                if not pull.piece.whole:
                    parts.setdefault(pull.piece.scrap.id, {})[id(pull.piece)] = pull.piece
        total = 0.0
        for own in parts.values():
            pieces = list(own.values())
            scrap, outlines = pieces[0].scrap, [piece.outline for piece in pieces]
            key = (scrap.outline.wkb, *sorted(outline.wkb for outline in outlines))
            if key not in self._trims:
                done = trim_actions(
                    [Trim(scrap.id, tuple((str(k), one) for k, one in enumerate(outlines)))],
                    {scrap.id: scrap.outline},
                )
                self._trims[key] = seconds_of(done, self.batch.hand.seconds, self.batch.machine)
            total += self._trims[key]
        return total

    def evening(self, lines: Lines, ways: Mapping[str, ColourWay], *, tries: int, seed: int) -> RowsPlan:
        """All colours and their timetable."""
        wanted = self.wanted(lines)
        jobs: list[Job] = []
        missing: Counter[Key] = Counter()
        seconds = 0.0
        for paper in sorted(wanted):
            got = self.cutting(paper, ways[paper], wanted[paper])
            jobs += got.jobs
            seconds += got.seconds
            missing.update({(die, paper): n for die, n in got.missing.items()})
        placed = timetable(self.batch, jobs, tries=tries, seed=seed)
        return RowsPlan(
            lines, dict(ways), tuple(placed), missing, seconds + self.rates["crank"] * self._cranks(placed)
        )

    def _cranks(self, placed: Sequence[PlacedJob]) -> int:
        trips = [1] * max((one.stop for one in placed), default=0)
        for one in placed:
            dies = [self.trips[turned.die.name] for turned, _, _ in one.job.block.slots]
            if max(dies, default=1) > 1:
                for k, pull in enumerate(one.job.pulls):
                    at = one.start + k
                    trips[at] = max(trips[at], *(dies[slot] for slot in pull.slots))
        return sum(trips)

    def wanted(self, lines: Lines) -> dict[str, dict[str, int]]:
        """Paper → die → cuts."""
        pieces: Counter[Key] = Counter()
        for line in lines:
            for key, count in line:
                pieces[key] += count
        found: dict[str, dict[str, int]] = {}
        for (die, paper), count in sorted(pieces.items()):
            if count > 0:
                found.setdefault(paper, {})[die] = -(-count // self.batch.die(die).pieces)
        return found

    def first_lines(self, asked: Sequence[int]) -> Lines:
        """Free lines go where they lengthen no colour, first to papers of which least is used.

        Args:
            asked: pieces of each line.
        """
        table = _Shares(self.batch)
        order = sorted(range(len(self.options)), key=lambda k: (len(self.options[k]), k))
        found = {number: table.shared_out(asked[number], self.options[number]) for number in order}
        return tuple(found[number] for number in range(len(self.options)))


class _Shares:
    """What was given to lines so far."""

    def __init__(self, batch: Batch) -> None:
        self.batch = batch
        self.stock: Counter[str] = Counter()
        for scrap in batch.scraps:
            self.stock[scrap.paper] += int(scrap.outline.area)
        self.cuts: Counter[Key] = Counter()
        self.taken: Counter[str] = Counter()

    def shared_out(self, left: int, options: Sequence[Key]) -> tuple[tuple[Key, int], ...]:
        """Pieces of a line by die and paper."""
        found: Counter[Key] = Counter()
        still = list(options)
        while left > 0 and still:
            best = max(
                still, key=lambda key: (min(self._slack(key), left) * self._room(key), self._room(key))
            )
            count = min(left, self._slack(best)) or left
            if len(still) == 1:
                count = left
            self._take(best, count)
            found[best] += count
            left -= count
            still.remove(best)
        return tuple(found.items())

    def _slack(self, key: Key) -> int:
        """Pieces that lengthen no colour."""
        die = self.batch.die(key[0])
        longest = max(
            (
                -(-n // self.batch.die(name).copies)
                for (name, paper), n in self.cuts.items()
                if paper == key[1]
            ),
            default=0,
        )
        return die.pieces * max(0, longest * die.copies - self.cuts[key])

    def _room(self, key: Key) -> float:
        """The share of a paper that is not taken."""
        return max(0.0, 1.0 - self.taken[key[1]] / max(1, self.stock[key[1]]))

    def _take(self, key: Key, count: int) -> None:
        die, web = self.batch.die(key[0]), self.batch.hand.web_mm
        cuts = -(-count // die.pieces)
        x0, y0, x1, y1 = die.cut.bounds
        self.cuts[key] += cuts
        self.taken[key[1]] += int(cuts * (x1 - x0 + web) * (y1 - y0 + web))


def by_rows(
    batch: Batch,
    *,
    over: Callable[[], bool],
    most: int,
    seed: int = 0,
    sizes: Sequence[Size] | None = None,
    asked: Sequence[int] | None = None,
    say: Callable[[int, RowsPlan], None] | None = None,
) -> RowsPlan:
    """The best evening by rows that was found.

    Args:
        over: asked before each change; True ends the search.
        sizes: of fields, the whole plate first; all that suit the batch where none are named.
        asked: pieces of each line, where that is not all of the demand.
        most: changes that are tried, at most.
    """
    rows = Rows(batch, over, sizes)
    chance = random.Random(seed)
    best = now = _first(rows, rows.first_lines(asked or [line.count for line in batch.demand]), over)
    if say:
        say(-1, best)
    for number in range(most):
        if over():
            break
        heat = HEAT * now.seconds * max(0.0, 1.0 - number / COOL)
        found = _changed(rows, now, chance)
        if found is None:
            continue
        if found.worth <= now.worth + heat * chance.random():
            now = found
        if found.worth < best.worth - 1e-9:
            best = found
            if say:
                say(number, best)
        elif number % RETURN == RETURN - 1:
            now = best
    return best


def _first(rows: Rows, lines: Lines, over: Callable[[], bool]) -> RowsPlan:
    """How the colours share the plate to begin with: of all ways, those that seem best are worked out."""
    wanted = rows.wanted(lines)
    papers = sorted(wanted)
    sizes = rows.sizes[:FIRST_SIZES]

    def worth(shares: Sequence[Size]) -> float:
        ways = {p: rows.way(p, size, wanted[p]) for p, size in zip(papers, shares, strict=True)}
        return rows.evening(lines, ways, tries=GLANCE, seed=0).worth

    # Of one habit alone it is not seen which sizes suit a colour: a few more are tried where it did well.
    for paper in papers:
        for size in sizes:
            if not over():
                rows.way(paper, size, wanted[paper])
        ranked = sorted(
            (size for size in sizes if rows.known(paper, size, wanted[paper])),
            key=lambda one: rows.best(paper, rows.way(paper, one, wanted[paper]), wanted[paper]),
        )
        for size in ranked[:LOOKED_AT]:
            for habit in HABITS:
                if not over():
                    rows.cutting(paper, ColourWay(size, habit), wanted[paper])
    seen: dict[tuple[Size, ...], float] = {}
    for start in sizes[:2]:
        shares = (start,) * len(papers)
        seen[shares] = cost = worth(shares)
        better = True
        while better and not over():
            better = False
            for other in _others(rows, shares, sizes):
                if other not in seen:
                    if over():
                        break
                    seen[other] = worth(other)
                if seen[other] < cost - 1e-9:
                    shares, cost, better = other, seen[other], True
    best: RowsPlan | None = None
    for shares in sorted(seen, key=lambda one: (seen[one], one))[:MOST_STARTS]:
        ways = {p: rows.way(p, size, wanted[p]) for p, size in zip(papers, shares, strict=True)}
        found = rows.evening(lines, ways, tries=ORDERS, seed=0)
        if best is None or found.worth < best.worth:
            best = found
    assert best is not None
    return best


def _others(rows: Rows, shares: tuple[Size, ...], sizes: Sequence[Size]) -> Iterator[tuple[Size, ...]]:
    """One colour in fields of another size, or two that fit side by side."""
    for k in range(len(shares)):
        for size in sizes:
            one = (*shares[:k], size, *shares[k + 1 :])
            yield one
            beside = rows.beside(size)
            for m in range(len(shares)) if beside in sizes else ():
                if m != k and beside is not None:
                    yield (*one[:m], beside, *one[m + 1 :])


def _changed(rows: Rows, now: RowsPlan, chance: random.Random) -> RowsPlan | None:
    """The evening with a change by chance; None where it comes to nothing."""
    lines, ways = now.lines, dict(now.ways)
    wanted = rows.wanted(lines)
    free = [k for k, own in enumerate(rows.options) if len(own) > 1]
    seed = chance.randrange(1000000)
    if free and chance.random() < A_LINE:
        lines = _moved(rows, lines, chance.choice(free), chance)
        wanted = rows.wanted(lines)
        for paper in wanted:
            way = ways.get(paper) or ColourWay(rows.sizes[min(1, len(rows.sizes) - 1)], Habit())
            ways[paper] = rows.way(paper, way.size, wanted[paper], way.habit)
        return rows.evening(lines, ways, tries=ORDERS, seed=seed)
    paper = chance.choice(sorted(wanted))
    size = ways[paper].size
    if chance.random() < ANOTHER_SIZE:
        # Sizes that did well so far are looked at most.
        share = chance.random()
        ranked = sorted(
            rows.sizes, key=lambda one: rows.best(paper, rows.way(paper, one, wanted[paper]), wanted[paper])
        )
        size = ranked[int(len(ranked) * share * share)]
    known = rows.way(paper, size, wanted[paper], ways[paper].habit)
    way = replace(known, habit=_other(known.habit, chance))
    before = rows.cutting(paper, known, wanted[paper])
    after = rows.cutting(paper, way, wanted[paper])
    if after.worth > before.worth + rows.rates["set_up"]:
        return None
    ways[paper] = way
    best = rows.evening(lines, ways, tries=ORDERS, seed=seed)
    if size == now.ways[paper].size:
        return best
    # Another size may suit best where another colour has another, too.
    least: tuple[float, str, ColourWay] | None = None
    for other in sorted(wanted):
        for own in rows.sizes if other != paper else ():
            if rows.known(other, own, wanted[other]):
                turn = rows.way(other, own, wanted[other])
                worth = rows.evening(lines, {**ways, other: turn}, tries=GLANCE, seed=seed).worth
                if least is None or worth < least[0]:
                    least = (worth, other, turn)
    if least is not None:
        found = rows.evening(lines, {**ways, least[1]: least[2]}, tries=ORDERS, seed=seed)
        best = min(best, found, key=lambda one: one.worth)
    return best


def _moved(rows: Rows, lines: Lines, number: int, chance: random.Random) -> Lines:
    """Pieces of a free line moved to another of its dies or papers."""
    own: Counter[Key] = Counter(dict(lines[number]))
    giver = chance.choice(sorted(+own))
    taker = chance.choice([key for key in rows.options[number] if key != giver])
    count = own[giver] if chance.random() < 0.5 else math.ceil(own[giver] * chance.random())
    own[giver] -= count
    own[taker] += count
    changed = tuple((key, n) for key, n in sorted(own.items()) if n > 0)
    return (*lines[:number], changed, *lines[number + 1 :])


def _other(habit: Habit, chance: random.Random) -> Habit:
    what = chance.randrange(8)
    if what == 0:
        return replace(habit, busy=chance.choice((0.4, 0.6, 0.75, 0.9, 1.0)))
    if what == 1:
        return replace(habit, enough=chance.choice((0.3, 0.4, 0.5, 0.6, 0.75)))
    if what == 2:
        return replace(habit, laid=chance.choice((2, 5, 8, 11, 15, 25)))
    if what == 3:
        return replace(habit, straight=not habit.straight)
    if what == 4:
        return replace(habit, most_dies=chance.choice((1, 2, 3, 4, 5, 99)))
    if what == 5:
        return replace(habit, slit=chance.randrange(4))
    return replace(habit, shuffle=chance.randrange(1000000))
