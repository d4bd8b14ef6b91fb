"""The OR-Tools placement model on puzzles and textbook sets with known optimum."""

from __future__ import annotations

import pytest
from shapely.affinity import scale
from shapely.geometry import Polygon, box
from shapely.ops import unary_union

from nestcut.placement import Part, fill_region
from nestcut.placement.exact.candidates import grid_of
from nestcut.placement.exact.model import choose_places
from nestcut.placement.shapes.layout import lies_well

PENTOMINOES = [
    "011/110/010",
    "11111",
    "1000/1111",
    "0111/1100",
    "11/11/10",
    "111/010/010",
    "101/111",
    "100/100/111",
    "100/110/011",
    "010/111/010",
    "0010/1111",
    "110/010/011",
]
QUARTERS = (0.0, 90.0, 180.0, 270.0)


def polyomino(rows: str) -> Polygon:
    """A shape of unit squares from its rows."""
    return unary_union(
        [
            box(i, j, i + 1, j + 1)
            for j, row in enumerate(rows.split("/"))
            for i, c in enumerate(row)
            if c == "1"
        ]
    )


def test_pentominoes_fill_3_by_20():
    """The twelve pentominoes, turned and mirrored, fill 3 × 20 (2 ways; Haselgrove 1960)."""
    parts = []
    for rows in PENTOMINOES:
        parts.append(Part(rows, polyomino(rows), turns=QUARTERS))
        parts.append(Part(rows + " mirrored", scale(polyomino(rows), -1, 1), turns=QUARTERS))
    grid = grid_of(parts, box(0, 0, 3, 20))
    assert grid is not None
    cells: dict[int, list[int]] = {}
    for i, covered in enumerate(grid.cells):
        for cell in covered.tolist():
            cells.setdefault(cell, []).append(i)
    assert len(cells) == 60
    once = [[i for i, place in enumerate(grid.places) if place.part // 2 == k] for k in range(12)]
    picked, _ = choose_places(
        parts, [p.part for p in grid.places], [], seconds=200, cover=[*cells.values(), *once]
    )
    layout = [grid.places[i] for i in picked]
    assert len(layout) == 12
    assert lies_well(parts, layout, box(0, 0, 3, 20), gap_mm=0.0)


# Maximum number of identical rectangles, quarter turns allowed, found by an exact solver (own computation,
# no source); the class of problem: Letchford & Amaral, EJOR 132 (2001) 582–593.
@pytest.mark.parametrize(
    ("plate", "piece", "most"),
    [
        ((6, 6), (4, 1), 8), ((10, 10), (4, 1), 24), ((5, 5), (3, 2), 4), ((17, 22), (7, 4), 12),
        ((22, 17), (6, 5), 12), ((12, 12), (5, 3), 8), ((21, 29), (9, 5), 12), ((11, 8), (3, 2), 14),
    ],
)  # fmt: skip
def test_rectangles_on_a_plate(plate, piece, most):
    """The count is reached and proved (12 cards of 3.5 × 2 in on a letter sheet among them)."""
    parts = [Part("card", box(0, 0, *piece), turns=(0.0, 90.0))]
    filling = fill_region(box(0, 0, *plate), parts, web_mm=0, edge_mm=0, moves_limit=4000)
    assert len(filling.placed) == most
    assert filling.bound == most


# J. E. Beasley, Operations Research 33 (1985) 49–64: width × height : copies : value; no turning.
BEASLEY = [
    ((10, 10), "1x10:3:28 5x3:2:40 9x3:3:63 6x1:3:13 3x8:3:31 4x1:1:10 7x3:2:44", 230),
    (
        (10, 10),
        "3x2:2:7 7x2:3:20 4x5:2:60 4x1:2:9 1x10:1:14 8x4:1:79 4x2:2:11 3x7:3:52 6x2:3:13 9x1:2:21",
        247,
    ),
    ((15, 10), "15x2:2:34 7x3:1:27 9x1:1:14 8x3:1:71 12x2:2:61", 268),
    ((20, 20), "1x9:3:26 16x3:1:113 18x3:1:127 20x2:1:104 3x1:2:4", 430),
]


@pytest.mark.parametrize(("plate", "pieces", "best"), BEASLEY)
def test_beasley(plate, pieces, best):
    """Most value, with limited copies: the published optimum, proved."""
    parts = []
    for text in pieces.split():
        size, copies, value = text.split(":")
        w, h = map(int, size.split("x"))
        parts.append(Part(text, box(0, 0, w, h), turns=(0.0,), value=float(value), most=int(copies)))
    filling = fill_region(box(0, 0, *plate), parts, web_mm=0, edge_mm=0, moves_limit=4000)
    assert filling.value == best
    assert filling.bound == pytest.approx(best)


def test_squared_rectangle():
    """Nine different squares fill 33 × 32 without waste (Moroń 1925)."""
    sides = (18, 15, 14, 10, 9, 8, 7, 4, 1)
    parts = [Part(str(s), box(0, 0, s, s), turns=(0.0,), most=1, value=s * s) for s in sides]
    filling = fill_region(box(0, 0, 33, 32), parts, web_mm=0, edge_mm=0, moves_limit=20000)
    assert filling.value == 33 * 32
    assert len(filling.placed) == 9


def test_t_tetrominoes():
    """T-tetrominoes tile 4 × 4 and not 6 × 6 (Walkup 1965: both sides must be divisible by 4)."""
    t = [Part("t", polyomino("111/010"), turns=QUARTERS)]
    assert len(fill_region(box(0, 0, 4, 4), t, web_mm=0, edge_mm=0, moves_limit=4000).placed) == 4
    six = fill_region(box(0, 0, 6, 6), t, web_mm=0, edge_mm=0, moves_limit=4000)
    assert six.bound <= 8
    assert len(six.placed) == 8
