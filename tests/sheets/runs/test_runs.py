"""Passes as runs: a run's rules, followed by hand, give back every pass of the plan."""

from __future__ import annotations

import pytest

from nestcut.batch.model import Hand, Machine, Paper
from nestcut.sheets.runs.runs import group_passes
from tests.shared import sheet_plans as plans


def runs_of(plan):
    return [run for group in group_passes(plan) for block in group.blocks for run in block.all_runs]


@pytest.mark.parametrize("make", [plans.evening, plans.under, plans.large, lambda: plans.long_run(400)])
def test_the_rules_give_back_every_pass(make):
    """Following start, step, and the order of scraps from the run alone, each paper lies where the plan has it."""
    plan = make()
    pieces = plan.pieces_of_paper()
    expected = {}
    for one in plan.passes:
        for paper in one.papers:
            box = paper.pose.apply(pieces[paper.scrap][1], flipped=paper.flipped).bounds
            expected[one.number, paper.scrap] = box[:2]
    told = {}
    for run in runs_of(plan):
        for lane in run.lanes:
            number, scraps, corner = run.first, list(lane.scraps), lane.box[:2]
            if lane.uneven:
                for feed in lane.feeds:
                    for k in range(feed.uses):
                        dx, dy = lane.step or (0.0, 0.0)
                        told[number + k, feed.scrap] = (feed.corner[0] + k * dx, feed.corner[1] + k * dy)
                    number += feed.uses
                assert number == run.last + 1
                continue
            for place, scrap in enumerate(scraps):
                if place:
                    corner = lane.start
                uses = lane.first_uses if place == 0 else lane.per_scrap
                uses = min(uses or run.last, run.last - number + 1)
                if len(scraps) == 1:
                    uses = run.count
                for k in range(uses):
                    dx, dy = lane.step or (0.0, 0.0)
                    told[number + k, scrap] = (corner[0] + k * dx, corner[1] + k * dy)
                number += uses
            assert number == run.last + 1
    assert told.keys() == expected.keys()
    for key, corner in expected.items():
        assert told[key] == pytest.approx(corner, abs=0.05), key


def test_runs_cover_all_passes_in_order():
    """No pass is left out or told twice, and a lay-up's group holds only its own passes."""
    plan = plans.evening()
    numbers = [k for run in runs_of(plan) for k in range(run.first, run.last + 1)]
    assert numbers == [one.number for one in plan.passes]
    layup_of = {one.number: one.layup for one in plan.passes}
    for run in runs_of(plan):
        assert {layup_of[k] for k in range(run.first, run.last + 1)} == {run.layup}


def chips(direction: str, turns: list[float]):
    """A square chip for each pass, cut from its scrap at these turns."""
    dies = plans.hedgerow()
    papers = (Paper("red", direction=direction),)
    book = plans.Book("chips", Machine((75.0, 75.0)), papers, tuple(dies.values()), Hand())
    book.layup("A", ("speedwell", 30, 30, 0))
    for k, deg in enumerate(turns):
        name = book.scrap(f"red-{k + 1}", "red", (24, 24))
        book.press("A", [(name, book.corner(name, 18, 18, deg))], {0: name})
    return book.finish(kits=1)


def test_chips_cut_at_any_turn_are_one_run():
    """Where paper has no direction, a square chip fits any way round: one run, and no arrow to follow."""
    run = runs_of(chips("none", [0, 90, 180, 270]))
    assert len(run) == 1
    assert run[0].lanes[0].any_turn


def test_chips_of_striped_paper_keep_their_turn():
    """Where the paper has a direction, the turn of every chip is told, never "any way round"."""
    (run,) = runs_of(chips("stripe", [0, 0, 180]))
    (lane,) = run.lanes
    assert lane.uneven
    assert not lane.any_turn
    assert [feed.deg % 360 for feed in lane.feeds] == [0, 0, 180]


def test_strips_of_several_lengths_are_one_run():
    """Strips pulled on by one step stay one run when some are shorter; each says where it begins and how long it lasts."""
    dies = plans.hedgerow()
    book = plans.Book("strips", Machine((75.0, 75.0)), plans.PAPERS, tuple(dies.values()), Hand())
    book.layup("A", ("speedwell", 30, 30, 0))
    for name, cuts in (("long", 3), ("short", 2), ("chip", 1)):
        scrap = book.scrap(name, "red", (24, 24 + 20 * (cuts - 1)))
        for step in range(cuts):
            book.press("A", [(scrap, book.corner(scrap, 18, 18 - 20 * (cuts - 1 - step)))], {0: scrap})
    (run,) = runs_of(book.finish(kits=1))
    (lane,) = run.lanes
    assert run.count == 6
    assert lane.step == (0.0, 20.0)
    assert [(feed.scrap, feed.uses, round(feed.corner[1])) for feed in lane.feeds] == [
        ("long", 3, -22),
        ("short", 2, -2),
        ("chip", 1, 18),
    ]


def test_steps_that_repeat_are_folded():
    """A B A B A B … is told as A B, so many times over."""
    dies = plans.hedgerow()
    book = plans.Book("fold", Machine((150.0, 100.0)), plans.PAPERS, tuple(dies.values()), Hand())
    book.layup("A", ("speedwell", 30, 30, 0), ("disc", 100, 30, 0))
    for k in range(20):
        paper, slot, x = (("red", 0, 15), ("rose", 1, 85))[k % 2]
        name = book.scrap(f"{paper}-{k}", paper, (30, 30))
        book.press("A", [(name, book.corner(name, x, 15))], {slot: name})
    (group,) = group_passes(book.finish(kits=1))
    folded = [(len(block.runs), block.times) for block in group.blocks]
    assert (2, 9) in folded or (2, 10) in folded
    assert sum(len(block.all_runs) for block in group.blocks) == 20


def test_a_lane_of_chips_and_strips_tells_every_turn():
    """Square chips fit any way round, but once a strip follows them each turn is told again."""
    dies = plans.hedgerow()
    book = plans.Book("mixed", Machine((75.0, 75.0)), (Paper("red"),), tuple(dies.values()), Hand())
    book.layup("A", ("speedwell", 30, 30, 0))
    for k, (size, deg) in enumerate([((24, 24), 0), ((24, 24), 90), ((24, 44), 180)]):
        name = book.scrap(f"red-{k + 1}", "red", size)
        book.press("A", [(name, book.corner(name, 18, 18, deg))], {0: name})
    (run,) = runs_of(book.finish(kits=1))
    (lane,) = run.lanes
    assert lane.uneven
    assert not lane.any_turn
    assert [feed.deg % 360 for feed in lane.feeds] == [0, 90, 180]
