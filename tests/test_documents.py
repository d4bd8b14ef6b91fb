"""The papers name what is there: every path, module, command and link of the documents exists."""

from __future__ import annotations

import importlib
import re
from functools import cache
from pathlib import Path

import pytest

from tests.test_rooms import FLOORS, ORDER

ROOT = Path(__file__).parents[1]
PAPERS = ["README.md", "DEVELOPERS.md", *sorted(f"docs/{path.name}" for path in (ROOT / "docs").glob("*.md"))]
FIRST_PAGE = "DEVELOPERS.md"
ARCHITECTURE = "docs/architecture.md"
WIDEST = 120
"""Characters of a line of DEVELOPERS.md, and lines of two screens."""
TWO_SCREENS = 100
WIDEST_CELL = 200
"""Characters of a cell of a table: more is prose."""

_PLACES = ("nestcut", "tests", "docs", "scripts", "shapes", "examples", ".ci")


@cache
def text_of(paper: str) -> str:
    return (ROOT / paper).read_text(encoding="utf-8")


@cache
def files() -> frozenset[str]:
    """Every file of the project, from its root, and every folder."""
    held = [path for place in _PLACES for path in (ROOT / place).rglob("*")] + list(ROOT.glob("*.*"))
    return frozenset(str(path.relative_to(ROOT)) for path in held if "__pycache__" not in path.parts)


def quoted(paper: str) -> list[str]:
    """What stands in backticks, in code blocks too, a line each."""
    text = text_of(paper)
    blocks = re.findall(r"^```.*?\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
    inline = re.findall(r"`([^`]+)`", re.sub(r"^```.*?^```", "", text, flags=re.DOTALL | re.MULTILINE))
    return [" ".join(one.split()) for one in inline] + [
        line for block in blocks for line in block.splitlines()
    ]


def is_there(path: str) -> bool:
    """Whether the path exists from the root, or as the end of the path of something in the project."""
    path = path.rstrip("/")
    return path in files() or any(one.endswith("/" + path) for one in files())


def missing(paper: str) -> list[str]:
    """The paths, modules and arguments of commands that a paper names in backticks and that do not exist."""
    lost = []
    for code in quoted(paper):
        lost += [
            path for path in re.findall(r"[\w./*-]+\.py\b", code) if "*" not in path and not is_there(path)
        ]
        for module in re.findall(r"python -m (\S+)", code):
            if module.startswith("tests") and not module_file(module):
                lost.append(module)
        for arguments in re.findall(r"\bpytest ([^&|]*)", code):
            lost += [
                one for one in arguments.split() if one.startswith("tests") and not (ROOT / one).exists()
            ]
        lost += [
            path
            for path in re.findall(r"(?:^|\s)((?:nestcut|tests|docs|scripts|\.ci)/[\w./-]*)", code)
            if not is_there(path)
        ]
    return lost


def module_file(module: str) -> Path | None:
    path = ROOT / module.replace(".", "/")
    return next((one for one in (path.with_suffix(".py"), path / "__main__.py") if one.exists()), None)


@pytest.mark.parametrize("paper", PAPERS)
def test_paths_and_commands_exist(paper: str) -> None:
    """Every path.py, every module of `python -m` and every path of `pytest` in backticks is there."""
    assert missing(paper) == []


def test_a_lost_path_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each kind of name that the test above looks for fails it where it is not there."""
    names = [
        "`nestcut/nowhere.py`",
        "`python -m tests.nowhere 3`",
        "`pytest tests/nowhere -k x`",
        "`docs/nowhere/`",
    ]
    for name in names:
        monkeypatch.setitem(globals(), "text_of", lambda _paper, name=name: f"See {name}.")
        assert missing("README.md"), name


def anchors(paper: str) -> set[str]:
    """The anchors of a paper's headings, as code forges make them."""
    headings = re.findall(r"^#+ (.*)$", text_of(paper), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("paper", PAPERS)
def test_links_resolve(paper: str) -> None:
    """A relative link leads to a file of the project, and its anchor to a heading."""
    for link in re.findall(r"\]\(([^)\s]+)\)", text_of(paper)):
        if re.match(r"[a-z]+:", link):
            continue
        path, _, anchor = link.partition("#")
        target = (ROOT / paper).parent / path if path else ROOT / paper
        assert target.resolve().exists(), f"{paper}: {link}"
        if anchor:
            assert anchor in anchors(str(target.resolve().relative_to(ROOT.resolve()))), f"{paper}: {link}"


def drawing() -> list[str]:
    """The lines of the drawing of the house that lie within its walls."""
    block = re.search(r"^```text\n(.*?)^```", text_of(FIRST_PAGE), re.DOTALL | re.MULTILINE)
    assert block
    return [line.strip("│") for line in block[1].splitlines() if line.startswith("│")]


def test_drawing_shows_the_rooms_and_floors_that_are_there() -> None:
    """Rooms stand from the roof to the ground, in the order that imports must keep, and floors from left to right."""
    rooms: list[str] = []
    floors: dict[str, list[str]] = {}
    for line in drawing():
        room = line[:13].strip()
        rooms += [room] if room else []
        floors.setdefault(rooms[-1], []).extend(re.findall(r"\w+", line[62:]))
    assert rooms == [room for room in reversed(ORDER) if not room.startswith("_")]
    for room, drawn in floors.items():
        held = list(dict.fromkeys(floor.split(".")[0] for floor in FLOORS.get(room, [])))
        assert drawn == held, room


def test_architecture_lists_the_floors_in_their_order() -> None:
    """The tables of floors hold every floor once, from the ground up."""
    rows = re.findall(r"^\| `(\w+)/([\w/]+)` \|", text_of(ARCHITECTURE), re.MULTILINE)
    listed: dict[str, list[str]] = {}
    for room, floor in rows:
        listed.setdefault(room, []).append(floor.replace("/", "."))
    assert listed == FLOORS


def test_doors_offer_what_the_architecture_says() -> None:
    """Every name of the table of doors can be had from its room."""
    rows = re.findall(r"^\| `(nestcut\.\w+)` \| (.*) \|$", text_of(ARCHITECTURE), re.MULTILINE)
    assert len(rows) >= 10
    for door, offers in rows:
        names = re.findall(r"`(\w+)`", offers)
        assert names, door
        for name in names:
            assert hasattr(importlib.import_module(door), name), f"{door}.{name}"


def test_first_page_is_two_screens() -> None:
    """DEVELOPERS.md can be read at a sitting: two screens of lines that are not too long."""
    lines = text_of(FIRST_PAGE).splitlines()
    assert len(lines) <= TWO_SCREENS
    assert [line for line in lines if len(line) > WIDEST] == []


@pytest.mark.parametrize("paper", PAPERS)
def test_cells_are_short(paper: str) -> None:
    """What is longer than a cell should be stands as prose or as a list."""
    for line in text_of(paper).splitlines():
        if line.startswith("|"):
            assert [cell for cell in line.strip("|").split(" | ") if len(cell.strip()) > WIDEST_CELL] == []
