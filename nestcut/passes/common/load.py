"""Cranking load: how much cutting line lies under the roller as the plates go through.

A roller presses along one line across the feed; what it has to cut at a moment is the length of
cutting line under that line. The profile of a lay-up is that length for each step of the feed. A long straight
edge across the feed meets the roller all at once and stops the crank; laid at an angle it is cut little by little
(common practice, no source).
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from shapely.geometry.base import BaseGeometry

from nestcut.arithmetic import bell, lengths_of, power, sine_cosine
from nestcut.batch.model import Die, Machine, Pose
from nestcut.passes.common.plate_rules import in_window, keeps_gap
from nestcut.plans.model import Layup, Slot

__all__ = ["LineLoad", "line_load", "line_loads", "stagger", "straight_meetings"]

STEP_MM = 1.0
"""A blade edge bites over about a millimetre of feed (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class LineLoad:
    """Cut length under the roller, mm, for each step of the feed from the end that goes in first (y = 0)."""

    step_mm: float
    length_mm: tuple[float, ...]
    peak_mm: float
    at_mm: float
    """Middle of the step with the peak, measured along the feed."""


def line_load(
    slots: Sequence[Slot], dies: Mapping[str, Die], machine: Machine, *, step_mm: float = STEP_MM
) -> LineLoad:
    """The load profile of a lay-up with all its dies down.

    The sum of the profile is the total cut length of the lay-up.
    """
    bins = _bins(machine, step_mm)
    profile = np.zeros(bins)
    for slot in slots:
        profile += _profile(_segments(dies[slot.die]), slot.pose, bins, step_mm)
    return _load(profile, step_mm)


def line_loads(
    layups: Sequence[Layup], dies: Mapping[str, Die], machine: Machine
) -> dict[str, dict[str, Any]]:
    """The load of each lay-up by its id, as plain values for ``plan.extras["loads"]``."""
    return {layup.id: asdict(line_load(layup.slots, dies, machine)) for layup in layups}


def straight_meetings(
    slots: Sequence[Slot], dies: Mapping[str, Die], *, at_least_mm: float = 15.0, within_deg: float = 5.0
) -> tuple[tuple[int, float], ...]:
    """Slots with a straight edge that meets the roller (nearly) all at once: (slot number, length in mm)."""
    found = []
    sin, cos = sine_cosine(math.radians(within_deg))
    for number, slot in enumerate(slots):
        dx, dy = _turned(_segments(dies[slot.die]), slot.pose.deg)
        length = np.sqrt(dx * dx + dy * dy)
        across = np.abs(dy) * cos <= np.abs(dx) * sin
        longest = float(length[across].max()) if across.any() else 0.0
        if longest >= at_least_mm:
            found.append((number, longest))
    return tuple(found)


def stagger(
    slots: Sequence[Slot],
    dies: Mapping[str, Die],
    machine: Machine,
    *,
    gap_mm: float,
    turns: Mapping[str, tuple[float, ...] | None],
    tries: int = 1500,
    seed: int = 0,
    limit_mm: float | None = None,
) -> tuple[Slot, ...]:
    """Turn and shift dies so that the peak load is low, every rim still in the window and ``gap_mm`` apart.

    Args:
        turns: die name → the plate angles it may take, degrees; None for any.
        limit_mm: stop as soon as the peak is not above this.
    Returns: the slots in the same order; unchanged where nothing better was found.
    Source: random local search on (peak, sum of squares), accepted when not worse.
    """
    rng = random.Random(seed)
    step_mm = STEP_MM
    bins = _bins(machine, step_mm)
    placed = list(slots)
    segments = [_segments(dies[s.die]) for s in placed]
    rims = [s.pose.apply(dies[s.die].rim) for s in placed]
    profiles = [_profile(seg, s.pose, bins, step_mm) for seg, s in zip(segments, placed, strict=True)]
    total = np.sum(profiles, axis=0) if profiles else np.zeros(bins)
    score = _score(total)
    for _ in range(tries):
        if not placed or (limit_mm is not None and score[0] <= limit_mm):
            break
        index = rng.randrange(len(placed))
        pose = _nudged(placed[index].pose, turns.get(placed[index].die), rng)
        trial = total - profiles[index] + (profile := _profile(segments[index], pose, bins, step_mm))
        trial_score = _score(trial)
        if trial_score >= score:
            continue
        rim = pose.apply(dies[placed[index].die].rim)
        others = [other for number, other in enumerate(rims) if number != index]
        if not (in_window(machine.window, rim.bounds) and keeps_gap(rim, others, gap_mm)):
            continue
        placed[index] = Slot(placed[index].die, pose)
        rims[index], profiles[index], total, score = rim, profile, trial, trial_score
    return tuple(placed)


def _bins(machine: Machine, step_mm: float) -> int:
    return max(1, math.ceil(machine.plate_mm[1] / step_mm))


def _score(profile: np.ndarray) -> tuple[float, float]:
    # The peak alone is flat under most moves; the sum of squares tells which way evens the rest out.
    return (round(float(profile.max()), 6), float((profile * profile).sum()))


def _nudged(pose: Pose, allowed: tuple[float, ...] | None, rng: random.Random) -> Pose:
    size = power(10.0, rng.uniform(-0.5, 1.3))
    x, y, deg = pose.x_mm, pose.y_mm, pose.deg
    kind = rng.random()
    if kind < 0.6:
        x, y = x + size * bell(rng), y + size * bell(rng)
    if kind > 0.4:
        if allowed is None:
            deg = (deg + 3 * size * bell(rng)) % 360.0
        elif len(allowed) > 1:
            deg = rng.choice(allowed)
    return Pose(x, y, deg)


def _segments(die: Die) -> np.ndarray:
    """Straight pieces of the cutting line in the die's frame, shape (n, 4): x0, y0, x1, y1, mm."""
    rows = []
    for ring in _rings(die.cut):
        points = np.asarray(ring.coords)
        rows.append(np.hstack([points[:-1], points[1:]]))
    return np.vstack(rows)


def _rings(shape: BaseGeometry) -> list[BaseGeometry]:
    polygons = shape.geoms if hasattr(shape, "geoms") else (shape,)
    return [ring for polygon in polygons for ring in (polygon.exterior, *polygon.interiors)]


def _turned(segments: np.ndarray, deg: float) -> tuple[np.ndarray, np.ndarray]:
    sin, cos = sine_cosine(math.radians(deg))
    dx, dy = segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1]
    return cos * dx - sin * dy, sin * dx + cos * dy


def _profile(segments: np.ndarray, pose: Pose, bins: int, step_mm: float) -> np.ndarray:
    """Each segment's length, spread evenly over the steps of the feed that it crosses."""
    _, _, sin_row, cos_row, _, y = pose.matrix()
    y0 = sin_row * segments[:, 0] + cos_row * segments[:, 1] + y
    y1 = sin_row * segments[:, 2] + cos_row * segments[:, 3] + y
    length = lengths_of(segments[:, 2:4] - segments[:, :2])
    low, high = np.minimum(y0, y1) / step_mm, np.maximum(y0, y1) / step_mm
    # A segment across the feed has no extent in y: give it a hair, so that it falls into one step whole.
    high = np.maximum(high, low + 1e-9)
    edges = np.arange(bins + 1)
    # Length below each bin edge, summed over segments; its differences are the profile.
    below = np.clip((edges[None, :] - low[:, None]) / (high - low)[:, None], 0.0, 1.0)
    below[:, 0], below[:, -1] = 0.0, 1.0  # nothing may fall off the plate's ends
    return np.diff((length[:, None] * below).sum(axis=0))


def _load(profile: np.ndarray, step_mm: float) -> LineLoad:
    at = int(np.argmax(profile)) if len(profile) else 0
    return LineLoad(
        step_mm=step_mm,
        length_mm=tuple(float(round(v, 3)) for v in profile),
        peak_mm=float(round(profile[at], 3)),
        at_mm=(at + 0.5) * step_mm,
    )
