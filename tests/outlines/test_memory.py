"""What is kept of drawings that were read before: never stale, never trusted blindly."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from nestcut.errors import OutlineError
from nestcut.outlines import memory, read_die, read_scrap
from nestcut.outlines.memory import remembered_die, remembered_scrap
from tests.shared.places import SHAPES

SQUARE = '<svg xmlns="http://www.w3.org/2000/svg" width="40mm" height="40mm" viewBox="0 0 40 40"><path d="M5 5H{x}V25H5Z"/></svg>'


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("NESTCUT_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return tmp_path / "cache" / "nestcut" / "outlines"


def never(*_: object, **__: object) -> None:
    raise AssertionError("the drawing was read again")


def test_the_second_reading_gives_the_very_same(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = SHAPES / "dog-rose.svg"
    first = remembered_die(path, rim_mm=1.6)
    assert first == read_die(path, rim_mm=1.6)
    monkeypatch.setattr("nestcut.outlines.read.read_die", never)
    assert remembered_die(path, rim_mm=1.6) == first
    with pytest.raises(AssertionError):
        remembered_die(path, rim_mm=1.7)  # another rim is another reading


def test_a_scrap_too(cache: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "scrap.svg"
    path.write_text(SQUARE.format(x=35))
    assert remembered_scrap(path) == read_scrap(path)
    monkeypatch.setattr("nestcut.outlines.read.read_scrap", never)
    assert remembered_scrap(path).outline.bounds == pytest.approx((0, 0, 30, 20))


def test_a_drawing_that_was_changed_is_read_anew(cache: Path, tmp_path: Path) -> None:
    path = tmp_path / "die.svg"
    path.write_text(SQUARE.format(x=35))
    assert remembered_die(path).cut.area == pytest.approx(600)
    path.write_text(SQUARE.format(x=25))
    assert remembered_die(path).cut.area == pytest.approx(400)


def damaged(entry: bytes) -> list[bytes]:
    """The file of an entry as disks, crashes and other programs leave it."""
    value = entry[32:]
    moved = value.replace(b"2E40", b"2D40")  # a coordinate moved: JSON and polygon are as good as before
    others = (b"{", b"[]", b"null", b"{}", b"[" * 100_000)
    return [
        b"",
        entry[:20],
        entry[:-5],
        value,
        entry + b" ",
        b"\0" * len(entry),
        entry[:32] + moved,
        *(hashlib.sha256(other).digest() + other for other in others),
    ]


def test_a_damaged_entry_is_passed_over_and_mended(cache: Path, tmp_path: Path) -> None:
    """Whatever became of the file, the outline is that of the drawing, and the file is whole again."""
    path = tmp_path / "die.svg"
    path.write_text(SQUARE.format(x=35))
    good = remembered_die(path)
    (entry,) = cache.iterdir()
    whole = entry.read_bytes()
    assert whole.replace(b"2E40", b"2D40") != whole
    for damage in damaged(whole):
        entry.write_bytes(damage)
        assert remembered_die(path) == good
        assert entry.read_bytes() == whole


def test_a_pipe_in_the_place_of_an_entry_is_not_waited_for(cache: Path, tmp_path: Path) -> None:
    """And a folder there is no reason to fail."""
    path = tmp_path / "die.svg"
    path.write_text(SQUARE.format(x=35))
    good = remembered_die(path)
    (entry,) = cache.iterdir()
    entry.unlink()
    os.mkfifo(entry)
    assert remembered_die(path) == good
    entry.unlink()
    entry.mkdir()
    assert remembered_die(path) == good


def test_off_is_off(cache: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """NESTCUT_CACHE=off keeps no outlines either; a folder named there holds them."""
    path = tmp_path / "die.svg"
    path.write_text(SQUARE.format(x=35))
    monkeypatch.setenv("NESTCUT_CACHE", "off")
    assert remembered_die(path) == read_die(path)
    assert not cache.exists()
    monkeypatch.setenv("NESTCUT_CACHE", str(tmp_path / "own"))
    remembered_die(path)
    assert not cache.exists()
    assert len(list((tmp_path / "own" / "outlines").iterdir())) == 1


def test_mistakes_are_not_kept(cache: Path, tmp_path: Path) -> None:
    path = tmp_path / "die.svg"
    path.write_text("<svg xmlns='http://www.w3.org/2000/svg'/>")
    for _ in range(2):
        with pytest.raises(OutlineError):
            remembered_die(path)
    assert not cache.exists()


def test_where_nothing_can_be_kept_drawings_are_read_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("NESTCUT_CACHE", str(tmp_path / "file"))
    assert remembered_die(SHAPES / "campion.svg") == read_die(SHAPES / "campion.svg")


def test_the_oldest_go_first(cache: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory, "MOST_KEPT", 3)
    path = tmp_path / "die.svg"
    for x in range(20, 26):
        path.write_text(SQUARE.format(x=x))
        remembered_die(path)
    assert len(list(cache.iterdir())) == 3
