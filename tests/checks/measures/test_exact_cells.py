"""The checker's measures against whole numbers, on shapes with hollows, holes and shared corners.

Shapes are sets of unit cells of a grid: areas are counts, distances are roots of whole numbers, what is left of a
scrap is a set difference. The same shapes under the map (x, y) → (2x − y, x + 2y) lie slanted, still with whole
numbers: a turn by atan(1/2) and a growth by √5.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable

import pytest
import shapely
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from nestcut.checks.measures.measure import clearance, filled, overlap_depth, polygons_in, sticking_out

Cell = tuple[int, int]
GRID = 7


def blob(rng: random.Random, size: int) -> set[Cell]:
    """Cells that hang together by their sides."""
    cells = {(rng.randrange(GRID), rng.randrange(GRID))}
    while len(cells) < size:
        x, y = rng.choice(sorted(cells))
        dx, dy = rng.choice(((1, 0), (-1, 0), (0, 1), (0, -1)))
        if 0 <= x + dx < GRID and 0 <= y + dy < GRID:
            cells.add((x + dx, y + dy))
    return cells


def ring(rng: random.Random) -> set[Cell]:
    """The cells around a cell."""
    x, y = rng.randrange(1, GRID - 1), rng.randrange(1, GRID - 1)
    return {(x + dx, y + dy) for dx in (-1, 0, 1) for dy in (-1, 0, 1)} - {(x, y)}


def shape(cells: Iterable[Cell], slanted: bool) -> BaseGeometry:
    """The cells as one geometry with whole numbers for corners."""
    joined = shapely.union_all([box(x, y, x + 1, y + 1) for x, y in cells])
    if not slanted:
        return joined
    return shapely.transform(joined, lambda c: c @ [[2, 1], [-1, 2]])


def square_distance(a: set[Cell], b: set[Cell]) -> int:
    """Squared distance of two sets of cells; 0 when they touch."""
    return min(max(abs(p[0] - q[0]) - 1, 0) ** 2 + max(abs(p[1] - q[1]) - 1, 0) ** 2 for p in a for q in b)


def outside(cells: set[Cell]) -> set[Cell]:
    """The cells of the grid, and of a frame around it, that can be reached from far away."""
    seen, todo = {(-1, -1)}, [(-1, -1)]
    while todo:
        x, y = todo.pop()
        for near in ((x + 1, y), (x - 1, y), (x, y + 1), (x, y - 1)):
            if near not in cells and near not in seen and all(-1 <= c <= GRID for c in near):
                seen.add(near)
                todo.append(near)
    return seen


def middle_depth(inside: set[Cell], borders: set[Cell]) -> float:
    """How deep some cell's middle of ``inside`` lies, seen from cells that are not of the shape."""
    return max(
        min(math.hypot(max(abs(x - p) - 0.5, 0.0), max(abs(y - q) - 0.5, 0.0)) for p, q in borders)
        for x, y in inside
    )


@pytest.mark.parametrize("slanted", [False, True])
@pytest.mark.parametrize("seed", range(3))
def test_hollow_shapes_are_measured_as_cells_are_counted(seed: int, slanted: bool) -> None:
    """150 pairs a seed: distance, touching, shared area, what sticks out, what is left, closed holes."""
    rng = random.Random(seed)
    area, length = (5, math.sqrt(5)) if slanted else (1, 1.0)
    seen = {"apart": 0, "touch": 0, "overlap": 0, "holes": 0, "inside": 0}
    frame = {(x, y) for x in range(-1, GRID + 1) for y in range(-1, GRID + 1)}
    for _ in range(150):
        a = blob(rng, rng.randrange(2, 26))
        if rng.random() < 0.2:
            a |= ring(rng)
        b = set(rng.sample(sorted(a), k=1)) if rng.random() < 0.1 else blob(rng, rng.randrange(1, 26))
        first, second = shape(a, slanted), shape(b, slanted)
        common = a & b
        assert first.intersection(second).area == pytest.approx(area * len(common), abs=1e-9)
        assert first.union(second).area == pytest.approx(area * len(a | b), abs=1e-9)
        left = shapely.difference(first, second)
        assert sum(part.area for part in polygons_in(left)) == pytest.approx(area * len(a - b), abs=1e-9)
        found = clearance(first, second)
        if common:
            seen["overlap"] += 1
            # Some corner or middle of what they share lies at least half a cell deep.
            assert -found >= 0.5 * length - 1e-9
            assert -found == overlap_depth(first, second)
        elif square_distance(a, b) == 0:
            seen["touch"] += 1
            assert abs(found) <= 1e-9
        else:
            seen["apart"] += 1
            assert found == pytest.approx(length * math.sqrt(square_distance(a, b)), rel=1e-12)
        out = sticking_out(second, first)
        seen["inside"] += b <= a
        if b <= a:
            assert out <= 1e-9
        else:
            assert out >= length * middle_depth(b - a, a) - length * 1e-4
            assert out <= length * math.sqrt(2) * GRID
        free = outside(a)
        closed = filled(first)
        assert closed.area == pytest.approx(area * len(frame - free), abs=1e-9)
        seen["holes"] += len(frame - free) > len(a)
    assert min(seen.values()) >= 10, seen
