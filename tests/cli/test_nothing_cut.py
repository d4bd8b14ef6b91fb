"""Where nothing can be cut, nothing is praised and nothing is advised but paper."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from typer.testing import CliRunner, Result

from nestcut.cli import app
from nestcut.cli.plan import summary_lines
from nestcut.plans import read_plan
from nestcut.sheets import render_sheets


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, list(arguments))


def without_scraps(folder: Path) -> None:
    text = (folder / "batch.toml").read_text(encoding="utf-8")
    text = text.replace('[[scraps]]\npaper = "red"\nsize = [100, 100]\n', "")
    (folder / "batch.toml").write_text(text, encoding="utf-8")


def test_no_paper_at_all(folder: Path) -> None:
    """The plan is not complete, says what to buy, and is nowhere the fewest possible."""
    without_scraps(folder)
    result = run("plan", "batch.toml", "--out", "out", "--seconds", "6")
    assert result.exit_code == 1, result.output
    assert "Nothing can be cut: none of the pieces can be cut from the scraps in stock" in result.stdout
    assert "buy 1 A4 sheet" in result.stdout
    for word in ("fewest", "Idea", "0 passes", "has to be cut"):
        assert word not in result.stdout
    plan = read_plan(folder / "out" / "plan.json")
    assert plan.nothing_cut
    assert not plan.extras.get("what_if")
    sheet = (folder / "out" / "run-sheet.html").read_text(encoding="utf-8")
    assert "Nothing can be cut: none of the pieces can be cut" in sheet
    assert "fewest possible" not in sheet
    assert run("check", "out", "--proof").exit_code == 0


def test_ideas_of_an_older_plan_are_not_told(folder: Path) -> None:
    """A plan.json of a run before: neither the sheets nor the summary offer a second die where paper is missing."""
    without_scraps(folder)
    run("plan", "batch.toml", "--out", "out", "--seconds", "3")
    plan = read_plan(folder / "out" / "plan.json")
    idea = {
        "kind": "die",
        "what": "a second leaf die",
        "passes": -1,
        "minutes": -1.0,
        "sentence": "a second leaf die saves 1 pass",
    }
    older = replace(plan, extras={**plan.extras, "what_if": [idea]})
    assert "second leaf" not in "\n".join(summary_lines(older, folder))
    assert "second leaf" not in render_sheets(older)["run-sheet.html"]
    good = replace(older, demand=tuple(replace(line, count=0) for line in older.demand))
    assert "second leaf" in render_sheets(good)["run-sheet.html"]


def test_estimates_of_nothing_offer_no_ideas(folder: Path) -> None:
    """--what-if says what comes first."""
    without_scraps(folder)
    result = run("estimate", "batch.toml", "--what-if")
    assert result.exit_code == 0
    assert "nothing can be cut from the scraps in stock: first get more paper" in result.stdout
    assert "second leaf" not in result.stdout
    assert json.loads(run("estimate", "batch.toml", "--what-if", "--json").stdout)["what_if"] == []


def test_scraps_that_hold_no_die_end_the_run(folder: Path) -> None:
    """Exit code 2 with the likely reason, for plan and estimate; nothing is written."""
    text = (folder / "batch.toml").read_text(encoding="utf-8")
    (folder / "batch.toml").write_text(text.replace("[100, 100]", "[4, 6]"), encoding="utf-8")
    for command in (["plan", "batch.toml", "--out", "out"], ["estimate", "batch.toml"]):
        result = run(*command)
        assert result.exit_code == 2
        assert "its only scrap holds no die that must cut it" in result.stderr
        assert 'write units = "in"' in result.stderr
    assert not (folder / "out").exists()
