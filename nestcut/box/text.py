"""The box as a text (JSON), and back: every digit of every outline, every tag, every evening; not what can be undone."""

from __future__ import annotations

import json
import sqlite3
from typing import Any

from nestcut.box.rows import die_text, dies, evenings, papers, put_die, put_paper, put_scrap
from nestcut.box.values import PastEvening, StockScrap
from nestcut.errors import BoxError
from nestcut.plans.decode import die_of, paper_of
from nestcut.plans.encode import paper_to_json
from nestcut.plans.files import parse_json
from nestcut.plans.node import JsonNode
from nestcut.plans.shapes import polygon_of

__all__ = ["read_text", "write_text"]

FORMAT = "nestcut-box"
VERSION = 1
MOST_SCRAPS = 1_000_000


def write_text(con: sqlite3.Connection) -> str:
    """All that the box holds, one thing a line; the same box always gives the same text."""
    id_, made = con.execute("select id, made from box").fetchone()
    rows = con.execute(
        "select s.tag, p.name, s.source, s.since, s.outline from scrap s join paper p on p.id = s.paper order by s.id"
    )
    lists = {
        "papers": [_line(paper_to_json(paper)) for paper in papers(con)],
        "dies": [die_text(die) for die in dies(con)],
        # The outline is a JSON text already.
        "scraps": [
            _line({"tag": tag, "paper": paper, "source": source, "since": since})[:-1]
            + f',"outline":{outline}}}'
            for tag, paper, source, since, outline in rows
        ],
        "evenings": [
            _line({"title": one.title, "at": one.at, "plan": one.plan}) for one in reversed(evenings(con))
        ],
    }
    parts = [f'"format":"{FORMAT}"', f'"version":{VERSION}', f'"id":{_line(id_)}', f'"made":{_line(made)}']
    parts += [f'"{name}":[' + ",".join(f"\n{line}" for line in lines) + "]" for name, lines in lists.items()]
    return "{" + ",\n".join(parts) + "}\n"


def read_text(con: sqlite3.Connection, text: str) -> tuple[str, str]:
    """Put all that a text holds into an empty box, inside an action.

    Returns: the id of the box that was written, and when it was made.
    Raises: BoxError, PlanError.
    """
    root = JsonNode(parse_json(text))
    root.mapping()
    if root.key("format").value != FORMAT:
        root.key("format").refuse("this is no export of a box", "give a file that nestcut box export wrote")
    if root.key("version").whole(1, 10**9) > VERSION:
        raise BoxError(
            f"the export is of a newer version; this nestcut knows version {VERSION}",
            mend="install the newer nestcut",
        )
    id_, made = root.key("id").text(), root.key("made").text()
    known: set[str] = set()
    for node in root.key("papers").items(most=MOST_SCRAPS):
        paper = paper_of(node)
        _once(paper.name, known, node)
        put_paper(con, paper)
    held: set[str] = set()
    for node in root.key("dies").items(most=MOST_SCRAPS):
        die = die_of(node)
        _once(die.name, held, node)
        put_die(con, die)
    taken: set[str] = set()
    for node in root.key("scraps").items(most=MOST_SCRAPS):
        scrap = _scrap(node)
        _once(scrap.tag, taken, node)
        if scrap.paper not in known:
            node.key("paper").refuse(f"{node.key('paper').shown()} is not among the papers", "add it there")
        put_scrap(con, scrap.tag, scrap.paper, scrap.outline, scrap.source, scrap.since)
    done: set[str] = set()
    for node in root.key("evenings").items(most=MOST_SCRAPS):
        one = PastEvening(
            node.key("title").text(most=500, may_be_empty=True),
            node.key("at").text(),
            node.key("plan").text(),
        )
        _once(one.plan, done, node)
        con.execute("insert into evening (plan, title, at) values (?, ?, ?)", (one.plan, one.title, one.at))
    return id_, made


def _scrap(node: JsonNode) -> StockScrap:
    return StockScrap(
        tag=node.key("tag").text(),
        paper=node.key("paper").text(),
        outline=polygon_of(node.key("outline")),
        source=node.key("source").text(most=500, may_be_empty=True),
        since=node.key("since").text(),
    )


def _once(name: str, taken: set[str], node: JsonNode) -> None:
    if name in taken:
        node.refuse("this name is there twice", "every scrap, paper, die and evening is there once")
    taken.add(name)


def _line(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False)
