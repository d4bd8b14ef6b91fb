"""``nestcut fill --keep-whole``: cut what is wanted from one side of a sheet or scrap, the rest stays whole."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from nestcut.cli.console import Interrupt
from nestcut.errors import InputError, Where

if TYPE_CHECKING:
    from shapely.geometry import Polygon

    from nestcut.batch import Die
    from nestcut.batch.model import Pose

__all__ = ["Layout", "WholeFillTask", "keep_whole_of"]

Layout = list[tuple[int, "Pose"]]

_SIDES = (("right", (1.0, 0.0)), ("lower", (0.0, 1.0)), ("left", (-1.0, 0.0)), ("upper", (0.0, -1.0)))
"""Sides that may stay whole, as a direction; y is down the page."""


@dataclass(frozen=True)
class WholeFillTask:
    """What is to be cut from which scrap, and how long the search may take."""

    outline: Polygon
    dies: list[Die]
    counts: list[int] | None
    ratios: list[int] | None
    turns: Any
    web_mm: float
    edge_mm: float
    seconds: float
    seed: int
    workers: int
    stop: Interrupt


def keep_whole_of(task: WholeFillTask) -> tuple[Layout, float, str]:
    """The layout that leaves most in one piece: cuts, their number, and what stays whole in plain words.

    Raises: InputError where no place was found for all pieces.
    """
    from shapely.geometry import box

    found = _of_sheet(task) if task.outline.equals(box(*task.outline.bounds)) else _of_scrap(task)
    if found is None:
        raise InputError(
            "no place was found for all these pieces on the sheet",
            mend="ask for fewer pieces, allow more time with --seconds, or take a larger sheet",
            where=Where(element="--count"),
        )
    layout, reason = found
    return layout, float(sum(task.counts or [])), reason


def _of_sheet(task: WholeFillTask) -> tuple[Layout, str] | None:
    """Both ways to cut a strip off a rectangular sheet; the one that leaves the larger rectangle."""
    from nestcut.batch.model import Pose
    from nestcut.placement import Part, least_length

    counts = task.counts or []
    # The strip search is slow where dies may turn freely.
    turns = (0.0, 90.0, 180.0, 270.0) if task.turns == "any" else task.turns
    x0, y0, x1, y1 = task.outline.bounds
    width, length = x1 - x0, y1 - y0
    best: tuple[float, Layout, str] | None = None
    for across, along, turned in ((length, width, False), (width, length, True)):
        own_turns = tuple((t + 90.0) % 360.0 for t in turns) if turned else turns
        parts = [
            Part(d.name, d.hole, turns=own_turns, least=n) for d, n in zip(task.dies, counts, strict=True)
        ]
        try:
            strip = least_length(
                parts,
                across,
                gap_mm=task.web_mm,
                edge_mm=task.edge_mm,
                seconds=task.seconds / 2,
                seed=task.seed,
                workers=task.workers,
                stop=task.stop,
            )
        except InputError:
            continue  # a die that does not fit across this side may fit across the other
        if strip.length_mm > along + 1e-9:
            continue
        kept = (along - strip.length_mm) * across
        layout: Layout = []
        for p in strip.placed:
            x, y, deg = p.pose.x_mm, p.pose.y_mm, p.pose.deg
            # The strip runs along x. For the sheet's other side it is mirrored into place by a turn of −90°
            # and a shift: (x, y) → (y, along − x), which keeps it at the far end.
            layout.append((p.part, Pose(y, along - x, deg - 90.0) if turned else Pose(x, y, deg)))
        side = "upper" if turned else "right"
        remnant = (across, along - strip.length_mm)
        reason = (
            f"a rectangle of {max(remnant):.1f} × {min(remnant):.1f} mm stays whole on the {side} side; "
            f"no layout can keep a longer one than {along - strip.bound_mm:.1f} mm there"
        )
        if best is None or kept > best[0]:
            best = (kept, layout, reason)
    return None if best is None else best[1:]


def _of_scrap(task: WholeFillTask) -> tuple[Layout, str] | None:
    """The four sides of a scrap of any form; the one behind whose straight cut most paper stays in one piece."""
    from nestcut.placement import Part, least_reach

    parts = [
        Part(d.name, d.hole, turns=task.turns, least=n)
        for d, n in zip(task.dies, task.counts or [], strict=True)
    ]
    x0, y0, x1, y1 = task.outline.bounds
    best: tuple[float, Layout, str] | None = None
    for side, (dx, dy) in _SIDES:
        reach = least_reach(
            parts,
            task.outline,
            (dx, dy),
            gap_mm=task.web_mm,
            edge_mm=task.edge_mm,
            seconds=task.seconds / len(_SIDES),
            seed=task.seed,
            stop=task.stop,
        )
        if reach is None:
            continue

        far = reach.reach_mm + task.edge_mm
        kept = _kept_mm2(task.outline, (dx, dy), far)
        most = _kept_mm2(task.outline, (dx, dy), reach.bound_mm + task.edge_mm)
        at = {"right": x0 + far, "lower": y0 + far, "left": x1 - far, "upper": y1 - far}[side]
        reason = (
            f"{kept / 100:.1f} cm² stay whole in one piece on the {side} side, behind a straight cut at "
            f"{'x' if dx else 'y'} = {at:.1f} mm; no layout can keep more than {most / 100:.1f} cm² there"
        )
        if best is None or kept > best[0]:
            best = (kept, [(one.part, one.pose) for one in reach.placed], reason)
    return None if best is None else best[1:]


def _kept_mm2(outline: Polygon, direction: tuple[float, float], far_mm: float) -> float:
    """Area of the largest piece of what lies farther than this along an axis, mm²."""
    import shapely
    from shapely.geometry import box

    x0, y0, x1, y1 = outline.bounds
    dx, dy = direction
    x0, x1 = x0 + far_mm * (dx > 0), x1 - far_mm * (dx < 0)
    y0, y1 = y0 + far_mm * (dy > 0), y1 - far_mm * (dy < 0)
    if x0 >= x1 or y0 >= y1:
        return 0.0
    return max(
        (float(g.area) for g in shapely.get_parts(outline.intersection(box(x0, y0, x1, y1)))), default=0.0
    )
