"""Disproofs by relative places: never of what fits, more than area and stacking settle, and proved again by the checker."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, translate
from shapely.geometry import MultiPoint, Point, Polygon, box
from shapely.ops import unary_union

from nestcut.checks.measures.safe_side import shrunk
from nestcut.checks.measures.turns import ALL_TURNS, SLACK_DEG
from nestcut.checks.proof.relative import places_cannot_fit
from nestcut.checks.proof.turning import Opponent
from nestcut.passes.disproofs.inner_parts import inner_parts
from nestcut.passes.disproofs.relative import EFFORTS, Relative
from nestcut.passes.disproofs.stacking import Stacker
from nestcut.passes.plate.disproof import Disprover
from nestcut.passes.plate.footprints import window_ticks
from nestcut.passes.plate.pack import Packer
from nestcut.passes.plate.patterns import PatternBook
from tests.benchmarks.passes_classes import GAP_MM, blossom, leaf
from tests.benchmarks.sets import random_set
from tests.shared.polyominoes import Cells, fits

DISC = Point(0, 0).buffer(20.0, quad_segs=32)
# Side of the smallest square for n unit circles: E. Specht's table "Circles in a square"; times 20 mm.
SMALLEST = {2: 68.284, 3: 78.637, 4: 80.0}
TOLERANCE_MM = 1e-6


def checked(rims: Sequence[Polygon], turns, window: Polygon, gap: float, proof) -> str | None:
    """What the checker says of a proof: None if it holds."""
    angles = ALL_TURNS if turns == "any" else tuple((t - SLACK_DEG, t + SLACK_DEG) for t in turns)
    opponents = [Opponent(shrunk(rim, TOLERANCE_MM), angles) for rim in rims]
    width, length = window.bounds[2] + 2 * TOLERANCE_MM, window.bounds[3] + 2 * TOLERANCE_MM
    return places_cannot_fit(opponents, width, length, max(0.0, gap - 2 * TOLERANCE_MM), proof)


def jigsaw(seed: int) -> tuple[list[Polygon], Polygon]:
    """A plate cut into pieces without any waste, each turned anyhow: cells of points, one pair of them joined."""
    chance = random.Random(seed)
    plate = box(0, 0, chance.choice([60, 75, 110]), 100)
    points = [
        (chance.uniform(0, plate.bounds[2]), chance.uniform(0, 100)) for _ in range(chance.randint(3, 5))
    ]
    cells = shapely.get_parts(shapely.voronoi_polygons(MultiPoint(points), extend_to=plate.buffer(50)))
    pieces = [cell.intersection(plate) for cell in cells]
    for i, j in itertools.combinations(range(len(pieces)), 2):
        if pieces[i].intersection(pieces[j]).length > 5:
            joined = pieces[i].union(pieces[j])  # not convex, as a rule
            pieces = [p for n, p in enumerate(pieces) if n not in (i, j)] + [joined]
            break
    turned = [rotate(piece, chance.uniform(0, 360)) for piece in pieces]
    return [translate(p, chance.uniform(-9, 9), chance.uniform(-9, 9)) for p in turned], plate


@pytest.mark.parametrize(("count", "side"), [(2, 67.5), (3, 77.0)])
def test_too_many_discs_are_disproved(count, side):
    """A mm or two below the smallest square the disproof succeeds, and the checker finds it right."""
    window = box(0, 0, side, side)
    proof = Relative([DISC], ["any"], window, 0.0).disprove([0] * count, EFFORTS[1])
    assert proof is not None
    assert proof["by"] == "relative"
    assert checked([DISC] * count, "any", window, 0.0, proof) is None
    # The same splits prove nothing where they fit.
    roomy = box(0, 0, SMALLEST[count] + 0.2, SMALLEST[count] + 0.2)
    assert checked([DISC] * count, "any", roomy, 0.0, proof) is not None


@pytest.mark.parametrize("count", [2, 3, 4])
def test_discs_that_fit_are_never_disproved(count):
    """From the smallest square on, nothing is disproved. (The drawn disc lies inside the true one.)"""
    side = SMALLEST[count] + 1e-3
    for effort in EFFORTS[:3]:
        assert Relative([DISC], ["any"], box(0, 0, side, side), 0.0).disprove([0] * count, effort) is None


@pytest.mark.parametrize("seed", range(6))
def test_a_plate_cut_into_pieces_is_never_disproved(seed):
    """The sharpest witness there is: not a hair of waste, convex and other pieces, free turns, no gap."""
    pieces, plate = jigsaw(seed)
    relative = Relative(pieces, ["any"] * len(pieces), plate, 0.0)
    for dies in (range(len(pieces)), range(len(pieces) - 1)):
        for effort in EFFORTS[:2]:
            assert relative.disprove(list(dies), effort) is None


@pytest.mark.parametrize("seed", range(3))
def test_the_checker_believes_no_made_up_proof(seed):
    """Any splits at all, of a plate cut into pieces: the cases cover every layout, so one stays open."""
    pieces, plate = jigsaw(seed)
    chance = random.Random(seed)

    def tree(depth: int) -> str:
        if depth == 0 or chance.random() < 0.2:
            return "."
        n = len(pieces)
        word = chance.choice(["abcdefg"[:n], "ABCDEFG"[:n], "hijklmnopqrstuvwxyzHI"[: n * (n - 1) // 2]])
        letter = chance.choice(word)
        column = str(chance.randint(0, 200)) if letter in "ABCDEFG" else ""
        return letter + column + tree(depth - 1) + tree(depth - 1)

    proof = {"by": "relative", "step_mm": 0.5, "folds": [1] * len(pieces), "splits": tree(4)}
    assert checked(pieces, "any", plate, 0.0, proof) is not None


def polyomino(chance: random.Random) -> Cells:
    cells = {(0, 0)}
    while len(cells) < chance.randint(3, 6):
        x, y = chance.choice(sorted(cells))
        dx, dy = chance.choice([(1, 0), (-1, 0), (0, 1), (0, -1)])
        cells.add((x + dx, y + dy))
    return frozenset(cells)


@pytest.mark.thorough
def test_polyominoes_against_the_oracle():
    """Sets that fill most of a plate, quarter turns: none that fits is disproved; of the others many are."""
    chance = random.Random(5)
    turns = (0.0, 90.0, 180.0, 270.0)
    proved = hopeless = 0
    for _ in range(150):
        width, length = chance.choice([(3, 4), (3, 5), (4, 4), (4, 5)])
        cells: list[Cells] = []
        while sum(map(len, cells)) < 0.72 * width * length:
            cells.append(polyomino(chance))
        rims = [unary_union([box(10 * x, 10 * y, 10 * x + 10, 10 * y + 10) for x, y in own]) for own in cells]
        if sum(map(len, cells)) > width * length or len(cells) > 5 or any(rim.interiors for rim in rims):
            continue
        window = box(0, 0, 10.0 * width, 10.0 * length)
        found = Relative(rims, [turns] * len(rims), window, 0.0).disprove(range(len(rims)), EFFORTS[0])
        if fits(cells, width, length):
            assert found is None
        else:
            hopeless += 1
            proved += found is not None
    assert hopeless > 12
    assert proved > 0.3 * hopeless


def test_the_gap_counts():
    """Two 48 × 48 mm squares, square to the plate, lie in 100 mm with a gap of 4, not with one of 6."""
    square = box(-24, -24, 24, 24)
    for gap, lie in ((3.9, True), (6.0, False)):
        relative = Relative([square], [(0.0, 90.0)], box(0, 0, 60, 100), gap)
        assert (relative.disprove([0, 0], EFFORTS[0]) is None) == lie


@pytest.mark.thorough
def test_what_area_and_stacking_leave_open():
    """The three largest dies of set 76: 60 % of the plate, no layout, and no disproof by stacking in its usual limits."""
    window = box(0, 0, 75, 150)
    dies = random_set(random.Random("set 76"), 6, window)
    assert dies is not None
    kept = sorted(dies, key=lambda die: -die.area_ticks)[:3]
    rims = [die.rim for die in kept]
    assert sum(die.area_ticks for die in kept) < 0.62 * window_ticks(window, GAP_MM)
    stacker = Stacker(rims, ["any"] * 3, window, GAP_MM)
    assert stacker.disprove((0, 1, 2), levels=3, budget=200_000, work=4e7) is None
    book = PatternBook(3)
    assert Disprover(kept, window, GAP_MM, book).disprove((1, 1, 1), 1)
    (proof,) = book.disproofs.values()
    assert proof["by"] == "relative"
    order = [next(die.rim for die in kept if die.name == name) for name in proof["order"]]
    assert checked(order, "any", window, GAP_MM, proof) is None
    # On a longer plate a layout is found, nothing is disproved, and the proof for the shorter one is refused.
    longer = box(0, 0, 75, 165)
    assert Packer(kept, longer, GAP_MM).try_set((1, 1, 1), 3) is not None
    assert Relative(rims, ["any"] * 3, longer, GAP_MM).disprove((0, 1, 2), EFFORTS[1]) is None
    assert checked(order, "any", longer, GAP_MM, proof) is not None


def test_broken_proofs_are_refused():
    """Cut short, gone on, misnumbered, unreadable: each is refused in words."""
    window = box(0, 0, 60, 60)
    proof = dict(Relative([DISC], ["any"], window, 0.0).disprove([0, 0], EFFORTS[0]))
    assert checked([DISC] * 2, "any", window, 0.0, proof) is None
    for change in (
        {"splits": proof["splits"] + "."},
        {"splits": "a" + proof["splits"]},
        {"splits": "d.."},
        {"splits": "I.."},
        {"splits": "?"},
        {"splits": ""},
        {"splits": None},
        {"step_mm": 0},
        {"step_mm": "1"},
        {"step_mm": True},
        {"folds": [1]},
        {"folds": [1, 0]},
        {"folds": [1, 10**9]},
        {"folds": "11"},
    ):
        assert isinstance(checked([DISC] * 2, "any", window, 0.0, proof | change), str), change


@pytest.mark.parametrize(
    "shape", [blossom(5, 40.0, 0.25), blossom(9, 60.0, 0.2), leaf(50.0, 0.4), box(0, 0, 9, 4)]
)
def test_inner_parts_lie_inside_and_nearly_fill(shape):
    parts = inner_parts(shape)
    assert len(parts) <= 12
    for part in parts:
        assert part.convex_hull.area - part.area < 1e-6
        assert part.difference(shape.buffer(1e-6)).is_empty
    assert unary_union(parts).area > 0.95 * shape.area
    assert np.isfinite(shapely.get_coordinates(parts)).all()


def test_a_proof_goes_on_where_it_paused_and_ends_when_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same tree however often it is asked whether to go on; nothing is said of what was not looked at."""
    window = box(0, 0, 75, 150)
    dies = random_set(random.Random("set 33"), 5, window)
    assert dies is not None
    about = ([die.rim for die in dies], [die.bound_turns for die in dies], window, GAP_MM)
    answer, tree, tried = Relative(*about).refute((0, 1, 2, 3), EFFORTS[0])
    assert tried > 100
    asked = 0

    def go_on() -> bool:
        nonlocal asked
        asked += 1
        return False

    monkeypatch.setattr("nestcut.passes.disproofs.relative.STEPS", 50)
    again, same, as_many = Relative(*about).refute((0, 1, 2, 3), EFFORTS[0], stop=go_on)
    assert (again, as_many) == (answer, tried)
    assert np.array_equal(tree, same)
    assert asked >= tried // 100
    assert Relative(*about).disprove((0, 1, 2, 3), EFFORTS[0], stop=lambda: True) is None
