"""Rows of the box as values, and values as rows. Outlines and dies are JSON texts in the form of ``plan.json``, so no digit is lost."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Sequence
from typing import Any

from pydantic_core import PydanticCustomError
from shapely.affinity import translate
from shapely.geometry import Polygon

from nestcut.batch.fields import clean_name
from nestcut.batch.model import Die, Paper
from nestcut.batch.problems import nearest, show_value
from nestcut.box.values import PastEvening, StockScrap
from nestcut.errors import BoxError, PlanError
from nestcut.plans.decode import die_of
from nestcut.plans.encode import die_to_json, shape_to_json
from nestcut.plans.node import JsonNode
from nestcut.plans.shapes import polygon_of

__all__ = [
    "FreshTags",
    "at_corner",
    "die_text",
    "dies",
    "evenings",
    "good_name",
    "outline_from",
    "outline_text",
    "papers",
    "put_die",
    "put_paper",
    "put_scrap",
    "remove",
    "scraps",
    "tags",
]


def good_name(text: object, what: str) -> str:
    """The name of a paper or a die, or a tag, as batch files have them. Raises: BoxError."""
    try:
        return clean_name(text)
    except PydanticCustomError as err:
        context = err.context or {}
        raise BoxError(f"{what}: {context['what']}", mend=context["mend"]) from None


# ---------------------------------------------------------------------- texts


def outline_text(outline: Polygon) -> str:
    """An outline as a GeoJSON text; reading it gives the same floats."""
    return json.dumps(shape_to_json(outline), separators=(",", ":"))


def outline_from(text: str) -> Polygon:
    """The outline of a text, mm. Raises: BoxError."""
    return _read(text, polygon_of)


def die_text(die: Die) -> str:
    """A die as a JSON text."""
    return json.dumps(die_to_json(die), separators=(",", ":"))


def _read(text: str, reader: Any) -> Any:
    try:
        return reader(JsonNode(json.loads(text)))
    except (PlanError, ValueError, RecursionError) as err:
        what = err.what if isinstance(err, PlanError) else str(err)
        raise BoxError(
            f"an outline in the box can't be read ({what})",
            mend="go back to a copy of the box, or to an export",
        ) from None


def at_corner(outline: Polygon) -> Polygon:
    """The outline moved so that its box's upper left corner is at (0, 0)."""
    left, top, *_ = outline.bounds
    return outline if (left, top) == (0.0, 0.0) else translate(outline, -left, -top)


# ---------------------------------------------------------------------- reading


def papers(con: sqlite3.Connection) -> tuple[Paper, ...]:
    """All papers, by name."""
    rows = con.execute("select name, swatch, direction, both_sides from paper order by name")
    return tuple(Paper(name, swatch, direction, bool(both)) for name, swatch, direction, both in rows)


def scraps(con: sqlite3.Connection, only: Iterable[str] | None = None) -> tuple[StockScrap, ...]:
    """All scraps, or those of some papers, in the order in which they came in."""
    wanted = None if only is None else set(only)
    rows = con.execute(
        "select s.tag, p.name, s.outline, s.source, s.since from scrap s join paper p on p.id = s.paper order by s.id"
    )
    return tuple(
        StockScrap(tag, paper, outline_from(outline), source, since)
        for tag, paper, outline, source, since in rows
        if wanted is None or paper in wanted
    )


def dies(con: sqlite3.Connection, only: Iterable[str] | None = None) -> tuple[Die, ...]:
    """All dies, or some, by name."""
    wanted = None if only is None else set(only)
    rows = con.execute("select name, form from die order by name").fetchall()
    return tuple(_read(form, die_of) for name, form in rows if wanted is None or name in wanted)


def evenings(con: sqlite3.Connection) -> tuple[PastEvening, ...]:
    """All evenings whose paper was put back, the latest first."""
    return tuple(
        PastEvening(*row) for row in con.execute("select title, at, plan from evening order by id desc")
    )


def tags(con: sqlite3.Connection) -> set[str]:
    """The tags of all scraps."""
    return {row[0] for row in con.execute("select tag from scrap")}


# ---------------------------------------------------------------------- writing


def put_paper(con: sqlite3.Connection, paper: Paper) -> int:
    """Put a paper in, or change what is known of it. Returns: its row."""
    name = good_name(paper.name, "the paper")
    values = (paper.swatch, paper.direction, int(paper.both_sides))
    row = con.execute(
        "select id, swatch, direction, both_sides from paper where name = ?", (name,)
    ).fetchone()
    if row is None:
        made = con.execute(
            "insert into paper (name, swatch, direction, both_sides) values (?, ?, ?, ?)", (name, *values)
        )
        return int(made.lastrowid or 0)
    if tuple(row[1:]) != values:
        con.execute(
            "update paper set swatch = ?, direction = ?, both_sides = ? where id = ?", (*values, row[0])
        )
    return int(row[0])


def put_scrap(
    con: sqlite3.Connection, tag: str, paper: str, outline: Polygon, source: str, since: str
) -> None:
    """Put a scrap in; its paper comes in with it where it is new. The tag must be free."""
    row = con.execute("select id from paper where name = ?", (paper,)).fetchone()
    number = row[0] if row else put_paper(con, Paper(paper))
    con.execute(
        "insert into scrap (tag, paper, outline, source, since) values (?, ?, ?, ?, ?)",
        (tag, number, outline_text(at_corner(outline)), source, since),
    )


def put_die(con: sqlite3.Connection, die: Die) -> None:
    """Put a die in, or change it."""
    form = die_text(die)
    row = con.execute("select id from die where name = ?", (die.name,)).fetchone()
    if row is None:
        con.execute("insert into die (name, form) values (?, ?)", (die.name, form))
    else:
        con.execute("update die set form = ? where id = ?", (form, row[0]))


def remove(con: sqlite3.Connection, table: str, column: str, names: Sequence[str], what: str) -> None:
    """Take out rows by name. Raises: BoxError for a name that is not there."""
    known = {row[0] for row in con.execute(f"select {column} from {table}")}
    for name in names:
        if name not in known:
            guess = nearest(name, known)
            raise BoxError(
                f"there is no {what} {show_value(name)} in the box",
                mend=f'did you mean "{guess}"?' if guess else "see what is there: nestcut box list",
            )
    con.executemany(f"delete from {table} where {column} = ?", [(name,) for name in dict.fromkeys(names)])


class FreshTags:
    """Tags for scraps that bring none: red-1, red-2, …, after the largest number that is taken."""

    def __init__(self, taken: Iterable[str]) -> None:
        self._largest: dict[str, int] = {}
        for tag in taken:
            stem, dash, number = tag.rpartition("-")
            if dash and number.isascii() and number.isdigit() and len(number) < 9:
                self._largest[stem] = max(self._largest.get(stem, 0), int(number))

    def of(self, paper: str) -> str:
        """The next one for a scrap of a paper."""
        stem = paper[:60].rstrip()
        self._largest[stem] = self._largest.get(stem, 0) + 1
        return f"{stem}-{self._largest[stem]}"
