"""Packings with a known answer: squares in their least rectangles, pentominoes in rectangles, circles in squares.

    python -m tests.benchmarks.known [--seconds 60] [--only squares,pentominoes,circles,radii]

- Squares 1 … n in the rectangle of least area that holds them (Korf, ICAPS 2004; Huang & Korf, IJCAI 2009;
  OEIS A038666), n = 2 … 12: all must be placed.
- The twelve pentominoes, turned and mirrored, in 6 × 10, 5 × 12, 4 × 15 and 3 × 20 (2339, 1010, 368 and 2
  ways; Haselgrove 1960): all must be placed.
- Equal circles in a square (``tests/placement/fill/test_fill.py`` has the radii and their source), n = 2 … 30, a
  thousandth smaller than the largest n: n − 1 at least must be placed by ``fill_region``.
- The largest radius of n = 2 … 20 equal circles in a square: within a thousandth by ``largest_scale``.

Every layout is measured here by shapely. Ends with 1 if anything is missing or overlaps.
"""

from __future__ import annotations

import argparse
import time

from shapely.affinity import scale
from shapely.geometry import Point, Polygon, box
from shapely.ops import unary_union

from nestcut.placement import Part, Placed, fill_region, largest_scale
from nestcut.placement.exact.candidates import grid_of
from nestcut.placement.exact.model import choose_places
from tests.placement.fill.test_fill import RADIUS

SQUARES = {
    2: (2, 3), 3: (3, 5), 4: (5, 7), 5: (5, 12), 6: (9, 11), 7: (11, 14), 8: (14, 15), 9: (15, 20), 10: (15, 27),
    11: (19, 27), 12: (23, 29),
}  # fmt: skip
RECTANGLES = ((6, 10), (5, 12), (4, 15), (3, 20))
PENTOMINOES = (
    "011/110/010", "11111", "1000/1111", "0111/1100", "11/11/10", "111/010/010", "101/111", "100/100/111",
    "100/110/011", "010/111/010", "0010/1111", "110/010/011",
)  # fmt: skip


def squares(n: int, seconds: float, *, moves: int | None = None) -> tuple[list[Part], tuple[Placed, ...]]:
    """Squares 1 … n in their least rectangle; the parts, and what was placed."""
    parts = [Part(str(k), box(0, 0, k, k), turns=(0.0,), most=1, value=k * k) for k in range(1, n + 1)]
    filling = fill_region(
        box(0, 0, *SQUARES[n]), parts, web_mm=0, edge_mm=0, seconds=seconds, moves_limit=moves
    )
    return parts, filling.placed


def polyomino(rows: str) -> Polygon:
    """A shape of unit squares from its rows."""
    cells = [(i, j) for j, row in enumerate(rows.split("/")) for i, cell in enumerate(row) if cell == "1"]
    return unary_union([box(i, j, i + 1, j + 1) for i, j in cells])


def pentominoes(size: tuple[int, int], seconds: float) -> tuple[list[Part], tuple[Placed, ...]]:
    """The twelve pentominoes in a rectangle: every cell covered once, every piece used once."""
    quarters = (0.0, 90.0, 180.0, 270.0)
    parts = []
    for rows in PENTOMINOES:
        parts.append(Part(rows, polyomino(rows), turns=quarters, value=0.0))
        parts.append(Part(rows + " mirrored", scale(polyomino(rows), -1, 1), turns=quarters, value=0.0))
    grid = grid_of(parts, box(0, 0, *size))
    assert grid is not None
    cells: dict[int, list[int]] = {}
    for i, covered in enumerate(grid.cells):
        for cell in covered.tolist():
            cells.setdefault(cell, []).append(i)
    once = [[i for i, place in enumerate(grid.places) if place.part // 2 == k] for k in range(12)]
    picked, _ = choose_places(
        parts, [p.part for p in grid.places], [], seconds=seconds, cover=[*cells.values(), *once]
    )
    return parts, tuple(grid.places[i] for i in picked)


def circles(n: int, seconds: float) -> tuple[list[Part], tuple[Placed, ...]]:
    """Circles of 0.999 of the largest radius of n in a square of side 100; as many as are found."""
    parts = [Part("circle", Point(0, 0).buffer(99.9 * RADIUS[n], quad_segs=48))]
    filling = fill_region(box(0, 0, 100, 100), parts, web_mm=0, edge_mm=0, seconds=seconds)
    return parts, filling.placed


def radius(n: int, seconds: float) -> tuple[list[Part], tuple[Placed, ...], float]:
    """The largest n circles that are found in a square of side 100: as parts, poses, and radius in a unit square."""
    disc = Point(0, 0).buffer(1, quad_segs=64)
    factor, placed = largest_scale([Part("circle", disc, least=n)], box(0, 0, 100, 100), seconds=seconds)
    return [Part("circle", scale(disc, factor, factor, origin=(0, 0)))], placed, factor / 100


def fault(parts: list[Part], placed: tuple[Placed, ...], size: tuple[int, int]) -> str:
    """What is wrong with a layout, measured by shapely alone; empty: nothing."""
    shapes = [one.pose.apply(parts[one.part].shape) for one in placed]
    room = box(0, 0, *size).buffer(1e-6)
    if not all(room.covers(shape) for shape in shapes):
        return "outside"
    for i, one in enumerate(shapes):
        if any(one.intersection(other).area > 1e-6 for other in shapes[:i]):
            return "overlap"
    return ""


def main(arguments: list[str] | None = None) -> int:
    """Print a table; 1 if a packing was not reached."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0, help="time for each")
    parser.add_argument("--only", default="squares,pentominoes,circles,radii")
    options = parser.parse_args(arguments)
    only = options.only.split(",")
    missing = 0
    print(f"{'what':14}{'rectangle':>10}{'placed':>8}{'of':>4}{'seconds':>9}  wrong")
    jobs = [("squares", n, SQUARES[n]) for n in SQUARES] + [("pentominoes", 12, size) for size in RECTANGLES]
    jobs += [("circles", n, (100, 100)) for n in sorted(RADIUS)]
    jobs += [("radii", n, (100, 100)) for n in sorted(RADIUS) if n <= 20]
    for what, n, size in jobs:
        if what not in only:
            continue
        begin = time.perf_counter()
        least, told = n, ""
        if what == "circles":
            parts, placed = circles(n, options.seconds)
            least = n - 1
        elif what == "radii":
            parts, placed, found = radius(n, options.seconds)
            least += found < RADIUS[n] * (1 - 1e-3)  # missed
            told = f"radius {found:.9f}, known {RADIUS[n]:.9f}, {100 * (found / RADIUS[n] - 1):+.6f} %"
        elif what == "squares":
            parts, placed = squares(n, options.seconds)
        else:
            parts, placed = pentominoes(size, options.seconds)
        took = time.perf_counter() - begin
        wrong = fault(parts, placed, size)
        missing += len(placed) < least or bool(wrong)
        rectangle = f"{size[0]} × {size[1]}"
        print(f"{what:14}{rectangle:>10}{len(placed):8}{n:4}{took:9.1f}  {wrong}{told}", flush=True)
    return 1 if missing else 0


if __name__ == "__main__":
    raise SystemExit(main())
