"""The tables of a box file, version by version.

A new box is made by going through all versions in turn, as an old one is brought up to date: so every file of a version has
the very same schema, and one that has another is no box of ours, or damaged.

Whatever an action changes in a table of the stock, a trigger notes with the row as it was before (``undo_line``). Undoing the
action puts these rows back, and the same triggers note what that changes: then the action can be done again. Rows are noted
as data, never as statements: a file from somebody else can't tell nestcut what to run.
Source of undo by triggers: sqlite.org/undoredo.html.
"""

from __future__ import annotations

__all__ = ["APPLICATION_ID", "SEALED", "STOCK", "VERSION", "VERSIONS"]

APPLICATION_ID = 0x6E637462
"""In the header of the file: a database of nestcut's (the letters nctb)."""

STOCK: dict[str, tuple[str, ...]] = {
    "paper": ("name", "swatch", "direction", "both_sides"),
    "scrap": ("tag", "paper", "outline", "source", "since"),
    "evening": ("plan", "title", "at"),
    "die": ("name", "form"),
}
"""Table → its columns but ``id``. Rows of these tables are what actions change, and what undoing puts back."""

SEALED: dict[str, str] = {
    "paper": "select name, swatch, direction, both_sides from paper order by name",
    "scrap": "select s.tag, p.name, s.outline, s.source, s.since from scrap s join paper p on p.id = s.paper order by s.tag",
    "evening": "select plan, title, at from evening order by plan",
    "die": "select name, form from die order by name",
}
"""Table → its content, without numbers that only tie rows together."""


def _remembered(table: str) -> list[str]:
    """Triggers that note each row of a table as it was before: nothing, where it was not there."""
    before = ", ".join(f"'{column}', old.{column}" for column in STOCK[table])
    noted = "insert into undo_line (action, kind, row, before) values ((select acting from box),"
    return [
        f"create trigger {table}_came after insert on {table} begin {noted} '{table}', new.id, null); end",
        f"create trigger {table}_changed after update on {table} begin "
        f"{noted} '{table}', old.id, json_object({before})); end",
        f"create trigger {table}_went after delete on {table} begin "
        f"{noted} '{table}', old.id, json_object({before})); end",
    ]


_FIRST = [
    # One row. ``seal``: digest of the stock as it should be. ``acting``: the action that changes are noted for.
    "create table box (one integer primary key check (one = 1), id text not null, made text not null, "
    "seal text not null, acting integer) strict",
    # ``seal`` of an action: digest of the stock before it, or, once it is undone, after it.
    "create table action (id integer primary key, at text not null, words text not null, seal text not null, "
    "undone integer not null default 0 check (undone in (0, 1))) strict",
    "create table undo_line (id integer primary key, action integer not null "
    "references action on delete cascade, kind text not null, row integer not null, before text) strict",
    "create index undo_line_action on undo_line (action)",
    "create table paper (id integer primary key, name text not null unique, swatch text, direction text not null, "
    "both_sides integer not null check (both_sides in (0, 1))) strict",
    # Rows are put back in any order within an action: what they point to is looked at when it ends.
    "create table scrap (id integer primary key, tag text not null unique, "
    "paper integer not null references paper deferrable initially deferred, "
    "outline text not null, source text not null, since text not null) strict",
    "create index scrap_paper on scrap (paper)",
    "create table evening (id integer primary key, plan text not null unique, title text not null, "
    "at text not null) strict",
    *_remembered("paper"),
    *_remembered("scrap"),
    *_remembered("evening"),
]
_SECOND = [
    "create table die (id integer primary key, name text not null unique, form text not null) strict",
    *_remembered("die"),
]

VERSIONS: tuple[tuple[str, ...], ...] = (tuple(_FIRST), tuple(_SECOND))
"""What makes version 1 of nothing, version 2 of version 1, …: version 1 knew papers and scraps, version 2 dies as well."""

VERSION = len(VERSIONS)
