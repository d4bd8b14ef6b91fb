"""The box as a text (JSON), and back: every digit of every outline, every tag, every evening; not what can be undone."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from nestcut.batch.model import Die, Paper
from nestcut.box.rows import die_text, dies, evenings, papers, put_die, put_paper, put_scrap
from nestcut.box.values import PastEvening, StockScrap
from nestcut.errors import BoxError, PlanError
from nestcut.plans.decode import die_of, paper_of
from nestcut.plans.encode import paper_to_json
from nestcut.plans.files import parse_json
from nestcut.plans.node import JsonNode
from nestcut.plans.shapes import polygon_of

__all__ = ["Export", "put_export", "read_text", "write_text"]

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


@dataclass(frozen=True, slots=True)
class Export:
    """All that an export holds."""

    id: str
    made: str
    papers: tuple[Paper, ...]
    dies: tuple[Die, ...]
    scraps: tuple[StockScrap, ...]
    evenings: tuple[PastEvening, ...]


def read_text(text: str) -> Export:
    """An export from its text. Raises: BoxError."""
    try:
        return _export(JsonNode(parse_json(text)))
    except PlanError as err:
        # Mends of the readers of plans speak of plans.
        own = bool(err.mend) and "plan" not in err.mend
        mend = err.mend if own else "give a file that nestcut box export wrote, as it was written"
        raise BoxError(err.what, mend=mend, where=err.where) from None


def _export(root: JsonNode) -> Export:
    root.mapping()
    if root.key("format").value != FORMAT:
        root.key("format").refuse("this is no export of a box", "give a file that nestcut box export wrote")
    if root.key("version").whole(1, 10**9) > VERSION:
        root.key("version").refuse(
            f"the export is of a newer version; this nestcut knows version {VERSION}",
            "install the newer nestcut",
        )
    found = Export(
        id=root.key("id").text(),
        made=root.key("made").text(),
        papers=tuple(paper_of(node) for node in root.key("papers").items(most=MOST_SCRAPS)),
        dies=tuple(die_of(node) for node in root.key("dies").items(most=MOST_SCRAPS)),
        scraps=tuple(_scrap(node) for node in root.key("scraps").items(most=MOST_SCRAPS)),
        evenings=tuple(_evening(node) for node in root.key("evenings").items(most=MOST_SCRAPS)),
    )
    _once([paper.name for paper in found.papers], root.key("papers"))
    _once([die.name for die in found.dies], root.key("dies"))
    _once([scrap.tag for scrap in found.scraps], root.key("scraps"))
    _once([one.plan for one in found.evenings], root.key("evenings"))
    known = {paper.name for paper in found.papers}
    for number, scrap in enumerate(found.scraps):
        if scrap.paper not in known:
            node = root.key("scraps").item(number).key("paper")
            node.refuse(f"{node.shown()} is not among the papers", "add it there")
    return found


def put_export(con: sqlite3.Connection, export: Export) -> None:
    """Put all of it into an empty box, inside an action. Raises: BoxError for a name that no batch could have."""
    for paper in export.papers:
        put_paper(con, paper)
    for die in export.dies:
        put_die(con, die)
    for scrap in export.scraps:
        put_scrap(con, scrap.tag, scrap.paper, scrap.outline, scrap.source, scrap.since)
    for one in export.evenings:
        con.execute("insert into evening (plan, title, at) values (?, ?, ?)", (one.plan, one.title, one.at))


def _scrap(node: JsonNode) -> StockScrap:
    return StockScrap(
        tag=node.key("tag").text(),
        paper=node.key("paper").text(),
        outline=polygon_of(node.key("outline")),
        source=node.key("source").text(most=500, may_be_empty=True),
        since=node.key("since").text(),
    )


def _evening(node: JsonNode) -> PastEvening:
    return PastEvening(
        node.key("title").text(most=500, may_be_empty=True), node.key("at").text(), node.key("plan").text()
    )


def _once(names: Sequence[str], node: JsonNode) -> None:
    if len(set(names)) < len(names):
        node.refuse("a name is there twice", "every scrap, paper, die and evening is there once")


def _line(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False)
