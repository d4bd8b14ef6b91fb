"""What the tests of the box share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from nestcut import Box


@pytest.fixture(autouse=True)
def usual_box(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The usual box of a test lies in its own folder, never among the user's data."""
    path = tmp_path / "usual" / "box.db"
    monkeypatch.setenv("NESTCUT_BOX", str(path))
    return path


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Box]:
    """An empty box."""
    with Box(tmp_path / "box.db") as opened:
        yield opened
