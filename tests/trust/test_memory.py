"""A process that plans many times keeps its memory."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.trust.jobs import write_job
from tests.trust.memory import resident_mib, rounds


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_memory_does_not_grow_from_plan_to_plan(tmp_path: Path) -> None:
    """Six plans: from the third on not two megabytes a plan; ``python -m tests.trust.memory`` does large ones."""
    write_job(tmp_path)
    found = list(rounds(tmp_path / "a.toml", tmp_path / "out", plans=6, seconds=5.0))
    assert found[-1] - found[2] < 6.0, found


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_growing_memory_would_be_seen() -> None:
    """Ten megabytes that are kept show in what is measured."""
    before = resident_mib()
    kept = bytearray(b"x" * 10 * 2**20)
    assert resident_mib() - before > 5.0
    assert kept
