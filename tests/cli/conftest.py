"""What the tests of the commands share."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.shared.small_job import BATCH, SQUARE


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a small good batch and its drawing; also the working folder."""
    (tmp_path / "batch.toml").write_text(BATCH, encoding="utf-8")
    (tmp_path / "leaf.svg").write_text(SQUARE, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path
