"""Rectangles: the interval model against the model on the grid, and puzzles with known answers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.affinity import rotate
from shapely.geometry import Polygon, box

from nestcut.placement import Part, Placed, fill_region
from nestcut.placement.exact.boxes import fill_with_boxes
from nestcut.placement.exact.model import fill_on_grid
from nestcut.placement.shapes.layout import lies_well


def worth(parts: list[Part], placed: tuple[Placed, ...]) -> float:
    return sum(parts[one.part].value for one in placed)


# Least rectangles of squares 1 … n: Korf, ICAPS 2004; Huang & Korf, IJCAI 2009; OEIS A038666.
@pytest.mark.parametrize(("n", "size"), [(8, (14, 15)), (11, (19, 27)), (12, (23, 29))])
def test_consecutive_squares_in_their_least_rectangle(n: int, size: tuple[int, int]) -> None:
    """All are placed through the ordinary door, and that is proved."""
    parts = [Part(str(k), box(0, 0, k, k), turns=(0.0,), most=1, value=k * k) for k in range(1, n + 1)]
    filling = fill_region(box(0, 0, *size), parts, web_mm=0, edge_mm=0, moves_limit=200)
    assert len(filling.placed) == n
    assert filling.bound == filling.value
    assert lies_well(parts, filling.placed, box(0, 0, *size), gap_mm=0.0)


def test_squares_in_too_small_a_rectangle() -> None:
    """Squares 1 … 7 (area 140) in 10 × 14: not all fit (the least rectangle is 11 × 14), and that is proved."""
    parts = [Part(str(k), box(0, 0, k, k), turns=(0.0,), most=1, value=k * k) for k in range(1, 8)]
    found = fill_with_boxes(parts, box(0, 0, 10, 14), gap_mm=0, everything=False, seconds=0, steps=2000)
    assert found is not None
    assert found.bound < 140
    assert worth(parts, found.placed) == found.bound


@pytest.mark.parametrize("seed", range(8))
def test_as_good_as_the_grid(seed: int) -> None:
    """Random rectangles in a room with notches and a hole: same optimum as the model on all grid places."""
    rng = np.random.default_rng(seed)
    parts = []
    for k in range(4):
        w, h = (int(n) for n in rng.integers(1, 5, 2))
        most = int(rng.integers(1, 4)) if rng.random() < 0.8 or w * h < 6 else None
        parts.append(Part(str(k), box(1, 2, 1 + w, 2 + h), (0.0, 90.0), float(rng.integers(1, 9)), most))
    wide, high = (int(n) for n in rng.integers(5, 8, 2))
    room = box(0, 0, wide, high).difference(box(0, 0, 2, 1)).difference(box(3, 3, 5, 4))
    found = fill_with_boxes(parts, room, gap_mm=0, everything=False, seconds=0, steps=400)
    grid = fill_on_grid(parts, room, gap_mm=0, seconds=0, steps=400)
    assert found is not None
    assert grid is not None
    assert lies_well(parts, found.placed, room, gap_mm=0.0)
    assert worth(parts, found.placed) == worth(parts, grid[0]) == found.bound == grid[1]


def test_a_gap_and_turned_outlines() -> None:
    """Rectangles drawn aslant that may turn: the gap is kept, nothing is claimed as proved."""
    parts = [
        Part("card", rotate(box(0, 0, 30, 20), 31.0), "any"),
        Part("tag", box(0, 0, 9.7, 14.1), "any", 0.3, 2),
    ]
    room = box(5, 5, 105, 75).difference(box(50, 5, 60, 25))
    found = fill_with_boxes(parts, room, gap_mm=2.0, everything=False, seconds=0, steps=200)
    assert found is not None
    assert lies_well(parts, found.placed, room, gap_mm=2.0)
    assert sum(one.part == 0 for one in found.placed) >= 8
    assert found.bound == math.inf


def test_a_slot_thinner_than_the_gap() -> None:
    """The gap is for pieces: they may touch the sides of a slot, and still may not lie over it."""
    room = box(0, 0, 21, 10).difference(box(10, 2, 11, 10))
    found = fill_with_boxes(
        [Part("s", box(0, 0, 8, 8), (0.0,))], room, gap_mm=3.0, everything=False, seconds=0, steps=100
    )
    assert found is not None
    assert len(found.placed) == 2
    assert lies_well([Part("s", box(0, 0, 8, 8))], found.placed, room, gap_mm=3.0)


def test_proportions_and_least() -> None:
    """Whole sets come before value; what is wanted at least is there."""
    parts = [Part("a", box(0, 0, 2, 1), (0.0, 90.0)), Part("b", box(0, 0, 1, 1), (0.0,), 5.0)]
    found = fill_with_boxes(
        parts, box(0, 0, 4, 3), gap_mm=0, everything=False, seconds=0, steps=400, proportions=(2, 1)
    )
    assert found is not None
    counts = [sum(one.part == k for one in found.placed) for k in (0, 1)]
    assert counts in ([4, 3], [5, 2])
    assert min(counts[0] / 2, counts[1]) == 2
    wanted = [Part("a", box(0, 0, 2, 1), (0.0, 90.0), least=3), Part("b", box(0, 0, 1, 1), (0.0,), 5.0, 12)]
    held = fill_with_boxes(wanted, box(0, 0, 4, 3), gap_mm=0, everything=False, seconds=0, steps=400)
    assert held is not None
    assert [sum(one.part == k for one in held.placed) for k in (0, 1)] == [3, 6]


@pytest.mark.parametrize(
    ("parts", "room"),
    [
        ([Part("triangle", Polygon([(0, 0), (3, 0), (0, 3)]), (0.0,))], box(0, 0, 9, 9)),
        ([Part("box", box(0, 0, 2, 2), (45.0,))], box(0, 0, 9, 9)),
        ([Part("box", box(0, 0, 2, 2), (0.0,))], Polygon([(0, 0), (9, 0), (0, 9)])),
        ([Part("box", box(0, 0, 1, 1), (0.0,))], box(0, 0, 90, 90)),
        ([Part("box", box(0, 0, 11, 1), (0.0,))], box(0, 0, 9, 9)),
    ],
)
def test_nothing_for_this_model(parts: list[Part], room: Polygon) -> None:
    """No rectangles, no rectilinear room, too many copies, nothing that fits: left to the other models."""
    assert fill_with_boxes(parts, room, gap_mm=0, everything=False, seconds=1) is None
