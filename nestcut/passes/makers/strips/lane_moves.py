"""Dies moved between lanes so that few strips serve them, and where everything then lies.

Simulated annealing over the lanes that the model of :mod:`nestcut.passes.makers.strips.lanes` found; the geometry of lanes, dies
and strips in whole millimetres.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nestcut.arithmetic import bell, exponential
from nestcut.batch.model import Batch, Die, Pose
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.plate_rules import HAIR_MM, window_size
from nestcut.passes.common.turns import paper_turns
from nestcut.passes.makers.strips.strip_forms import StripForm, fitting, lane_width, strip_forms
from nestcut.passes.parts.papers import Sizes
from nestcut.plans.model import Slot

__all__ = [
    "Copy",
    "LaneLayup",
    "LaneSlot",
    "LaneVariant",
    "lane_sides",
    "one_of_each_way",
    "room_across",
    "settled",
]


@dataclass(frozen=True, slots=True)
class LaneSlot:
    """A die in a lane. Whole millimetres of the plate bound its strips."""

    slot: Slot
    lane: tuple[int, int]
    """(end, number of the lane): end 0 is the one that goes in first (y = 0), 1 the other."""
    left_mm: int
    """The left side of a strip whose first column is under the die."""
    near_mm: int
    """The strip's side nearest the end of the plate when its last cut is under the die."""
    cut_mm: tuple[float, float]
    """Size of the cut across and along the feed."""
    columns: int
    """Columns of cuts that the lane has room for."""
    inward_mm: float
    """How far a strip may reach into the plate beyond the place of a strip with a single cut."""
    outward_mm: float
    """How far it may reach the other way."""
    cuts: tuple[tuple[str, int], ...]
    """(paper, cuts) in this lay-up."""

    def forms(self, batch: Batch, half_turn: bool) -> tuple[StripForm, ...]:
        """Strips that may lie here, those with most cuts first."""
        return strip_forms(
            cut_mm=self.cut_mm,
            web_mm=batch.hand.web_mm,
            edge_mm=batch.hand.edge_mm,
            columns=self.columns,
            inward_mm=self.inward_mm,
            outward_mm=self.outward_mm,
            half_turn=half_turn,
        )


@dataclass(frozen=True, slots=True)
class LaneLayup:
    """A lay-up in lanes, kept for ``passes`` passes."""

    slots: tuple[LaneSlot, ...]
    passes: int


@dataclass(frozen=True, slots=True)
class LaneVariant:
    """A die turned one way: sizes along and across the feed, mm."""

    deg: float
    cut: tuple[float, float, float, float]
    rim: tuple[float, float, float, float]
    width: int
    depth: float
    columns: int = 1
    """Columns of cuts that strips may have: their lane is as wide as that takes."""
    rooms: tuple[tuple[int, int], ...] = ()
    """What 2, 3, … columns take across (see :func:`room_across`)."""


@dataclass(frozen=True, slots=True)
class Copy:
    """One copy of a die with its share of the cuts."""

    die: Die
    cuts: tuple[tuple[str, int], ...]
    variants: tuple[LaneVariant, ...]
    """Single columns: what fewest passes are looked for with."""
    wide: tuple[LaneVariant, ...] = ()
    """Several columns: chosen where the plate has the room."""

    @property
    def total(self) -> int:
        return sum(n for _, n in self.cuts)


_Item = tuple[Copy, LaneVariant, tuple[tuple[str, int], ...]]


def settled(
    batch: Batch,
    lanes_of: Mapping[tuple[int, int], Sequence[_Item]],
    passes: int,
    sizes: Sizes,
    budget: Budget,
    tries: int = 2000,
) -> tuple[LaneSlot, ...] | None:
    """Move dies between lanes and turn them so that as few strips as possible serve them all.

    Source: simulated annealing (Kirkpatrick, Gelatt & Vecchi 1983) over lanes; widths, depths and passes always hold.
    """
    rng = random.Random(budget.seed)
    lanes: list[list[list[_Item]]] = [[], []]
    for (side, _), own in sorted(lanes_of.items()):
        lanes[side].append(list(own))
    share = 0.5
    best = _geometry(batch, _keyed(lanes), share)
    if best is None:
        return None
    needed = _Needed(batch, sizes)
    best_cost = cost = needed(best)
    for step in range(tries):
        if step % 100 == 99 and budget.over():
            break
        heat = 3.0 * (1 - step / tries) + 1e-3
        trial = [[list(lane) for lane in own] for own in lanes]
        trial_share = min(1.0, max(0.0, share + 0.2 * bell(rng))) if rng.random() < 0.3 else share
        if rng.random() < 0.85:
            _shuffle_one(trial, rng)
        slots = _geometry(batch, _keyed(trial), trial_share) if _holds(batch, trial, passes) else None
        if slots is None:
            continue
        trial_cost = needed(slots)
        if trial_cost <= cost or rng.random() < exponential((cost - trial_cost) / heat):
            lanes, share, cost = trial, trial_share, trial_cost
            if cost < best_cost:
                best, best_cost = slots, cost
    return best


def _shuffle_one(lanes: list[list[list[_Item]]], rng: random.Random) -> None:
    """Take one die out and put it into some lane or a new one, perhaps turned; or swap two (in place)."""
    places = [(e, k, i) for e in (0, 1) for k, lane in enumerate(lanes[e]) for i in range(len(lane))]
    e, k, i = rng.choice(places)
    if rng.random() < 0.4:
        f, m, j = rng.choice(places)
        lanes[e][k][i], lanes[f][m][j] = lanes[f][m][j], lanes[e][k][i]
    else:
        copy, variant, taken = lanes[e][k].pop(i)
        if rng.random() < 0.4:
            variant = rng.choice((*copy.variants, *copy.wide))
        end = rng.randrange(2)
        target = rng.randrange(len(lanes[end]) + 1)
        if target == len(lanes[end]):
            lanes[end].append([])
        lanes[end][target].append((copy, variant, taken))
    for end in (0, 1):
        lanes[end][:] = [lane for lane in lanes[end] if lane]


def _holds(batch: Batch, lanes: Sequence[Sequence[Sequence[_Item]]], passes: int) -> bool:
    left, right = lane_sides(batch)
    deep = 0.0
    for end in lanes:
        if sum(max(v.width for _, v, _ in lane) for lane in end) > right - left:
            return False
        deep += max((sum(math.ceil(v.depth) for _, v, _ in lane) for lane in end), default=0)
        if any(sum(n for *_, taken in lane for _, n in taken) > passes for lane in end):
            return False
    return deep <= math.floor(window_size(batch.machine)[1] + HAIR_MM)


def lane_sides(batch: Batch) -> tuple[int, int]:
    """Where the first lane begins and the last one ends across the feed, whole mm of the plate.

    The rim keeps half a gap inside its lane, so that a lane's outer side may lie half a gap outside the window; never
    outside the plate, where papers must not stick out.
    """
    x0, _, x1, _ = batch.machine.window.bounds
    side0, _, side1, _ = batch.machine.paper_field.bounds
    half = batch.hand.gap_mm / 2
    return math.ceil(max(x0 - half, side0) - 1e-9), math.floor(min(x1 + half, side1) + 1e-9)


def _keyed(lanes: Sequence[Sequence[Sequence[_Item]]]) -> dict[tuple[int, int], Sequence[_Item]]:
    return {(e, k): lane for e in (0, 1) for k, lane in enumerate(lanes[e])}


def one_of_each_way(turns: Sequence[float]) -> list[tuple[float, bool]]:
    """One turn for strips along the scrap and one for strips across it, and whether half a turn more is allowed."""
    ways: dict[bool, float] = {}
    for turn in turns:
        ways.setdefault(turn in (0.0, 180.0), turn)
    return [(turn, (turn + 180.0) % 360.0 in turns) for turn in ways.values()]


class _Needed:
    """How many strips serve all dies, each as large as the lane and the largest scrap of its paper allow."""

    def __init__(self, batch: Batch, sizes: Sizes) -> None:
        self.batch = batch
        self._most: dict[tuple[str, float, str, int, int, int], int] = {}
        self._sizes = sizes

    def __call__(self, slots: Sequence[LaneSlot]) -> int:
        return sum(-(-n // self._cuts(slot, paper)) for slot in slots for paper, n in slot.cuts)

    def _cuts(self, slot: LaneSlot, paper: str) -> int:
        """Most cuts of a strip."""
        # Reach in whole cuts: nearly all that matters, and few enough to be kept.
        along = slot.cut_mm[1] + self.batch.hand.web_mm
        key = (
            slot.slot.die,
            slot.slot.pose.deg,
            paper,
            slot.columns,
            int(slot.inward_mm // along),
            int(slot.outward_mm // along),
        )
        if key not in self._most:
            die = self.batch.die(slot.slot.die)
            turns = paper_turns(die, self.batch.paper(paper), slot.slot.pose.deg)
            half = any(half for _, half in one_of_each_way(turns))
            forms = fitting(slot.forms(self.batch, half), self._sizes.get(paper, []))
            self._most[key] = forms[0].cuts if forms else 1
        return self._most[key]


def _columns(variant: LaneVariant, width: int) -> tuple[int, int]:
    """(columns that a lane of this width has room for, the first column's place from the lane's left side, mm)."""
    for columns in range(len(variant.rooms) + 1, 1, -1):
        need, first = variant.rooms[columns - 2]
        if need <= width:
            return columns, first + (width - need) // 2
    return 1, 0


def room_across(variant: LaneVariant, columns: int, gap: float, edge: float, web: float) -> tuple[int, int]:
    """(width of a lane for so many columns, the first column's place from its left side), whole mm."""
    cut, rim = variant.cut, variant.rim
    wide, shifts = lane_width(columns, cut[2] - cut[0], web, edge)
    # The rim may stand out over the paper, on either side; it keeps half the gap within the lane.
    first = max(shifts, math.ceil(cut[0] - rim[0] + gap / 2 - edge - 1e-9))
    rim_right = first + edge + (cut[2] - cut[0]) + (rim[2] - cut[2]) + gap / 2
    return max(first + wide - shifts, math.ceil(rim_right - 1e-9)), first


def _geometry(
    batch: Batch,
    lanes_of: Mapping[tuple[int, int], Sequence[_Item]],
    share: float,
) -> tuple[LaneSlot, ...] | None:
    """Poses and strips: dies with most cuts nearest their end, free width shared out;
    ``share`` of the free depth goes to the end that goes in first.

    None where an edge much wider than the rim leaves a strip no room.
    """
    plate_length = batch.machine.plate_mm[1]
    clear, gap, edge = batch.machine.clear_mm, batch.hand.gap_mm, batch.hand.edge_mm
    _, top, _, bottom = batch.machine.paper_field.bounds
    first, last = lane_sides(batch)
    deep = {0: 0.0, 1: 0.0}
    for (e, _), own in lanes_of.items():
        deep[e] = max(deep[e], sum(v.depth for _, v, _ in own))
    free = plate_length - 2 * clear - deep[0] - deep[1]
    # Where the two ends meet; an end without dies leaves the whole plate to the other.
    if deep[1] == 0:
        split = math.floor(plate_length)
    elif deep[0] == 0:
        split = 0
    else:
        split = math.floor(clear + deep[0] + free * share)
    slots = []
    for end in (0, 1):
        keys = sorted(key for key in lanes_of if key[0] == end)
        if not keys:
            continue
        widths = [max(v.width for _, v, _ in lanes_of[key]) for key in keys]
        spare, x = last - first - sum(widths), first
        for number, (key, width) in enumerate(zip(keys, widths, strict=True)):
            extra = spare * (number + 1) // len(keys) - spare * number // len(keys)
            left, right = x, x + width + extra
            x = right
            own = sorted(lanes_of[key], key=lambda item: (-sum(n for _, n in item[2]), item[0].die.name))
            reach = clear  # how deep the lane is taken, from its end
            for copy, variant, taken in own:
                cut, rim = variant.cut, variant.rim
                cut_w, cut_h = cut[2] - cut[0], cut[3] - cut[1]
                columns, shifted = _columns(variant, right - left)
                if columns == 1:
                    strip = math.ceil(cut_w + 2 * edge - 1e-9)
                    middle = (left + right) / 2
                    strip_left = min(max(round(middle - strip / 2), left), right - strip)
                    pose_x = strip_left + strip / 2 - (cut[0] + cut[2]) / 2
                else:
                    strip_left = left + shifted
                    pose_x = strip_left + edge - cut[0]
                if end == 0:
                    near = math.ceil(max(reach + (cut[1] - rim[1]) - edge, top) - 1e-9)
                    pose_y = near + edge - cut[1]
                    room = split - (near + edge + cut_h + edge)
                    reach = pose_y + rim[3] + gap
                else:
                    near = math.floor(min(plate_length - reach - (rim[3] - cut[3]) + edge, bottom) + 1e-9)
                    pose_y = near - edge - cut[3]
                    room = (near - edge - cut_h - edge) - split
                    reach = plate_length - (pose_y + rim[1]) + gap
                if room < -1e-9:
                    return None
                slots.append(
                    LaneSlot(
                        Slot(copy.die.name, Pose(round(pose_x, 9), round(pose_y, 9), variant.deg)),
                        key,
                        strip_left,
                        near,
                        (cut_w, cut_h),
                        columns,
                        max(0.0, room),
                        near - top if end == 0 else bottom - near,
                        taken,
                    )
                )
    return tuple(slots)
