"""A batch file and all it names, read into a :class:`~nestcut.batch.model.Batch`.

Three steps: TOML to forms (types, ranges, unknown keys), forms to values (drawings, tables,
names that refer to each other), values to sense (does the die fit the plate). Each step gathers
all it finds wrong before it gives up.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, TypeAlias

from pydantic_core import PydanticCustomError

from nestcut._files import decode_text, read_bytes, shown
from nestcut.batch import forms
from nestcut.batch.asked import AskedCard, AskedScrap, cards_asked, scraps_asked
from nestcut.batch.fields import clean_name
from nestcut.batch.forms import BatchForm, DieForm, WishesForm, read_form
from nestcut.batch.model import (
    Batch,
    Card,
    CardLine,
    Die,
    Evening,
    Hand,
    HandSeconds,
    Machine,
    Paper,
    Scrap,
    Stock,
    Wishes,
)
from nestcut.batch.problems import Problems, nearest
from nestcut.batch.sense import notes_on, refuse_no_cards, refuse_too_large
from nestcut.batch.shapes import Drawings, beside
from nestcut.batch.stock import on_stock
from nestcut.batch.toml import read_toml
from nestcut.errors import BatchError, Where
from nestcut.units import Units, format_length, format_pair, is_bare

__all__ = ["OpenBox", "batch_from_toml", "read_batch", "read_cards_csv", "read_scraps_csv"]

MOST_BYTES = 5_000_000
MOST_PIECES = 10**9
MOST_PLATE_MM = 1_200.0
UNUSED_SECONDS: Final = ("seconds_per_pass", "seconds_per_die", "seconds_per_trim")
"""Keys of [machine] from when every pass was taken to last the same."""
HANDY: Final = ("passes", "trims", "changes", "paper")
"""The order of wishes where more passes than the fewest are allowed and none is written: they are to save trims."""

OpenBox: TypeAlias = Callable[[Path | None, Sequence[str], Sequence[str]], Stock]
"""What a box has: (its file, None for the usual one; papers; dies) → stock. The room of the box brings it: this one knows no box."""


def read_batch(path: str | os.PathLike[str], *, open_box: OpenBox | None = None) -> Batch:
    """Read a batch file (TOML), its drawings and tables.

    Args:
        open_box: opens the box that a batch names; None: such a batch is refused.
    Raises: BatchError or OutlineError, with file, key, value and mend; several things that are wrong
    are listed in one error.
    """
    file = shown(path)
    data = read_bytes(path, limit_bytes=MOST_BYTES, kind="a batch file (TOML)", error=BatchError)
    text = decode_text(data, where=Where(file=file), error=BatchError)
    return batch_from_toml(text, folder=Path(path).parent, file=file, open_box=open_box)


def batch_from_toml(
    text: str, *, folder: Path, file: str = "the batch", open_box: OpenBox | None = None
) -> Batch:
    """The batch of a TOML text whose paths start at ``folder``. Raises: as :func:`read_batch`."""
    problems = Problems(file)
    data = read_toml(text, file)
    form = read_form(data, problems)
    problems.raise_if_any()
    assert form is not None
    batch = _BatchBuilder(form, folder, problems, data, open_box).batch()
    problems.raise_if_any()
    return batch


def read_scraps_csv(path: str | os.PathLike[str], *, units: Units = "mm") -> tuple[Scrap, ...]:
    """The scraps of a table alone; its outlines lie beside it. Raises: BatchError or OutlineError."""
    builder, table = _alone(path)
    asked = list(scraps_asked((), (table,), builder.problems.file, builder.problems, units=units))
    papers = list(dict.fromkeys(one.form.paper for one in asked))
    scraps = builder.scraps(asked, papers)
    builder.problems.raise_if_any()
    return scraps


def read_cards_csv(path: str | os.PathLike[str]) -> tuple[Card, ...]:
    """The cards of a table alone. Raises: BatchError."""
    builder, table = _alone(path)
    asked = cards_asked((), (table,), builder.problems.file, builder.problems)
    dies = list(dict.fromkeys(die for card in asked for line in card.lines for die in line.dies))
    papers = list(dict.fromkeys(paper for card in asked for line in card.lines for paper in line.papers))
    cards = builder.cards(asked, dies, papers)
    builder.problems.raise_if_any()
    return cards


def _alone(path: str | os.PathLike[str]) -> tuple[_BatchBuilder, Path]:
    """A builder for a table without a batch file."""
    form = BatchForm.model_validate({"machine": {"plate": [1.0, 1.0], "clear": 0.0}})
    return _BatchBuilder(form, Path(path).parent, Problems(shown(path))), Path(path)


def _wishes(form: WishesForm) -> Wishes:
    """The order as it is written; else passes first, and where more of them are allowed, trims next."""
    if form.order is not None:
        return Wishes(form.order, form.extra_passes)
    return Wishes(HANDY, form.extra_passes) if form.extra_passes else Wishes()


class _BatchBuilder:
    """Makes the values of a batch from its form, noting what is wrong on the way."""

    def __init__(
        self,
        form: BatchForm,
        folder: Path,
        problems: Problems,
        data: Mapping[str, Any] | None = None,
        open_box: OpenBox | None = None,
    ) -> None:
        self.form = form
        self.open_box = open_box
        self.data = data or {}
        self.folder = folder
        self.problems = problems
        self.drawings = Drawings(folder)
        self.notes: list[str] = []

    def batch(self) -> Batch:
        """The batch; problems may have been noted, and then it is not to be used."""
        form, problems = self.form, self.problems
        machine, hand = self._machine(), self._hand()
        papers = self._papers()
        dies = self._dies()
        asked_scraps = list(
            scraps_asked(
                form.scraps,
                self._tables(form.scraps_csv, "scraps_csv"),
                problems.file,
                problems,
                units=form.units or "mm",
                written=self.data.get("scraps", ()),
            )
        )
        asked_cards = cards_asked(
            form.cards, self._tables(form.cards_csv, "cards_csv"), problems.file, problems
        )
        stock = self._stock(asked_scraps, asked_cards, papers, dies)
        if stock is not None:
            papers += stock.papers
            dies |= {die.name: die for die in stock.dies}
        scraps = self.scraps(asked_scraps, [paper.name for paper in papers])
        cards = self.cards(asked_cards, list(dies), [paper.name for paper in papers])
        batch = Batch(
            title=form.title,
            machine=machine,
            hand=hand,
            papers=papers,
            scraps=scraps if stock is None else stock.scraps,
            dies=tuple(die for die in dies.values() if die is not None),
            cards=cards,
            kits=form.klass.kits,
            spares=form.klass.spares,
            wishes=_wishes(form.wishes),
            reads=(*self._reads(), *(() if stock is None else (Path(stock.box.file),))),
            evening=Evening(form.evening.start, form.evening.break_every, form.evening.break_minutes),
            box=None if stock is None else stock.box,
        )
        if not problems.found:
            plate = self.data.get("machine", {}).get("plate", ())
            bare_plate = form.units is None and bool(plate) and all(map(is_bare, plate))
            self.notes += refuse_too_large(batch, form.dies, problems, bare_plate=bare_plate)
            refuse_no_cards(batch, problems)
            self._not_too_many(batch)
        if not problems.found:
            self.notes += on_stock(batch, asked_scraps, form.units, problems)
        if not problems.found:
            notes = [*self.drawings.notes, *self.notes, *notes_on(batch)]
            batch = replace(batch, notes=tuple(dict.fromkeys(notes)))
        return batch

    def _machine(self) -> Machine:
        form = self.form.machine
        if 2 * form.clear >= min(form.plate):
            self.problems.add(
                f"clear ({format_length(form.clear)}) leaves nothing of the plate",
                mend="keep less than half of the plate's shorter side clear",
                at=("machine", "clear"),
            )
        if max(form.plate) > MOST_PLATE_MM:
            self.problems.add(
                f"the plate ({format_pair(*form.plate)}) is longer than {format_length(MOST_PLATE_MM)}",
                mend="check the numbers and their unit"
                + (' (the file says units = "in")' if self.form.units == "in" else "")
                + "; no plate of a hand-cranked machine is longer, and the search "
                "would take minutes for it",
                at=("machine", "plate"),
            )
        unused = [key for key in UNUSED_SECONDS if getattr(form, key) is not None]
        if unused:
            self.notes.append(
                f"{' and '.join(unused)} in [machine] {'is' if len(unused) == 1 else 'are'} no longer used: the evening's time "
                "is counted action by action, with the seconds in [hand.seconds]"
            )
        return Machine(
            plate_mm=form.plate,
            clear_mm=form.clear,
            dies=form.dies,
            overhang_mm=form.overhang,
            load_limit_mm=form.load_limit,
        )

    def _hand(self) -> Hand:
        form = self.form.hand
        written = form.seconds.model_dump(exclude_none=True)
        seconds = HandSeconds(**written, pace=form.pace, dies=form.dies)
        return Hand(form.web, form.edge, form.gap, form.papers, form.trims, seconds)

    def _stock(
        self,
        asked_scraps: Sequence[AskedScrap],
        asked_cards: Sequence[AskedCard],
        papers: Sequence[Paper],
        dies: Mapping[str, Die | None],
    ) -> Stock | None:
        """What the box holds of the papers and dies that cards ask for; None where the batch has stock of its own."""
        form, at = self.form, ("box",)
        if form.box is None:
            return None
        if asked_scraps:
            self.problems.add(
                "the batch takes its scraps from a box, and lists scraps as well",
                mend="put them into the box (nestcut box add), or leave box out",
                at=at,
            )
            return None
        lines = [line for card in asked_cards for line in card.lines]
        wanted_papers = list(dict.fromkeys(name for line in lines for name in line.papers))
        wanted_dies = list(dict.fromkeys(name for line in lines for name in line.dies))
        stock = None
        with self.problems.catching(at):
            if self.open_box is None:
                raise BatchError(
                    "this batch takes its scraps and dies from a box, which is not read here",
                    mend="read it with nestcut.read, or nestcut plan",
                )
            stock = self.open_box(self.folder / form.box if form.box else None, wanted_papers, wanted_dies)
        if stock is None:
            return None
        for kind, own, boxed in (
            ("paper", [one.name for one in papers], [one.name for one in stock.papers]),
            ("die", list(dies), [one.name for one in stock.dies]),
        ):
            for name in sorted(set(own) & set(boxed)):
                self.problems.add(
                    f'the {kind} "{name}" is in the batch and in the box',
                    mend="remove it here: the box knows it",
                    at=(f"{kind}s", name),
                )
        if len(stock.scraps) > forms.MOST_SCRAPS:
            self.problems.add(
                f"the box holds {len(stock.scraps):,} scraps of the papers that are asked for, which are too many",
                mend=f"at most {forms.MOST_SCRAPS:,} can be planned for; ask for fewer papers",
                at=at,
            )
        self.notes.append(
            f"Scraps and dies are those of the box (state {stock.box.state}). When all is cut, nestcut box after "
            "puts back what is left."
        )
        return stock

    def _names(self, names: Iterable[str], table: str, most: int) -> dict[str, str]:
        """Clean name → the name as written, of a table whose keys are names."""
        found: dict[str, str] = {}
        for written in names:
            try:
                name = clean_name(written)
            except PydanticCustomError as err:
                context = err.context or {}
                self.problems.add(context["what"], mend=context["mend"], at=(table,))
                continue
            if name in found:
                self.problems.add(
                    f'"{name}" appears twice', mend="names look the same; change one", at=(table,)
                )
            found[name] = written
        if len(found) > most:
            self.problems.add(
                f"{len(found)} are too many", mend=f"at most {most:,} can be planned for", at=(table,)
            )
        return found

    def _papers(self) -> tuple[Paper, ...]:
        names = self._names(self.form.papers, "papers", forms.MOST_PAPERS)
        papers = []
        for name, written in names.items():
            form = self.form.papers[written]
            papers.append(Paper(name, form.swatch, form.direction, form.both_sides))
        return tuple(papers)

    def _tables(self, texts: Sequence[str], key: str) -> list[Path]:
        found = []
        for text in texts:
            with self.problems.catching((key,)):
                found.append(beside(self.folder, text, suffix=".csv", may_leave=False))
        return found

    def _reads(self) -> tuple[Path, ...]:
        """Tables, folders and drawings that the file names."""
        form = self.form
        drawings = [one.outline for one in (*form.dies.values(), *form.scraps)]
        texts = [*form.scraps_csv, *form.cards_csv, *form.dies_folder, *drawings]
        return tuple(self.folder / text.replace("\\", "/") for text in texts if text)

    def _die_drawings(self) -> dict[str, Path]:
        """Name → drawing of every SVG in the folders of dies."""
        drawings: dict[str, Path] = {}
        for text in self.form.dies_folder:
            with self.problems.catching(("dies_folder",)):
                folder = beside(self.folder, text, suffix="", may_leave=True)
                if not os.path.isdir(folder):
                    raise BatchError(f'"{text}" is not a folder', mend="give the folder that holds the SVGs")
                try:
                    files = sorted(
                        one for one in folder.iterdir() if one.suffix.lower() == ".svg" and one.is_file()
                    )
                except OSError as err:
                    raise BatchError(
                        f'the folder "{text}" cannot be read ({err.strerror})',
                        mend="check that you may read it",
                    ) from None
                if not files:
                    raise BatchError(
                        f'there is no SVG in "{text}"', mend="give the folder that holds the SVGs"
                    )
                for file in files:
                    name = unicodedata.normalize("NFC", shown(file.stem))
                    if name in drawings:
                        raise BatchError(f'there are two drawings named "{name}"', mend="rename one of them")
                    drawings[name] = file
        return drawings

    def _dies(self) -> dict[str, Die | None]:
        """Name → die, or None where something is wrong with it."""
        drawings = self._die_drawings()
        listed = self._names(self.form.dies, "dies", forms.MOST_DIES)
        names = {**{name: name for name in self._names(drawings, "dies_folder", forms.MOST_DIES)}, **listed}
        dies: dict[str, Die | None] = {}
        for name in names:
            form = self.form.dies[listed[name]] if name in listed else DieForm()
            dies[name] = None
            at = ("dies", name, "outline") if name in listed else ("dies_folder", name)
            with self.problems.catching(at):
                dies[name] = self._die(name, form, drawings.get(name))
        if not dies and self.form.box is None and not self.problems.found:
            self.problems.add(
                "there are no dies", mend='add one: [dies.campion] with outline = "campion.svg"', at=("dies",)
            )
        return dies

    def _die(self, name: str, form: DieForm, drawing: Path | None) -> Die:
        rim = form.rim if form.rim is not None else self.form.rim
        outline = self.drawings.die(name, form, drawing, rim)
        if not outline.rim.covers(outline.cut):
            raise BatchError(
                "the rim does not contain the cut", mend="draw the rim around the cut, or give rim = 1.6"
            )
        marks = tuple(outline.marks) if form.marks else ()
        return Die(name, outline.cut, outline.rim, form.copies, form.turns, form.trips, marks)

    def scraps(self, asked: Sequence[AskedScrap], papers: Sequence[str]) -> tuple[Scrap, ...]:
        """The scraps asked for, each with an id of its own; papers must be among the known ones."""
        total = sum(one.form.count for one in asked)
        if total > forms.MOST_SCRAPS:
            self.problems.add(
                f"{total:,} scraps are too many",
                mend=f"list the ones you would use, at most {forms.MOST_SCRAPS:,}",
                at=("scraps",),
            )
            return ()
        given = self._scrap_ids(asked)
        numbers = dict.fromkeys(papers, 0)
        drawn: dict[tuple[str, Path], str] = {}
        scraps: list[Scrap] = []
        for one in asked:
            form = one.form
            if form.paper not in numbers:
                self._unknown("paper", form.paper, papers, one.at)
                continue
            with self.problems.catching(one.at):
                outline, drawing = self.drawings.scrap(form, one.folder)
                if drawing is not None and form.id is None:
                    before = drawn.setdefault(
                        (form.paper, drawing.resolve()), str(one.at.element or one.at.line)
                    )
                    if before != str(one.at.element or one.at.line):
                        raise BatchError(
                            f'the scrap "{form.outline}" is listed twice (first: {before})',
                            mend="remove one; if you have several alike, write count = 2",
                        )
                for copy in range(1, form.count + 1):
                    scraps.append(Scrap(self._scrap_id(one, copy, numbers, given), form.paper, outline))
        return tuple(scraps)

    def _scrap_ids(self, asked: Sequence[AskedScrap]) -> set[str]:
        """All ids that the person gave, each used once."""
        given: set[str] = set()
        for one in asked:
            if one.form.id is None:
                continue
            ids = [one.form.id] if one.form.count == 1 else _numbered(one.form.id, one.form.count)
            twice = next((an_id for an_id in ids if an_id in given), None)
            if twice is not None:
                self.problems.add(
                    f'the scrap "{twice}" is listed twice',
                    mend="every scrap has its own id; if you have several alike, write count = 2",
                    at=one.at,
                )
            given.update(ids)
        return given

    def _scrap_id(self, one: AskedScrap, copy: int, numbers: dict[str, int], given: set[str]) -> str:
        form = one.form
        if form.id is not None:
            return form.id if form.count == 1 else f"{form.id}-{copy}"
        while True:
            numbers[form.paper] += 1
            made = f"{form.paper}-{numbers[form.paper]}"
            if made not in given:
                given.add(made)  # papers "red" and "red-1" could make the same id
                return made

    def cards(
        self, asked: Sequence[AskedCard], dies: Sequence[str], papers: Sequence[str]
    ) -> tuple[Card, ...]:
        """The cards asked for; dies and papers must be among the known ones."""
        cards: dict[str, Card] = {}
        if len(asked) > forms.MOST_CARDS:
            self.problems.add(
                f"{len(asked)} cards are too many",
                mend=f"at most {forms.MOST_CARDS:,} can be planned for",
                at=("cards",),
            )
        for one in asked:
            if one.name in cards:
                self.problems.add(
                    f'the card "{one.name}" is listed twice', mend="rename one, or write count = 2", at=one.at
                )
            lines = []
            for line in one.lines:
                for die in line.dies:
                    if die not in dies:
                        self._unknown("die", die, dies, line.at)
                for paper in line.papers:
                    if paper not in papers:
                        self._unknown("paper", paper, papers, line.at)
                lines.append(CardLine(line.dies, line.papers, line.count))
            cards[one.name] = Card(one.name, one.count, tuple(lines))
        return tuple(cards.values())

    def _unknown(self, kind: str, name: str, known: Sequence[str], at: Where) -> None:
        guess = nearest(name, known)
        table = f"[{kind}s.{name}]" if re.fullmatch(r"[A-Za-z0-9_-]+", name) else f'[{kind}s."{name}"]'
        listed = ", ".join(known[:8]) + (", …" if len(known) > 8 else "")
        mend = f'did you mean "{guess}"? Or add a table {table}' if guess else f"add a table {table}"
        if not guess and known:
            mend += f", or use one of: {listed}"
        if self.form.box is not None:
            mend = f"put it into the box (nestcut box list shows what is there), or {mend}"
        self.problems.add(f'the {kind} "{name}" is not known', mend=mend, at=at)

    def _not_too_many(self, batch: Batch) -> None:
        total = 0
        for card in batch.cards:
            for line in card.lines:
                total += batch.kits * card.count * line.count
        if total > MOST_PIECES:
            self.problems.add(
                f"{total:,} pieces are too many",
                mend=f"at most {MOST_PIECES:,} can be planned for; check kits and counts",
                at=("class", "kits"),
            )


def _numbered(name: str, count: int) -> list[str]:
    return [f"{name}-{copy}" for copy in range(1, count + 1)]
