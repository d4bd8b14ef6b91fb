"""Dies moved between lanes so that few strips serve them, and where everything then lies.

Simulated annealing over the lanes that the model of :mod:`nestcut.passes.lanes` found; the geometry of lanes, dies
and strips in whole millimetres.
"""

from __future__ import annotations

import math
import random
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nestcut.batch.model import Batch, Die, Pose
from nestcut.plan.model import Slot

__all__ = ["Copy", "LaneLayup", "LaneSlot", "Variant", "settled"]


@dataclass(frozen=True, slots=True)
class LaneSlot:
    """A die in a lane. Whole millimetres of the plate bound its strips."""

    slot: Slot
    lane: tuple[int, int]
    """(end, number of the lane): end 0 is the one that goes in first (y = 0), 1 the other."""
    left_mm: int
    width_mm: int
    """The strip's left side and width."""
    near_mm: int
    """The strip's side nearest the end of the plate when its last cut is under the die."""
    pitch_mm: int
    """How far a strip is pulled on between two cuts."""
    cut_mm: float
    """Length of the cut along the feed."""
    most: int
    """Cuts that a strip can have at most."""
    cuts: tuple[tuple[str, int], ...]
    """(paper, cuts) in this lay-up."""


@dataclass(frozen=True, slots=True)
class LaneLayup:
    """A lay-up in lanes, kept for ``passes`` passes."""

    slots: tuple[LaneSlot, ...]
    passes: int


@dataclass(frozen=True, slots=True)
class Variant:
    """A die turned one way: sizes along and across the feed, mm."""

    deg: float
    cut: tuple[float, float, float, float]
    rim: tuple[float, float, float, float]
    width: int
    depth: float


@dataclass(frozen=True, slots=True)
class Copy:
    """One copy of a die with its share of the cuts."""

    die: Die
    cuts: tuple[tuple[str, int], ...]
    variants: tuple[Variant, ...]

    @property
    def total(self) -> int:
        return sum(n for _, n in self.cuts)


_Item = tuple[Copy, Variant, tuple[tuple[str, int], ...]]


def settled(
    batch: Batch,
    lanes_of: Mapping[tuple[int, int], Sequence[_Item]],
    passes: int,
    seed: int,
    end: float,
    tries: int = 6000,
) -> tuple[LaneSlot, ...] | None:
    """Move dies between lanes and turn them so that as few strips as possible serve them all.

    Source: simulated annealing (Kirkpatrick, Gelatt & Vecchi 1983) over lanes; widths, depths and passes always hold.
    """
    rng = random.Random(seed)
    lanes: list[list[list[_Item]]] = [[], []]
    for (end, _), own in sorted(lanes_of.items()):
        lanes[end].append(list(own))
    share = 0.5
    best = _geometry(batch, _keyed(lanes), share)
    if best is None:
        return None
    best_cost = cost = _strips_needed(best)
    for step in range(tries):
        if step % 100 == 99 and time.monotonic() >= end:
            break
        heat = 3.0 * (1 - step / tries) + 1e-3
        trial = [[list(lane) for lane in end] for end in lanes]
        trial_share = min(1.0, max(0.0, share + rng.gauss(0, 0.2))) if rng.random() < 0.3 else share
        if rng.random() < 0.85:
            _shuffle_one(trial, rng)
        slots = _geometry(batch, _keyed(trial), trial_share) if _holds(batch, trial, passes) else None
        if slots is None:
            continue
        trial_cost = _strips_needed(slots)
        if trial_cost <= cost or rng.random() < math.exp((cost - trial_cost) / heat):
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
            variant = rng.choice(copy.variants)
        end = rng.randrange(2)
        target = rng.randrange(len(lanes[end]) + 1)
        if target == len(lanes[end]):
            lanes[end].append([])
        lanes[end][target].append((copy, variant, taken))
    for end in (0, 1):
        lanes[end][:] = [lane for lane in lanes[end] if lane]


def _holds(batch: Batch, lanes: Sequence[Sequence[Sequence[_Item]]], passes: int) -> bool:
    plate_width, plate_length = batch.machine.plate_mm
    clear, gap = batch.machine.clear_mm, batch.hand.gap_mm
    across = math.floor(plate_width - clear + gap / 2) - math.ceil(clear - gap / 2)
    deep = 0.0
    for end in lanes:
        if sum(max(v.width for _, v, _ in lane) for lane in end) > across:
            return False
        deep += max((sum(math.ceil(v.depth) for _, v, _ in lane) for lane in end), default=0)
        if any(sum(n for *_, taken in lane for _, n in taken) > passes for lane in end):
            return False
    return deep <= math.floor(plate_length - 2 * clear)


def _keyed(lanes: Sequence[Sequence[Sequence[_Item]]]) -> dict[tuple[int, int], Sequence[_Item]]:
    return {(e, k): lane for e in (0, 1) for k, lane in enumerate(lanes[e])}


def _strips_needed(slots: Sequence[LaneSlot]) -> int:
    return sum(-(-n // slot.most) for slot in slots for _, n in slot.cuts)


def _geometry(
    batch: Batch,
    lanes_of: Mapping[tuple[int, int], Sequence[_Item]],
    share: float,
) -> tuple[LaneSlot, ...] | None:
    """Poses and strips: dies with most cuts nearest their end, free width shared out;
    ``share`` of the free depth goes to the end that goes in first.

    None where an edge much wider than the rim leaves a strip no room.
    """
    plate_width, plate_length = batch.machine.plate_mm
    clear, gap, edge, web = batch.machine.clear_mm, batch.hand.gap_mm, batch.hand.edge_mm, batch.hand.web_mm
    over = batch.machine.overhang_mm
    first = math.ceil(clear - gap / 2)
    across = math.floor(plate_width - clear + gap / 2) - first
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
        spare, x = across - sum(widths), first
        for number, (key, width) in enumerate(zip(keys, widths, strict=True)):
            extra = spare * (number + 1) // len(keys) - spare * number // len(keys)
            left, right = x, x + width + extra
            x = right
            own = sorted(lanes_of[key], key=lambda item: (-sum(n for _, n in item[2]), item[0].die.name))
            reach = clear  # how deep the lane is taken, from its end
            for copy, variant, taken in own:
                cut, rim = variant.cut, variant.rim
                cut_w, cut_h = cut[2] - cut[0], cut[3] - cut[1]
                strip = math.ceil(cut_w + 2 * edge - 1e-9)
                middle = (left + right) / 2
                strip_left = min(max(round(middle - strip / 2), left), right - strip)
                pose_x = strip_left + strip / 2 - (cut[0] + cut[2]) / 2
                if end == 0:
                    near = math.ceil(reach + (cut[1] - rim[1]) - edge - 1e-9)
                    pose_y = near + edge - cut[1]
                    room = split - (near + edge + cut_h + edge)
                    reach = pose_y + rim[3] + gap
                else:
                    near = math.floor(plate_length - reach - (rim[3] - cut[3]) + edge + 1e-9)
                    pose_y = near - edge - cut[3]
                    room = (near - edge - cut_h - edge) - split
                    reach = plate_length - (pose_y + rim[1]) + gap
                if room < -1e-9:
                    return None
                pitch = math.ceil(cut_h + web - 1e-9)
                hang = over + (near if end == 0 else plate_length - near)
                most = 1 + max(0, min(math.floor((room + 1e-9) / pitch), math.floor((hang + 1e-9) / pitch)))
                slots.append(
                    LaneSlot(
                        Slot(copy.die.name, Pose(round(pose_x, 9), round(pose_y, 9), variant.deg)),
                        key,
                        strip_left,
                        strip,
                        near,
                        pitch,
                        cut_h,
                        most,
                        taken,
                    )
                )
    return tuple(slots)
