"""A mistake of nestcut's own is told as such: no traceback, a file to send, an exit code that means nothing else."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from nestcut.checks import check_file
from nestcut.cli import main


@pytest.fixture
def run(
    folder: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., int]:
    """The real entry point with some arguments; returns the exit code."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path_factory.mktemp("temporary")))
    monkeypatch.delenv("NESTCUT_TRACEBACK", raising=False)

    def call(*arguments: str) -> int:
        monkeypatch.setattr("sys.argv", ["nestcut", *arguments])
        with pytest.raises(SystemExit) as ended:
            main()
        return int(ended.value.code or 0)

    return call


def breaks(*_: object, **__: object) -> None:
    """Stands in for a function of ours that has a bug."""
    raise KeyError("no such\nthing\x1b[31m")


@pytest.mark.parametrize(
    ("function", "arguments"),
    [
        ("nestcut.passes.plan_batch", ["plan", "batch.toml", "--out", "out"]),
        ("nestcut.cli.plan.summary_lines", ["plan", "batch.toml", "--out", "out"]),
        ("nestcut.passes.estimate", ["estimate", "batch.toml"]),
        ("nestcut.batch.read_batch", ["estimate", "batch.toml"]),
        ("nestcut.cli.dies.print_json", ["dies", "--json"]),
    ],
)
def test_a_mistake_of_ours_ends_with_70(
    run: Callable[..., int],
    function: str,
    arguments: list[str],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Whatever fails inside: one message, the traceback in the file that it names, 70."""
    monkeypatch.setattr(function, breaks)
    assert run(*arguments) == 70
    told = capsys.readouterr().err
    message = told[told.index("Error: ") :]
    assert "mistake in nestcut (KeyError: " in message
    assert "Traceback" not in told
    assert "\x1b" not in told
    named = re.search(r"send us the file (\S+),", message)
    assert named is not None
    report = Path(named[1]).read_text(encoding="utf-8")
    assert "Traceback" in report
    assert "in breaks" in report
    assert "command: nestcut " + " ".join(arguments) in report


def test_a_plan_that_breaks_a_rule_is_a_mistake_of_ours(
    run: Callable[..., int],
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """No plan of the planner's passes the checker: 70, nothing is written, and the plan lies beside the report."""
    from nestcut.checks.measures.report import Fault, Report

    monkeypatch.setattr("nestcut.checks.check_plan", lambda _: Report((Fault("web", "too near"),)))
    before = sorted(p.name for p in folder.iterdir())
    assert run("plan", "batch.toml", "--out", "out") == 70
    told = capsys.readouterr().err
    assert "mistake in nestcut (RefusedPlanError: " in told
    assert sorted(p.name for p in folder.iterdir()) == before
    named = re.search(r"send us the files (\S+) and (\S+),", told)
    assert named is not None
    report, kept = (Path(name) for name in named.groups())
    assert f"the plan that was refused: {kept}" in report.read_text(encoding="utf-8")
    monkeypatch.undo()
    assert check_file(kept).ok


def test_the_traceback_is_shown_to_those_who_ask(
    run: Callable[..., int], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """NESTCUT_TRACEBACK=1 shows it; where there is no room for a file, the message says so."""
    monkeypatch.setattr("nestcut.batch.read_batch", breaks)
    monkeypatch.setattr("tempfile.tempdir", os.devnull)
    assert run("estimate", "batch.toml") == 70
    assert "when NESTCUT_TRACEBACK=1 is set" in capsys.readouterr().err
    monkeypatch.setenv("NESTCUT_TRACEBACK", "1")
    assert run("estimate", "batch.toml") == 70
    assert "in breaks" in capsys.readouterr().err


def test_other_endings_keep_their_codes(run: Callable[..., int], folder: Path) -> None:
    """0, 1 and 2 through the same door."""
    assert run("--version") == 0
    assert run("estimate", "nowhere.toml") == 2
    assert run("plan") == 2
    assert run("plan", "batch.toml", "--out", "out") == 0
