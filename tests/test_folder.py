"""The output folder is whole or absent, and never somebody else's."""

from __future__ import annotations

import errno
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from nestcut import folder as folder_module
from nestcut.errors import OutputError
from nestcut.folder import MANIFEST, check_writable, replace_folder
from tests.shared.places import ROOT

FILES = 40


def write_version(version: str):
    """Fill a folder with many files that all hold the same word."""

    def fill(where: Path) -> None:
        for number in range(FILES):
            (where / f"file-{number}.txt").write_text(version * 200, encoding="utf-8")

    return fill


def version_of(path: Path) -> str:
    """The one version that all files hold; fails when they differ or one is missing."""
    texts = {(path / f"file-{number}.txt").read_text(encoding="utf-8") for number in range(FILES)}
    assert len(texts) == 1, "files of two versions in one folder"
    (text,) = texts
    assert len(text) == 200, "a file is cut short"
    return text[0]


def test_new_folder_and_its_parents_are_made(tmp_path: Path) -> None:
    """A folder that does not exist yet is made, parents included, with a list of our files."""
    target = tmp_path / "a" / "b"
    written = replace_folder(target, write_version("x"))
    assert len(written) == FILES
    assert all(path.is_file() for path in written)
    assert (target / MANIFEST).is_file()


def test_our_old_output_is_replaced_and_other_peoples_files_are_kept(tmp_path: Path) -> None:
    """A second run replaces our files; a photo that somebody laid beside them stays."""
    target = tmp_path / "out"
    replace_folder(target, write_version("x"))
    (target / "photo.jpg").write_bytes(b"light")
    (target / "notes").mkdir()
    (target / "notes" / "a.txt").write_text("mine", encoding="utf-8")
    replace_folder(target, write_version("y"))
    assert version_of(target) == "y"
    assert (target / "photo.jpg").read_bytes() == b"light"
    assert (target / "notes" / "a.txt").read_text(encoding="utf-8") == "mine"
    assert [p.name for p in tmp_path.iterdir()] == ["out"], "something was left beside the output"


def test_files_of_ours_that_the_new_output_lacks_go_away(tmp_path: Path) -> None:
    """A lay-up drawing of the old plan does not linger beside the new plan."""
    target = tmp_path / "out"

    def more(where: Path) -> None:
        write_version("x")(where)
        (where / "layup-C.svg").write_text("old", encoding="utf-8")

    replace_folder(target, more)
    replace_folder(target, write_version("y"))
    assert not (target / "layup-C.svg").exists()


def test_foreign_folder_is_refused_and_left_alone(tmp_path: Path) -> None:
    """A folder with files of other people is never written to."""
    target = tmp_path / "holiday"
    target.mkdir()
    (target / "beach.txt").write_text("sun", encoding="utf-8")
    for act in (lambda: check_writable(target), lambda: replace_folder(target, write_version("x"))):
        with pytest.raises(OutputError) as caught:
            act()
        assert "holiday" in str(caught.value)
        assert "--out" in caught.value.mend
    assert [p.name for p in target.iterdir()] == ["beach.txt"]


def test_file_in_place_of_a_folder_is_refused(tmp_path: Path) -> None:
    """--out must not name a file."""
    target = tmp_path / "plan"
    target.write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="is a file"):
        check_writable(target)


def test_failure_while_writing_leaves_the_old_output(tmp_path: Path) -> None:
    """An error half-way leaves the old folder as it was and nothing beside it."""
    target = tmp_path / "out"
    replace_folder(target, write_version("x"))

    def fails(where: Path) -> None:
        write_version("y")(where)
        raise ValueError("half-way")

    with pytest.raises(ValueError, match="half-way"):
        replace_folder(target, fails)
    assert version_of(target) == "x"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize(
    ("code", "words"), [(errno.ENOSPC, "full"), (errno.EROFS, "read-only"), (errno.EACCES, "permission")]
)
def test_disk_trouble_ends_in_a_message(tmp_path: Path, code: int, words: str) -> None:
    """A full or read-only disk, or a folder without permission, is told in plain words."""

    def fails(_where: Path) -> None:
        raise OSError(code, os.strerror(code))

    with pytest.raises(OutputError) as caught:
        replace_folder(tmp_path / "out", fails)
    assert words in caught.value.what
    assert caught.value.mend
    assert list(tmp_path.iterdir()) == []


def test_two_renames_do_where_the_system_can_not_swap(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a swap in one step the output is still replaced, and put back after a kill in between."""
    monkeypatch.setattr(folder_module, "_exchange", lambda _a, _b: False)
    target = tmp_path / "out"
    replace_folder(target, write_version("x"))
    replace_folder(target, write_version("y"))
    assert version_of(target) == "y"
    os.rename(
        target, tmp_path / ("out" + folder_module._ASIDE)
    )  # as a kill between the two renames leaves it
    check_writable(target)
    assert version_of(target) == "y"


LOOP = f"""
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from nestcut.folder import replace_folder
def fill(version):
    def write(where):
        for number in range({FILES}):
            (where / f"file-{{number}}.txt").write_text(version * 200, encoding="utf-8")
    return write
print("ready", flush=True)
while True:
    for version in "yx":
        replace_folder(Path(sys.argv[1]), fill(version))
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux swaps two folders in one step")
def test_kill_at_any_moment_leaves_a_whole_output(tmp_path: Path) -> None:
    """A process that rewrites the folder again and again is killed (SIGKILL) at 50 random moments."""
    target = tmp_path / "out"
    replace_folder(target, write_version("x"))
    begin = time.monotonic()
    replace_folder(target, write_version("x"))
    longest = 0.02 + 4 * (time.monotonic() - begin)  # several replacements long, on a busy machine too
    rng = random.Random(5)
    seen = set()
    for _ in range(50):
        process = subprocess.Popen(
            [sys.executable, "-c", LOOP, str(target), str(ROOT)],
            stdout=subprocess.PIPE,
        )
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(rng.uniform(0.0, longest))
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        seen.add(version_of(target))
    assert seen == {"x", "y"}, "the kills never fell between two versions, so nothing was tested"


def test_plan_is_not_lost_when_the_disk_fills_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If the asked-for folder can't take the plan after all, it is written among the temporary files, and that is told."""
    from tests.shared.checked_plans import squares

    elsewhere = tmp_path / "temporary"
    elsewhere.mkdir()
    monkeypatch.setattr(folder_module.tempfile, "tempdir", str(elsewhere))
    real = folder_module.replace_folder

    def full(folder: Path, fill: object) -> list[Path]:
        if folder == tmp_path / "out":
            raise OutputError("can't be written: the disk is full", mend="make room")
        return real(folder, fill)  # type: ignore[arg-type]

    monkeypatch.setattr(folder_module, "replace_folder", full)
    with pytest.raises(OutputError, match="disk is full") as caught:
        folder_module.write_plan_folder(squares(), tmp_path / "out")
    (kept,) = elsewhere.glob("nestcut-*/plan")
    assert str(kept) in caught.value.mend
    assert {"plan.json", "run-sheet.html"} <= {path.name for path in kept.iterdir()}


def test_leftovers_of_killed_runs_are_swept(tmp_path: Path) -> None:
    """A temporary folder whose process is gone is removed after an hour; one of a living process is kept."""
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    old = time.time() - 7200
    left, fresh, alive = (
        tmp_path / f".out-nestcut-{dead.pid}-abc",
        tmp_path / f".out-nestcut-{dead.pid}-def",
        tmp_path / f".out-nestcut-{os.getpid()}-abc",
    )
    for path in (left, fresh, alive):
        path.mkdir()
    for path in (left, alive):
        os.utime(path, (old, old))
    check_writable(tmp_path / "out")
    assert not left.exists()
    assert fresh.exists()
    assert alive.exists()
