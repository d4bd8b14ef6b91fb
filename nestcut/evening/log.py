"""The log of an evening: a file of events that only grows.

SQLite with a rollback journal, synced to the disk before :meth:`EventLog.append` returns: an event that was acknowledged outlives
a kill or a power cut, and one that was not is there whole or not at all. The same id is kept once, whoever sends it again.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

from nestcut._files import shown
from nestcut.errors import InputError, OutputError, Where
from nestcut.evening.state import KINDS, Event
from nestcut.plans import plan_digest
from nestcut.plans.model import Plan

__all__ = ["EventLog"]

APPLICATION_ID = 0x6E637465
"""In the header of the file: a database of nestcut's (the letters ncte)."""
VERSION = 1
BUSY_S = 10.0
MOST_EVENTS = 1_000_000
MOST_TEXT = 10_000
_TABLES = (
    "create table evening (one integer primary key check (one = 1), plan text not null) strict",
    "create table event (number integer primary key, id text not null unique, kind text not null, at text not null, "
    "data text not null) strict",
    # What happened is never changed: undoing is an event of its own.
    "create trigger event_stays before update on event begin select raise(abort, 'events stay'); end",
    "create trigger event_kept before delete on event begin select raise(abort, 'events stay'); end",
)


class EventLog:
    """The log of a plan's evening.

    Args:
        path: the file; made where it is missing.
        plan: what the events are about.
    Raises: InputError where the file is no such log, or of another plan; OutputError where it can't be made.
    """

    def __init__(self, path: str | os.PathLike[str], plan: Plan) -> None:
        self.path = Path(path)
        self._where = Where(file=shown(self.path))
        with self._in_words():
            self._con = sqlite3.connect(self.path, isolation_level=None, timeout=BUSY_S)
        try:
            with self._in_words():
                self._ready(plan_digest(plan))
        except BaseException:
            self._con.close()
            raise

    def __enter__(self) -> EventLog:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; nothing is lost if this is never called."""
        self._con.close()

    def append(self, event: Event) -> bool:
        """Keep an event. Returns: False where its id was there already, and nothing was changed.

        Raises: InputError for an event that no log takes; OutputError where it can't be written.
        """
        text = json.dumps(dict(event.data), sort_keys=True)
        if event.kind not in KINDS or not 0 < len(event.id) <= 100 or len(text) > MOST_TEXT:
            raise InputError("this is no event of an evening", where=self._where)
        at = event.at or datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        with self._in_words():
            self._con.execute("begin immediate")
            try:
                if self._con.execute("select count(*) from event").fetchone()[0] >= MOST_EVENTS:
                    raise InputError("the log is full", where=self._where)
                done = self._con.execute(
                    "insert into event (id, kind, at, data) values (?, ?, ?, ?) on conflict (id) do nothing",
                    (event.id, event.kind, at, text),
                ).rowcount
                self._con.execute("commit")
            except BaseException:
                with suppress(sqlite3.Error):
                    self._con.execute("rollback")
                raise
        return done == 1

    def events(self) -> list[Event]:
        """All events, in the order in which they came. Raises: InputError for a damaged file."""
        with self._in_words():
            rows = self._con.execute("select id, kind, data, at from event order by number").fetchall()
        try:
            return [Event(id_, kind, json.loads(data), at) for id_, kind, data, at in rows]
        except ValueError:
            raise self._damaged() from None

    def _ready(self, digest: str) -> None:
        con = self._con
        for pragma in ("trusted_schema = off", "cell_size_check = on", "synchronous = extra"):
            con.execute(f"pragma {pragma}")
        con.execute("begin immediate")  # two programs may come here at once
        try:
            if con.execute("select count(*) from sqlite_master").fetchone()[0] == 0:
                con.execute(f"pragma application_id = {APPLICATION_ID}")
                con.execute(f"pragma user_version = {VERSION}")
                for table in _TABLES:
                    con.execute(table)
                con.execute("insert into evening (one, plan) values (1, ?)", (digest,))
            schema = {row[0] for row in con.execute("select sql from sqlite_master where sql is not null")}
            if (
                con.execute("pragma application_id").fetchone()[0] != APPLICATION_ID
                or con.execute("pragma user_version").fetchone()[0] != VERSION
                or {sql.lower() for sql in schema} != {table.lower() for table in _TABLES}
                or con.execute("pragma quick_check(1)").fetchone()[0] != "ok"
            ):
                raise self._damaged()
            if con.execute("select plan from evening").fetchone() != (digest,):
                raise InputError(
                    "this log is of another plan; it is left as it is",
                    mend="move it elsewhere to begin the evening of this plan",
                    where=self._where,
                )
            con.execute("commit")
        except BaseException:
            with suppress(sqlite3.Error):
                con.execute("rollback")
            raise

    def _damaged(self) -> InputError:
        return InputError(
            "this is no log of an evening, or a damaged one; it is left as it is",
            mend="move it elsewhere; tell what was done with nestcut go-on --after",
            where=self._where,
        )

    @contextmanager
    def _in_words(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.DatabaseError as err:
            code = (getattr(err, "sqlite_errorcode", None) or 0) & 0xFF
            if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT):
                raise self._damaged() from err
            raise OutputError(
                f"the log of the evening can't be written ({err})",
                mend="check the disk, and that no other program holds the file; nothing was changed",
                where=self._where,
            ) from err
