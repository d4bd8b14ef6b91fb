"""Lay-ups in lanes: every die can see an end of the plate, so that strips of paper can be pulled on under it.

The plate is split across the feed into two ends; each end is divided into lanes along the feed. A lane belongs
to one or more dies that take turns (one is down, the others are lifted), so the paper of a lane never
meets the paper of another and every lane goes through its cuts at its own pace. A strip hangs over the end of the
plate and is pulled inward by the length of a cut from pass to pass.
"""

from __future__ import annotations

import math
import random
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nestcut.batch.model import Batch, Die, Pose
from nestcut.passes.kept import chip_angle
from nestcut.passes.schedule import paper_turns
from nestcut.plan.model import Slot

__all__ = ["LaneLayup", "LaneSlot", "lane_layups"]


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
class _Variant:
    """A die turned one way: sizes along and across the feed, mm."""

    deg: float
    cut: tuple[float, float, float, float]
    rim: tuple[float, float, float, float]
    width: int
    depth: float


@dataclass(frozen=True, slots=True)
class _Copy:
    """One copy of a die with its share of the cuts."""

    die: Die
    cuts: tuple[tuple[str, int], ...]
    variants: tuple[_Variant, ...]

    @property
    def total(self) -> int:
        return sum(n for _, n in self.cuts)


def lane_layups(
    batch: Batch,
    wanted: Mapping[tuple[str, str], int],
    *,
    at_least: int,
    most_layups: int = 3,
    work: float = 1.0,
    seed: int = 0,
    seconds: float = 60.0,
) -> tuple[LaneLayup, ...] | None:
    """Lay-ups in lanes that cut everything in as few passes as the model finds.

    Args:
        wanted: (die, paper) → cuts.
        at_least: a proved lower bound on the passes; the search ends there.
        work: deterministic time for the model (OR-Tools' own unit, about seconds).
        seconds: time limit, in case the work takes longer than foreseen.
    Returns: None where some die fits no lane.
    """
    copies = _copies(batch, wanted)
    if copies is None:
        return None
    best: tuple[LaneLayup, ...] | None = None
    end = time.monotonic() + seconds
    for count in range(1, most_layups + 1):
        found = _solve(batch, copies, count, at_least=at_least, work=work, seed=seed, end=end)
        if found and (best is None or _passes(found) < _passes(best)):
            best = found
        if (best is not None and _passes(best) <= at_least) or time.monotonic() >= end:
            break
    return best


def _passes(layups: Sequence[LaneLayup]) -> int:
    return sum(layup.passes for layup in layups)


def _copies(batch: Batch, wanted: Mapping[tuple[str, str], int]) -> list[_Copy] | None:
    copies = []
    order = [paper.name for paper in batch.papers]
    for die in batch.dies:
        own = {paper: wanted.get((die.name, paper), 0) for paper in order}
        own = {paper: n for paper, n in own.items() if n > 0}
        if not own:
            continue
        variants = _variants(batch, die, tuple(own))
        if not variants:
            return None
        used = min(die.copies, max(1, sum(own.values())))
        # Even shares: copy k gets every used-th cut of the die's list of papers.
        flat = [paper for paper, n in own.items() for _ in range(n)]
        for k in range(used):
            mine = flat[len(flat) * k // used : len(flat) * (k + 1) // used]
            cuts = tuple((paper, mine.count(paper)) for paper in own if paper in mine)
            if cuts:
                copies.append(_Copy(die, cuts, variants))
    return copies


def _variants(batch: Batch, die: Die, papers: Sequence[str]) -> tuple[_Variant, ...]:
    directed = any(batch.paper(p).direction != "none" for p in papers)
    if die.turns == "any":
        base = 0.0 if directed else chip_angle(die.cut)
        degrees = [base % 360.0, (base + 90.0) % 360.0]
    else:
        degrees = sorted({(t + q) % 360.0 for t in die.turns for q in (0.0, 90.0)})
    width, length = batch.machine.plate_mm
    clear, gap, edge = batch.machine.clear_mm, batch.hand.gap_mm, batch.hand.edge_mm
    found: dict[tuple[int, float], _Variant] = {}
    for deg in degrees:
        if not all(paper_turns(die, batch.paper(p), deg) for p in papers):
            continue
        pose = Pose(0.0, 0.0, deg)
        cut, rim = pose.apply(die.cut).bounds, pose.apply(die.rim).bounds
        # The die lies with its cut in the middle of its strip, and the strip on whole millimetres: half a
        # millimetre either way may be lost, and a drawn rim need not lie evenly around its cut.
        middle = (cut[0] + cut[2]) / 2
        side = max(middle - rim[0], rim[2] - middle)
        lane = math.ceil(max(2 * side + gap + 1.0, cut[2] - cut[0] + 2 * edge + 1.0) - 1e-9)
        depth = max(rim[3] - rim[1] + gap, cut[3] - cut[1] + 2 * edge) + 1.0
        if lane <= width - 2 * clear + gap and depth <= length - 2 * clear + 1.0:
            found.setdefault((lane, round(depth, 6)), _Variant(deg, cut, rim, lane, depth))
    return tuple(found.values())


def _solve(
    batch: Batch, copies: Sequence[_Copy], count: int, *, at_least: int, work: float, seed: int, end: float
) -> tuple[LaneLayup, ...] | None:
    """Which copy lies in which lane of which lay-up, and how often (OR-Tools CP-SAT)."""
    from ortools.sat.python import cp_model

    plate_width, plate_length = batch.machine.plate_mm
    clear, gap = batch.machine.clear_mm, batch.hand.gap_mm
    # A lane's outer side may lie half a gap outside the window: the rim keeps half a gap inside the lane.
    across = math.floor(plate_width - clear + gap / 2) - math.ceil(clear - gap / 2)
    along = math.floor(plate_length - 2 * clear)
    narrowest = min(v.width for c in copies for v in c.variants)
    lanes = max(1, min(8, across // narrowest, len(copies)))
    most = max(c.total for c in copies)
    horizon = max(at_least, most, sum(c.total for c in copies))
    model = cp_model.CpModel()
    passes = [model.new_int_var(0, horizon, f"x{m}") for m in range(count)]
    places = [(m, e, k) for m in range(count) for e in (0, 1) for k in range(lanes)]
    lies: dict[tuple[int, int, int, int, int], cp_model.IntVar] = {}
    cuts: dict[tuple[int, int, int, int], cp_model.IntVar] = {}
    width = {p: model.new_int_var(0, across, "w") for p in places}
    depth = {(m, e): model.new_int_var(0, along, "d") for m in range(count) for e in (0, 1)}
    for c, copy in enumerate(copies):
        for p in places:
            options = []
            for v, variant in enumerate(copy.variants):
                if math.ceil(variant.depth) > along:
                    continue
                b = model.new_bool_var("b")
                lies[(c, v, *p)] = b
                options.append(b)
                model.add(width[p] >= variant.width).only_enforce_if(b)
            n = model.new_int_var(0, copy.total, "n")
            cuts[(c, *p)] = n
            model.add(n <= copy.total * sum(options))
        model.add(sum(cuts[(c, *p)] for p in places) == copy.total)
        for m in range(count):
            here = [lies[key] for key in lies if key[0] == c and key[2] == m]
            model.add_at_most_one(here)
    for p in places:
        m, e, _ = p
        own = [(key, b) for key, b in lies.items() if key[2:] == p]
        model.add(sum(cuts[(c, *p)] for c in range(len(copies))) <= passes[m])
        model.add(sum(math.ceil(copies[key[0]].variants[key[1]].depth) * b for key, b in own) <= depth[m, e])
    for m in range(count):
        model.add(depth[m, 0] + depth[m, 1] <= along)
        for e in (0, 1):
            model.add(sum(width[m, e, k] for k in range(lanes)) <= across)
            for k in range(lanes - 1):  # lanes of an end are alike: the wider come first
                model.add(width[m, e, k] >= width[m, e, k + 1])
    for m in range(count - 1):
        model.add(passes[m] >= passes[m + 1])
    total = sum(passes)
    model.add(total >= max(at_least, most))
    model.minimize(total)
    solver = cp_model.CpSolver()
    solver.parameters.catch_sigint_signal = (
        False  # Ctrl-C is ours: OR-Tools would put the default handler back
    )
    solver.parameters.max_deterministic_time = work
    solver.parameters.max_time_in_seconds = max(0.1, min(5 * work, end - time.monotonic()))
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = seed
    if solver.solve(model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    left = [dict(c.cuts) for c in copies]
    layups = []
    for m in range(count):
        if not solver.value(passes[m]):
            continue
        lanes_of: dict[tuple[int, int], list[tuple[_Copy, _Variant, tuple[tuple[str, int], ...]]]] = {}
        for (c, v, mm, e, k), b in lies.items():
            if mm != m or not solver.value(b):
                continue
            number = solver.value(cuts[(c, m, e, k)])
            if not number:
                continue
            taken = []
            for paper in list(left[c]):
                part = min(number, left[c][paper])
                if part:
                    taken.append((paper, part))
                    left[c][paper] -= part
                    number -= part
            lanes_of.setdefault((e, k), []).append((copies[c], copies[c].variants[v], tuple(taken)))
        longest = max(sum(n for *_, taken in own for _, n in taken) for own in lanes_of.values())
        slots = _settled(batch, lanes_of, longest, seed, end)
        if slots is None:
            return None
        layups.append(LaneLayup(slots, longest))
    return tuple(layups)


_Item = tuple[_Copy, _Variant, tuple[tuple[str, int], ...]]


def _settled(
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
