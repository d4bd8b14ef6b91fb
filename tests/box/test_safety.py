"""Whatever happens to the program, the disk or the file: nothing is lost, and what is wrong is said."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from nestcut import Box
from nestcut.box import file as box_file
from nestcut.box.file import BoxFile
from nestcut.box.schema import APPLICATION_ID, VERSIONS
from nestcut.errors import BoxError, NestcutError, OutputError
from tests.box.evenings import fill, snapshot

WRITER = """
import sys
from nestcut import Box
with Box(sys.argv[1]) as box:
    print("open", flush=True)
    while True:
        # Actions of many rows.
        tags = [one.tag for one in box.add(sys.argv[2], (50, 60), count=40)]
        print(tags[0], flush=True)
        box.take(tags[:20])
        print("took", flush=True)
"""


def writer(path: Path, paper: str) -> subprocess.Popen[str]:
    """A program that changes a box without end, and says so after each action."""
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), paper], stdout=subprocess.PIPE, text=True
    )


def killed_at_random(path: Path, rng: random.Random) -> None:
    """One writer, killed without warning; every action that it told of is there, each one whole."""
    with Box(path) as box:
        before = len(box.actions(100_000))
    process = writer(path, "red")
    assert process.stdout is not None
    assert process.stdout.readline() == "open\n"
    time.sleep(rng.uniform(0.0, 0.7))
    process.send_signal(signal.SIGKILL)
    told = len(process.stdout.read().split())
    process.wait()
    with Box(path) as box:
        done = len(box.actions(100_000)) - before
        # One more may be on the disk that it had no time to tell of.
        assert told <= done <= told + 1
        assert len(box.scraps()) % 20 == 0


def test_kills_lose_nothing(tmp_path: Path) -> None:
    """Killed at random moments, also while the file is made."""
    rng = random.Random(2)
    for _ in range(3):
        killed_at_random(tmp_path / "box.db", rng)
    fresh = tmp_path / "fresh.db"
    process = writer(fresh, "red")
    time.sleep(0.01)
    process.kill()
    process.wait()
    with Box(fresh) as box:
        assert len(box.scraps()) % 20 == 0


@pytest.mark.thorough
@pytest.mark.timeout(3000)
def test_fifty_kills_lose_nothing(tmp_path: Path) -> None:
    """Fifty times, on one file."""
    rng = random.Random(9)
    for _ in range(50):
        killed_at_random(tmp_path / "box.db", rng)


def test_killed_in_the_middle_of_an_action(tmp_path: Path) -> None:
    """Rows are written to the file before the action ends: the journal takes them back."""
    with Box(tmp_path / "box.db") as box:
        fill(box, 40, random.Random(1))
        before = snapshot(box)
    halfway = """
import os, sys
from nestcut.box import file as box_file
from pathlib import Path
box = box_file.BoxFile(Path(sys.argv[1]), create=False)
with box.acting("half of it") as con:
    con.execute("pragma cache_size = 1")
    con.execute("pragma cache_spill = 1")
    con.execute("update scrap set outline = outline || hex(randomblob(4000))")
    con.execute("delete from scrap where id % 2")
    os.kill(os.getpid(), 9)
"""
    done = subprocess.run([sys.executable, "-c", halfway, str(tmp_path / "box.db")], check=False)
    assert done.returncode == -9
    assert (tmp_path / "box.db-journal").exists()
    with Box(tmp_path / "box.db") as box:
        assert snapshot(box) == before
        box.undo()


def test_two_writers_wait_for_each_other(tmp_path: Path) -> None:
    """Two at once, on a box that neither had made: each action of both is there, and no tag twice."""
    path = tmp_path / "box.db"
    wrong: list[BaseException] = []

    def add(paper: str) -> None:
        try:
            with Box(path) as box:
                for _ in range(15):
                    box.add(paper, (10, 10), count=2)
        except BaseException as err:
            wrong.append(err)

    threads = [threading.Thread(target=add, args=(paper,)) for paper in ("red", "red", "blue")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    with Box(path) as box:
        assert len(box.scraps(["red"])) == 60
        assert len(box.scraps(["blue"])) == 30
        assert len(box.actions(1000)) == 45


def test_two_programs_at_once(tmp_path: Path) -> None:
    """The same with programs of their own, ended in the middle."""
    path = tmp_path / "box.db"
    both = [writer(path, "red"), writer(path, "blue")]
    time.sleep(6.0)
    for process in both:
        process.kill()
    told = [process.communicate()[0].split() for process in both]
    with Box(path) as box:
        assert 0 <= len(box.actions(100_000)) - sum(len(one) - 1 for one in told if one) <= 2
        assert len(box.scraps()) % 20 == 0


def test_a_box_in_use_is_told(box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who waits too long hears why; nothing was changed."""
    box.add("red", (10, 10))
    monkeypatch.setattr(box_file, "BUSY_S", 0.1)
    with Box(box.path) as other:
        holder = sqlite3.connect(box.path, isolation_level=None)
        holder.execute("begin immediate")
        with pytest.raises(BoxError, match="another program"):
            other.add("red", (20, 20))
        holder.execute("rollback")
        holder.close()
        other.add("red", (30, 30))
    assert len(box.scraps()) == 2


@pytest.mark.skipif(sys.platform == "win32", reason="no limits on files there")
def test_a_full_disk_changes_nothing(tmp_path: Path) -> None:
    """The file can't grow any more: the action comes to nothing, what was there stays, and later it goes on."""
    path = tmp_path / "box.db"
    with Box(path) as box:
        fill(box, 40, random.Random(1))
        before = snapshot(box)
    full = """
import resource, sys
from nestcut import Box, NestcutError
from nestcut.errors import OutputError
box = Box(sys.argv[1])
size = int(sys.argv[2])
none = resource.getrlimit(resource.RLIMIT_FSIZE)
resource.setrlimit(resource.RLIMIT_FSIZE, (size, none[1]))
try:
    box.add("red", (50, 60), count=2000)
except OutputError as err:
    print(err)
    resource.setrlimit(resource.RLIMIT_FSIZE, none)
    print(len(box.scraps()))
"""
    for size in (os.path.getsize(path), 60_000, 8192, 0):
        done = subprocess.run(
            [sys.executable, "-c", full, str(path), str(size)], capture_output=True, text=True, check=False
        )
        assert done.stderr == ""
        assert "make room" in done.stdout
        assert done.stdout.split()[-1] == "40"
        with Box(path) as box:
            assert snapshot(box) == before
    with Box(path) as box:
        assert len(box.add("red", (50, 60), count=2000)) == 2000


def test_a_device_a_folder_a_pipe_are_no_boxes(tmp_path: Path) -> None:
    """Each is told in words."""
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    for name, words in (
        ("/dev/full", "device"),
        (tmp_path / "folder", "folder"),
        (tmp_path / "pipe", "pipe"),
    ):
        with pytest.raises(BoxError, match=words):
            Box(name)


def test_a_newer_box_is_left_alone(box: Box) -> None:
    """What a newer nestcut wrote is neither read nor changed."""
    box.add("red", (10, 10))
    box.close()
    con = sqlite3.connect(box.path)
    con.execute("pragma user_version = 99")
    con.commit()
    con.close()
    before = box.path.read_bytes()
    with pytest.raises(BoxError, match="newer nestcut") as caught:
        Box(box.path)
    assert "install the newer" in caught.value.mend
    assert box.path.read_bytes() == before


def first_version(path: Path) -> None:
    """A box as version 1 made it, with two scraps of red and what can be undone."""
    con = sqlite3.connect(path, isolation_level=None)
    con.execute("begin")
    con.execute(f"pragma application_id = {APPLICATION_ID}")
    for statement in VERSIONS[0]:
        con.execute(statement)
    con.execute("pragma user_version = 1")
    con.execute("insert into box (one, id, made, seal) values (1, 'abc', '2026-01-01T00:00:00Z', '')")
    opened = BoxFile.__new__(BoxFile)
    opened._con = con
    con.execute(
        "insert into action (at, words, seal) values ('2026-01-01T00:00:00Z', 'put in 2 scraps of red', ?)",
        (opened.seal(),),
    )
    con.execute("update box set acting = 1")
    con.execute("insert into paper (name, swatch, direction, both_sides) values ('red', null, 'none', 0)")
    square = '{"type":"Polygon","coordinates":[[[10,0],[10,10],[0,10],[0,0],[10,0]]]}'
    for tag in ("red-1", "red-2"):
        con.execute(
            "insert into scrap (tag, paper, outline, source, since) values (?, 1, ?, 'by hand', '2026-01-01')",
            (tag, square),
        )
    con.execute("update box set acting = null, seal = ?", (opened.seal(),))
    con.execute("commit")
    con.close()


def test_a_box_of_version_1_is_brought_up_to_date(tmp_path: Path) -> None:
    """Nothing is lost, what could be undone still can, and the old file is kept beside it, whole."""
    path = tmp_path / "box.db"
    first_version(path)
    with Box(path) as box:
        assert [one.tag for one in box.scraps()] == ["red-1", "red-2"]
        assert box.dies() == ()
        assert box.state.id == "abc"
        (note,) = box.notes
        box.add("red", (5, 5))
        box.undo()
        box.undo()
        assert box.scraps() == ()
    copy = tmp_path / "box-copies" / "box-version-1.db"
    assert str(copy) in note
    con = sqlite3.connect(copy)
    assert con.execute("pragma user_version").fetchone() == (1,)
    assert con.execute("select count(*) from scrap").fetchone() == (2,)
    con.close()
    with Box(path) as box:
        assert box.notes == ()


def test_an_update_that_fails_leaves_the_old_version(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All of it or nothing: with a step that fails the file stays of version 1, and can be brought up to date later."""
    path = tmp_path / "box.db"
    first_version(path)
    before = path.read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(
            box_file, "VERSIONS", (VERSIONS[0], (*VERSIONS[1][:2], "insert into box (one) values (1)"))
        )
        with pytest.raises(NestcutError):
            Box(path)
    con = sqlite3.connect(path)
    assert con.execute("pragma user_version").fetchone() == (1,)
    con.close()
    assert path.read_bytes() == before
    with Box(path) as box:
        assert len(box.scraps()) == 2


def test_damage_is_told_and_left_as_it_is(tmp_path: Path) -> None:
    """Bytes overwritten anywhere, or a file cut short anywhere: the box opens with all it held, or is refused unchanged."""
    path, copy = tmp_path / "box.db", tmp_path / "copy.db"
    with Box(path) as box:
        fill(box, 24, random.Random(1))
        before = snapshot(box)
    data = path.read_bytes()
    rng = random.Random(3)
    refused = 0
    for number in range(60):
        spoilt = bytearray(data)
        if number % 3 == 0:
            del spoilt[rng.randrange(1, len(data)) :]
        else:
            at = rng.randrange(len(data) - 64)
            width = rng.choice((1, 8, 64))
            spoilt[at : at + width] = rng.randbytes(width)
        copy.write_bytes(spoilt)
        wrong = None
        try:
            with Box(copy) as box:
                assert snapshot(box) == before
        except BoxError as err:
            wrong = err
        if wrong is not None:
            refused += 1
            assert wrong.mend
            assert copy.read_bytes() == bytes(spoilt)
    assert refused >= 20


def test_a_spoilt_text_is_seen(box: Box) -> None:
    """A digit of an outline that changed on the disk, where SQLite sees nothing wrong."""
    box.add("red", (123, 77))
    box.close()
    data = box.path.read_bytes()
    assert data.count(b"[123,77]") == 1
    box.path.write_bytes(data.replace(b"[123,77]", b"[124,77]"))
    with pytest.raises(BoxError, match="damaged"):
        Box(box.path)


def test_a_spoilt_line_to_undo_is_seen(box: Box) -> None:
    """The same in what is noted to undo: a stock that never was is not brought back."""
    box.add("red", (123, 77), tag="lid")
    box.take(["lid"])
    box.close()
    data = box.path.read_bytes()
    assert data.count(b"[123,77]") >= 1
    box.path.write_bytes(data.replace(b"[123,77]", b"[124,77]"))
    with Box(box.path) as again:
        with pytest.raises(BoxError, match="can't be undone"):
            again.undo()
        assert again.scraps() == ()


def test_a_copy_of_an_earlier_day_helps(box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before the first change of a day a copy is kept; the message about damage names the last one; ten are kept."""
    today = ["2026-03-01T00:00:00Z"]
    monkeypatch.setattr(box_file, "now_text", lambda: today[0])
    for day in range(1, 15):
        today[0] = f"2026-03-{day:02}T10:00:00Z"
        box.add("red", (10, day))
        box.add("red", (20, day))
    copies = sorted(one.name for one in (box.path.parent / "box-copies").iterdir())
    assert copies == [f"box-2026-03-{day:02}.db" for day in range(5, 15)]
    box.close()
    good = box.path.read_bytes()
    box.path.write_bytes(good[:5000])
    with pytest.raises(BoxError, match="damaged") as caught:
        Box(box.path)
    assert "box-2026-03-14.db" in caught.value.mend
    shutil.copy(box.path.parent / "box-copies" / "box-2026-03-14.db", box.path)
    with Box(box.path) as again:
        assert len(again.scraps()) == 26


def foreign_table(con: sqlite3.Connection) -> None:
    con.execute("create table recipe (name text)")


def extra_trigger(con: sqlite3.Connection) -> None:
    con.execute("create trigger more after insert on scrap begin delete from paper; end")


def evil_line(con: sqlite3.Connection) -> None:
    con.execute("update undo_line set kind = 'scrap; drop table scrap'")


def odd_line(con: sqlite3.Connection) -> None:
    con.execute("update undo_line set before = '[[[[1]]]]'")


def empty_line(con: sqlite3.Connection) -> None:
    con.execute("update undo_line set kind = 'scrap', row = 99, before = '{\"tag\": null}'")


@pytest.mark.parametrize("change", [foreign_table, extra_trigger])
def test_a_box_with_another_schema_is_refused(box: Box, change: Callable[[sqlite3.Connection], None]) -> None:
    """Whatever somebody built into it never runs."""
    box.add("red", (10, 10))
    box.close()
    con = sqlite3.connect(box.path)
    change(con)
    con.commit()
    con.close()
    with pytest.raises(BoxError, match="no box of nestcut"):
        Box(box.path)


@pytest.mark.parametrize("change", [evil_line, odd_line, empty_line])
def test_lines_to_undo_are_data(box: Box, change: Callable[[sqlite3.Connection], None]) -> None:
    """Lines that somebody wrote by hand are refused, with nothing changed."""
    box.add("red", (10, 10))
    before = snapshot(box)
    con = sqlite3.connect(box.path)
    change(con)
    con.commit()
    con.close()
    with pytest.raises(BoxError) as caught:
        box.undo()
    assert caught.value.mend
    assert snapshot(box) == before


def test_other_databases_are_left_alone(tmp_path: Path) -> None:
    """A database of another program, a text, a picture: refused, not a byte changed."""
    con = sqlite3.connect(tmp_path / "other.db")
    con.execute("create table recipe (name text)")
    con.commit()
    con.close()
    (tmp_path / "text.db").write_text("scraps: three\n" * 100, encoding="utf-8")
    (tmp_path / "short.db").write_bytes(b"SQLite format 3\0")
    for name in ("other.db", "text.db", "short.db"):
        before = (tmp_path / name).read_bytes()
        with pytest.raises(BoxError):
            Box(tmp_path / name)
        assert (tmp_path / name).read_bytes() == before


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write everything")
def test_a_box_that_may_not_be_written_can_be_read(box: Box) -> None:
    """Listing works; changing says what is wrong."""
    box.add("red", (10, 10))
    box.close()
    os.chmod(box.path, 0o444)
    with Box(box.path, create=False) as again:
        assert len(again.scraps()) == 1
        with pytest.raises(OutputError, match="can't be written"):
            again.add("red", (20, 20))
