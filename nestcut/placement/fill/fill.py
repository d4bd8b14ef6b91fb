"""Most pieces, or most value, out of a region with holes.

Starts from rows of boxes (:mod:`nestcut.placement.fill.rows`) and dense endless patterns laid over the region (:mod:`nestcut.placement.fill.lattice`), lets the OR-Tools model choose
among all that was found (:mod:`nestcut.placement.exact.model`), then grows: one more piece is put where it overlaps least and the
others are squeezed aside until nothing overlaps (:mod:`nestcut.placement.engine.overlap`), in the whole layout or in a window of it
(:mod:`nestcut.placement.exact.window`), or the model lays a window anew. Shapes on a common grid go to the model as a whole, which
may also prove the result best. Every layout is checked exactly.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import lru_cache

from shapely.geometry import MultiPolygon, Polygon, box

from nestcut.arithmetic import buffered, sine_cosine
from nestcut.batch.model import Shape
from nestcut.placement.shapes.types import Filling, Part, Placed, Progress, StopCheck

__all__ = ["fill_region", "room_in"]

_ARC = 32
"""Segments of a quarter of a round corner."""


def room_in(region: Polygon | MultiPolygon, edge_mm: float) -> Polygon | MultiPolygon:
    """Where pieces may lie: the region less what is nearer than ``edge_mm`` to its outline and holes.

    The arcs around corners that point inwards are lengthened by their sagitta, so that chords keep the edge.
    """
    if edge_mm <= 0:
        return region
    return buffered(region, -edge_mm / sine_cosine(math.pi / 4 / _ARC)[1], _ARC)


def fill_region(
    region: Polygon,
    parts: Sequence[Part],
    *,
    web_mm: float,
    edge_mm: float,
    seconds: float = 10.0,
    seed: int = 0,
    workers: int = 1,
    proportions: Sequence[float] | None = None,
    obstacles: Sequence[Shape] | None = None,
    start: Sequence[Placed] = (),
    on_layout: Callable[[Progress], None] | None = None,
    stop: StopCheck | None = None,
    moves_limit: int | None = None,
) -> Filling:
    """As many pieces (as much value) as can be found, with a proved upper bound.

    Args:
        region: the paper, holes allowed, mm.
        parts: shapes with value, ``most`` and ``least``; "any" or listed turns.
        web_mm: least distance between two pieces, and between a piece and an obstacle.
        edge_mm: least distance of a piece from the region's outline and holes.
        proportions: one weight per part (3, 1: three of the first to one of the second). No part then gets
            ahead of the others by more than one whole set.
        obstacles: earlier cuts in the region.
        start: a layout to begin with; what comes back is worth no less, if it is exact and allowed.
        on_layout: told of every better layout.
        workers: processes that search with seeds of their own; the best counts.
        moves_limit: ends the search after so many moves instead of after ``seconds``; makes it repeatable.
    Returns: exactly checked poses, their value, and the bound with its reason.
    """
    prepare_fill()
    from nestcut.placement.fill.filling import FillTask
    from nestcut.placement.fill.growth import Growth

    task = FillTask(
        region, room_in(region, edge_mm), tuple(parts), web_mm, edge_mm,
        tuple(proportions) if proportions is not None else None, tuple(obstacles or ()),
        seconds, seed, moves_limit, tuple(start),
    )  # fmt: skip
    growth = Growth(task, on_layout, stop)
    others = _Helpers(workers - 1, task)
    try:
        growth.work()
        for placed in others.results(0.0 if growth.over_early() else 5.0):
            growth.offer(placed)
    finally:
        others.close()
    return growth.filling()


@lru_cache(maxsize=1)
def prepare_fill() -> None:
    """Compile the kernels on the first run of a machine, so that it does not eat the time that was given."""
    from nestcut.placement.shapes.cache import keep_kernels, tell_if_new

    keep_kernels()
    if not tell_if_new("window_kernels.push_window"):
        return
    from nestcut.placement.fill.filling import FillTask
    from nestcut.placement.fill.growth import Growth

    # a score of pieces of two kinds: every kind of move gets its turn
    turn = 2 * math.pi / 3
    parts = tuple(
        Part(str(r), Polygon([(r * cos, r * sin) for sin, cos in (sine_cosine(k * turn) for k in range(3))]))
        for r in (4.0, 3.0)
    )
    room = box(0, 0, 34, 34).difference(box(10, 10, 12, 12))
    for few in (parts, parts[1:]):
        Growth(FillTask(room, room, few, 1.0, 0.0, moves_limit=150)).work()


class _Helpers:
    """Other processes that fill the same region from other seeds."""

    def __init__(self, count: int, task: object) -> None:
        import multiprocessing

        self.running: list = []
        if count < 1 or multiprocessing.current_process().daemon:
            return
        context = multiprocessing.get_context("spawn")
        for number in range(count):
            here, there = context.Pipe(duplex=False)
            process = context.Process(target=_help, args=(there, number + 1, task), daemon=True)
            process.start()
            there.close()
            self.running.append((process, here))

    def results(self, patience_s: float) -> list[tuple[Placed, ...]]:
        """What the helpers have; one that began late gets this much patience."""
        found = []
        for _, pipe in self.running:
            if pipe.poll(patience_s):
                try:
                    found.append(pipe.recv())
                except EOFError:
                    continue
        return found

    def close(self) -> None:
        for process, pipe in self.running:
            pipe.close()
            if process.is_alive():
                process.terminate()
            process.join()


def _help(pipe, number: int, task) -> None:  # type: ignore[no-untyped-def]
    from nestcut.placement.fill.growth import Growth

    own = replace(
        task, seconds=max(0.5, task.seconds - 2.0), seed=task.seed + 7919 * number, moves_limit=None
    )
    growth = Growth(own)
    growth.work()
    pipe.send(growth.filling().placed)
