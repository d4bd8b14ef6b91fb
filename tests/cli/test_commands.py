"""The commands do their job, and say so with their exit codes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from shapely.geometry import box
from typer.testing import CliRunner

from nestcut.batch import Pose
from nestcut.cli import app
from tests.shared.places import ROOT
from tests.shared.small_job import BATCH
from tests.trust.big import write_big


def test_plan_writes_everything_and_check_agrees(folder: Path) -> None:
    """plan ends with 0, writes plan.json, sheets and tables, and check --proof finds nothing wrong."""
    result = CliRunner().invoke(app, ["plan", "batch.toml", "--out", "out", "--seconds", "10"])
    assert result.exit_code == 0, result.output
    assert "2 passes, the fewest possible" in result.output
    names = {p.name for p in (folder / "out").iterdir()}
    assert {"plan.json", "run-sheet.html", "layup-A.svg", "pieces.csv", "sorting.csv"} <= names
    checked = CliRunner().invoke(app, ["check", "out", "--proof"])
    assert checked.exit_code == 0, checked.output
    told = CliRunner().invoke(app, ["check", "out", "--json"])
    assert json.loads(told.stdout) == {"ok": True, "faults": []}


def test_check_names_a_broken_rule(folder: Path) -> None:
    """A plan that somebody edited by hand is refused with exit code 1 and the rule's name."""
    assert CliRunner().invoke(app, ["plan", "batch.toml", "--out", "out"]).exit_code == 0
    path = folder / "out" / "plan.json"
    plan = json.loads(path.read_text(encoding="utf-8"))
    plan["layups"][0]["slots"][0]["pose"][0] -= 500.0
    path.write_text(json.dumps(plan), encoding="utf-8")
    result = CliRunner().invoke(app, ["check", "out"])
    assert result.exit_code == 1, result.output
    assert "window" in result.output


def test_plan_that_is_short_of_paper_ends_with_1(folder: Path) -> None:
    """200 kits from one scrap can't be met: a plan is written, the shortage is told, the exit code is 1."""
    (folder / "batch.toml").write_text(BATCH.replace("kits = 2", "kits = 200"), encoding="utf-8")
    result = CliRunner().invoke(app, ["plan", "batch.toml", "--out", "out", "--seconds", "10"])
    assert result.exit_code == 1, result.output
    assert "Short: paper red" in result.output
    assert "A4" in result.output
    assert CliRunner().invoke(app, ["check", "out"]).exit_code == 0


def test_same_seed_same_files(folder: Path) -> None:
    """Two processes with other hash seeds write the same bytes."""
    texts = []
    for hash_seed in ("1", "2"):
        out = folder / f"out-{hash_seed}"
        subprocess.run(
            [sys.executable, "-m", "nestcut", "plan", "batch.toml", "--out", str(out), "--seed", "7"],
            check=True,
            env={**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": str(ROOT)},
            capture_output=True,
        )
        texts.append({p.relative_to(out): p.read_bytes() for p in sorted(out.rglob("*")) if p.is_file()})
    assert texts[0] == texts[1]


def test_estimate_answers_in_a_table_and_as_json(folder: Path) -> None:
    """estimate compares numbers of kits without writing anything."""
    before = sorted(p.name for p in folder.iterdir())
    result = CliRunner().invoke(app, ["estimate", "batch.toml", "--kits", "2,4", "--json"])
    assert result.exit_code == 0, result.output
    rows = json.loads(result.stdout)
    assert [row["kits"] for row in rows] == [2, 4]
    assert [row["passes"] for row in rows] == [2, 4]  # one copy: a pass for each piece
    assert CliRunner().invoke(app, ["estimate", "batch.toml"]).exit_code == 0
    assert sorted(p.name for p in folder.iterdir()) == before


def test_dies_lists_every_shape_that_comes_with_nestcut(folder: Path) -> None:
    """dies without a folder lists our own shapes, with sizes from 8 to 90 mm."""
    result = CliRunner().invoke(app, ["dies", "--json", "--out", "contact.svg"])
    assert result.exit_code == 0, result.output
    rows = json.loads(result.stdout)["dies"]
    assert len(rows) >= 16
    assert all(7.9 <= max(row["cut_mm"]) <= 90 for row in rows)
    assert (folder / "contact.svg").read_text(encoding="utf-8").count("<svg") == 1


def test_same_work_same_plan(tmp_path: Path) -> None:
    """By work, not by the clock: other hash seeds and other time limits, and the same bytes."""
    batch = write_big(tmp_path, kits=4, dies=6, papers=2, scraps=24, seed=2)
    plans = []
    for hash_seed, seconds in (("1", "60"), ("2", "200")):
        out = tmp_path / f"out-{hash_seed}"
        options = ["--work", "30", "--seconds", seconds, "--out", str(out)]
        subprocess.run(
            [sys.executable, "-m", "nestcut", "plan", str(batch), *options],
            check=True,
            env={**os.environ, "PYTHONHASHSEED": hash_seed},
            capture_output=True,
        )
        plans.append({p.relative_to(out): p.read_bytes() for p in sorted(out.rglob("*")) if p.is_file()})
    assert plans[0] == plans[1]


def test_fill_uses_a_scrap_up(folder: Path) -> None:
    """fill lays squares of 20 mm on a sheet: in 70 × 70 mm with a web of 2.5 and an edge of 2 lie at least 9."""
    # 3 × 20 + 2 × 2.5 + 2 × 2 = 69 ≤ 70, so a grid of 3 × 3 fits; a fourth in a row does not.
    result = CliRunner().invoke(
        app,
        [
            "fill",
            "70 x 70 mm",
            "--die",
            "leaf.svg",
            "--turns",
            "0,90",
            "--seconds",
            "5",
            "--out",
            "filled",
            "--json",
        ],
    )
    assert result.exit_code == 0, result.output
    filled = json.loads(result.stdout)
    assert filled["count"] == {"leaf": 9}
    assert filled["bound"] >= 9
    assert {"fill.json", "fill.svg"} <= {p.name for p in (folder / "filled").iterdir()}


FRAME = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="60mm" viewBox="0 0 60 60">'
    '<path class="rim" fill-rule="evenodd" d="M1 1H59V59H1Z M14 14V46H46V14Z"/>'
    '<path fill-rule="evenodd" d="M3 3H57V57H3Z M12 12V48H48V12Z"/></svg>'
)


@pytest.mark.parametrize("whole", [False, True])
def test_fill_lays_nothing_into_an_opening_that_another_pass_cuts_away(folder: Path, whole: bool) -> None:
    """A frame of 54 mm and squares of 20 mm: one frame and three squares asked, on 85 × 90 mm they lie side by side."""
    (folder / "frame.svg").write_text(FRAME, encoding="utf-8")
    options = [
        "--die",
        "frame.svg",
        "--die",
        "leaf.svg",
        "--count",
        "1,3",
        "--turns",
        "0,90",
        "--seconds",
        "5",
    ]
    options += ["--keep-whole"] if whole else []
    told = CliRunner().invoke(app, ["fill", "85 x 90 mm", *options, "--out", "filled"])
    assert told.exit_code == 0, told.output
    assert "same pass" in told.output
    cuts = json.loads((folder / "filled" / "fill.json").read_text(encoding="utf-8"))["cuts"]
    frames = [Pose(*cut["pose"]).apply(box(-27, -27, 27, 27)) for cut in cuts if cut["die"] == "frame"]
    squares = [Pose(*cut["pose"]).apply(box(-10, -10, 10, 10)) for cut in cuts if cut["die"] == "leaf"]
    assert squares
    assert all(frame.distance(square) >= 2.5 - 1e-6 for frame in frames for square in squares)


@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C is sent another way there")
def test_ctrl_c_keeps_the_best_plan(tmp_path: Path) -> None:
    """SIGINT during plan writes the best checked plan so far and ends with 130."""
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "nestcut",
            "plan",
            str(ROOT / "examples" / "evening.toml"),
            "--out",
            "out",
            "--seconds",
            "120",
        ],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    assert "reading the demand" in process.stderr.readline()
    time.sleep(0.1)
    process.send_signal(signal.SIGINT)
    output, errors = process.communicate(timeout=200)
    assert process.returncode == 130, output + errors
    assert "best plan so far is kept" in errors
    assert "passes" in output
    assert CliRunner().invoke(app, ["check", str(tmp_path / "out")]).exit_code == 0
