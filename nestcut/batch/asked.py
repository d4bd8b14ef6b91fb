"""What the batch file and its tables ask for, row by row, before anything is looked up."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import PydanticCustomError

from nestcut._files import shown
from nestcut.batch.fields import clean_name, count_between
from nestcut.batch.forms import MOST_COUNT, CardForm, PieceForm, ScrapForm
from nestcut.batch.problems import Problems, place
from nestcut.batch.tables import TableRow, card_rows, scrap_rows
from nestcut.errors import Where
from nestcut.units import Units, is_bare

__all__ = ["AskedCard", "AskedLine", "AskedScrap", "cards_asked", "scraps_asked"]


@dataclass(frozen=True, slots=True)
class AskedScrap:
    """A row of scraps and its place."""

    form: ScrapForm
    at: Where
    folder: Path | None = None
    """Where outlines are looked for first: the table's own folder; None: the batch file's."""
    bare: bool = False
    """Its size was written without a unit."""

    @property
    def sides_mm(self) -> tuple[float, float]:
        """Width and length of a scrap that is no drawing, as read."""
        form = self.form
        circle = form.circle or 0.0
        return form.size or form.rectangle or form.oval or (circle, circle)


@dataclass(frozen=True, slots=True)
class AskedLine:
    """A line of a card and its place."""

    dies: tuple[str, ...]
    papers: tuple[str, ...]
    count: int
    at: Where


@dataclass(slots=True)
class AskedCard:
    """A card and its place."""

    name: str
    count: int
    at: Where
    lines: list[AskedLine] = field(default_factory=list)


FormT = TypeVar("FormT", bound=BaseModel)


def scraps_asked(
    forms: Sequence[ScrapForm],
    tables: Iterable[Path],
    file: str,
    problems: Problems,
    *,
    units: Units,
    written: Sequence[Mapping[str, Any]] = (),
) -> Iterator[AskedScrap]:
    """Scraps of the batch file, then those of its tables, in order.

    Args:
        units: what bare numbers of the tables are.
        written: the forms as they stand in the file.
    """
    for number, form in enumerate(forms):
        at = Where(file=file, element=place(("scraps", number)))
        yield AskedScrap(form, at, bare=bool(written) and _is_bare(written[number]))
    for table in tables:
        where = Where(file=shown(table))
        with problems.catching(where):
            for row in scrap_rows(table, problems):
                at = Where(file=where.file, line=row.line)
                cells = _scrap_cells(row)
                read = _form(ScrapForm, cells, at, problems, units)
                if read is not None:
                    yield AskedScrap(read, at, table.parent, bare=_is_bare(cells))


def _is_bare(data: Mapping[str, Any]) -> bool:
    """Whether the size of a scrap is given, and without any unit (a sheet's name is not)."""
    given = next((data[key] for key in ("size", "rectangle", "oval", "circle") if key in data), None)
    sides = given if isinstance(given, list) else [given]  # a sheet's name is no bare length either
    return all(is_bare(side) for side in sides)


def cards_asked(
    forms: Iterable[CardForm], tables: Iterable[Path], file: str, problems: Problems
) -> list[AskedCard]:
    """Cards of the batch file, then those of its tables, in order."""
    cards: list[AskedCard] = []
    for number, form in enumerate(forms):
        card = AskedCard(form.name, form.count, Where(file=file, element=place(("cards", number))))
        cards.append(card)
        if not form.pieces:
            problems.add(
                f'the card "{form.name}" has no pieces',
                mend="list what is glued on it, or remove it",
                at=card.at,
            )
        for position, piece in enumerate(form.pieces):
            at = Where(file=file, element=place(("cards", number, "pieces", position)))
            line = _line(piece, at, problems)
            if line is not None:
                card.lines.append(line)
    for table in tables:
        with problems.catching(Where(file=shown(table))):
            cards += _cards_of_table(table, problems)
    return cards


def _cards_of_table(table: Path, problems: Problems) -> list[AskedCard]:
    cards: dict[str, AskedCard] = {}
    said: set[str] = set()
    for row in card_rows(table, problems):
        at = Where(file=shown(table), line=row.line)
        try:
            name = clean_name(row.cells.get("card", ""))
            per_kit = row.number("cards per kit") if "cards per kit" in row.cells else None
            if per_kit is not None:
                per_kit = count_between(per_kit, 1, MOST_COUNT)
        except PydanticCustomError as err:
            context = err.context or {}
            problems.add(context["what"], mend=context["mend"], at=at)
            continue
        card = cards.setdefault(name, AskedCard(name, 1, at))
        if per_kit is not None:
            if name in said and per_kit != card.count:
                problems.add(
                    f'"{name}" is said to be {card.count} times and {per_kit} times in a kit',
                    mend="write the same number in all rows of a card, or only in its first",
                    at=at,
                )
            said.add(name)
            card.count = per_kit
        piece = _form(PieceForm, _piece_cells(row), at, problems, "mm")
        line = None if piece is None else _line(piece, at, problems)
        if line is not None:
            card.lines.append(line)
    return list(cards.values())


def _scrap_cells(row: TableRow) -> dict[str, Any]:
    cells = row.cells
    data: dict[str, Any] = {key: cells[key] for key in ("paper", "id", "outline") if key in cells}
    if "count" in cells:
        data["count"] = row.number("count")
    if "width" in cells or "length" in cells:
        # A cell that is missing is refused as the empty text it is.
        data["size"] = [cells.get("width", ""), cells.get("length", "")]
    return data


def _piece_cells(row: TableRow) -> dict[str, Any]:
    data: dict[str, Any] = {}
    for column, one, several in (("dies", "die", "any_of"), ("papers", "paper", "papers")):
        names = [name.strip() for name in row.cells.get(column, "").split("|")]
        data[one if len(names) == 1 else several] = names[0] if len(names) == 1 else names
    if "count" in row.cells:
        data["count"] = row.number("count")
    return data


def _form(
    kind: type[FormT], data: Mapping[str, Any], at: Where, problems: Problems, units: Units
) -> FormT | None:
    try:
        return kind.model_validate(dict(data), context={"units": units})
    except ValidationError as err:
        for one in err.errors(include_url=False):
            column = str(one["loc"][-1]) if one["loc"] else ""
            context = one.get("ctx", {})
            what = context.get("what") or f'the cell of "{column}" is empty'
            problems.add(
                what,
                mend=context.get("mend") or "fill it in",
                at=Where(file=at.file, line=at.line, element=f"column {_column(column)}"),
            )
    return None


def _column(key: str) -> str:
    return {"size": "width or length", "any_of": "dies", "die": "dies", "paper": "paper(s)"}.get(key, key)


def _line(piece: PieceForm, at: Where, problems: Problems) -> AskedLine | None:
    good = True
    for one, several in (("die", "any_of"), ("paper", "papers")):
        given = [key for key in (one, several) if getattr(piece, key) is not None]
        if len(given) != 1:
            good = False
            problems.add(
                f'both "{one}" and "{several}" are given'
                if given
                else f'neither "{one}" nor "{several}" is given',
                mend=f'write one of them: {one} = "…", or {several} = ["…", "…"]',
                at=at,
            )
    if not good:
        return None
    dies = (piece.die,) if piece.die is not None else piece.any_of or ()
    papers = (piece.paper,) if piece.paper is not None else piece.papers or ()
    return AskedLine(dies, papers, piece.count, at)
