"""Strips cut out of scraps: apart, inside, none forgotten, and more of them where several orders are tried."""

from __future__ import annotations

import itertools
import random

import pytest
from shapely.geometry import Polygon, box

from nestcut.batch.model import Scrap
from nestcut.passes.common.budget import Budget
from nestcut.passes.makers.strips.strip_cutting import SlotCuts, cut_strips, strips_of
from nestcut.passes.makers.strips.strip_forms import strip_forms
from nestcut.passes.makers.strips.strip_sheets import Pile, Piles, StripSheet


def job(number: int, cut_mm: tuple[float, float], count: int, columns: int = 2) -> SlotCuts:
    forms = strip_forms(
        cut_mm=cut_mm,
        web_mm=2.5,
        edge_mm=2.0,
        columns=columns,
        inward_mm=60.0,
        outward_mm=150.0,
        half_turn=True,
    )
    return SlotCuts((0, number), tuple((form, turn) for form in forms for turn in (0.0, 90.0)), count)


@pytest.mark.parametrize("seed", range(4))
def test_strips_lie_inside_and_apart_and_every_cut_is_made_or_missed(seed: int) -> None:
    """Rectangles and a scrap with a notch, more asked than they hold."""
    chance = random.Random(seed)
    notched = Polygon([(0, 0), (100, 0), (100, 60), (60, 60), (60, 100), (0, 100)])
    scraps = [
        Scrap("a", "red", box(0, 0, chance.randint(60, 148), chance.randint(60, 210))),
        Scrap("b", "red", notched),
    ]
    jobs = [job(k, (chance.uniform(10, 40), chance.uniform(10, 40)), chance.randint(5, 30)) for k in range(5)]
    made, lost, _ = cut_strips(Piles.fresh(scraps), jobs, Budget(seed=seed), tries=6)
    for one in jobs:
        assert sum(strip.cuts for strip in strips_of(made[one.key])) + lost.get(one.key, 0) == one.count
    for scrap in scraps:
        own = [
            strip.outline for rows in made.values() for strip in strips_of(rows) if strip.scrap == scrap.id
        ]
        assert own
        assert all(scrap.outline.buffer(1e-6).covers(outline) for outline in own)
        assert all(a.intersection(b).area < 1e-6 for a, b in itertools.combinations(own, 2))


def test_several_orders_find_room_where_the_first_does_not() -> None:
    """Widest strips first leave no room for the long ones; another order does."""
    better = 0
    for seed in range(6):
        chance = random.Random(seed)
        scraps = [Scrap(f"s{k}", "red", box(0, 0, 74, 105)) for k in range(4)]
        jobs = [job(k, (chance.uniform(10, 30), chance.uniform(10, 30)), 14) for k in range(4)]
        once = sum(cut_strips(Piles.fresh(scraps), jobs, tries=1).lost.values())
        often = sum(cut_strips(Piles.fresh(scraps), jobs, tries=16).lost.values())
        better += often < once
    assert better >= 2


def test_one_large_strip_serves_many_cuts() -> None:
    """Where there is room for it, nothing smaller is cut."""
    made, lost, _ = cut_strips(
        Piles.fresh([Scrap("a", "red", box(0, 0, 148, 210))]), [job(0, (20.0, 20.0), 6)], tries=1
    )
    assert not lost
    assert [strip.cuts for strip in strips_of(made[0, 0])] == [6]


def one_by_one(scraps: list[Scrap]) -> Piles:
    """The scraps in the order of the piles, each looked at on its own."""
    return Piles(
        [Pile([scrap], StripSheet.fresh(scrap)) for pile in Piles.fresh(scraps) for scrap in pile.scraps]
    )


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("tries", [1, 5])
def test_equal_scraps_counted_once_are_cut_as_one_by_one(seed: int, tries: int) -> None:
    """Piles only count: strip by strip the same as where every scrap is looked at."""
    chance = random.Random(seed)
    bell = Polygon([(0, 0), (90, 0), (70, 110), (20, 110)])
    kinds = [box(0, 0, chance.randint(40, 148), chance.randint(40, 210)) for _ in range(3)] + [bell]
    scraps = [Scrap(f"s{k}", "red", kind) for k, kind in enumerate(kinds * chance.randint(2, 5))]
    jobs = [job(k, (chance.uniform(10, 40), chance.uniform(10, 40)), chance.randint(5, 60)) for k in range(4)]
    piled, lost, _ = cut_strips(Piles.fresh(scraps), jobs, Budget(seed=seed), tries=tries)
    alone, missed, _ = cut_strips(one_by_one(scraps), jobs, Budget(seed=seed), tries=tries)
    assert lost == missed
    for one in jobs:
        assert list(strips_of(piled[one.key])) == list(strips_of(alone[one.key]))


def test_a_hundred_times_as_many_take_hardly_more_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looking for places is what takes time; it must not grow with the kits."""
    looks = 0
    place = StripSheet.place

    def counted(self: StripSheet, width: float, height: float, snug: bool) -> object:
        nonlocal looks
        looks += 1
        return place(self, width, height, snug)

    monkeypatch.setattr(StripSheet, "place", counted)
    taken = []
    for many in (2, 200):
        looks = 0
        scraps = [Scrap(f"a{k}", "red", box(0, 0, 148, 210)) for k in range(3 * many)]
        scraps += [Scrap(f"b{k}", "red", box(0, 0, 105, 90)) for k in range(2 * many)]
        jobs = [job(k, (17.0 + 6 * k, 31.0 - 5 * k), 12 * many) for k in range(4)]
        assert not cut_strips(Piles.fresh(scraps), jobs, tries=2).lost
        taken.append(looks)
    assert 0 < taken[1] < 3 * taken[0]
