"""Back into the box: the sheet names all of it, and the next batch reads box.csv as stock, without a change."""

from __future__ import annotations

import csv
import io
import re

import pytest
from shapely.geometry import Point

from nestcut.batch import read_batch, read_scraps_csv
from nestcut.batch.model import Hand, Machine, Paper
from nestcut.sheets import render_sheets, write_sheets
from tests.shared import sheet_plans as plans
from tests.sheets.html import Page


@pytest.mark.parametrize("make", [plans.trimmed, plans.evening, plans.two_lanes])
def test_the_sheet_names_every_piece_of_the_table(make):
    """Each id of box.csv stands under "Back into the box", or in a span of alike ones; so does each largest rectangle."""
    page = Page(render_sheets(make())["run-sheet.html"]).words
    told = page[page.index("Back into the box") :].replace("\u00a0", " ")
    for row in csv.DictReader(io.StringIO(render_sheets(make())["box.csv"])):
        name = row["id"] if int(row["count"]) == 1 else f"{row['id']}-1"
        # Alike ones stand as "red-1a to red-1d": then its neighbours' stem is there.
        assert name in told or re.sub(r"(\d+|[a-z])$", "", name) in told, name
        if row["width"]:
            sides = [float(row[key].removesuffix(" mm")) for key in ("width", "length")]
            assert f"{int(sides[0] + 0.01)} × {int(sides[1] + 0.01)} mm" in told


def test_offcuts_are_named_where_they_are_cut():
    """The trims say which offcuts to keep, with their ids."""
    words = Page(render_sheets(plans.trimmed())["run-sheet.html"]).words.replace("\u00a0", " ")
    assert "Keep: 205 × 160 mm (sheet-off)." in words
    assert "150 × 30 mm (twin-1-off-1, twin-1-off-2)" in words


# ---------------------------------------------------------------------- the next batch

NEXT = """
title = "next"
scraps_csv = "out/box.csv"
[machine]
plate = [150, 220]
{papers}
[dies.disc]
circle = 12
[[cards]]
name = "card"
pieces = [{{ die = "disc", paper = "{paper}", count = 1 }}]
"""


@pytest.mark.parametrize("make", [plans.trimmed, plans.evening])
def test_the_next_batch_reads_the_box_without_a_change(make, tmp_path):
    """Every piece comes back with its id, paper and outline, from a folder below the batch."""
    plan = make()
    write_sheets(plan, tmp_path / "out")
    papers = "\n".join(f'[papers."{paper.name}"]' for paper in plan.papers)
    (tmp_path / "next.toml").write_text(
        NEXT.format(papers=papers, paper=plan.papers[0].name), encoding="utf-8"
    )
    batch = read_batch(tmp_path / "next.toml")
    from nestcut.plans.leftovers import leftovers

    wanted = {name: (one.paper, one.outline) for one in leftovers(plan).kept for name in one.ids}
    assert {scrap.id for scrap in batch.scraps} == wanted.keys()
    for scrap in batch.scraps:
        paper, outline = wanted[scrap.id]
        assert scrap.paper == paper
        assert scrap.outline.symmetric_difference(outline).area < 0.003 * outline.length, scrap.id
        assert outline.buffer(2e-3).covers(scrap.outline)
    total = sum(scrap.outline.area for scrap in batch.scraps)
    assert total == pytest.approx(sum(outline.area for _, outline in wanted.values()), rel=1e-4)
    assert not [note for note in batch.notes if "size" in note or "ignored" in note]


def test_names_that_look_like_formulas_come_back_as_they_are(tmp_path):
    """Papers and ids that a spreadsheet would calculate with are marked in the table, and read without the mark."""
    dot = plans.die("dot", Point(0, 0).buffer(7, quad_segs=16))
    odd = ("=SUM(A1)", "-red", "@rose", "+1, or so", '"quoted", and more')
    book = plans.Book("odd", Machine((150.0, 220.0)), tuple(Paper(name) for name in odd), (dot,), Hand())
    for name in odd:
        book.scrap(f"{name} 1", name, (50, 40))
    book.layup("A", ("dot", 30, 30, 0))
    book.press("A", [("-red 1", book.corner("-red 1", 15, 15))], {0: "-red 1"})
    write_sheets(book.finish(kits=1), tmp_path)
    text = (tmp_path / "box.csv").read_text(encoding="utf-8")
    assert not re.search(r'^"?[=+@-]', text, re.M)
    assert {(one.paper, one.id) for one in read_scraps_csv(tmp_path / "box.csv")} == {
        (name, f"{name} 1") for name in odd
    }


def test_an_older_box_goes_when_the_sheets_are_written_anew(tmp_path):
    """Outlines of the plan before are removed; a drawing that somebody put beside them stays."""
    write_sheets(plans.trimmed(), tmp_path)
    assert list((tmp_path / "box").glob("*.svg"))
    (tmp_path / "box" / "mine.svg").write_text("<svg xmlns='http://www.w3.org/2000/svg'/>", encoding="utf-8")
    write_sheets(plans.two_lanes(), tmp_path)
    named_now = {row["outline"] for row in csv.DictReader((tmp_path / "box.csv").open(encoding="utf-8"))}
    there = {f"box/{path.name}" for path in (tmp_path / "box").glob("*.svg")}
    assert there - {"box/mine.svg"} == named_now - {""}
    assert "box/mine.svg" in there
