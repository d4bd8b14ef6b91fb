"""Straight cuts against brute force: small grids with cells missing, parts of whole cells, every sequence of cuts tried."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate
from shapely.geometry import Polygon, box

from nestcut.checks import check_plan
from nestcut.checks.rules.trimming import straight_cuts_make
from nestcut.plans.model import Trim
from tests.shared.checked_plans import kits

Cells = frozenset[tuple[int, int]]
HOLED = box(0, 0, 60, 60).difference(box(20, 20, 40, 30))


def connected(cells: Iterable[tuple[int, int]]) -> list[Cells]:
    """The pieces that cells fall into; cells that meet in a corner do not hold together."""
    left, found = set(cells), []
    while left:
        edge = [left.pop()]
        own = set(edge)
        while edge:
            x, y = edge.pop()
            for near in ((x + 1, y), (x - 1, y), (x, y + 1), (x, y - 1)):
                if near in left:
                    left.remove(near)
                    own.add(near)
                    edge.append(near)
        found.append(frozenset(own))
    return found


@cache
def can_be_made(piece: Cells, parts: frozenset[Cells]) -> bool:
    """Whether some sequence of cuts along grid lines makes the parts of the piece: all are tried."""
    if not parts or parts == {piece}:
        return True
    for axis in (0, 1):
        for line in range(1, 1 + max(cell[axis] for cell in piece)):
            low = frozenset(cell for cell in piece if cell[axis] < line)
            if not low or low == piece:
                continue
            bits = connected(low) + connected(piece - low)
            shares = [frozenset(part for part in parts if part <= bit) for bit in bits]
            if sum(map(len, shares)) == len(parts) and all(map(can_be_made, bits, shares)):
                return True
    return False


def some_case(chance: random.Random) -> tuple[Cells, frozenset[Cells]]:
    """A piece with cells missing, and parts of it: rectangles, corners, rectangles with the holes that lie in them."""
    columns, rows = chance.randint(2, 6), chance.randint(2, 6)
    whole = [(x, y) for x in range(columns) for y in range(rows)]
    inner = [(x, y) for x, y in whole if 0 < x < columns - 1 and 0 < y < rows - 1]
    gone = set(chance.sample(inner, min(len(inner), chance.choice((0, 1, 1, 2, 3)))))
    gone |= set(chance.sample(whole, chance.choice((0, 0, 1, 2))))
    piece = max(connected([cell for cell in whole if cell not in gone] or whole), key=len)
    free, parts = set(piece), set()
    kinds = chance.choice((("box",), ("box", "corner"), ("box", "corner", "holed")))
    for _ in range(chance.randint(1, 25)):
        x, y = chance.randrange(columns), chance.randrange(rows)
        wide, high = chance.randint(1, 4), chance.randint(1, 4)
        part = {(a, b) for a, b in whole if x <= a < x + wide and y <= b < y + high}
        kind = chance.choice(kinds)
        if kind == "corner":
            part -= {(a, b) for a, b in part if a > x and b > y}
        if kind == "holed":
            part &= piece
        if part and part <= free and len(connected(part)) == 1:
            parts.add(frozenset(part))
            free -= part
    return piece, frozenset(parts)


def drawn(cells: Cells, x: list[float], y: list[float], deg: float) -> Polygon:
    """The cells as one outline, on grid lines at these places, turned about (0, 0)."""
    shape = shapely.union_all([box(x[a], y[b], x[a + 1], y[b + 1]) for a, b in cells]).normalize()
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    turned = shapely.transform(
        shape, lambda p: np.column_stack([c * p[:, 0] - s * p[:, 1], s * p[:, 0] + c * p[:, 1]])
    )
    assert isinstance(turned, Polygon)
    return turned


@pytest.mark.first(2)
@pytest.mark.parametrize("seed", range(12))
def test_straight_cuts_on_grids_with_holes_agree_with_brute_force(seed: int) -> None:
    """A hundred grids each: even and uneven lines, square and askew; what can be made, and only that, is accepted."""
    chance = random.Random(seed)
    holed = {True: 0, False: 0}
    for number in range(100):
        piece, parts = some_case(chance)
        even = number % 2 == 0
        x, y = ([10.0 * k if even else 10 * k + chance.uniform(-4, 4) for k in range(7)] for _ in "xy")
        deg = 0.0 if number % 4 < 2 else chance.uniform(0, 360)
        wanted = can_be_made(piece, parts)
        outline = drawn(piece, x, y, deg)
        shapes = [drawn(part, x, y, deg) for part in sorted(parts, key=sorted)]
        assert straight_cuts_make(outline, shapes) == wanted, (seed, number, sorted(piece), parts)
        holed[wanted] += bool(outline.interiors)
    assert min(holed.values()) >= 3  # scraps with real holes, of both kinds


def test_one_cut_beside_a_hole() -> None:
    """A side of the part runs along the hole in its middle only: one cut right across makes it."""
    assert straight_cuts_make(HOLED, [box(0, 30, 60, 60)])
    assert straight_cuts_make(HOLED, [box(0, 30, 60, 60), box(0, 0, 60, 20), box(0, 20, 20, 30)])
    # What lies below the hole is one piece with what lies beside it, until it is cut.
    assert straight_cuts_make(HOLED, [box(0, 0, 60, 30).difference(box(20, 20, 40, 30))])


def test_a_part_around_a_hole() -> None:
    """A hole that the scrap has may stay in a part; one that it has not, no straight cut makes."""
    assert straight_cuts_make(HOLED, [HOLED])
    assert straight_cuts_make(HOLED, [HOLED.intersection(box(10, 10, 50, 60))])
    assert not straight_cuts_make(HOLED, [HOLED.difference(box(45, 45, 50, 50))])
    assert not straight_cuts_make(HOLED, [HOLED.difference(box(20, 20, 41, 30))])


def test_what_a_cut_leaves_is_kept_to_its_last_corner() -> None:
    """The first cut found starts far right and low; the upper left corner of the scrap still belongs to a part."""
    low = Polygon([(90, 10), (100, 10), (100, 20), (90, 20)])
    for turn in (0, 90, 180, 270):
        parts = [rotate(part, turn, origin=(0, 0)) for part in (box(0, 20, 100, 170), low)]
        assert straight_cuts_make(rotate(box(0, 0, 100, 170), turn, origin=(0, 0)), parts)


def test_corners_on_top_of_each_other_are_no_side() -> None:
    """A side without a length has no direction, and raises no flag."""
    doubled = Polygon([(0, 0), (0, 0), (30, 0), (30, 0), (30, 60), (0, 60)])
    with np.errstate(all="raise"):
        assert straight_cuts_make(box(0, 0, 60, 60), [doubled])


def test_bits_that_fall_off_at_a_hole_go_on_alone() -> None:
    """Cut above and below the hole: what is left and right of it falls apart, and lines of one spare the other."""
    left, right = box(5, 22, 15, 28), box(45, 20, 60, 30)
    tall = box(0, 0, 60, 60).difference(box(20, 10, 40, 50))
    assert straight_cuts_make(tall, [left, right])
    pinwheel = [box(0, 0, 2, 1), box(2, 0, 3, 2), box(1, 2, 3, 3), box(0, 1, 1, 3)]
    assert not straight_cuts_make(box(0, 0, 3, 3), pinwheel)
    assert not straight_cuts_make(box(0, 0, 3, 3).difference(box(1, 1, 2, 2)), pinwheel)
    # Each arm by itself already where the scrap is slit along one of them.
    slit = box(0, 0, 3, 3).difference(box(1, 1, 2, 2)).difference(box(1.99, -1, 2.01, 1))
    arms = [box(0, 0, 1.99, 1), box(2.01, 0, 3, 2), *pinwheel[2:]]
    assert straight_cuts_make(slit, [arms[0], arms[2]])


def test_parts_that_overlap_are_named_by_the_first() -> None:
    """The fault stands at the part that comes first in the list."""
    plan = kits()
    trim = plan.trims[0]
    outline = plan.pieces_of_paper()[trim.scrap][1]
    x0, y0, x1, y1 = outline.bounds
    halves = [
        ("one", box(x0, y0, x0 + 1, y1)),
        ("two", box(x0 + 2, y0, x0 + 6, y1)),
        ("three", box(x0 + 5, y0, x1, y1)),
    ]
    report = check_plan(replace(plan, trims=(Trim(trim.scrap, tuple(halves)),)))
    (fault,) = [fault for fault in report.faults if "overlap" in fault.message]
    assert (fault.rule, fault.scrap) == ("trim", "two")
    assert fault.measured_mm == pytest.approx(1.0)
