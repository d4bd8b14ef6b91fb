"""Files: names, wholeness, tables, trims, contact sheets, filled scraps, and true size in print."""

from __future__ import annotations

import csv
import io
import re
import shutil
import subprocess
from dataclasses import replace

import pytest
from shapely.geometry import Point, box

from nestcut.batch.model import Pose
from nestcut.errors import OutputError
from nestcut.sheets import contact_sheet, fill_sheet, render_sheets, write_sheets
from nestcut.sheets.drawings.tables import clock_words
from nestcut.sheets.drawings.trimming import straight_cuts
from nestcut.sheets.drawings.words import file_stem, id_list, number, paper_codes, plain
from nestcut.sheets.page.tables_csv import pieces_csv
from tests.shared import sheet_plans as plans
from tests.sheets import svg


def test_files_are_written_whole_and_nothing_else(tmp_path):
    """Only the listed files are in the folder afterwards, with the rendered text; no leftovers."""
    plan = plans.under()
    written = write_sheets(plan, tmp_path / "new" / "folder")
    assert written[0].name == "run-sheet.html"
    there = {path for path in (tmp_path / "new" / "folder").rglob("*") if path.is_file()}
    assert there == set(written)
    for name, text in render_sheets(plan).items():
        assert (tmp_path / "new" / "folder" / name).read_bytes() == text.encode()


def test_old_sheets_go_and_foreign_files_stay(tmp_path):
    """An older plan's lay-up is removed; a drawing of the same name pattern that isn't ours is kept."""
    write_sheets(plans.evening(), tmp_path)
    assert (tmp_path / "layup-B.svg").exists()
    (tmp_path / "layup-mine.svg").write_text("<svg xmlns='http://www.w3.org/2000/svg'/>")
    (tmp_path / "notes.txt").write_text("keep")
    write_sheets(plans.under(), tmp_path)
    assert not (tmp_path / "layup-B.svg").exists()
    assert (tmp_path / "layup-mine.svg").exists()
    assert (tmp_path / "notes.txt").exists()


def test_a_folder_that_is_a_file_is_an_error_with_a_mend(tmp_path):
    """What, where, mend; nothing written."""
    target = tmp_path / "taken"
    target.write_text("a file")
    with pytest.raises(OutputError) as caught:
        write_sheets(plans.under(), target)
    assert caught.value.mend
    assert "taken" in str(caught.value)
    assert target.read_text() == "a file"


def test_hostile_names_stay_inside_the_folder(tmp_path):
    """No name of the plan leads out of the folder or into a hidden file."""
    for path in write_sheets(plans.hostile(), tmp_path):
        assert re.fullmatch(r"(box/)?[A-Za-z0-9_-]+\.(svg|html|csv)", path.relative_to(tmp_path).as_posix())


def test_file_stems_differ_even_where_case_does_not_count():
    """Two ids that differ in case or in odd characters only get two names."""
    taken: set[str] = set()
    assert len({file_stem(name, taken).lower() for name in ("A", "a", "a/", "ä", "…", "")}) == 6


def test_pieces_csv_adds_up_and_is_no_formula():
    """One line for each cut, pieces adding up to the plan's total; a name that looks like a formula is defused."""
    for plan in (plans.evening(), plans.hostile()):
        rows = list(csv.DictReader(io.StringIO(render_sheets(plan)["pieces.csv"])))
        assert len(rows) == sum(len(one.cuts) for one in plan.passes)
        assert sum(int(row["pieces"]) for row in rows) == plan.totals.pieces
        assert not any(
            row[key].startswith(("=", "+", "-", "@")) for row in rows for key in ("die", "scrap", "paper")
        )
        total = csv.DictReader(io.StringIO(render_sheets(plan)["sorting.csv"]))
        assert sum(int(row["pieces"]) for row in total) == plan.totals.pieces


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "＝", "＋", "－", "＠", "﹦", "﹢", "﹣", "﹫", "−"])
@pytest.mark.parametrize("before", ["", " ", "\t", "\r", "\u3000"])
def test_no_cell_is_a_formula_in_any_form_of_its_sign(sign: str, before: str):
    """Full-width and small forms, and blanks before them, are defused as well; other cells stay as they are."""
    plan = plans.evening()
    papers = tuple(replace(paper, name=f"{before}{sign}1+{paper.name}") for paper in plan.papers)
    renamed = {old.name: new.name for old, new in zip(plan.papers, papers, strict=True)}
    scraps = tuple(replace(scrap, paper=renamed[scrap.paper]) for scrap in plan.scraps)
    rows = list(csv.DictReader(io.StringIO(pieces_csv(replace(plan, papers=papers, scraps=scraps)))))
    assert rows
    assert all(row["paper"].startswith("'") for row in rows)
    before_rows = list(csv.DictReader(io.StringIO(pieces_csv(plan))))
    assert [row["die"] for row in rows] == [row["die"] for row in before_rows]
    assert not any(row["paper"].startswith("'") for row in before_rows)


def test_straight_cuts_make_the_parts():
    """Two columns of three cards (by hand): first across, then each strip."""
    parts = [box(40 * c, 30 * r, 40 * c + 40, 30 * r + 30) for r in range(3) for c in range(2)]
    steps = straight_cuts(box(0, 0, 100, 95), parts, list("abcdef"))
    assert steps == [
        "Cut at 30, 60 and 90 mm from the upper side.",
        "Cut each of the pieces for parts a, b; c, d; e, f at 40 and 80 mm from the left side.",
    ]


def test_pieces_are_cut_alike_only_when_they_are_there():
    """Two pieces that are cut in the same way, one of which comes from a later cut, are two sentences."""
    # Above y = 60: at 20 mm from the left, then the right one at 30 mm from the top, then its lower one at 20 mm again.
    parts = [
        box(0, 0, 20, 60),
        box(20, 0, 55, 30),
        box(20, 30, 40, 60),
        box(40, 30, 55, 60),
        box(0, 60, 55, 90),
    ]
    assert straight_cuts(box(0, 0, 55, 90), parts, list("abcde")) == [
        "Cut at 60 mm from the upper side.",
        "Cut the piece for parts a to d at 20 mm from the left side.",
        "Cut the piece for parts b to d at 30 mm from the upper side.",
        "Cut the piece for parts c, d at 20 mm from the left side.",
    ]


def test_a_pinwheel_has_no_straight_cuts():
    """Four rectangles round a hole: no straight cut goes right through without hitting a part (textbook example)."""
    parts = [box(0, 0, 20, 10), box(20, 0, 30, 20), box(10, 20, 30, 30), box(0, 10, 10, 30)]
    assert straight_cuts(box(0, 0, 30, 30), parts, list("abcd")) is None
    assert straight_cuts(box(0, 0, 30, 30), [Point(10, 10).buffer(5)], ["a"]) is None


def test_contact_sheet_shows_every_die_at_true_size():
    """Name, size, area and cutting edge of each die; outlines in mm."""
    dies = list(plans.hedgerow().values())
    root = svg.parse(contact_sheet(dies, title="Hedgerow"))
    assert svg.view_box(root)[2:] == list(svg.size_mm(root))
    groups = svg.by_class(root, "die")
    assert [svg.title(group) for group in groups] == [die.name for die in dies]
    for group, die in zip(groups, dies, strict=True):
        words = " ".join(svg.texts(group))
        x0, y0, x1, y1 = die.cut.bounds
        assert f"{number(x1 - x0)} × {number(y1 - y0)} mm" in words
        assert f"cutting edge {die.cut.length:.0f}" in words.replace("\u00a0", " ")
        rim = svg.points(svg.by_class(group, "rim")[0].get("d"))
        assert max(x for x, _ in rim) - min(x for x, _ in rim) == pytest.approx(
            die.rim.bounds[2] - die.rim.bounds[0], abs=0.002
        )


def test_fill_sheet_shows_each_cut():
    """One group for each placed die, at its place, and counts in the head."""
    dies = plans.hedgerow()
    placed = [(dies["campion"], Pose(25, 25, 10)), (dies["disc"], Pose(60, 20)), (dies["disc"], Pose(75, 20))]
    root = svg.parse(fill_sheet(box(0, 0, 100, 60), placed, title="scrap <1>"))
    assert len(svg.by_class(root, "cut")) == 3
    words = " ".join(svg.texts(root))
    assert "scrap <1>" in words
    assert "campion × 1" in words
    assert "disc × 2" in words
    points = svg.points(svg.by_id(root, "cut-2").find(f"{svg.SVG}path").get("d"))
    assert min(x for x, _ in points) == pytest.approx(56, abs=0.05)


def test_scissor_trims_get_a_true_size_template():
    """A part that is no rectangle is drawn at true size in a file that the run sheet names."""
    dies = plans.hedgerow()
    book = plans.Book("chips", plans.Machine((75.0, 75.0)), plans.PAPERS, tuple(dies.values()), plans.Hand())
    book.layup("A", ("speedwell", 30, 30, 0))
    book.scrap("red-1", "red", (60, 60))
    chip = Point(30, 30).buffer(14)
    (name,) = book.trim("red-1", ("red-1a", chip))
    book.press("A", [(name, Pose(0, 0, 0))], {0: name})
    sheets = render_sheets(book.finish(kits=1))
    root = svg.parse(sheets["trim-red-1.svg"])
    drawn = svg.points(svg.by_id(root, "part-1").find(f"{svg.SVG}path").get("d"))
    assert max(x for x, _ in drawn) - min(x for x, _ in drawn) == pytest.approx(28, abs=0.01)
    assert "true size in trim-red-1.svg" in sheets["run-sheet.html"]


def test_words():
    """Small helpers, by example."""
    assert paper_codes(["red", "rose", "Rot", "42", "red2"]) == {
        "red": "R", "rose": "RO", "Rot": "RT", "42": "P4", "red2": "RE",
    }  # fmt: skip
    assert id_list(["red-1", "red-2", "red-3", "x", "y-a", "y-b"]) == "red-1 to red-3, x, y-a, y-b"
    assert id_list([f"n{k}x" for k in range(30)], most=3).endswith("and 27 more")
    assert plain("a\x00b\u202ec\nd") == "a bc d"
    assert number(-0.04) == "0"
    assert number(-3.25) == "−3.2"
    assert clock_words("23:30", 45) == "00:15"
    assert clock_words("late", 45) is None


@pytest.mark.skipif(
    not (shutil.which("chromium") and shutil.which("pdftoppm")),
    reason="needs a browser and pdftoppm to print",
)
def test_the_check_line_measures_50_mm_in_print(tmp_path):
    """Printed to PDF by a browser and rastered at 254 dpi (10 pixels a mm), the line is 500 ± 3 pixels long."""
    import numpy as np

    write_sheets(plans.under(), tmp_path)
    options = (
        "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking"
    )
    options += " --disable-component-update --disable-sync --no-pdf-header-footer"
    subprocess.run(
        [
            "chromium", *options.split(), f"--user-data-dir={tmp_path / 'browser'}",
            f"--print-to-pdf={tmp_path / 'a.pdf'}", (tmp_path / "layup-A.svg").as_uri(),
        ],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    subprocess.run(
        ["pdftoppm", "-r", "254", "-gray", "-singlefile", str(tmp_path / "a.pdf"), str(tmp_path / "a")],
        check=True, timeout=120,
    )  # fmt: skip
    data = (tmp_path / "a.pgm").read_bytes()
    head = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", data)
    width, height = int(head[1]), int(head[2])
    dark = np.frombuffer(data, np.uint8, offset=head.end()).reshape(height, width) < 140
    # The longest dark stretch of each row; the check line lies below the plate, whose edge is 750 pixels long.
    longest = []
    for row in dark:
        edges = np.flatnonzero(np.diff(np.concatenate(([0], row.astype(np.int8), [0]))))
        longest.append(int(max(edges[1::2] - edges[::2], default=0)))
    plate_end = max(k for k, run in enumerate(longest) if run > 700)
    assert max(longest[plate_end + 10 :]) == pytest.approx(500, abs=3)
    assert max(longest) == pytest.approx(750, abs=12)
