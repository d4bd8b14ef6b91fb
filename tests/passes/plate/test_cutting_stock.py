"""Textbook cutting stock: stock widths as plates, ordered widths as dies as long as the plate.

Data, LP and IP optima: Chvátal, Linear Programming (1983), ch. 13; Winston's and other textbooks' examples,
from memory or lecture notes, all optima recomputed with a general solver (no published source for those).
"""

from __future__ import annotations

import pytest

from nestcut.passes.plate.bound import prove
from nestcut.passes.plate.footprints import footprints_of
from nestcut.passes.plate.master import make_task, solve_integer, solve_linear
from nestcut.passes.plate.search import PlateSearch
from tests.shared.plate_plans import batch_of, rectangle

LENGTH_MM = 100.0
CASES = [
    # stock, {width: demand}, maximal patterns, LP optimum, IP optimum
    (100, {45: 97, 36: 610, 31: 395, 14: 211}, 12, 452.25, 453),
    (110, {20: 48, 45: 35, 50: 24, 55: 10, 75: 8}, 11, 46.25, 47),
    (94, {17: 150, 21: 96, 22.5: 48, 24: 108, 29.5: 227}, 50, 160.952, 161),
    (
        5600,
        {
            1380: 22,
            1520: 25,
            1560: 12,
            1710: 14,
            1820: 18,
            1880: 18,
            1930: 20,
            2000: 10,
            2050: 12,
            2100: 14,
            2140: 16,
            2150: 18,
            2200: 20,
        },
        213,
        72.9167,
        73,
    ),
    (100, {60: 30, 48: 50, 36: 25, 24: 90}, 8, 76.25, 77),
    (17, {3: 25, 5: 20, 9: 15}, 6, 18.3333, 19),
    # Not every least count is the LP optimum rounded up: the bound must not claim 3, nor the master 2.
    (132, {44: 2, 33: 3, 12: 6}, 11, 1.96212, 3),
]


@pytest.mark.parametrize(("stock", "orders", "maximal", "linear", "whole"), CASES)
def test_textbook_cutting_stock(stock, orders, maximal, linear, whole):
    """Patterns, LP optimum, exact bound and whole-number optimum are the published ones."""
    dies = [rectangle(f"w{w}", w, LENGTH_MM, copies=40, turns=(0.0,)) for w in orders]
    lines = [([f"w{w}"], ["red"], n) for w, n in orders.items()]
    batch = batch_of(dies, lines, plate=(stock, LENGTH_MM))
    footprints = footprints_of(batch, batch.demand, "rims")
    task = make_task(batch, batch.demand, footprints)
    search = PlateSearch(task, task, footprints, batch.machine.window, 0.0)
    listed = [tuple(int(c) for c in row) for row in search.sets._listed if any(row)]
    widths = list(orders)
    # By area alone: each die is as long as the plate, so area is width.
    assert all(sum(n * w for n, w in zip(u, widths, strict=True)) <= stock for u in listed)
    largest = [
        u
        for u in listed
        if all(sum(n * w for n, w in zip(u, widths, strict=True)) + w > stock for w in widths)
    ]
    assert len(largest) == maximal
    solved = solve_linear(task, largest)
    assert solved.value == pytest.approx(linear, abs=1e-3)
    bound = prove(task, search.sets, [])
    assert float(bound.value) <= linear + 1e-3
    assert bound.passes == -(-int(linear * 1000) // 1000)
    best = solve_integer(task, largest, seconds=20)
    assert best.passes == whole
    assert bound.passes <= whole
