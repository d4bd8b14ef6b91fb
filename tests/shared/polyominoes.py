"""An oracle that is exact by construction: polyomino dies with quarter turns on a plate of whole cells.

If polyominoes lie apart at any real offsets (quarter turns only), rounding all x down, then all y, keeps
them apart: two cells that share a row and are at least 1 apart in x stay so. So whole offsets are enough,
and a depth-first search over them decides whether a set fits. The fewest passes follow by a dynamic
programme over what is still to be cut. No code is shared with the planner. Method: own, elementary.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence
from functools import cache

from shapely.affinity import translate
from shapely.geometry import box
from shapely.ops import unary_union

from nestcut.batch.model import Batch, Die, Hand
from tests.shared.plate_plans import batch_of

Cells = frozenset[tuple[int, int]]
UNIT_MM = 10.0


def turned(cells: Cells) -> set[Cells]:
    """The quarter turns of a polyomino, moved to the corner (0, 0)."""
    found = set()
    for _ in range(4):
        cells = frozenset((-y, x) for x, y in cells)
        left, top = min(x for x, _ in cells), min(y for _, y in cells)
        found.add(frozenset((x - left, y - top) for x, y in cells))
    return found


def fits(pieces: Sequence[Cells], width: int, length: int) -> bool:
    """Can all these polyominoes lie on width × length cells?"""
    order = sorted(pieces, key=len, reverse=True)
    if sum(map(len, order)) > width * length:
        return False
    spots = []
    for piece in order:
        masks = set()
        for cells in turned(piece):
            w, h = max(x for x, _ in cells) + 1, max(y for _, y in cells) + 1
            for dx, dy in itertools.product(range(width - w + 1), range(length - h + 1)):
                masks.add(sum(1 << ((y + dy) * width + x + dx) for x, y in cells))
        spots.append(sorted(masks))

    def place(index: int, taken: int) -> bool:
        return index == len(spots) or any(
            not mask & taken and place(index + 1, taken | mask) for mask in spots[index]
        )

    return place(0, 0)


def fewest_passes(
    pieces: Sequence[Cells], copies: Sequence[int], demand: Sequence[int], width: int, length: int
) -> int:
    """The least number of passes in which each die makes its demand of cuts."""
    sets = [
        counts
        for counts in itertools.product(*(range(c + 1) for c in copies))
        if any(counts)
        and fits([piece for piece, n in zip(pieces, counts, strict=True) for _ in range(n)], width, length)
    ]

    @cache
    def least(left: tuple[int, ...]) -> int:
        if not any(left):
            return 0
        best = 10**6
        for counts in sets:
            rest = tuple(max(0, a - b) for a, b in zip(left, counts, strict=True))
            if rest != left:
                best = min(best, 1 + least(rest))
        return best

    return least(tuple(demand))


def polyomino_die(name: str, cells: Cells, copies: int) -> Die:
    """A die whose rim is the polyomino, its box centred on the die's frame, quarter turns only."""
    shape = unary_union(
        [box(x * UNIT_MM, y * UNIT_MM, (x + 1) * UNIT_MM, (y + 1) * UNIT_MM) for x, y in cells]
    )
    left, top, right, bottom = shape.bounds
    rim = translate(shape, -(left + right) / 2, -(top + bottom) / 2)
    return Die(
        name, rim.buffer(-1.0, join_style="mitre"), rim, copies=copies, turns=(0.0, 90.0, 180.0, 270.0)
    )


def random_case(seed: int) -> tuple[Batch, list[Cells], list[int], list[int], tuple[int, int]]:
    """A small class: 2 to 4 dies (rectangles and grown polyominoes), plate of 3 to 5 cells a side."""
    rng = random.Random(seed)
    width, length = rng.randint(3, 4), rng.randint(3, 5)
    pieces: list[Cells] = []
    for _ in range(rng.randint(2, 4)):
        if rng.random() < 0.6:
            w, h = rng.randint(1, width), rng.randint(1, 3)
            cells = {(x, y) for x in range(w) for y in range(h)}
        else:
            cells = {(0, 0)}
            while len(cells) < rng.randint(3, 5):
                x, y = rng.choice(sorted(cells))
                dx, dy = rng.choice([(1, 0), (-1, 0), (0, 1), (0, -1)])
                cells.add((x + dx, y + dy))
        if fits([frozenset(cells)], width, length):
            pieces.append(frozenset(cells))
    if not pieces:
        pieces.append(frozenset({(0, 0)}))
    copies = [1 if rng.random() < 0.8 else 2 for _ in pieces]
    demand = [rng.randint(1, 5) for _ in pieces]
    dies = [polyomino_die(f"d{k}", cells, n) for k, (cells, n) in enumerate(zip(pieces, copies, strict=True))]
    batch = batch_of(
        dies,
        [([f"d{k}"], ["red"], n) for k, n in enumerate(demand)],
        plate=(width * UNIT_MM, length * UNIT_MM),
        hand=Hand(gap_mm=0.0),
    )
    return batch, pieces, copies, demand, (width, length)
