"""Kills, Ctrl-C twice, full and read-only disks: the old output or the new one, whole, and a message."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.shared.places import ROOT
from tests.trust.jobs import command, fingerprint, run_python, start, write_job
from tests.trust.kills import kill_many

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="signals and mounts of Linux")


def run(folder: Path, batch: str, *more: str, **options: Any) -> subprocess.CompletedProcess[str]:
    """Plan to the end."""
    return run_python(*command(batch, *more), folder=folder, **options)


def test_a_few_kills_of_a_real_run(tmp_path: Path) -> None:
    """Three kills; ``python -m tests.trust.kills --moments 50`` does many."""
    found = kill_many(tmp_path, 3, seed=11)
    assert found["killed"] >= 2


def test_second_ctrl_c_stops_at_once(tmp_path: Path) -> None:
    """Two interrupts: exit code 130, soon, and nothing written."""
    process = start(tmp_path, str(ROOT / "examples" / "evening.toml"), "--seconds", "300")
    assert process.stderr is not None
    assert "preparing" in process.stderr.readline() or process.poll() is None
    process.send_signal(signal.SIGINT)
    time.sleep(0.2)
    process.send_signal(signal.SIGINT)
    begin = time.monotonic()
    _, errors = process.communicate(timeout=120)
    assert process.returncode == 130, errors
    assert "nothing was written" in errors
    assert time.monotonic() - begin < 5
    assert not (tmp_path / "out").exists()


def test_no_file_may_grow(tmp_path: Path) -> None:
    """A limit on the size of files stands in for a full disk: a message, exit code 2, the old output untouched."""
    write_job(tmp_path)
    assert run(tmp_path, "a.toml").returncode == 0
    before = fingerprint(tmp_path / "out")

    def small_files() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (4_000, 4_000))

    # Compiled kernels can't be stored either, which must not matter.
    done = run(tmp_path, "b.toml", preexec_fn=small_files)
    assert done.returncode == 2, done.stderr[-2000:]
    assert "Traceback" not in done.stderr
    assert "To mend:" in done.stderr
    assert fingerprint(tmp_path / "out") == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.toml", "b.toml", "leaf.svg", "out"]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of its own with room for 400 kB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400k", "nestcut-test", str(disk)],
        capture_output=True,
        check=False,
    )
    if made.returncode:
        pytest.skip("only root mounts disks")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=False)


def test_full_disk(small_disk: Path) -> None:
    """A disk that fills up while the sheets are written: a message, and the old output as it was."""
    write_job(small_disk)
    assert run(small_disk, "a.toml").returncode == 0
    before = fingerprint(small_disk / "out")
    room = os.statvfs(small_disk)
    with (small_disk / "ballast").open("wb") as file:
        file.write(b"x" * max(0, room.f_bavail * room.f_frsize - 20_000))
    done = run(small_disk, "b.toml")
    assert done.returncode == 2, done.stderr[-2000:]
    assert "disk is full" in done.stderr or "No space" in done.stderr
    assert "Traceback" not in done.stderr
    assert "was written to" in done.stderr, "an evening's planning is kept elsewhere"
    assert fingerprint(small_disk / "out") == before
    assert not list(small_disk.glob(".out-nestcut-*"))


def test_read_only_disk(small_disk: Path) -> None:
    """A disk that may not be written to is told before any planning."""
    write_job(small_disk)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    done = run(small_disk, "a.toml", "--seconds", "200")
    assert done.returncode == 2, done.stderr[-2000:]
    assert "read-only" in done.stderr
    assert "Traceback" not in done.stderr
