"""nestcut box …, and a batch that says box = true."""

from __future__ import annotations

import json
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner, Result

import nestcut
from nestcut import Box
from nestcut.batch import read_batch as read_without_box
from nestcut.cli import app
from nestcut.errors import BatchError, BoxError, NestcutError
from nestcut.plans import read_plan
from tests.box.evenings import snapshot
from tests.shared.small_job import BATCH, SQUARE, SVG

HEAD, _, REST = BATCH.partition("[papers.red]")
CARDS = REST[REST.index("[[cards]]") :]
FROM_BOX = "box = true\n" + HEAD + CARDS


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A batch that takes all from the usual box, and a drawing of a die and of a scrap; also the working folder."""
    (tmp_path / "batch.toml").write_text(FROM_BOX, encoding="utf-8")
    (tmp_path / "leaf.svg").write_text(SQUARE, encoding="utf-8")
    (tmp_path / "corner.svg").write_text(
        SVG.format(w=60, h=50, inner='<path d="M0 0H60L30 50H0Z"/>'), encoding="utf-8"
    )
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*words: str, code: int = 0) -> Result:
    """Run a command of the box."""
    result = CliRunner().invoke(app, ["box", *words])
    assert result.exit_code == code, result.output
    return result


def test_a_box_is_filled_listed_and_emptied(folder: Path, usual_box: Path) -> None:
    """By size, by name of a sheet, in inches, by outline, from a table; listed; taken out; undone and done again."""
    assert "no box here yet" in run("list", code=2).output
    assert not usual_box.exists()
    assert "red-1, red-2, red-3" in run("add", "red", "148x105", "--count", "3").output
    run("add", "red", "A5", "--tag", "folder")
    run("add", "blue", "4 in x 6 in")
    run("add", "blue", "4x6", "--units", "in")
    run("add", "blue", "--outline", "corner.svg")
    (folder / "more.csv").write_text(
        "paper,width,length,id\ngreen,50,60,\nred,50,60,red-1\n", encoding="utf-8"
    )
    told = run("add", "--table", "more.csv").output
    assert "red-1 is red-4" in told
    run("die", "leaf.svg", "--copies", "2", "--turns", "0,180")
    run("paper", "red", "--swatch", "#a4452c", "--direction", "stripe")
    listed = run("list").output
    for words in ("red: 5 scraps", "148 × 105 mm", "101.6 × 152.4 mm", "not a rectangle", "leaf", "sharp"):
        assert words in listed
    data = json.loads(run("list", "--json", "--paper", "red").stdout)
    assert [one["tag"] for one in data["scraps"]] == ["red-1", "red-2", "red-3", "folder", "red-4"]
    assert data["papers"] == [
        {"name": "red", "swatch": "#a4452c", "direction": "stripe", "both_sides": False}
    ]
    assert data["dies"][0]["copies"] == 2
    run("take", "red-2", "folder", "--die", "leaf")
    assert "red: 3 scraps" in run("list").output
    assert "took out" in run("undo").output
    assert "red: 5 scraps" in run("list").output
    assert "took out" in run("redo").output
    assert "took out 2 scraps, 1 die" in run("history").output
    run("export", "all.json")
    run("import", "all.json", "--box", "other.db")
    assert run("list", "--json").stdout.replace(str(usual_box), "") == run(
        "list", "--json", "--box", "other.db"
    ).stdout.replace("other.db", "")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["add"], "not clear"),
        (["add", "red"], "not clear"),
        (["add", "red", "A5", "--outline", "corner.svg"], "not clear"),
        (["add", "red", "A5", "--table", "x.csv"], "not clear"),
        (["add", "red", "5"], "no size"),
        (["add", "red", "5x"], "not a length"),
        (["add", "red", "5x5", "--units", "cm"], "no unit"),
        (["add", "red", "--outline", "none.svg"], "no such file"),
        (["paper", "red", "--swatch", "red"], "no colour"),
        (["paper", "red", "--direction", "down"], "no direction"),
        (["die", "leaf.svg", "corner.svg", "--name", "x"], "one name"),
        (["die", "leaf.svg", "--turns", "left"], "turns"),
        (["take"], "nothing is named"),
        (["take", "red-9"], "no scrap"),
        (["tags", "--paper", "gold"], "no such scrap"),
        (["tags", "--out", "tags.pdf"], "svg"),
        (["tags", "--out", "leaf.svg"], "left alone"),
        (["export", "leaf.svg"], "left alone"),
        (["import", "leaf.svg"], "not JSON"),
        (["after", "none"], "no such file"),
    ],
)
def test_slips_are_told(folder: Path, words: list[str], told: str) -> None:
    """What is wrong and how to mend it; nothing is changed."""
    run("add", "red", "A5")
    before = run("list").output
    output = run(*words, code=2).output
    assert told in output
    assert "To mend" in output
    assert run("list").output == before
    assert (folder / "leaf.svg").read_text(encoding="utf-8") == SQUARE


def test_tags_fill_pages(folder: Path) -> None:
    """Each scrap has its tag with id, paper, size and picture; 27 on a page; written anew, but over nothing else."""
    run("add", "red", "100x50", "--count", "27")
    run("add", "blue", "--outline", "corner.svg", "--tag", "corner")
    for _ in range(2):
        assert "28 tags: tags.svg, tags-2.svg" in run("tags").output
    pages = [ElementTree.parse(folder / name).getroot() for name in ("tags.svg", "tags-2.svg")]
    found = [
        [text.text for text in group.iter("{http://www.w3.org/2000/svg}text")]
        for page in pages
        for group in page.iter("{http://www.w3.org/2000/svg}g")
        if group.get("class") == "tag"
    ]
    assert [one[0] for one in found] == [*(f"red-{k}" for k in range(1, 28)), "corner"]
    assert found[0][1:3] == ["red", "100 × 50 mm"]
    assert found[-1][1:3] == ["blue", "60 × 50 mm"]
    width, height = (float(pages[0].get(key, "").removesuffix("mm")) for key in ("width", "height"))
    points = [
        float(value)
        for page in pages
        for path in page.iter("{http://www.w3.org/2000/svg}path")
        for value in re.findall(r"[\d.]+", path.get("d", ""))
    ]
    assert max(points) <= max(width, height)
    assert run("tags", "--tag", "corner", "--out", "one.svg").output.startswith("1 tag:")


def test_an_evening_from_the_box(folder: Path, usual_box: Path) -> None:
    """Planned from the box, cut, put back; the next evening is planned from what is left."""
    run("add", "red", "100x100", "--count", "2")
    run("add", "blue", "A4")
    run("die", "leaf.svg")
    begin = CliRunner().invoke(app, ["plan", "batch.toml", "--out", "out", "--seconds", "5"])
    assert begin.exit_code == 0, begin.output
    assert "Scraps and dies are those of the box" in begin.output
    plan = read_plan(folder / "out" / "plan.json")
    assert {scrap.paper for scrap in plan.scraps} == {"red"}
    with Box(usual_box) as box:
        assert plan.extras["box"] == {"id": box.state.id, "state": box.state.state}
    assert str(usual_box) not in (folder / "out" / "plan.json").read_text(encoding="utf-8")
    run("add", "red", "30x30")
    # The folder holds a plan that was not put back, and the box is another by now.
    second = CliRunner().invoke(app, ["plan", "batch.toml", "--out", "out", "--seconds", "5"])
    assert second.exit_code == 0, second.output
    assert "not put back, and the box was changed since" in second.output
    run("add", "blue", "30x30")
    with Box(usual_box) as box:
        before = snapshot(box)
    told = run("after", "out").output
    assert "changed after this plan was made" in told
    assert "Taken out, used: red-" in told
    with Box(usual_box) as box:
        assert sum(one.outline.area for one in box.scraps(["red"])) <= 2 * 100 * 100 + 30 * 30 - 2 * 20 * 20
        assert len(box.evenings()) == 1
        after = snapshot(box)
    assert "put back already" in run("after", "out/plan.json").output
    with Box(usual_box) as box:
        assert snapshot(box)[0] == after[0]
    third = CliRunner().invoke(app, ["plan", "batch.toml", "--out", "out", "--seconds", "5"])
    assert third.exit_code == 0, third.output
    assert "not put back" not in third.output
    run("undo")
    with Box(usual_box) as box:
        assert snapshot(box) == before


def test_a_batch_and_its_box(folder: Path, usual_box: Path) -> None:
    """What the batch asks for comes from the box; papers and dies of its own may be added, other scraps not."""
    with Box("stock.db") as box:
        box.add("red", (100, 100))
        box.add("blue", (100, 100))
    text = FROM_BOX.replace("box = true", 'box = "stock.db"')
    (folder / "batch.toml").write_text(text + '[dies.leaf]\noutline = "leaf.svg"\n', encoding="utf-8")
    batch = nestcut.read(folder / "batch.toml")
    assert [scrap.id for scrap in batch.scraps] == ["red-1"]
    assert [paper.name for paper in batch.papers] == ["red"]
    assert batch.box is not None
    with pytest.raises(BatchError, match=r"nestcut\.read"):
        read_without_box(folder / "batch.toml")
    for more, words in (
        ('[[scraps]]\npaper = "red"\nsize = "A5"\n', "lists scraps as well"),
        ("[papers.red]\n", "in the batch and in the box"),
    ):
        (folder / "batch.toml").write_text(
            text + '[dies.leaf]\noutline = "leaf.svg"\n' + more, encoding="utf-8"
        )
        with pytest.raises(BatchError, match=words):
            nestcut.read(folder / "batch.toml")
    (folder / "batch.toml").write_text(text, encoding="utf-8")
    with pytest.raises(BatchError, match="put it into the box"):
        nestcut.read(folder / "batch.toml")
    (folder / "batch.toml").write_text(text.replace('"stock.db"', "3"), encoding="utf-8")
    with pytest.raises(BatchError, match="names no box"):
        nestcut.read(folder / "batch.toml")
    (folder / "batch.toml").write_text(FROM_BOX, encoding="utf-8")
    with pytest.raises(NestcutError, match="no box here yet") as caught:
        nestcut.read(folder / "batch.toml")
    assert isinstance(caught.value, (BoxError, BatchError))
    (folder / "batch.toml").write_text(BATCH, encoding="utf-8")
    assert nestcut.read(folder / "batch.toml").box is None


def test_a_plan_of_another_box_says_so(folder: Path) -> None:
    """And a box that is not there is not made for it."""
    run("add", "red", "100x100", "--count", "2")
    run("die", "leaf.svg")
    assert CliRunner().invoke(app, ["plan", "batch.toml", "--out", "out", "--seconds", "5"]).exit_code == 0
    assert "no box here yet" in run("after", "out", "--box", "slip.db", code=2).output
    assert not (folder / "slip.db").exists()
    run("add", "red", "100x100", "--box", "other.db")
    assert "another box" in run("after", "out", "--box", "other.db", code=2).output
