"""A small job that ends by proof, in two versions, and the command that plans it in a process of its own."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.shared.places import ROOT
from tests.shared.small_job import BATCH, SQUARE

__all__ = ["command", "environment", "fingerprint", "run_python", "start", "write_job"]


def write_job(folder: Path) -> None:
    """Two batches, ``a.toml`` (2 kits) and ``b.toml`` (3 kits), with their drawing."""
    (folder / "leaf.svg").write_text(SQUARE, encoding="utf-8")
    (folder / "a.toml").write_text(BATCH, encoding="utf-8")
    (folder / "b.toml").write_text(BATCH.replace("kits = 2", "kits = 3"), encoding="utf-8")


def command(batch: str, *more: str) -> list[str]:
    """What follows ``python`` for ``nestcut plan`` of a batch, into ``out``."""
    return ["-m", "nestcut", "plan", batch, "--out", "out", *more]


def environment(**more: str) -> dict[str, str]:
    """The environment, with this tree importable."""
    return {**os.environ, "PYTHONPATH": str(ROOT), **more}


def run_python(
    *arguments: str, folder: Path = ROOT, seconds: float = 280, **options: Any
) -> subprocess.CompletedProcess[str]:
    """Run this Python with some arguments to its end, in a folder; what it says is kept as text."""
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=folder,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
        timeout=seconds,
        **options,
    )


def start(folder: Path, batch: str, *more: str, **options: Any) -> subprocess.Popen[str]:
    """Start planning in a process of its own."""
    return subprocess.Popen(
        [sys.executable, *command(batch, *more)],
        cwd=folder,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **options,
    )


def fingerprint(folder: Path) -> str | None:
    """A digest of all names and bytes in a folder; None when it is not there."""
    if not folder.exists():
        return None
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            digest.update(f"{path.relative_to(folder).as_posix()}\0{path.stat().st_size}\0".encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()
