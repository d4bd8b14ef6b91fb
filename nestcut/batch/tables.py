"""Scraps and cards from tables: CSV as spreadsheets save it (RFC 4180, and its common relatives).

The delimiter is a comma, a semicolon or a tab, whichever makes sense of the header. Where it is not
the comma, lengths may have decimal commas. Headers are read without regard to case, blanks and ``_``.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from nestcut._files import decode_text, read_bytes, shown
from nestcut.batch.problems import Problems, nearest, show_value
from nestcut.errors import BatchError, Where

__all__ = ["CARD_COLUMNS", "SCRAP_COLUMNS", "TableRow", "card_rows", "scrap_rows"]

MOST_BYTES = 20_000_000
MOST_ROWS = 100_000

SCRAP_COLUMNS = {
    "paper": ("paper", "papers", "colour", "color"),
    "width": ("width",),
    "length": ("length", "height"),
    "count": ("count", "number"),
    "id": ("id",),
    "outline": ("outline",),
}
CARD_COLUMNS = {
    "card": ("card", "name"),
    "dies": ("dies", "die"),
    "papers": ("papers", "paper"),
    "count": ("count", "number"),
    "cards per kit": ("cardsperkit", "perkit"),
}
_MARKED = re.compile(r"'[=+\-@\uff1d\uff0b\uff0d\uff20]")
"""A text that a spreadsheet would take for a formula: our own tables mark it like this, spreadsheets do the same."""
_NEEDED_FOR_SCRAPS = ("paper",)
_NEEDED_FOR_CARDS = ("card", "dies", "papers", "count")


@dataclass(frozen=True, slots=True)
class TableRow:
    """A row of a table: its line in the file and the texts of the cells that are filled, by column."""

    line: int
    cells: Mapping[str, str]

    def number(self, column: str) -> Any:
        """A count as a number if it is one, else the text itself (to be refused with its value)."""
        text = self.cells[column]
        return int(text) if text.isascii() and text.isdigit() and len(text) < 20 else text


def scrap_rows(path: str | os.PathLike[str], problems: Problems) -> Iterator[TableRow]:
    """The rows of a table of scraps. Raises BatchError when it is no such table."""
    return _rows(path, SCRAP_COLUMNS, _NEEDED_FOR_SCRAPS, problems)


def card_rows(path: str | os.PathLike[str], problems: Problems) -> Iterator[TableRow]:
    """The rows of a table of cards. Raises BatchError when it is no such table."""
    return _rows(path, CARD_COLUMNS, _NEEDED_FOR_CARDS, problems)


def _plain(header: str) -> str:
    return "".join(char for char in header.casefold() if char.isalnum())


def _rows(
    path: str | os.PathLike[str],
    columns: Mapping[str, tuple[str, ...]],
    needed: tuple[str, ...],
    problems: Problems,
) -> Iterator[TableRow]:
    where = Where(file=shown(path))
    data = read_bytes(path, limit_bytes=MOST_BYTES, kind="a table (CSV)", error=BatchError)
    text = decode_text(data, where=where, error=BatchError, utf16=True)
    names = {alias: column for column, aliases in columns.items() for alias in aliases}
    first_line, delimiter = _delimiter(text, names)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    header: list[str | None] | None = None
    read = 0
    try:
        for cells in reader:
            line = reader.line_num
            if line < first_line or not any(cell.strip() for cell in cells):
                continue
            if header is None:
                header = _header(cells, names, columns, needed, Where(file=where.file, line=line))
                continue
            if problems.full:
                return  # enough is wrong already
            read += 1
            if read > MOST_ROWS:
                raise BatchError(
                    f"the table has more than {MOST_ROWS} rows", mend="split it, or use counts", where=where
                )
            row = _row(cells, header, Where(file=where.file, line=line), problems)
            if row is not None:
                yield row
    except csv.Error as err:
        raise BatchError(
            f"this is not a table that can be read ({err})",
            mend='save it again as CSV; a cell with quotes in it is written "2 3/8"""',
            where=Where(file=where.file, line=reader.line_num or 1),
        ) from None
    if header is None:
        raise BatchError(
            "the table is empty", mend=f"begin it with a line of headers: {', '.join(columns)}", where=where
        )


def _delimiter(text: str, names: Mapping[str, str]) -> tuple[int, str]:
    """(number of the header's line, delimiter): the delimiter that makes most sense of the header."""
    number = 0
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text)[:50], start=1):
        plain = line.strip()
        # Some spreadsheets write a first line "sep=;" (common practice, no standard).
        if not plain.strip(",;\t") or (plain.lower().startswith("sep=") and len(plain) <= 5):
            continue
        scores = {mark: sum(_plain(cell) in names for cell in line.split(mark)) for mark in (",", ";", "\t")}
        return number, max(scores, key=lambda mark: (scores[mark], line.count(mark)))
    return number + 1, ","  # nothing but empty lines


def _header(
    cells: list[str],
    names: Mapping[str, str],
    columns: Mapping[str, tuple[str, ...]],
    needed: tuple[str, ...],
    where: Where,
) -> list[str | None]:
    header: list[str | None] = []
    for cell in cells:
        plain = _plain(cell)
        if not plain:
            header.append(None)
            continue
        column = names.get(plain)
        if column is None:
            guess = nearest(plain, names)
            known = ", ".join(columns)
            raise BatchError(
                f"the column {show_value(cell)} is not known",
                mend=f'did you mean "{names[guess]}"? (known: {known})'
                if guess
                else f"known columns: {known}",
                where=where,
            )
        if column in header:
            raise BatchError(f'the column "{column}" appears twice', mend="keep one of them", where=where)
        header.append(column)
    missing = [column for column in needed if column not in header]
    if missing:
        raise BatchError(
            f'the column "{missing[0]}" is missing',
            mend=f"the first line names the columns: {', '.join(columns)}",
            where=where,
        )
    return header


def _row(cells: list[str], header: list[str | None], where: Where, problems: Problems) -> TableRow | None:
    filled: dict[str, str] = {}
    for position, cell in enumerate(cells):
        text = cell.strip()
        if not text:
            continue
        if _MARKED.match(text):
            text = text[1:]
        column = header[position] if position < len(header) else None
        if column is None:
            problems.add(
                f"the cell {show_value(text)} has no header above it",
                mend="give the column a name, or quote a cell that holds the delimiter",
                at=where,
            )
            return None
        filled[column] = text
    return TableRow(where.line or 0, filled)
