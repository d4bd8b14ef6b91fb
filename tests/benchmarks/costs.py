"""What one step of the placement engine costs: seconds and memory against pieces and vertices.

    python -m tests.benchmarks.costs [--pieces 10,50,200,1000] [--vertices 10,100,1000] [--seconds 3]

By vertices, for a wavy outline with a dent: cutting it into convex parts, one no-fit region of two of them, and
the exact check of a touching pair. By pieces (five kinds of ten vertices, four turns each, a strip so long that
70 % of it is filled): the tables, one move of the squeeze search (first from a scatter), one sum of all depths,
one linear programme of all pieces, the exact check of the whole, and the most memory that the process held so far.
Run by hand; figures are of one core.
"""

from __future__ import annotations

import argparse
import math
import resource
import time
from collections.abc import Callable

import numpy as np
from shapely.affinity import translate
from shapely.geometry import Polygon

from nestcut.placement import no_fit
from nestcut.placement.shapes.convex import convex_parts
from nestcut.placement.shapes.exact import first_fault
from nestcut.placement.strip.compact import compact, overlap
from nestcut.placement.strip.crew import warm_up
from nestcut.placement.strip.disturb import scatter
from nestcut.placement.strip.kernels import measure
from nestcut.placement.strip.squeeze import Settings, Squeeze
from nestcut.placement.strip.tables import prepare


def wavy(vertices: int, seed: int) -> Polygon:
    """An outline about 20 mm across with two lobes, a dent between them and a small ripple."""
    rng = np.random.default_rng(seed)
    phase = rng.uniform(0, 2 * math.pi)
    angle = np.arange(vertices) * 2 * math.pi / vertices
    radius = 8 + 2.5 * np.cos(2 * angle + phase) + 0.8 * np.cos(5 * angle + 2 * phase)
    return Polygon(np.column_stack((radius * np.cos(angle), radius * np.sin(angle))))


def timed(work: Callable[[], object], *, least_s: float = 0.2) -> float:
    """Seconds of one call: repeated until the time can be read off."""
    work()
    begin, calls = time.perf_counter(), 0
    while calls < 1 or time.perf_counter() - begin < least_s:
        work()
        calls += 1
    return (time.perf_counter() - begin) / calls


def by_vertices(vertices: list[int]) -> None:
    """Table of shapes."""
    print(f"{'vertices':>8}{'convex parts':>13}{'parts ms':>10}{'no-fit ms':>11}{'check ms':>10}")
    for n in vertices:
        one, two = wavy(n, 1), wavy(n, 2)
        parts = timed(lambda one=one: convex_parts(one))
        region = timed(lambda one=one, two=two: no_fit(one, two))
        right = translate(two, one.bounds[2] - two.bounds[0])
        check = timed(lambda one=one, right=right: first_fault([one, right]))
        print(
            f"{n:8}{len(convex_parts(one)):13}{1e3 * parts:10.2f}{1e3 * region:11.1f}{1e3 * check:10.3f}",
            flush=True,
        )


def by_pieces(pieces: list[int], seconds: float) -> None:
    """Table of layouts."""
    shapes = [wavy(10, seed) for seed in range(5)]
    print(
        f"{'pieces':>8}{'tables s':>10}{'move µs':>9}{'sum µs':>9}{'programme ms':>14}{'check ms':>10}{'memory MB':>11}"
    )
    for n in pieces:
        begin = time.perf_counter()
        job = prepare(shapes, [(0.0, 90.0, 180.0, 270.0)] * 5, [n // 5] * 5, 150.0)
        tables = time.perf_counter() - begin
        warm_up(job)
        # (No programmes in between: they are measured by themselves.)
        search = Squeeze(job, seed=1, settings=Settings(near_feasible=0.0))
        search.best = search.columns()
        length = max(float(job.area.sum()) / job.width / 0.7, 1.1 * float(max(job.tables.wide)))  # type: ignore[attr-defined]
        scatter(search.scene(length))
        begin = time.perf_counter()
        search.separate(length, lambda begin=begin: time.perf_counter() - begin > seconds)
        move = (time.perf_counter() - begin) / max(search.moves, 1)
        T, x, y, v, D = job.tables, search.x, search.y, search.v, search.D
        total = timed(lambda T=T, x=x, y=y, v=v, D=D: measure(T, x, y, v, D))
        rows = search.columns()
        programme = timed(
            lambda job=job, rows=rows: compact(job, rows.x, rows.y, rows.v, rows.length, rounds=1)
        )
        placed = [
            job.pose(int(rows.v[i]), float(rows.x[i]), float(rows.y[i])).apply(shapes[k])
            for i, k in enumerate(job.part_of.tolist())
        ]
        assert overlap(job, rows.x, rows.y, rows.v) <= 1e-6
        check = timed(lambda placed=placed: first_fault(placed))
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{n:8}{tables:10.2f}{1e6 * move:9.0f}{1e6 * total:9.0f}{1e3 * programme:14.1f}{1e3 * check:10.2f}"
            f"{memory:11.0f}",
            flush=True,
        )  # fmt: skip


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pieces", default="10,50,200,1000")
    parser.add_argument("--vertices", default="10,100,1000")
    parser.add_argument("--seconds", type=float, default=3.0, help="of moves, for each number of pieces")
    options = parser.parse_args(arguments)
    by_vertices([int(a) for a in options.vertices.split(",") if a])
    by_pieces([int(a) for a in options.pieces.split(",") if a], options.seconds)


if __name__ == "__main__":
    main()
