"""Parts that a paper trimmer makes: all where straight cuts can, nearly all where some stand in the way."""

from __future__ import annotations

import random

import pytest
from shapely.affinity import rotate
from shapely.geometry import Point, Polygon, box

from nestcut.batch.model import CardLine, Hand, Scrap
from nestcut.checks import check_plan
from nestcut.checks.rules.trimming import straight_cuts_make
from nestcut.passes import plan_batch
from nestcut.passes.parts.straight_cuts import parts_of_straight_cuts
from tests.shared.batches import batch_of, disc_die

PINWHEEL = [box(0, 0, 60, 30), box(60, 0, 90, 60), box(30, 60, 90, 90), box(0, 30, 30, 90)]


def halved(piece: Polygon, chance: random.Random, times: int) -> list[Polygon]:
    """The rectangles that come of cutting a rectangle straight through, again and again."""
    x0, y0, x1, y1 = piece.bounds
    if times == 0:
        return [piece]
    if chance.random() < 0.5:
        x = x0 + (x1 - x0) * chance.uniform(0.3, 0.7)
        halves = [box(x0, y0, x, y1), box(x, y0, x1, y1)]
    else:
        y = y0 + (y1 - y0) * chance.uniform(0.3, 0.7)
        halves = [box(x0, y0, x1, y), box(x0, y, x1, y1)]
    return [part for half in halves for part in halved(half, chance, times - 1)]


@pytest.mark.parametrize("seed", range(5))
def test_what_straight_cuts_made_is_kept_whole(seed: int) -> None:
    """Rectangles that come of straight cuts, some of them missing, the sheet askew: all of them can be made."""
    chance = random.Random(seed)
    sheet = box(0, 0, 148, 210)
    parts = [p for p in halved(sheet, chance, 4) if chance.random() < 0.8]
    parts = [rotate(part, 17.0 * seed, origin=(0, 0)) for part in parts]
    assert parts_of_straight_cuts(parts, [1.0] * len(parts)) == list(range(len(parts)))


def test_a_pinwheel_loses_the_part_that_is_worth_least() -> None:
    """No straight cut goes past all four: one must be given up, the least."""
    assert not straight_cuts_make(box(0, 0, 90, 90), PINWHEEL)
    assert parts_of_straight_cuts(PINWHEEL, [3.0, 2.0, 4.0, 5.0]) == [0, 2, 3]


def test_parts_with_dents_cannot_be_made() -> None:
    """A part that is not convex has a corner that no straight cut reaches."""
    dented = Polygon([(0, 0), (40, 0), (40, 20), (20, 10), (0, 20)])
    assert parts_of_straight_cuts([dented, box(50, 0, 60, 20)], [1.0, 1.0]) == [1]
    assert parts_of_straight_cuts([], []) == []


def test_dents_and_holes_that_the_scrap_has_may_stay() -> None:
    """The whole scrap, and what straight slits leave of it; not what leaves out more, or keeps less, than the slits do."""
    holed = box(0, 0, 90, 60).difference(box(20, 20, 50, 40)).difference(box(60, 50, 70, 60))
    left, right = holed.intersection(box(0, 0, 55, 60)), holed.intersection(box(55, 0, 90, 60))
    assert parts_of_straight_cuts([holed], [1.0], holed) == [0]
    assert parts_of_straight_cuts([left, right], [1.0, 1.0], holed) == [0, 1]
    assert parts_of_straight_cuts([left, right], [1.0, 1.0]) == []
    assert parts_of_straight_cuts([left, right.difference(box(80, 20, 85, 30))], [1.0, 1.0], holed) == [0]
    corner = box(55, 0, 90, 60).difference(box(55, 30, 72, 60))
    assert parts_of_straight_cuts([left, corner], [1.0, 1.0], holed) == [0]
    for parts in ([holed], [left, right]):
        assert straight_cuts_make(holed, parts)
    assert not straight_cuts_make(holed, [left, corner])


@pytest.mark.parametrize("seed", range(30))
def test_what_is_kept_of_scraps_with_holes_passes_the_checker(seed: int) -> None:
    """Rectangles on a scrap with holes and a corner cut off, cut down to it: all that is kept can be made."""
    chance = random.Random(seed)
    turn = chance.choice((0.0, 90.0, chance.uniform(0, 90)))
    scrap = box(0, 0, 148, 210).difference(Polygon([(100, 210), (148, 150), (148, 210)]))
    for _ in range(chance.randint(1, 4)):
        x, y = chance.uniform(5, 100), chance.uniform(5, 150)
        scrap = scrap.difference(box(x, y, x + chance.uniform(5, 40), y + chance.uniform(5, 40)))
    places = [p.intersection(scrap) for p in halved(box(0, 0, 148, 210), chance, 3) if chance.random() < 0.9]
    scrap = rotate(scrap, turn, origin=(0, 0))
    parts = [
        rotate(one, turn, origin=(0, 0)) for one in places if isinstance(one, Polygon) and not one.is_empty
    ]
    kept = parts_of_straight_cuts(parts, [part.area for part in parts], scrap)
    assert straight_cuts_make(scrap, [parts[k] for k in kept])
    if turn in (0.0, 90.0):
        assert len(kept) == len(parts)


@pytest.mark.parametrize("seed", range(8))
def test_the_checker_agrees_with_what_is_kept(seed: int) -> None:
    """Round parts scattered over a sheet: those that are kept pass the checker's own test."""
    chance = random.Random(seed)
    parts: list[Polygon] = []
    for _ in range(300):
        one = Point(chance.uniform(15, 135), chance.uniform(15, 195)).buffer(
            chance.uniform(6, 15), quad_segs=2
        )
        if len(parts) < 25 and all(one.disjoint(other) for other in parts):
            parts.append(one)
    kept = parts_of_straight_cuts(parts, [part.area for part in parts])
    assert len(kept) >= len(parts) / 2
    assert straight_cuts_make(box(0, 0, 150, 210), [parts[k] for k in kept])


@pytest.mark.parametrize(("across", "copies", "kits", "scraps"), [(16.0, 1, 12, 1), (11.0, 3, 60, 2)])
@pytest.mark.first(1)
def test_scraps_with_holes_are_planned_with_straight_trims(
    across: float, copies: int, kits: int, scraps: int
) -> None:
    """Strips beside a hole: their sides run along it, and the plan is no less sound for that."""
    outline = Polygon([(0, 0), (140, 0), (140, 70), (100, 100), (0, 100)])
    outline = outline.difference(box(20, 20, 50, 40)).difference(Point(90, 50).buffer(10))
    batch = batch_of(
        [disc_die("d", across, copies=copies)],
        [Scrap(f"red-{k}", "red", outline) for k in range(1, scraps + 1)],
        [CardLine(("d",), ("red",), 1)],
        kits=kits,
        plate=(150.0, 220.0),
        hand=Hand(edge_mm=0.0, trims="straight"),
    )
    plan = plan_batch(batch, seconds=600, work_limit=8)
    assert check_plan(plan).ok
    assert not any("thrown away" in note for note in plan.notes)
    assert plan.complete
