"""From runs of curves to pieces and holes: joining open ends, dropping doubles, nesting.

Which outline lies inside which is decided on polygons through the curves; the result is then flattened
to the safe side, outlines and holes each to theirs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from nestcut.errors import OutlineError, found_at
from nestcut.outlines.drawing.document import where_is
from nestcut.outlines.drawing.pathdata import CurveRun
from nestcut.outlines.shapes.curves import Arc, Bezier, Curve, Line
from nestcut.outlines.shapes.flatten import flatten_loop
from nestcut.outlines.shapes.offset import grow_outline
from nestcut.outlines.shapes.types import CLOSE_WITHIN_MM, FLATTEN_MM, Pieces, Shape

__all__ = ["Loop", "join_runs", "loops_of", "nest", "solid"]

MOST_LOOPS = 1_000
_SPECK_MM2 = 0.01
_SAME_MM = 0.02
"""Two outlines this close are one, drawn twice."""


@dataclass(frozen=True, slots=True)
class Loop:
    """A closed run, the polygon through it, and how many other loops it lies in."""

    run: CurveRun
    area: Polygon
    depth: int = 0
    inside: int | None = None
    """The number of the loop that it lies in directly."""


def join_runs(runs: Sequence[CurveRun], notes: list[str]) -> tuple[list[CurveRun], list[CurveRun]]:
    """Closed and open runs; runs whose ends meet within 0.1 mm become one.

    Where three or more ends meet (veins on a rib) they are left open.
    """
    closed = [run for run in runs if run.closed]
    open_runs: list[CurveRun] = []
    for run in runs:
        if run.closed:
            continue
        if len(run.curves) > 1 and math.dist(run.curves[0].start, run.curves[-1].end) <= CLOSE_WITHIN_MM:
            closed.append(_closed(run))
        else:
            open_runs.append(run)
    if len(open_runs) < 2:
        return closed, open_runs
    ends = np.array([p for run in open_runs for p in (run.curves[0].start, run.curves[-1].end)])
    some = _thinned(ends)
    points = shapely.points(ends[some])
    pairs = shapely.STRtree(points).query(points, predicate="dwithin", distance=CLOSE_WITHIN_MM)
    near: dict[int, list[int]] = {}
    for a, b in pairs.T:
        if a != b:
            near.setdefault(some[a], []).append(some[b])
    mate = {a: others[0] for a, others in near.items() if len(others) == 1 and len(near[others[0]]) == 1}
    used: set[int] = set()
    left: set[int] = set()
    for first in range(len(open_runs)):
        if first in used or first in left:
            continue
        chain, is_ring = _follow(first, mate, left)
        if not is_ring:
            # Whatever hangs on an end that meets nothing is open as well.
            left.update(number for number, _ in chain)
            continue
        used.update(number for number, _ in chain)
        parts = [open_runs[n] if forward else _turned(open_runs[n]) for n, forward in chain]
        curves = [c for part in parts for c in part.curves]
        closed.append(_closed(CurveRun(tuple(curves), False, parts[0].element)))
        notes.append(f"{len(parts)} open lines whose ends meet were read as one outline.")
    return closed, [open_runs[n] for n in sorted(left)]


def _thinned(ends: NDArray[np.float64]) -> list[int]:
    """The numbers of the ends, but only three of those that lie in one place.

    Three that meet are left open whatever else comes there, and thousands of them would be millions of pairs.
    """
    cells: dict[tuple[float, float], int] = {}
    kept = []
    for number, (x, y) in enumerate(np.floor(ends / (CLOSE_WITHIN_MM / 2)).tolist()):
        cells[x, y] = cells.get((x, y), 0) + 1
        if cells[x, y] <= 3:
            kept.append(number)
    return kept


def _follow(first: int, mate: dict[int, int], left: set[int]) -> tuple[list[tuple[int, bool]], bool]:
    """The open runs that follow on the first one, as (number, forward), and whether they come back to it.

    Run n has the ends 2n (start) and 2n + 1 (end).
    """
    chain, seen, at = [(first, True)], {first}, 2 * first + 1
    while at in mate:
        start = mate[at]
        number, forward = start // 2, start % 2 == 0
        if start == 2 * first:
            return chain, len(chain) > 1
        if number in seen or number in left:
            break
        chain.append((number, forward))
        seen.add(number)
        at = start + 1 if forward else start - 1
    return chain, False


def _turned(run: CurveRun) -> CurveRun:
    return CurveRun(tuple(_turned_curve(c) for c in reversed(run.curves)), run.closed, run.element)


def _turned_curve(curve: Curve) -> Curve:
    if isinstance(curve, Line):
        return Line(curve.end, curve.start)
    if isinstance(curve, Bezier):
        return Bezier(curve.points[::-1])
    return Arc(curve.centre, curve.u, curve.v, curve.begin + curve.turn, -curve.turn, curve.end, curve.start)


def _closed(run: CurveRun) -> CurveRun:
    """The run as a closed one: small gaps between its curves, and at its end, are closed by moving an end."""
    curves = list(run.curves)
    joined: list[Curve] = []
    for k in range(len(curves)):
        after = (k + 1) % len(curves)
        here, there = curves[k], curves[after]
        if here.end == there.start:
            joined.append(here)
        elif not isinstance(here, Arc):
            joined.append(_ending_at(here, there.start))
        elif not isinstance(there, Arc):
            joined.append(here)
            start = _beginning_at(there, here.end)
            if after:
                curves[after] = start
            else:
                joined[0] = start
        else:
            joined += [here, Line(here.end, there.start)]
    return CurveRun(tuple(joined), True, run.element)


def _ending_at(curve: Line | Bezier, end: tuple[float, float]) -> Line | Bezier:
    """The line or Bézier with its end moved, and the last handle with it."""
    if isinstance(curve, Line):
        return Line(curve.start, end)
    dx, dy = end[0] - curve.end[0], end[1] - curve.end[1]
    handle = curve.points[-2]
    return Bezier((*curve.points[:-2], (handle[0] + dx, handle[1] + dy), end))


def _beginning_at(curve: Line | Bezier, start: tuple[float, float]) -> Line | Bezier:
    if isinstance(curve, Line):
        return Line(start, curve.end)
    return Bezier(_ending_at(Bezier(curve.points[::-1]), start).points[::-1])  # type: ignore[union-attr]


def loops_of(runs: Sequence[CurveRun], notes: list[str]) -> list[Loop]:
    """Closed runs with their areas; specks and doubles are dropped with a note.

    Raises: OutlineError when one crosses itself, or when none encloses an area.
    """
    if len(runs) > MOST_LOOPS:
        raise OutlineError(
            f"the drawing has more than {MOST_LOOPS} outlines", mend="keep only the die's own outlines"
        )
    loops: list[Loop] = []
    empty: OutlineError | None = None
    for run in runs:
        with found_at(where_is(run.element)):
            try:
                area = flatten_loop(run.curves, grows=False, simplify=False)
            except OutlineError as err:
                if "no area" not in err.what:
                    raise
                err.where = err.where.filled_from(where_is(run.element))
                empty = err
                continue
        if area.area < _SPECK_MM2 and len(runs) > 1:
            notes.append("A speck smaller than 0.01 mm² was ignored.")
            continue
        loops.append(Loop(run, area))
    if not loops and empty is not None:
        raise empty
    if empty is not None:
        notes.append(f"A line that encloses no area was ignored ({empty.where}).")
    return _without_doubles(loops, notes)


def _without_doubles(loops: list[Loop], notes: list[str]) -> list[Loop]:
    kept: list[Loop] = []
    for loop in loops:
        box = np.array(loop.area.bounds)
        for other in kept:
            if (
                np.abs(box - other.area.bounds).max() <= _SAME_MM
                and loop.area.exterior.hausdorff_distance(other.area.exterior) <= _SAME_MM
            ):
                notes.append("An outline is drawn twice; it was read once.")
                break
        else:
            kept.append(loop)
    return kept


def nest(loops: Sequence[Loop]) -> list[Loop]:
    """The loops with their depths. Raises OutlineError when two of them cross."""
    areas: list[Polygon] = [loop.area for loop in loops]
    shapely.prepare(areas)
    tree = shapely.STRtree(areas)
    holders: list[list[int]] = [[] for _ in loops]
    pairs = tree.query(areas, predicate="intersects")
    for a, b in pairs.T:
        if a >= b:
            continue
        small, large = (a, b) if areas[a].area <= areas[b].area else (b, a)
        if shapely.contains_properly(areas[large], areas[small]):
            holders[small].append(int(large))
            continue
        shared = areas[small].intersection(areas[large]).area
        # Outlines may touch; what they share must be all of the smaller one, or next to nothing.
        slack = min(0.05 * areas[small].area, 0.002 * areas[small].length + 1e-6)
        if shared >= areas[small].area - slack:
            holders[small].append(int(large))
        elif shared > slack:
            with found_at(where_is(loops[small].run.element)):
                x, y = (
                    areas[small].exterior.intersection(areas[large].exterior).representative_point().coords[0]
                )
                raise OutlineError(
                    f"two outlines cross each other near x {x:.1f}, y {y:.1f} mm ({loops[small].run.element} and "
                    f"{loops[large].run.element}, line {loops[large].run.element.line})",
                    mend="unite the shapes in the drawing, or move them apart",
                )
    nested = []
    for k, loop in enumerate(loops):
        inside = min(holders[k], key=lambda n: areas[n].area) if holders[k] else None
        nested.append(Loop(loop.run, loop.area, len(holders[k]), inside))
    return nested


def solid(loops: Sequence[Loop], *, outside: bool, pieces: Pieces = "nested") -> list[Polygon]:
    """Polygons with holes from nested loops, on the safe side, disjoint, within 0.05 mm.

    Args:
        loops: from :func:`nest`.
        outside: contain the true shape (cuts, rims); otherwise be contained in it (scraps).
        pieces: how loops inside each other are read.
    Raises: OutlineError when outlines touch each other.
    """
    for tolerance in (FLATTEN_MM, FLATTEN_MM / 5, FLATTEN_MM / 50):
        parts = _solid(loops, outside, pieces, tolerance)
        if all(p.is_valid for p in parts) and (len(parts) == 1 or MultiPolygon(parts).is_valid):
            return parts
    raise OutlineError("two outlines touch each other", mend="move them apart, or unite them, in the drawing")


def _solid(loops: Sequence[Loop], outside: bool, pieces: Pieces, tolerance: float) -> list[Polygon]:
    def ring(loop: Loop, grows: bool) -> Polygon:
        with found_at(where_is(loop.run.element)):
            return flatten_loop(loop.run.curves, grows=grows, tolerance_mm=tolerance)

    parts: list[Polygon] = []
    for k, loop in enumerate(loops):
        if pieces == "nested" and loop.depth % 2:
            continue
        shell = ring(loop, outside)
        children = [inner for inner in loops if inner.inside == k]
        if pieces == "separate":
            # The pieces share the line between them: part them by a hair, or they would not be a valid shape.
            holes: list[Shape] = [grow_outline(ring(inner, True), 0.001) for inner in children]
        else:
            holes = [ring(inner, not outside) for inner in children]
        part: shapely.Geometry = Polygon(
            shell.exterior, [h.exterior for h in holes if isinstance(h, Polygon)]
        )
        if not part.is_valid and not outside:
            part = shell.difference(shapely.union_all(holes))
        if isinstance(part, MultiPolygon):
            part = max(part.geoms, key=lambda g: g.area)
        if isinstance(part, Polygon) and not part.is_empty:
            parts.append(part)
    return parts
