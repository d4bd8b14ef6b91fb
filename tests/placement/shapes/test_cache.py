"""Compiled kernels find a place to live, and the first run says that it takes longer."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from nestcut.placement.shapes import cache


def test_a_read_only_install_gets_a_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Neither the package nor the home folder can be written: a folder of its own is made."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", "so that what was there before is put back")
    monkeypatch.delenv("NUMBA_CACHE_DIR")
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(cache.tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(cache.os, "access", lambda *_: False)
    folder = cache.keep_kernels()
    assert folder is not None
    assert folder.is_dir()
    assert os.environ["NUMBA_CACHE_DIR"] == str(folder)


def test_a_chosen_folder_is_left_alone(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """NUMBA_CACHE_DIR set by the person stays."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    assert cache.keep_kernels() is None
    assert os.environ["NUMBA_CACHE_DIR"] == str(tmp_path)


def test_the_first_run_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without kept kernels the message comes; with newer ones it does not."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    said: list[str] = []
    assert cache.tell_if_new("sweeps.sweeps", said.append)
    assert said == ["preparing (once)"]
    folder = tmp_path / "placement_0"
    folder.mkdir()
    (folder / "sweeps.sweeps-1.py311.nbi").write_bytes(b"")
    assert not cache.tell_if_new("sweeps.sweeps", said.append)
    assert len(said) == 1
