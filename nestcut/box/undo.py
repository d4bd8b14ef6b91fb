"""Undoing an action, and doing it again: the rows that it changed are put back as they were.

Each line of an action holds a row as it was before it changed. Putting these back, the last first, undoes the action; the triggers of
the tables note meanwhile what that changes, and so the same walk over the new lines does it again.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable

from nestcut.box.schema import STOCK
from nestcut.box.values import Action
from nestcut.errors import BoxError

__all__ = ["actions", "latest", "next_undone", "toggle"]

_COLUMNS = "id, at, words, undone"


def actions(con: sqlite3.Connection, most: int) -> tuple[Action, ...]:
    """The last actions, the latest first."""
    rows = con.execute(f"select {_COLUMNS} from action order by id desc limit ?", (most,))
    return tuple(_action(row) for row in rows)


def latest(con: sqlite3.Connection) -> Action | None:
    """The action that is undone next."""
    row = con.execute(f"select {_COLUMNS} from action where undone = 0 order by id desc limit 1").fetchone()
    return None if row is None else _action(row)


def next_undone(con: sqlite3.Connection) -> Action | None:
    """The action that is done again next."""
    row = con.execute(f"select {_COLUMNS} from action where undone = 1 order by id limit 1").fetchone()
    return None if row is None else _action(row)


def toggle(con: sqlite3.Connection, action: Action, seal: Callable[[], str]) -> None:
    """Undo an action, or do it again if it was undone.

    Args:
        seal: digest of the stock as it is; after this it is what it was on the other side of the action.
    Raises: BoxError where its lines can't be read, or lead somewhere else: a disk may have spoilt them.
    """
    beyond = con.execute("select seal from action where id = ?", (action.number,)).fetchone()[0]
    here = seal()
    lines = con.execute(
        "select kind, row, before from undo_line where action = ? order by id desc", (action.number,)
    ).fetchall()
    con.execute("delete from undo_line where action = ?", (action.number,))
    con.execute("update box set acting = ?", (action.number,))
    for kind, row, before in lines:
        _put_back(con, kind, row, before)
    con.execute("update box set acting = null")
    if seal() != beyond:
        raise _unreadable()
    con.execute("update action set undone = 1 - undone, seal = ? where id = ?", (here, action.number))


def _put_back(con: sqlite3.Connection, kind: str, row: int, before: str | None) -> None:
    if kind not in STOCK:
        raise _unreadable()
    if before is None:
        con.execute(f"delete from {kind} where id = ?", (row,))
        return
    try:
        values = json.loads(before)
        found = {column: values[column] for column in STOCK[kind] if column in values}
    except (ValueError, TypeError, RecursionError):
        raise _unreadable() from None
    if not found or not all(value is None or isinstance(value, (str, int)) for value in found.values()):
        raise _unreadable()
    columns, values = list(found), list(found.values())
    if con.execute(f"select 1 from {kind} where id = ?", (row,)).fetchone():
        setting = ", ".join(f"{column} = ?" for column in columns)
        con.execute(f"update {kind} set {setting} where id = ?", (*values, row))
    else:
        marks = ", ".join("?" for _ in range(len(columns) + 1))
        con.execute(f"insert into {kind} (id, {', '.join(columns)}) values ({marks})", (row, *values))


def _action(row: tuple[int, str, str, int]) -> Action:
    return Action(row[0], row[1], row[2], bool(row[3]))


def _unreadable() -> BoxError:
    return BoxError(
        "what is noted about this action can't be read, so it can't be undone; nothing was changed",
        mend="put back by hand what it changed, or go back to a copy of the box",
    )
