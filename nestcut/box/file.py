"""The file of a box: opened with care, changed in whole actions, copied before anything large happens to it.

SQLite keeps a rollback journal beside the file while an action is written. Whoever opens the file next, after a kill or a power
cut, puts back what was not finished. A journal is safer than a write-ahead log where the folder is synced or on a network:
between two actions there is one file only, and it is whole.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from nestcut._files import shown
from nestcut.box.schema import APPLICATION_ID, SEALED, VERSION, VERSIONS
from nestcut.errors import BoxError, NestcutError, OutputError, Where, found_at

__all__ = ["BoxFile", "now_text"]

BUSY_S = 10.0
"""How long to wait for another program that is at work on the box."""
MOST_TEXT = 64_000_000
"""Longest text in a box, bytes; an outline of 200,000 points has 8 million."""
KEPT_COPIES = 10
"""Copies of earlier days that are kept."""
_DAMAGED = {
    sqlite3.SQLITE_CORRUPT,
    sqlite3.SQLITE_NOTADB,
    sqlite3.SQLITE_FORMAT,
    # What an action puts back does not fit: only a file that somebody changed by hand has such lines.
    sqlite3.SQLITE_CONSTRAINT,
    sqlite3.SQLITE_MISMATCH,
}
_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL}
_CLOSED = {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH}


def now_text() -> str:
    """The time, ISO 8601, UTC, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class BoxFile:
    """An open box file.

    Args:
        path: the file.
        create: make it where it is missing or empty.
    Raises: BoxError where it is no box, damaged, or of a newer version; OutputError where it can't be made or brought up to date.
    """

    def __init__(self, path: Path, *, create: bool) -> None:
        self.path = path
        self.where = Where(file=shown(path))
        self.notes: list[str] = []
        if not _holds_something(path, self.where):
            if not create:
                raise BoxError(
                    "there is no box here yet",
                    mend="put the first scrap in (nestcut box add red A5), or name the file with --box",
                    where=self.where,
                )
            try:
                path.absolute().parent.mkdir(parents=True, exist_ok=True)
            except OSError as err:
                raise OutputError(
                    f"the folder of the box can't be made ({err.strerror})",
                    mend="name another file with --box",
                    where=self.where,
                ) from err
        with self._in_words(opening=True):
            self._con = self._connect("rwc" if create else "rw")
        try:
            with self._in_words(opening=True):
                self._ready(create)
        except BaseException:
            self._con.close()
            raise

    def close(self) -> None:
        """Close the file; nothing is lost if this is never called."""
        self._con.close()

    # ------------------------------------------------------------------ reading and acting

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """All that is read inside is of one moment. Raises: BoxError or OutputError."""
        with self._in_words():
            self._con.execute("begin")
            try:
                yield self._con
            finally:
                with suppress(sqlite3.Error):  # an error of the disk has ended it already
                    self._con.execute("rollback")

    @contextmanager
    def acting(self, words: str) -> Iterator[sqlite3.Connection]:
        """One action: all of what is changed inside is kept, or nothing; it can be undone, and what was undone before no longer redone.

        Raises: BoxError or OutputError, with nothing changed; whatever is raised inside, likewise.
        """
        with self.writing() as con:
            con.execute("delete from action where undone = 1")
            action = con.execute(
                "insert into action (at, words, seal) select ?, ?, seal from box", (now_text(), words)
            ).lastrowid
            con.execute("update box set acting = ?", (action,))
            yield con
            con.execute("update box set acting = null")

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Everything that is changed inside is kept, and sealed, or nothing is. Raises: as :meth:`acting`."""
        with self._in_words():
            self._copy_of_the_day()
            self._con.execute("begin immediate")
            try:
                if self._number("user_version") != VERSION:
                    raise self._newer(self._number("user_version"))
                yield self._con
                self._con.execute("update box set seal = ?", (self.seal(),))
                self._con.execute("commit")
            except BaseException:
                # Where the disk is full SQLite may have rolled back already.
                with suppress(sqlite3.Error):
                    self._con.execute("rollback")
                raise

    # ------------------------------------------------------------------ opening

    def _connect(self, mode: str) -> sqlite3.Connection:
        con = sqlite3.connect(
            f"{self.path.absolute().as_uri()}?mode={mode}", uri=True, isolation_level=None, timeout=BUSY_S
        )
        # What a disk has spoilt may be no text any more: then it is not what was sealed.
        con.text_factory = lambda raw: raw.decode("utf-8", "replace")
        con.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, MOST_TEXT)
        con.setlimit(sqlite3.SQLITE_LIMIT_ATTACHED, 1)  # VACUUM INTO takes one
        for pragma in (
            "trusted_schema = off",
            "cell_size_check = on",
            "foreign_keys = on",
            "temp_store = memory",
            # With EXTRA the folder is written to the disk, too, when a journal goes.
            "synchronous = extra",
        ):
            con.execute(f"pragma {pragma}")
        return con

    def _ready(self, create: bool) -> None:
        if create and self._is_empty():
            self._make()
        if self._look_through() < VERSION:
            self._bring_up_to_date()
            self._look_through()
        # Our own triggers make JSON, which some versions of SQLite take for unsafe in a schema that is not trusted.
        self._con.execute("pragma trusted_schema = on")
        if self._con.execute("pragma journal_mode").fetchone()[0] != "delete":
            self._con.execute("pragma journal_mode = delete")

    def _look_through(self) -> int:
        """The version of a box that is sound. Raises: BoxError."""
        self._con.execute("begin")
        try:
            version = self._version()
            # First of all: nothing else may be asked of a schema that is not ours, whose checks and triggers would run.
            if _schema(self._con) != _schema_of(version):
                raise self._damaged()
            if self._con.execute("pragma quick_check(1)").fetchone()[0] != "ok":
                raise self._damaged()
            row = self._con.execute("select seal from box").fetchone()
            if row is None or row[0] != self.seal():
                raise self._damaged()
            return version
        finally:
            with suppress(sqlite3.Error):
                self._con.execute("rollback")

    def _is_empty(self) -> bool:
        # Not what SQLite says: it takes a file of a few bytes for an empty one, and counts the page that it is about to write.
        return not _holds_something(self.path, self.where)

    def _number(self, pragma: str) -> int:
        return int(self._con.execute(f"pragma {pragma}").fetchone()[0])

    def _version(self) -> int:
        """The version that the file says. Raises: BoxError for one that is not known, and for any other database."""
        if self._number("page_count") == 0:
            raise self._damaged()
        version = self._number("user_version")
        if self._number("application_id") != APPLICATION_ID or version < 1:
            raise BoxError(
                "this is a database, but no box of nestcut, and it is left alone",
                mend="name the box, or a new file, with --box",
                where=self.where,
            )
        if version > VERSION:
            raise self._newer(version)
        return version

    def _make(self) -> None:
        """The tables of a new box. Two programs may come here at once: the second finds them made."""
        con = self._con
        con.execute("pragma journal_mode = delete")
        con.execute("begin immediate")
        try:
            if self._is_empty():
                con.execute(f"pragma application_id = {APPLICATION_ID}")
                for statements in VERSIONS:
                    for statement in statements:
                        con.execute(statement)
                con.execute(
                    "insert into box (one, id, made, seal) values (1, ?, ?, ?)",
                    (secrets.token_hex(8), now_text(), self.seal()),
                )
                con.execute(f"pragma user_version = {VERSION}")
            con.execute("commit")
        except BaseException:
            with suppress(sqlite3.Error):
                con.execute("rollback")
            raise

    def _bring_up_to_date(self) -> None:
        """Take the file to our version, all of it or nothing, with a copy of it as it was beside it."""
        con = self._con
        copy = self._copy(f"version-{self._version()}")
        con.execute("begin immediate")
        try:
            # Another program may have been faster.
            for number in range(self._version(), VERSION):
                for statement in VERSIONS[number]:
                    con.execute(statement)
            con.execute(f"pragma user_version = {VERSION}")
            con.execute("commit")
        except BaseException:
            with suppress(sqlite3.Error):
                con.execute("rollback")
            raise
        self.notes.append(f"The box was brought up to date; as it was before, it is kept as {shown(copy)}.")

    def seal(self) -> str:
        """Digest of the whole stock (SHA-256): a text that a disk has spoilt is seen, where SQLite sees nothing wrong."""
        digest = hashlib.sha256()
        tables = {row[0] for row in self._con.execute("select name from sqlite_master where type = 'table'")}
        for table, query in SEALED.items():
            if table in tables:
                for row in self._con.execute(query):
                    digest.update(json.dumps([table, *row]).encode("ascii"))
        return digest.hexdigest()

    # ------------------------------------------------------------------ copies

    @property
    def copies(self) -> Path:
        """The folder of the copies, beside the file."""
        return self.path.with_name(f"{self.path.stem}-copies")

    def _copy_of_the_day(self) -> None:
        """Before the first change of a day: a copy of the box as it is. The last ten such copies are kept."""
        today = now_text()[:10]
        name = self.copies / f"{self.path.stem}-{today}.db"
        if name.exists() or self._con.execute("select count(*) from action").fetchone()[0] == 0:
            return
        self._copy(today)
        kept = sorted(self.copies.glob("*-[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9].db"))
        for old in kept[:-KEPT_COPIES]:
            with suppress(OSError):
                old.unlink()

    def _copy(self, words: str) -> Path:
        """A copy of the file as it is, whole or not at all. Returns: its path."""
        name = self.copies / f"{self.path.stem}-{words}.db"
        part = self.copies / f".{secrets.token_hex(6)}.part"
        try:
            self.copies.mkdir(exist_ok=True)
            self._con.execute("vacuum into ?", (str(part),))
            with open(part, "rb+") as file:
                os.fsync(file.fileno())
            os.replace(part, name)
        except OSError as err:
            raise OutputError(
                f"a copy of the box can't be kept ({err.strerror}), so nothing was changed",
                mend="make room on the disk, and check that you may write beside the box",
                where=Where(file=shown(name)),
            ) from err
        finally:
            with suppress(OSError):
                part.unlink()
        return name

    def _last_copy(self) -> Path | None:
        """The copy that was written last."""
        with suppress(OSError):
            return max(self.copies.glob("*.db"), key=lambda one: one.stat().st_mtime, default=None)
        return None

    # ------------------------------------------------------------------ what can go wrong, in words

    def _damaged(self) -> BoxError:
        copy = self._last_copy()
        from_copy = f"copy {shown(copy)} over it" if copy else "put a copy of it in its place"
        return BoxError(
            "this is no box of nestcut, or a damaged one; it is left as it is",
            mend=f"{from_copy}, or take in an export: nestcut box import FILE --box new.db",
            where=self.where,
        )

    def _newer(self, version: int) -> BoxError:
        return BoxError(
            f"the box was written by a newer nestcut (version {version}; this one knows {VERSION}); it is left as it is",
            mend="install the newer nestcut",
            where=self.where,
        )

    @contextmanager
    def _in_words(self, *, opening: bool = False) -> Iterator[None]:
        """Errors of SQLite as errors that a person can mend; all that is raised inside names the file.

        While a file is opened, what SQLite can't make sense of is the file's fault; afterwards it is ours.
        """
        try:
            with found_at(self.where):
                yield
        except sqlite3.Error as err:
            raise self._worded(err, opening) from err
        except UnicodeDecodeError as err:
            # A message of SQLite that quotes a schema which is no text any more.
            raise self._damaged() from err

    def _worded(self, err: sqlite3.Error, opening: bool) -> NestcutError:
        code = (getattr(err, "sqlite_errorcode", None) or 0) & 0xFF
        if code in _DAMAGED or (opening and code == sqlite3.SQLITE_ERROR):
            return self._damaged()
        if code in _BUSY:
            return BoxError(
                "another program is at work on the box; nothing was changed",
                mend="wait until it is done, then try again",
                where=self.where,
            )
        if code in _CLOSED:
            return OutputError(
                "the box can't be written, or not be opened",
                mend="check that you may read and write the file and its folder",
                where=self.where,
            )
        if code == sqlite3.SQLITE_FULL:
            what = "the disk is full; the box is as it was"
        elif code == sqlite3.SQLITE_IOERR:
            what = "the disk can't be read or takes no more; the box is as it was"
        elif code == sqlite3.SQLITE_TOOBIG:
            return BoxError(
                "a text in the box is too long", mend="use an outline with fewer points", where=self.where
            )
        else:
            raise err  # a mistake of ours
        return OutputError(what, mend="make room on the disk, then try again", where=self.where)


def _holds_something(path: Path, where: Where) -> bool:
    """False where there is no file yet, or an empty one. Raises: BoxError for what can't be a box."""
    try:
        status = os.stat(path)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except (OSError, ValueError) as err:
        raise BoxError(
            f"can't be looked at ({getattr(err, 'strerror', None) or err})",
            mend="check the name and that you may read it",
            where=where,
        ) from None
    if stat.S_ISDIR(status.st_mode):
        raise BoxError("this is a folder, not a box", mend="name the file of the box with --box", where=where)
    if not stat.S_ISREG(status.st_mode):
        raise BoxError(
            "this is a device or a pipe, not a box", mend="name a file on disk with --box", where=where
        )
    return status.st_size > 0


def _schema(con: sqlite3.Connection) -> list[Any]:
    return con.execute("select type, name, tbl_name, sql from sqlite_master order by type, name").fetchall()


@cache
def _schema_of(version: int) -> list[Any]:
    con = sqlite3.connect(":memory:")
    for statements in VERSIONS[:version]:
        for statement in statements:
            con.execute(statement)
    return _schema(con)
