"""In and out of the box, and back again."""

from __future__ import annotations

import os
import random
import sys
from pathlib import Path

import pytest
from shapely.geometry import LineString, Polygon
from shapely.geometry import box as rectangle

import nestcut
from nestcut import Box
from nestcut.batch.model import Die, Paper
from nestcut.box import usual_place
from nestcut.errors import BoxError
from tests.box.evenings import fill, snapshot

HOLED = Polygon([(10, 5), (110, 5), (90, 70.123456789), (10, 60)], [[(30, 20), (40, 20), (40, 33.3)]])
CAMPION = Die(
    "campion",
    rectangle(90, 90, 110, 110),
    rectangle(88, 88, 112, 112),
    2,
    (0.0, 180.0),
    2,
    (LineString([(95, 95), (100, 100)]),),
)


def test_scraps_get_the_next_free_tag(box: Box) -> None:
    """red-1, red-2, …, after the largest number that lies in the box; own tags stay, several alike are numbered."""
    assert [one.tag for one in box.add("red", (148, 105), count=2)] == ["red-1", "red-2"]
    assert [one.tag for one in box.add("red", (10, 20), tag="corner")] == ["corner"]
    assert [one.tag for one in box.add("blue", (10, 20), tag="red-7")] == ["red-7"]
    assert [one.tag for one in box.add("red", (10, 20))] == ["red-8"]
    assert [one.tag for one in box.add("red", (10, 20), tag="lid", count=2)] == ["lid-1", "lid-2"]
    assert [paper.name for paper in box.papers()] == ["blue", "red"]


def test_outlines_keep_every_digit(box: Box) -> None:
    """What comes out is what went in, moved so that its box begins at (0, 0)."""
    box.add("red", HOLED)
    (scrap,) = box.scraps()
    assert scrap.outline.bounds[:2] == (0.0, 0.0)
    assert scrap.outline.area == pytest.approx(HOLED.area, abs=1e-9)
    assert len(scrap.outline.interiors) == 1
    with Box(box.path) as again:
        assert again.scraps()[0].outline.equals_exact(scrap.outline, 0.0)


def test_dies_keep_all_that_is_known_of_them(box: Box) -> None:
    """Cut, rim, copies, turns, trips and marks; the rim's box is centred."""
    box.add_dies([CAMPION])
    (die,) = box.dies()
    assert (die.name, die.copies, die.turns, die.trips) == ("campion", 2, (0.0, 180.0), 2)
    assert die.rim.bounds == (-12, -12, 12, 12)
    assert die.cut.bounds == (-10, -10, 10, 10)
    assert [list(mark.coords) for mark in die.marks] == [[(-5, -5), (0, 0)]]
    with pytest.raises(BoxError, match="already"):
        box.add_dies([CAMPION])
    box.add_dies([Die("campion", CAMPION.cut, CAMPION.rim)], again=True)
    assert box.dies()[0].copies == 1
    box.take(dies=["campion"])
    assert box.dies() == ()


def test_every_action_is_undone_and_done_again(box: Box) -> None:
    """Back step by step to the empty box, and forth again, each time to the very same stock."""
    snaps = [snapshot(box)]
    for act in (
        lambda: box.add("red", (100, 50), count=3),
        lambda: box.set_paper(Paper("red", "#a4452c", "stripe", True)),
        lambda: box.take(["red-2"]),
        lambda: box.add_dies([CAMPION]),
        lambda: box.add("green", HOLED),
        lambda: box.take(["red-1", "red-3"], dies=["campion"]),
        lambda: box.take(papers=["red"]),
    ):
        act()
        snaps.append(snapshot(box))
    assert len({snap[-1].state for snap in snaps}) == len(snaps)
    for _ in range(2):
        for snap in snaps[-2::-1]:
            assert box.undo() is not None
            assert snapshot(box) == snap
        assert box.undo() is None
        for snap in snaps[1:]:
            assert box.redo() is not None
            assert snapshot(box) == snap
        assert box.redo() is None


def test_a_new_action_ends_what_could_be_done_again(box: Box) -> None:
    """After undo and another action there is nothing to redo, and undoing goes on from there."""
    box.add("red", (100, 50))
    box.add("red", (100, 60))
    box.undo()
    box.add("red", (100, 70))
    assert box.redo() is None
    assert [one.outline.bounds[3] for one in box.scraps()] == [50, 70]
    box.undo()
    box.undo()
    assert box.scraps() == ()
    assert [action.undone for action in box.actions()] == [True, True]


def test_random_actions_are_undone_in_any_mixture(box: Box) -> None:
    """Adding, taking, undoing and redoing at random: the stock is that of a plain list of snapshots."""
    rng = random.Random(5)
    past, future = [snapshot(box)], []
    for step in range(120):
        kind = rng.random()
        if kind < 0.3 and len(past) > 1:
            assert box.undo() is not None
            future.append(past.pop())
        elif kind < 0.45 and future:
            assert box.redo() is not None
            past.append(future.pop())
        else:
            tags = [one.tag for one in box.scraps()]
            if kind < 0.7 and tags:
                box.take(rng.sample(tags, min(len(tags), 2)))
            else:
                box.add(
                    rng.choice(["red", "green"]), (rng.uniform(1, 90), 5.0 + step), count=rng.randint(1, 3)
                )
            past.append(snapshot(box))
            future.clear()
        assert snapshot(box) == past[-1]


def test_nothing_is_changed_by_what_is_refused(box: Box) -> None:
    """A tag that is there, one that is not, a paper with scraps, shapes that can't be: each told, nothing changed, nothing to undo."""
    box.add("red", (100, 50), tag="lid")
    before = snapshot(box)
    for act, words in (
        (lambda: box.add("red", (1, 2), tag="lid"), "already"),
        (lambda: box.take(["lib"]), 'did you mean "lid"'),
        (lambda: box.take(["lid", "none"]), "no scrap"),
        (lambda: box.take(papers=["red"]), "scraps of the paper"),
        (lambda: box.add("red", (0, 50)), "no size"),
        (lambda: box.add("red", (float("nan"), 50)), "no size"),
        (lambda: box.add("red", (1, 50), count=0), "count"),
        (lambda: box.add(" red", (1, 50)), "begins or ends"),
        (lambda: box.add("red", (1, 50), tag="a\nb"), "hidden"),
        (lambda: box.add("red", Polygon([(0, 0), (9, 9), (9, 0), (0, 9)])), "clean"),
        (lambda: box.add("red", rectangle(0, 0, 20_000, 5)), "10 m"),
    ):
        with pytest.raises(BoxError) as caught:
            act()
        assert words in str(caught.value)
        assert caught.value.mend
    assert snapshot(box) == before
    assert len(box.actions()) == 1


def test_a_table_is_put_in(box: Box, tmp_path: Path) -> None:
    """Ids that are free stay; one that the box has gets another, and that is told."""
    (tmp_path / "corner.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="50mm" viewBox="0 0 60 50">'
        '<path d="M0 0H60L30 50H0Z"/></svg>',
        encoding="utf-8",
    )
    table = tmp_path / "scraps.csv"
    table.write_text(
        "paper,width,length,outline,count,id\nred,105,148,,2,\nred,,,corner.svg,,corner\n", encoding="utf-8"
    )
    box.add("red", (10, 10))
    put = box.add_table(table)
    assert [(one.asked, one.tag) for one in put] == [
        ("red-1", "red-3"),
        ("red-2", "red-2"),
        ("corner", "corner"),
    ]
    assert {one.source for one in box.scraps()} == {"by hand", "table scraps.csv"}
    assert box.scraps()[-1].outline.area == pytest.approx(60 * 50 - 30 * 50 / 2, abs=0.1)
    box.undo()
    assert [one.tag for one in box.scraps()] == ["red-1"]


def test_stock_is_what_a_batch_asks_for(box: Box) -> None:
    """Papers and dies by name, all of one moment, with the state that a plan notes."""
    fill(box, 8, random.Random(1))
    box.add_dies([CAMPION])
    stock = box.stock(["red", "gold"], ["leaf"])
    assert [paper.name for paper in stock.papers] == ["red"]
    assert {scrap.paper for scrap in stock.scraps} == {"red"}
    assert stock.dies == ()
    assert stock.box == box.state
    assert len(box.stock().scraps) == 8


def test_where_the_box_lies(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, usual_box: Path) -> None:
    """NESTCUT_BOX, else the platform's folder for data."""
    assert usual_place() == usual_box
    monkeypatch.delenv("NESTCUT_BOX")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setattr(sys, "platform", "linux")
    assert usual_place() == tmp_path / "data" / "nestcut" / "box.db"
    monkeypatch.setenv("XDG_DATA_HOME", "not/absolute")
    assert usual_place() == Path.home() / ".local" / "share" / "nestcut" / "box.db"
    monkeypatch.setattr(sys, "platform", "darwin")
    assert usual_place() == Path.home() / "Library" / "Application Support" / "nestcut" / "box.db"


def test_box_is_at_the_front_door(tmp_path: Path) -> None:
    """nestcut.Box makes the folders that it needs, and no file where it is only to be looked into."""
    with pytest.raises(BoxError, match="no box here yet"):
        nestcut.Box(tmp_path / "none" / "box.db", create=False)
    assert not (tmp_path / "none").exists()
    with nestcut.Box(tmp_path / "deep" / "er" / "box.db") as made:
        made.add("red", (1, 1))
    assert os.listdir(tmp_path / "deep" / "er") == ["box.db"]
