"""A process that plans many times keeps its memory."""

from __future__ import annotations

import mmap
import re
import sys
from pathlib import Path

import pytest

from tests.trust.jobs import run_python, write_job
from tests.trust.memory import resident_mib

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")


@pytest.mark.thorough
def test_memory_does_not_grow_from_plan_to_plan(tmp_path: Path) -> None:
    """Six plans in a fresh process: from the third on not two megabytes a plan; large ones by hand."""
    write_job(tmp_path)
    done = run_python("-m", "tests.trust.memory", "--plans", "6", "--batch", str(tmp_path / "a.toml"))
    assert not done.returncode, done.stderr
    found = [float(mib) for mib in re.findall(r"plan \d+: ([\d.]+) MiB", done.stdout)]
    assert len(found) == 6
    assert found[-1] - found[2] < 6.0, found


def test_growing_memory_would_be_seen() -> None:
    """Ten megabytes that are kept show in what is measured; fresh pages, as freed ones of this process would hide them."""
    before = resident_mib()
    with mmap.mmap(-1, 10 * 2**20) as kept:
        kept.write(b"x" * 10 * 2**20)
        assert resident_mib() - before > 5.0
