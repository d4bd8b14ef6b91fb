"""``estimate --what-if --trade-off`` and the ideas of ``plan``."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from nestcut.cli import app


def test_estimate_tells_what_if_and_the_trade_off(folder: Path) -> None:
    """Sentences on the terminal; with --json one object that holds all three."""
    told = CliRunner().invoke(app, ["estimate", "batch.toml", "--what-if", "--trade-off"])
    assert told.exit_code == 0, told.output
    assert "one kit more costs" in told.output
    assert "1 lay-up, 1 die to set up: 2 passes" in told.output
    plain = CliRunner().invoke(app, ["estimate", "batch.toml", "--what-if", "--trade-off", "--json"])
    found = json.loads(plain.stdout)
    assert set(found) == {"estimates", "what_if", "trade_off"}
    assert any(answer["what"] == "a second leaf die" and answer["passes"] == 1 for answer in found["what_if"])


@pytest.mark.thorough
def test_plan_tells_the_best_purchase(folder: Path) -> None:
    """Two leaves, one die: a second one saves a pass, and the run sheet says so."""
    result = CliRunner().invoke(app, ["plan", "batch.toml", "--out", "out", "--seconds", "10"])
    assert result.exit_code == 0, result.output
    assert "Idea: a second leaf die saves 1 pass" in result.output
    page = (folder / "out" / "run-sheet.html").read_text(encoding="utf-8")
    assert "Most useful purchase: a second leaf die saves 1 pass" in page
