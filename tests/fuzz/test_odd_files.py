"""Files that are no plain files, or not saved as we would save them: the same rules for every reader.

Readers: drawings of dies and of scraps, batch files, tables of scraps and of cards, plan.json. A good file stays good as a
link, with a byte order mark and with the line ends of another system; what can't be read is one message with a mend.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from nestcut.cli import app
from nestcut.errors import InputError
from tests.fuzz.readers import READERS, Reader, answer
from tests.fuzz.test_readers import prepared

ALL = pytest.mark.parametrize("name", READERS)


def good(name: str, folder: Path) -> tuple[Reader, Path, bytes]:
    """A reader, the path of a good file for it (not written yet) and what is in it."""
    reader = READERS[name]
    path = prepared(reader, folder)
    data = next(seed for seed in reader.seeds() if answer(reader, path, seed) == "value")
    path.unlink()
    return reader, path, data


def refused(reader: Reader, path: Path) -> InputError:
    """The message of a file that can't be read; it names the file and says what to do."""
    with pytest.raises(InputError) as caught:
        reader.read(path)
    assert caught.value.where.file
    assert "To mend: " in str(caught.value)
    return caught.value


@ALL
@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda data: b"\xef\xbb\xbf" + data.removeprefix(b"\xef\xbb\xbf"), id="mark"),
        pytest.param(lambda data: data.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"), id="crlf"),
        pytest.param(
            lambda data: (
                b"\xef\xbb\xbf"
                + data.removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n").replace(b"\n", b"\r\n")
            ),
            id="both",
        ),
    ],
)
def test_saved_on_another_system(name: str, change: Callable[[bytes], bytes], tmp_path: Path) -> None:
    """A byte order mark and CRLF line ends change nothing."""
    reader, path, data = good(name, tmp_path)
    path.write_bytes(data)
    plain = reader.read(path)
    path.write_bytes(change(data))
    assert reader.read(path) == plain or str(reader.read(path)) == str(plain)


@ALL
def test_links_are_followed_to_files_only(name: str, tmp_path: Path) -> None:
    """A link to a good file is as good as the file; one to nothing, to itself or to a folder is a message."""
    reader, path, data = good(name, tmp_path)
    beyond = tmp_path / "elsewhere"
    beyond.mkdir()
    real = beyond / path.name
    real.write_bytes(data)
    path.symlink_to(real)
    assert reader.sane(reader.read(path))
    for target in ("gone", path.name, "elsewhere"):
        path.unlink()
        path.symlink_to(target)
        refused(reader, path)


@ALL
def test_what_is_no_file(name: str, tmp_path: Path) -> None:
    """A folder, a pipe that nobody writes to, a device, nothing at all: messages, and nobody waits."""
    reader, path, _ = good(name, tmp_path)
    assert "no such file" in refused(reader, path).what
    path.mkdir()
    assert "folder" in refused(reader, path).what
    path.rmdir()
    if sys.platform != "win32":
        os.mkfifo(path)
        assert re.search("pipe|plain file|regular file", refused(reader, path).what)
        path.unlink()
        path.symlink_to("/dev/zero")
        assert re.search("device|plain file|regular file", refused(reader, path).what)
    assert refused(reader, tmp_path / ("x" * 300 + path.suffix))
    assert refused(reader, tmp_path / f"a\0b{path.suffix}")


@ALL
def test_empty_and_foreign_letters(name: str, tmp_path: Path) -> None:
    """An empty file, bytes that are no UTF-8, UTF-32 and half a letter: a message each, never other letters in their place."""
    reader, path, data = good(name, tmp_path)
    text = data.decode("utf-8-sig")
    middle = len(data) // 2
    for odd in (
        b"",
        b"\xef\xbb\xbf",
        b"\x00" * 64,
        data[:middle] + b"\xe9" + data[middle:],
        data[:middle] + b"\xf0\x9f\x8c" + data[middle:],
        text.encode("utf-32"),
    ):
        path.write_bytes(odd)
        refused(reader, path)
    path.write_bytes(text.encode("utf-16-le"))  # XML shows by its first letters that it is UTF-16
    if reader.file.endswith(".svg"):
        assert reader.sane(reader.read(path))
    else:
        refused(reader, path)


@pytest.mark.parametrize("command", ["plan", "estimate", "check", "dies"])
def test_commands_given_no_file(command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder without a plan, a name that is not there, a link to itself: exit code 2, one message, nothing written."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").mkdir()
    (tmp_path / "round").symlink_to("round")
    for argument in ("empty", "gone.toml", "round"):
        result = CliRunner().invoke(app, [command, argument])
        assert result.exit_code == 2, (argument, result.output)
        assert "Error" in result.stderr
        assert "Traceback" not in result.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["empty", "round"]


def test_a_folder_of_sheets_that_was_taken_apart(tmp_path: Path) -> None:
    """``check`` of an output folder reads its plan.json alone: missing, a folder or a link to itself, it says so."""
    sheets = tmp_path / "sheets"
    _, plan, data = good("plan", tmp_path)
    sheets.mkdir()
    (sheets / "plan.json").write_bytes(data)
    assert CliRunner().invoke(app, ["check", str(sheets)]).exit_code in (0, 1)
    (sheets / "plan.json").unlink()
    assert CliRunner().invoke(app, ["check", str(sheets)]).exit_code == 2
    (sheets / "plan.json").mkdir()
    assert CliRunner().invoke(app, ["check", str(sheets)]).exit_code == 2
    shutil.rmtree(sheets / "plan.json")
    (sheets / "plan.json").symlink_to("plan.json")
    result = CliRunner().invoke(app, ["check", str(sheets)])
    assert result.exit_code == 2
    assert plan.name in result.stderr


@pytest.mark.parametrize(
    "outline",
    ["../../secret.txt", "../secret.svg", "/etc/hostname", "../", "..", "~/x.svg", "file:///etc/hostname"],
)
def test_nothing_but_drawings_is_read_outside_the_folder(outline: str, tmp_path: Path) -> None:
    """A batch file and a table of scraps may name drawings elsewhere, and a message never quotes what else stands there."""
    folder = tmp_path / "a" / "b"
    folder.mkdir(parents=True)
    for place in (tmp_path / "secret.txt", tmp_path / "a" / "secret.svg"):
        place.write_text("the combination is 1234\n", encoding="utf-8")
    for name, old, new in (
        ("batch", b'outline = "leaf.svg"', f'outline = "{outline}"'.encode()),
        ("scraps-csv", b"leaf.svg", outline.encode()),
    ):
        reader = READERS[name]
        path = prepared(reader, folder)
        seed = next(seed for seed in reader.seeds() if old in seed)
        path.write_bytes(seed.replace(old, new))
        assert "1234" not in str(refused(reader, path))
    shutil.copy(prepared(READERS["batch"], folder).with_name("leaf.svg"), tmp_path / "a" / "leaf.svg")
    path.write_bytes(
        next(s for s in READERS["scraps-csv"].seeds() if b"leaf.svg" in s).replace(
            b"leaf.svg", b"../leaf.svg"
        )
    )
    assert READERS["scraps-csv"].read(path)
