"""Passes told the way a person works: what stays, what is pulled on, what is new.

Passes that follow each other under one lay-up are one *run* while every paper on the plate follows a
standing rule: it stays; it is pulled on by the same step each time; or, used up, it gives way to the
next piece of the same outline, laid where the last one began. Runs that repeat in turn are folded
into *blocks*. So the run sheet stays short however many passes there are.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from nestcut.plans.model import PaperOnPlate, Pass, Plan
from nestcut.sheets.drawings.view import Bounds
from nestcut.sheets.runs.lying import LyingPaper, LyingShapes, laid_in, near, usual_steps

__all__ = ["Block", "Lane", "LayupRuns", "Run", "group_passes"]

_LONGEST_PERIOD = 12
"""Turns that come again after more passes are seen as such by nobody."""


@dataclass(slots=True)
class Feed:
    """One scrap in a lane: how many passes it serves there from where it is laid.

    A scrap that is laid anew before it is used up (turned round, or moved to its next column) is a feed of its own.
    """

    scrap: str
    corner: tuple[float, float]
    """The upper left corner of its box, good-side view, mm."""
    deg: float
    uses: int = 1


@dataclass(slots=True)
class Lane:
    """One paper's place on the plate through a run."""

    paper: str
    slots: tuple[int, ...]
    """Slots that cut it in every pass of the run (none: it only lies there)."""
    first: PaperOnPlate
    box: Bounds
    """Its bounding box in the run's first pass, good-side view, mm."""
    turned: bool
    scraps: list[str] = field(default_factory=list)
    step: tuple[float, float] | None = None
    """The same shift after each pass, good-side view, mm; None: it never moves."""
    first_uses: int = 1
    """Passes that the first scrap serves in this run."""
    per_scrap: int | None = None
    """Passes that each scrap lasts; None where it is never (or only once) replaced."""
    start: tuple[float, float] | None = None
    """Where the next scrap's box begins, mm; None where no scrap follows."""
    before: str = "new"
    """Against the pass before: "new", "stays", "moved", "turned" (the same scrap, another way round), "next" (in
    place of a used-up scrap like it)."""
    moved: tuple[float, float] = (0.0, 0.0)
    feeds: list[Feed] = field(default_factory=list)
    """Every scrap of the lane, in order."""
    uneven: bool = False
    """The scraps follow each other, but not all alike: strips of several lengths, for example."""
    any_turn: bool = False
    """Pieces used once, of a paper without a direction, cut from their scraps at different turns: what
    counts is that the outline fits, so no arrow is given for them."""

    def signature(self) -> tuple[object, ...]:
        """What is the same in two lanes that are told in the same words."""
        return (
            self.paper, self.slots, tuple(round(value, 1) for value in self.box), self.turned, self.first.flipped,
            None if self.any_turn else round(self.first.pose.deg, 3), _rounded(self.step), self.first_uses, self.per_scrap, _rounded(self.start),
            "new" if self.before == "next" else self.before, _rounded(self.moved), len(self.scraps), self.any_turn,
            tuple((feed.uses, _rounded(feed.corner), round(feed.deg, 3)) for feed in self.feeds) if self.uneven else (),
        )  # fmt: skip


@dataclass(slots=True)
class Run:
    """Consecutive passes that follow one set of standing rules."""

    layup: str
    first: int
    last: int
    lanes: list[Lane]
    down: tuple[int, ...]
    gone: tuple[str, ...] = ()
    """Scraps of the pass before that are taken away."""

    @property
    def count(self) -> int:
        return self.last - self.first + 1

    def signature(self) -> tuple[object, ...]:
        """What is the same in two runs that are told in the same words."""
        return (self.layup, self.count, self.down, tuple(lane.signature() for lane in self.lanes))


@dataclass(slots=True)
class Block:
    """Runs done one after the other, all of them ``times`` times over."""

    runs: list[Run]
    """The runs of the first time."""
    times: int
    all_runs: list[Run]

    @property
    def first(self) -> int:
        return self.all_runs[0].first

    @property
    def last(self) -> int:
        return self.all_runs[-1].last


@dataclass(slots=True)
class LayupRuns:
    """A lay-up that is set up once and kept for these passes."""

    layup: str
    first: int
    last: int
    blocks: list[Block]


def _rounded(pair: tuple[float, float] | None) -> tuple[float, float] | None:
    return None if pair is None else (round(pair[0], 1) + 0.0, round(pair[1], 1) + 0.0)


@dataclass(slots=True)
class _Tracker:
    """Whether a lane still follows its rule, pass by pass."""

    lane: Lane
    now: LyingPaper
    uses: int = 1
    from_start: bool = True
    """The first scrap came onto the plate in the run's first pass."""
    once: frozenset[str] = frozenset()
    """Scraps of papers without a direction that lie in one pass only."""
    usual: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Scrap → the shift that it makes most often from pass to pass, mm."""

    def follows(self, nxt: LyingPaper) -> bool:
        """Would the rule still hold with this as the next pass? Does not change anything."""
        if not self.lane.uneven and self.follows_evenly(nxt):
            return True
        return self.feeds_on(nxt)

    def feeds_on(self, nxt: LyingPaper) -> bool:
        """The looser rule: the same dies go on cutting the same paper: pulled on, laid anew, or from the next scrap."""
        lane = self.lane
        if not lane.slots or nxt.slots != lane.slots or nxt.colour != lane.paper:
            return False
        if nxt.paper.flipped != self.now.paper.flipped:
            return False
        return nxt.paper.scrap == self.now.paper.scrap or nxt.paper.scrap not in lane.scraps

    def pulled_on(self, nxt: LyingPaper) -> bool:
        """True where the same scrap went on by the lane's step (or by its usual one, while the lane has none)."""
        if nxt.paper.scrap != self.now.paper.scrap or nxt.turned_from(self.now):
            return False
        wanted = self.lane.step or self.usual.get(nxt.paper.scrap)
        return wanted is None or near(nxt.shift_from(self.now), wanted)

    def follows_evenly(self, nxt: LyingPaper) -> bool:
        """The strict rule: pieces of one outline, each for the same number of passes."""
        lane = self.lane
        if (
            nxt.slots != self.now.slots
            or nxt.key != self.now.key
            or nxt.paper.flipped != self.now.paper.flipped
        ):
            return False
        turned = nxt.turned_from(self.now)
        if (turned or lane.any_turn) and not self.once.issuperset((nxt.paper.scrap, *lane.scraps)):
            return False
        if nxt.paper.scrap == self.now.paper.scrap:
            if lane.per_scrap is not None and self.uses + 1 > lane.per_scrap:
                return False
            return self.pulled_on(nxt)
        if nxt.paper.scrap in lane.scraps:
            return False  # an old piece comes back: tell it as it is
        if len(lane.scraps) == 1:
            return not self.from_start or near(nxt.corner, (lane.box[0], lane.box[1]))
        if lane.per_scrap is not None and self.uses != lane.per_scrap:
            return False
        return lane.start is not None and near(nxt.corner, lane.start)

    def take(self, nxt: LyingPaper) -> None:
        lane = self.lane
        if not lane.uneven and not self.follows_evenly(nxt):
            # Outlines that differ may fit one way round only: from here on every turn is told.
            lane.uneven, lane.any_turn = True, False
        pulled = self.pulled_on(nxt)
        if pulled:
            lane.feeds[-1].uses += 1
        else:
            lane.feeds.append(Feed(nxt.paper.scrap, nxt.corner, nxt.paper.pose.deg))
        if nxt.paper.scrap == self.now.paper.scrap:
            if lane.step is None and pulled:
                lane.step = nxt.shift_from(self.now)
            self.uses += 1
            if len(lane.scraps) == 1:
                lane.first_uses = self.uses
        else:
            if len(lane.scraps) == 1:
                lane.start = nxt.corner
                if self.from_start:
                    lane.per_scrap = self.uses
            elif lane.per_scrap is None:
                lane.per_scrap = self.uses
            lane.scraps.append(nxt.paper.scrap)
            if not lane.uneven:
                lane.any_turn |= nxt.turned_from(self.now)
            self.uses = 1
        self.now = nxt


def _match(trackers: Sequence[_Tracker], laid: Sequence[LyingPaper]) -> list[LyingPaper] | None:
    """The paper of the next pass that continues each lane, or None where the run ends."""
    if len(trackers) != len(laid):
        return None
    by_scrap = {one.paper.scrap: one for one in laid}
    chosen: list[LyingPaper | None] = [by_scrap.pop(tracker.now.paper.scrap, None) for tracker in trackers]
    left = [one for one in laid if one.paper.scrap in by_scrap]
    for k, tracker in enumerate(trackers):
        if chosen[k] is None:
            found = next(
                (one for one in left if one.slots == tracker.now.slots and tracker.follows(one)), None
            )
            if found is None:
                return None
            left.remove(found)
            chosen[k] = found
        elif not tracker.follows(chosen[k]):  # type: ignore[arg-type]
            return None
    return chosen  # type: ignore[return-value]


def _open_run(
    one: Pass,
    laid: list[LyingPaper],
    before: list[LyingPaper] | None,
    once: frozenset[str],
    usual: Mapping[str, tuple[float, float]],
) -> tuple[Run, list[_Tracker]]:
    old = {lying.paper.scrap: lying for lying in before or ()}
    lanes, trackers = [], []
    now_ids = {lying.paper.scrap for lying in laid}
    used_up = {(lying.colour, lying.slots, lying.key) for name, lying in old.items() if name not in now_ids}
    for lying in laid:
        turned = abs(lying.paper.pose.deg % 360) > 1e-6
        lane = Lane(lying.colour, lying.slots, lying.paper, lying.box, turned, [lying.paper.scrap])
        lane.feeds.append(Feed(lying.paper.scrap, lying.corner, lying.paper.pose.deg))
        last = old.get(lying.paper.scrap)
        if last is not None:
            shift = lying.shift_from(last)
            if not lying.turned_from(last) and lying.paper.flipped == last.paper.flipped:
                lane.before, lane.moved = (
                    ("stays", (0.0, 0.0)) if near(shift, (0.0, 0.0)) else ("moved", shift)
                )
            else:
                lane.before = "turned"
        elif (lying.colour, lying.slots, lying.key) in used_up:
            lane.before = "next"
        lanes.append(lane)
        trackers.append(_Tracker(lane, lying, from_start=last is None, once=once, usual=usual))
    gone = tuple(name for name in old if name not in now_ids)
    return Run(one.layup, one.number, one.number, lanes, tuple(cut.slot for cut in one.cuts), gone), trackers


def _fold(runs: list[Run]) -> list[Block]:
    """Fold runs that repeat in turn (periods up to 12 runs) into blocks."""
    marks: dict[tuple[object, ...], int] = {}
    names = [marks.setdefault(run.signature(), len(marks)) for run in runs]
    blocks: list[Block] = []
    k = 0
    while k < len(runs):
        best_period, best_times = 1, 1
        for period in range(1, min(_LONGEST_PERIOD, (len(runs) - k) // 2) + 1):
            times = 1
            head = names[k : k + period]
            while names[k + times * period : k + (times + 1) * period] == head:
                times += 1
            if times > 1 and times * period > best_times * best_period:
                best_period, best_times = period, times
        whole = best_period * best_times
        blocks.append(Block(runs[k : k + best_period], best_times, runs[k : k + whole]))
        k += whole
    return blocks


def group_passes(plan: Plan) -> list[LayupRuns]:
    """The plan's passes as groups (one lay-up each), blocks and runs."""
    pieces = plan.pieces_of_paper()
    shapes = LyingShapes(pieces)
    free = {paper.name for paper in plan.papers if paper.direction == "none"}
    uses = Counter(paper.scrap for one in plan.passes for paper in one.papers)
    once = frozenset(name for name, count in uses.items() if count == 1 and pieces[name][0] in free)
    groups: list[tuple[str, list[Run]]] = []
    trackers: list[_Tracker] = []
    run: Run | None = None
    before: list[LyingPaper] | None = None
    all_laid = [laid_in(one, shapes) for one in plan.passes]
    usual = usual_steps(all_laid)
    for one, laid in zip(plan.passes, all_laid, strict=True):
        if run is None or one.layup != run.layup:
            run, trackers = _open_run(one, laid, None, once, usual)
            groups.append((one.layup, [run]))
        else:
            slots = tuple(cut.slot for cut in one.cuts)
            chosen = _match(trackers, laid) if sorted(slots) == sorted(run.down) else None
            if chosen is None:
                run, trackers = _open_run(one, laid, before, once, usual)
                groups[-1][1].append(run)
            else:
                for tracker, lying in zip(trackers, chosen, strict=True):
                    tracker.take(lying)
                run.last = one.number
        before = laid
    return [LayupRuns(layup, runs[0].first, runs[-1].last, _fold(runs)) for layup, runs in groups]
