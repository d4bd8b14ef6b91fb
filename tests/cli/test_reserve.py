"""--seconds is for the whole command: the search leaves time for checking and writing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from nestcut.batch import read_batch
from nestcut.cli import app
from nestcut.cli.reserve import most_cuts, search_seconds
from tests.trust.big import write_big


def test_a_small_class_searches_nearly_all_the_time(folder: Path) -> None:
    """Two cuts take a second to write; from 2 s on the search may begin with half of what is left open."""
    batch = read_batch(folder / "batch.toml")
    assert most_cuts(batch) == 2
    for seconds in (30.0, 120.0):
        limit, enough = search_seconds(batch, seconds, spent_s=1.5)
        assert 0.95 * seconds <= limit <= seconds
        assert enough >= limit


def test_a_large_class_leaves_time_for_writing(tmp_path: Path) -> None:
    """Thousands of cuts take their seconds off the search; the paper in stock bounds how many there can be."""
    batch = read_batch(write_big(tmp_path, kits=2000, dies=6, papers=2, scraps=60))
    cuts = most_cuts(batch)
    wanted = sum(line.count for line in batch.demand)
    assert 2000 < cuts < wanted / 2, "60 sheets hold far less than what is asked for"
    limit, enough = search_seconds(batch, 100.0, spent_s=2.0)
    assert limit == enough < 100.0 - 0.001 * cuts
    longer, _ = search_seconds(batch, 200.0, spent_s=2.0)
    assert longer > limit + 99
    late, _ = search_seconds(batch, 100.0, spent_s=12.0)
    assert late == pytest.approx(limit - 10.0)


def test_a_first_plan_gets_its_time(folder: Path) -> None:
    """Where nothing is left, a short search goes on until there is a plan, and not beyond the limit itself."""
    batch = read_batch(folder / "batch.toml")
    assert search_seconds(batch, 10.0, spent_s=60.0) == (2.5, 0.0)
    assert search_seconds(batch, 1.0, spent_s=60.0) == (1.0, 0.0)


def test_the_search_is_stopped_once_it_has_a_plan_and_no_time(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """plan asks the search to stop when its time is up, but not before there is a plan."""
    from nestcut.passes import plan_batch

    asked: list[bool] = []

    def spy(batch: Any, **options: Any) -> Any:
        stop, tell = options["stop"], options["on_progress"]
        asked.append(stop())
        tell(0.0, None, 80, "nothing yet")
        asked.append(stop())
        tell(0.0, 80, 80, "a plan")
        asked.append(stop())
        return plan_batch(batch, seconds=5.0)

    monkeypatch.setattr("nestcut.passes.plan_batch", spy)
    monkeypatch.setattr("nestcut.cli.plan.search_seconds", lambda *_: (2.5, -1.0))
    result = CliRunner().invoke(app, ["plan", "batch.toml", "--out", "out", "--seconds", "10"])
    assert result.exit_code == 0, result.output
    assert asked == [False, False, True]
