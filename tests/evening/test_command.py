"""``nestcut go-on`` as a person calls it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from nestcut.checks import check_file
from nestcut.cli import app
from nestcut.plans import read_plan
from tests.shared.small_job import BATCH, SQUARE


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plan of a small class: three leaves from one scrap."""
    made = tmp_path_factory.mktemp("class")
    (made / "leaf.svg").write_text(SQUARE)
    (made / "batch.toml").write_text(BATCH.replace("kits = 2", "kits = 3"))
    told = CliRunner().invoke(
        app, ["plan", str(made / "batch.toml"), "--out", str(made / "out"), "--work", "20"]
    )
    assert told.exit_code == 0, told.output
    return made / "out"


@pytest.fixture
def folder(planned: Path, tmp_path: Path) -> Path:
    """A copy of it, nothing done yet."""
    return Path(shutil.copytree(planned, tmp_path / "out"))


@pytest.mark.thorough
def test_go_on_after_a_miss(folder: Path) -> None:
    """The old plan stays as it is; the new one has the failed piece again and passes the checker from its file alone."""
    old = (folder / "plan.json").read_bytes()
    asked = ["go-on", str(folder), "--after", "1", "--miss", "leaf", "--work", "20", "--json"]
    told = CliRunner().invoke(app, asked)
    assert told.exit_code == 0, told.output
    summary = json.loads(told.output)
    assert (summary["done"], summary["met"], summary["complete"]) == (1, 3, True)
    assert summary["passes"] == summary["passes_before"] + 1
    assert (folder / "plan.json").read_bytes() == old
    rest = folder.parent / "out-rest"
    assert check_file(rest / "plan.json").ok
    assert [one.pass_number for one in read_plan(rest / "plan.json").missed] == [1]
    assert (rest / "run-sheet.html").is_file()
    again = CliRunner().invoke(app, ["go-on", str(rest), "--after", "2", "--miss", "leaf", "--work", "20"])
    assert again.exit_code == 0, again.output
    assert [one.pass_number for one in read_plan(folder.parent / "out-rest-rest" / "plan.json").missed] == [
        1,
        2,
    ]


def test_go_on_without_the_only_die(folder: Path) -> None:
    """What can't be cut any more is told, with exit code 1; the pieces that were cut stay met."""
    told = CliRunner().invoke(app, ["go-on", str(folder), "--after", "1", "--broken", "leaf", "--work", "20"])
    assert told.exit_code == 1, told.output
    assert "Missing: 2 pieces of leaf" in told.output
    assert sum(line.met for line in read_plan(folder.parent / "out-rest" / "plan.json").demand) == 1


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--after", "9"], "the plan has 3 passes"),
        (["--after", "1", "--miss", "rose"], "not cut there"),
        (["--miss", "leaf"], "is not done"),
        (["--spoilt", "blue-7"], "there is no such scrap"),
        (["--broken", "rose"], "there is no such die"),
    ],
)
def test_what_is_not_there_is_refused(folder: Path, words: list[str], message: str) -> None:
    """In plain words, with nothing written to the log or beside the plan."""
    told = CliRunner().invoke(app, ["go-on", str(folder), *words])
    assert told.exit_code == 2
    assert message in told.output
    assert "To mend" in told.output
    assert not (folder.parent / "out-rest").exists()
