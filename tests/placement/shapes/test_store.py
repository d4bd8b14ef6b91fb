"""What is kept on disk between runs: the same as worked out anew, whatever happens to the files."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from nestcut.placement import Part, least_length
from nestcut.placement.shapes import store
from tests.shared.shapes import blossom


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store of its own that keeps everything."""
    monkeypatch.setenv("NESTCUT_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(store, "WORTH_S", 0.0)
    return tmp_path / "cache" / "no-fit"


def made(value: float, calls: list[float]) -> tuple[NDArray, ...]:
    calls.append(value)
    return np.full((3, 2), value), np.arange(4)


def test_found_again_by_content_and_damage_is_noticed(folder: Path) -> None:
    """Worked out once for an input; another input, a damaged or cut file: worked out anew."""
    calls: list[float] = []
    given = [np.array([1.0, 2.0])]
    for _ in range(2):
        one, two = store.kept(given, lambda: made(7.0, calls))
        assert (one == 7.0).all()
        assert two.tolist() == [0, 1, 2, 3]
    assert calls == [7.0]
    store.kept([np.array([1.0, 2.0 + 1e-15])], lambda: made(8.0, calls))
    assert calls == [7.0, 8.0]
    empty = hashlib.sha256(b"").digest()
    for damage in (
        lambda data: data[:-20],
        lambda data: data[:60] + b"\0" + data[61:],
        lambda data: b"",
        lambda data: empty,  # whole, and nothing
        lambda data: hashlib.sha256(b"PK\3\4no").digest() + b"PK\3\4no",
        lambda data: data + b"\0",
    ):
        for path in folder.iterdir():
            path.write_bytes(damage(path.read_bytes()))
        before = len(calls)
        assert (store.kept(given, lambda: made(7.0, calls))[0] == 7.0).all()
        assert len(calls) == before + 1


def test_a_damaged_file_is_mended_also_where_it_was_quick(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It would be tried in vain for ever."""
    given = [np.array([1.0])]
    store.kept(given, lambda: made(7.0, []))
    (path,) = folder.iterdir()
    whole = path.read_bytes()
    path.write_bytes(whole[:-3])
    monkeypatch.setattr(store, "WORTH_S", 3600.0)
    store.kept(given, lambda: made(7.0, []))
    calls: list[float] = []
    store.kept(given, lambda: made(7.0, calls))
    assert calls == []


def test_the_folder_is_bounded(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Never much above the limit; what was used last stays."""
    monkeypatch.setattr(store, "MOST_BYTES", 64_000)
    monkeypatch.setattr(store, "_LOOK_EVERY", 8_000)
    for k in range(60):
        store.kept([np.array([float(k)])], lambda k=k: (np.full(500, float(k)),))
    assert sum(path.stat().st_size for path in folder.iterdir()) <= 72_000
    calls: list[float] = []
    store.kept([np.array([59.0])], lambda: made(59.0, calls))
    assert calls == []


def test_without_a_folder_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Off, or where nothing can be written: worked out each time."""
    calls: list[float] = []
    (tmp_path / "file").write_text("in the way")
    for place in ("off", str(tmp_path / "file")):
        monkeypatch.setenv("NESTCUT_CACHE", place)
        store.kept([np.zeros(1)], lambda: made(1.0, calls))
        store.kept([np.zeros(1)], lambda: made(1.0, calls))
    assert len(calls) == 4


def test_a_strip_from_kept_regions_is_the_same(folder: Path) -> None:
    """Second run from disk: the same layout to the last bit."""
    parts = [Part("b", blossom(5, 8.0), (0.0, 90.0), least=3)]
    one = least_length(parts, 40.0, gap_mm=1.0, seconds=600, moves_limit=300)
    assert any(folder.iterdir())
    two = least_length(parts, 40.0, gap_mm=1.0, seconds=600, moves_limit=300)
    assert one.placed == two.placed
