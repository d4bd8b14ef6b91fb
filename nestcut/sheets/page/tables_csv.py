"""The tables for a spreadsheet: every cut, and the pieces to sort."""

from __future__ import annotations

import csv
import io
import unicodedata

from nestcut.plans.model import Plan
from nestcut.sheets.drawings.tables import pieces_cut
from nestcut.sheets.drawings.words import plain

__all__ = ["exact_cell", "pieces_csv", "sorting_csv", "table"]

_FORMULA = ("=", "+", "-", "@", "\u2212")
"""The last is the minus of typography."""


def _cell(text: object) -> str:
    """A text cell that no spreadsheet takes for a formula (the advice of OWASP, "CSV injection").

    Some take full-width and other forms of the signs for the signs themselves, and pass over blanks before them.
    """
    clean = plain(text)
    first = unicodedata.normalize("NFKC", clean.lstrip()[:1])
    risky = first[:1] in _FORMULA or str(text)[:1] in ("\t", "\r")
    return f"'{clean}" if risky else clean


def exact_cell(text: str) -> str:
    """A text cell as :func:`_cell` makes it, but letter for letter: the reader of tables takes the mark off again."""
    return f"'{text}" if _cell(text) == f"'{plain(text)}" else text


def table(rows: list[list[object]]) -> str:
    # utf-8-sig's mark is left out on purpose: readers other than spreadsheets stumble over it.
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerows(rows)  # RFC 4180: CRLF
    return text.getvalue()


def pieces_csv(plan: Plan) -> str:
    """One line for each cut: pass, lay-up, slot, die, scrap, paper, pieces."""
    pieces = {die.name: die.pieces for die in plan.dies}
    slots = {layup.id: layup.slots for layup in plan.layups}
    known = {name: paper for name, (paper, _) in plan.pieces_of_paper().items()}
    rows: list[list[object]] = [["pass", "lay-up", "slot", "die", "scrap", "paper", "pieces"]]
    for one in plan.passes:
        for cut in one.cuts:
            die = slots[one.layup][cut.slot].die
            rows.append(
                [
                    one.number,
                    _cell(one.layup),
                    cut.slot + 1,
                    _cell(die),
                    _cell(cut.scrap),
                    _cell(known[cut.scrap]),
                    pieces[die],
                ]
            )
    return table(rows)


def sorting_csv(plan: Plan) -> str:
    """One line for each container: die, paper, pieces."""
    found = pieces_cut(plan)
    rows: list[list[object]] = [["die", "paper", "pieces"]]
    for die in plan.dies:
        for paper in plan.papers:
            if found.get((die.name, paper.name)):
                rows.append([_cell(die.name), _cell(paper.name), found[die.name, paper.name]])
    return table(rows)
