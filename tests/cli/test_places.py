"""Where output goes, and numbers out of range: a person's files and folders are left alone, and the message says why."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from nestcut.cli import app


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, list(arguments))


@pytest.mark.parametrize("name", ["batch.toml", "sheet.csv", "leaf", "contact.svg.bak"])
def test_a_contact_sheet_is_an_svg(name: str, folder: Path) -> None:
    """``--out batch.toml`` overwrote the batch."""
    (folder / name).write_text("mine")
    result = run("dies", "leaf.svg", "--out", name)
    assert result.exit_code == 2
    assert f"{name}: a contact sheet is an SVG file" in result.stderr
    assert (folder / name).read_text() == "mine"


def test_a_contact_sheet_takes_the_place_of_nothing_but_a_contact_sheet(folder: Path) -> None:
    """A drawing, a folder and a link to nothing are left alone; one of ours is drawn anew, and is no die."""
    drawing = (folder / "leaf.svg").read_text()
    (folder / "shelf.svg").mkdir()
    (folder / "link.svg").symlink_to("nowhere")
    for name in ("leaf.svg", "shelf.svg", "link.svg"):
        result = run("dies", "leaf.svg", "--out", name)
        assert result.exit_code == 2
        assert f"{name}: this exists already and is not a contact sheet of nestcut" in result.stderr
    assert (folder / "leaf.svg").read_text() == drawing
    (folder / "shelf.svg").rmdir()
    (folder / "link.svg").unlink()
    assert run("dies", "leaf.svg", "--out", "sheet.svg").exit_code == 0
    first = (folder / "sheet.svg").read_bytes()
    again = run("dies", ".", "--rim", "3 mm", "--out", "sheet.svg")
    assert again.exit_code == 0, again.output
    assert "sheet" not in again.stdout.replace("Contact sheet: sheet.svg", "")
    assert (folder / "sheet.svg").read_bytes() != first


@pytest.mark.parametrize("command", ["plan", "fill"])
@pytest.mark.parametrize(
    ("place", "said"),
    [
        (".", "this is the folder you are in"),
        ("..", "this folder holds the folder you are in"),
        ("/", "this is the root of the disk"),
        ("~", "this is your home folder"),
        ("~/..", "this folder holds your home folder"),
    ],
)
def test_folders_that_people_live_in_are_no_output(
    command: str,
    place: str,
    said: str,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """They would be replaced as a whole; empty ones were."""
    home = tmp_path_factory.mktemp("homes") / "me"
    here = tmp_path_factory.mktemp("work") / "empty"
    home.mkdir()
    here.mkdir()
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.chdir(here)
    out = place.replace("~", str(home))
    asked = ["plan", str(folder / "batch.toml")] if command == "plan" else ["fill", "A6", "--die", "campion"]
    result = run(*asked, "--seconds", "3", "--out", out)
    assert result.exit_code == 2, result.output
    assert said in result.stderr
    assert "name a new folder with --out" in result.stderr
    assert not any(here.iterdir())
    assert not any(home.iterdir())


def test_a_folder_that_holds_the_batch_is_no_output(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also not an output of ours into which somebody put the batch, and not through a link."""
    assert run("plan", "batch.toml", "--out", "ours", "--seconds", "3").exit_code == 0
    for name in ("batch.toml", "leaf.svg"):
        (folder / name).rename(folder / "ours" / name)
    (folder / "link").symlink_to("ours")
    for out in ("ours", "link"):
        result = run("plan", "link/batch.toml", "--out", out, "--seconds", "3")
        assert result.exit_code == 2
        assert "this folder holds the batch file" in result.stderr
    assert (folder / "ours" / "batch.toml").exists()


def test_a_folder_that_holds_the_stock_of_the_batch_is_no_output(folder: Path) -> None:
    """The box of the last evening is read from its plan's folder: that folder is not replaced by the next plan."""
    assert run("plan", "batch.toml", "--out", "ours", "--seconds", "3").exit_code == 0
    before = (folder / "ours" / "box.csv").read_bytes()
    text = (folder / "batch.toml").read_text("utf-8")
    (folder / "next.toml").write_text('scraps_csv = "ours/box.csv"\n' + text, encoding="utf-8")
    result = run("plan", "next.toml", "--out", "ours", "--seconds", "3")
    assert result.exit_code == 2
    assert "holds box.csv, which the batch reads" in result.stderr
    assert (folder / "ours" / "box.csv").read_bytes() == before
    assert run("plan", "next.toml", "--out", "other", "--seconds", "3").exit_code in (0, 1)


LONG = "ä" * 300


@pytest.mark.parametrize(
    "arguments",
    [
        ["plan", LONG],
        ["plan", "batch.toml", "--out", LONG],
        ["plan", "batch.toml", "--out", f"{LONG}/plan"],
        ["estimate", LONG],
        ["check", LONG],
        ["dies", f"{LONG}.svg"],
        ["dies", "leaf.svg", "--out", f"{LONG}.svg"],
        ["fill", LONG, "--die", "campion"],
        ["fill", f"{LONG}.svg", "--die", "campion"],
        ["fill", "A6", "--die", LONG],
        ["fill", "A6", "--die", "campion", "--out", LONG],
    ],
    ids=lambda arguments: " ".join(arguments).replace(LONG, "LONG"),
)
def test_names_that_no_disk_takes(arguments: list[str], folder: Path) -> None:
    """300 letters, 600 bytes: a message, exit code 2."""
    result = run(*arguments)
    assert result.exit_code == 2, result.output
    assert "Error: " in result.stderr
    assert "To mend: " in result.stderr


def test_the_longest_name_that_a_disk_takes(folder: Path) -> None:
    """255 bytes for the folder itself: what stands beside it for a moment has a shorter name."""
    name = "ä" * 127
    for _ in range(2):
        assert run("plan", "batch.toml", "--out", name, "--seconds", "3").exit_code == 0
    assert (folder / name / "plan.json").exists()
    assert sorted(one.name for one in folder.iterdir()) == sorted(["batch.toml", "leaf.svg", name])


@pytest.mark.parametrize(
    "line",
    [
        f'title = "{LONG}"',
        f'papers."{LONG}".swatch = "#aabbcc"',
        f'scraps = [{{ id = "{LONG}", paper = "red", size = "A6" }}]',
    ],
)
def test_long_names_in_a_batch(line: str, folder: Path) -> None:
    """Titles, papers and scraps have 80 letters at most."""
    text = (folder / "batch.toml").read_text().replace('title = "x"', "")
    if line.startswith("scraps"):
        text = text.replace('[[scraps]]\npaper = "red"\nsize = [100, 100]', "")
    (folder / "batch.toml").write_text(f"{line}\n{text}", encoding="utf-8")
    result = run("plan", "batch.toml", "--out", "out")
    assert result.exit_code == 2
    assert "use at most 80 characters" in result.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ["plan", "batch.toml"],
        ["estimate", "batch.toml"],
        ["fill", "A6", "--die", "campion", "--seconds", "1"],
        ["demo", "--out", "out"],
    ],
    ids=" ".join,
)
def test_seeds_out_of_range(arguments: list[str], folder: Path) -> None:
    """Below 0 and beyond what the solvers take: refused; the largest is taken."""
    for seed in ("-5", "-1", str(10**9 + 1), "9" * 40):
        result = run(*arguments, "--seed", seed)
        assert result.exit_code == 2
        assert "--seed" in result.stderr
    if arguments[0] not in ("demo", "plan"):
        assert run(*arguments, "--seed", str(10**9)).exit_code == 0
    elif arguments[0] == "plan":
        assert run(*arguments, "--seed", str(10**9), "--seconds", "3").exit_code == 0


@pytest.mark.parametrize("seconds", ["nan", "inf", "-1", "0", "1e300"])
def test_no_such_time(seconds: str, folder: Path) -> None:
    """What is no time limit is refused."""
    for arguments in (["plan", "batch.toml"], ["estimate", "batch.toml"], ["fill", "A6", "--die", "campion"]):
        assert run(*arguments, "--seconds", seconds).exit_code == 2


@pytest.mark.parametrize("size", ["1e-200 x 5", "0 x 5", "30 x 0.05 mm", "1e-200 x 1e-200 in"])
def test_a_scrap_of_next_to_nothing(size: str, folder: Path) -> None:
    """It has no area that anything could be laid into."""
    result = run("fill", size, "--die", "campion", "--seconds", "1")
    assert result.exit_code == 2, result.output
    assert "too small a scrap" in result.stderr


def test_titles_are_no_markup(folder: Path) -> None:
    """Square brackets in a title or a file's name are letters like any others."""
    text = (folder / "batch.toml").read_text().replace('title = "x"', 'title = "[/b] [red]x"')
    (folder / "batch.toml").write_text(text, encoding="utf-8")
    result = run("estimate", "batch.toml")
    assert result.exit_code == 0, result.output
    assert "[/b] [red]x" in result.stdout
    (folder / "[red].svg").write_text((folder / "leaf.svg").read_text())
    result = run("dies", "[red].svg")
    assert result.exit_code == 0
    assert "[red]" in result.stdout
