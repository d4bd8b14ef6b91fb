"""--seconds is for the whole command: the search leaves time for checking and writing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from nestcut.batch import read_batch
from nestcut.cli import app
from nestcut.cli.reserve import least_seconds, limit_seconds, most_cuts, search_seconds
from nestcut.errors import InputError
from tests.shared.places import ROOT
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


def test_a_limit_that_cannot_be_kept_is_refused_at_once(folder: Path) -> None:
    """Before any work: exit code 2, the least limit in the message, no output folder."""
    evening = str(ROOT / "examples" / "evening.toml")
    result = CliRunner().invoke(app, ["plan", evening, "--out", "out", "--seconds", "2"])
    assert result.exit_code == 2
    assert "--seconds 2 is too short for this batch: at least 3" in result.stderr
    assert "To mend: write --seconds 3 or more" in result.stderr
    assert not (folder / "out").exists()


def test_the_least_limit_follows_from_the_batch(folder: Path, tmp_path: Path) -> None:
    """One second for a tiny class, a few for the examples, a minute for a very large one; the least itself is taken."""
    tiny = read_batch(folder / "batch.toml")
    evening, event = (read_batch(ROOT / "examples" / f"{name}.toml") for name in ("evening", "event"))
    large = read_batch(write_big(tmp_path / "big", kits=400))
    assert [least_seconds(batch) for batch in (tiny, evening, event)] == [1, 3, 5]
    assert 30 < least_seconds(large) < 60
    for batch in (tiny, evening, event, large):
        least = least_seconds(batch)
        assert limit_seconds(batch, float(least)) == least
        if least > 1:
            with pytest.raises(InputError, match=f"at least {least}"):
                limit_seconds(batch, least - 0.5)


def test_without_a_limit_even_a_very_large_class_is_planned(folder: Path, tmp_path: Path) -> None:
    """30 s where nobody says otherwise, and what it takes at least where that is more."""
    assert limit_seconds(read_batch(folder / "batch.toml"), None) == 30
    large = read_batch(write_big(tmp_path / "big", kits=400))
    assert limit_seconds(large, None) == least_seconds(large) > 30
