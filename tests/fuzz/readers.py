"""What is fuzzed: each reader of the project with its seeds, its words and what must be true of its answers.

Whatever the input, a reader ends in a value that is valid or in one :class:`InputError` that a person can act on:
what is wrong, where, how to mend it, short, and with nothing in it that steers a terminal.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nestcut.errors import InputError
from tests.fuzz import seeds

__all__ = ["READERS", "BrokenPromiseError", "Reader", "answer", "printable"]

LONGEST_MESSAGE = 4_000
"""Characters; the longest honest ones list five problems."""


class BrokenPromiseError(AssertionError):
    """A reader broke its promise."""


@dataclass(frozen=True)
class Reader:
    """One thing that reads files.

    ``file``: the name that the input has on disk. ``beside``: files that lie beside it.
    ``shape``: how inputs are changed ("text", "json" or "rows"; see ``tests.fuzz.mutate``).
    """

    name: str
    file: str
    read: Callable[[Path], Any]
    sane: Callable[[Any], bool]
    seeds: Callable[[], list[bytes]]
    words: tuple[str, ...]
    shape: str
    beside: Callable[[], dict[str, str]] = dict


def answer(reader: Reader, path: Path, data: bytes) -> str:
    """Let a reader read; returns "value" or "message".

    Raises: BrokenPromiseError when the promise is broken; whatever else the reader raises is a fault of its own.
    """
    path.write_bytes(data)
    try:
        value = reader.read(path)
    except InputError as err:
        text = str(err)
        if not err.what or not (err.mend or "To mend" in text):
            raise BrokenPromiseError(f"a message without a mend: {text!r}") from err
        if err.where.file is None:
            raise BrokenPromiseError(f"a message that names no file: {text!r}") from err
        printable(text)
        return "message"
    if not reader.sane(value):
        raise BrokenPromiseError(f"a value that makes no sense: {str(value)[:300]}")
    return "value"


def printable(text: str) -> None:
    """Raises: BrokenPromiseError for a text that is too long for a message or holds what does not print."""
    if len(text) > LONGEST_MESSAGE:
        raise BrokenPromiseError(f"a message of {len(text)} characters: {text[:200]!r}")
    odd = [char for char in text if not char.isprintable() and char != "\n"]
    if odd:
        raise BrokenPromiseError(f"a message with {odd[0]!r} in it: {text[:300]!r}")
    text.encode("utf-8")


def _die(path: Path) -> Any:
    from nestcut.outlines import read_die

    return read_die(path)


def _die_sane(die: Any) -> bool:
    return die.cut.is_valid and die.rim.is_valid and die.cut.area > 0 and bool(die.rim.covers(die.cut))


def _scrap(path: Path) -> Any:
    from nestcut.outlines import read_scrap

    return read_scrap(path)


def _scrap_sane(scrap: Any) -> bool:
    outline = scrap.outline
    return (
        outline.is_valid
        and outline.area > 0
        and max(map(abs, outline.bounds)) < 1e5
        and outline.bounds[:2] == (0, 0)
    )


def _batch(path: Path) -> Any:
    from nestcut.batch import read_batch

    return read_batch(path)


def _batch_sane(batch: Any) -> bool:
    for note in batch.notes:
        printable(note)
    return (
        bool(batch.dies)
        and all(math.isfinite(side) and side > 0 for side in batch.machine.plate_mm)
        and all(_die_sane(die) for die in batch.dies)
        and all(scrap.outline.is_valid for scrap in batch.scraps)
        and len({scrap.id for scrap in batch.scraps}) == len(batch.scraps)
    )


def _scraps(path: Path) -> Any:
    from nestcut.batch import read_scraps_csv

    return read_scraps_csv(path)


def _scraps_sane(scraps: Any) -> bool:
    return all(s.outline.is_valid and s.outline.area > 0 for s in scraps) and len(
        {s.id for s in scraps}
    ) == len(scraps)


def _cards(path: Path) -> Any:
    from nestcut.batch import read_cards_csv

    return read_cards_csv(path)


def _cards_sane(cards: Any) -> bool:
    return all(
        c.count >= 1 and all(line.count >= 1 and line.dies and line.papers for line in c.lines) for c in cards
    )


def _plan(path: Path) -> Any:
    from nestcut.checks import check_plan, check_proof  # what check_file and `nestcut check --proof` do
    from nestcut.plans import plan_from_json, plan_to_json, read_plan

    plan = read_plan(path)
    report = check_plan(plan)
    written = plan_to_json(plan)
    if plan_to_json(plan_from_json(written)) != written:
        raise BrokenPromiseError("a plan that changes when it is written and read again")
    return report, check_proof(plan)


def _plan_sane(reports: Any) -> bool:
    for report in reports:
        for fault in report.faults:
            printable(str(fault))
        for fault in report.faults:
            for length in (fault.measured_mm, fault.allowed_mm):
                if length is not None and not math.isfinite(length):
                    raise BrokenPromiseError(f"a fault measured as {length}: {fault}")
    return True


def _box(path: Path) -> Any:
    from nestcut import Box

    before = path.read_bytes()
    try:
        with Box(path, create=False) as box:
            held = box.scraps(), box.dies(), box.papers(), box.evenings()
            json.loads(box.export_text())
            box.undo()
            box.redo()
            return held
    except InputError:
        if path.read_bytes() != before:
            raise BrokenPromiseError("a box that was refused, and changed") from None
        raise
    finally:
        Path(f"{path}-journal").unlink(missing_ok=True)


def _box_text(path: Path) -> Any:
    from nestcut import Box

    with Box(path.with_name("fresh.db")) as box:
        box.take([one.tag for one in box.scraps()], dies=[one.name for one in box.dies()])
        box.import_from(path, again=True)
        held = box.scraps(), box.dies(), box.papers(), box.evenings()
        text = box.export_text()
        box.import_text(text, again=True)
        if box.export_text() != text:
            raise BrokenPromiseError("an export that changes when it is taken in and written again")
        return held


def _box_sane(held: Any) -> bool:
    scraps, dies, papers, _ = held
    return (
        all(one.outline.is_valid and one.outline.area > 0 for one in scraps)
        and len({one.tag for one in scraps}) == len(scraps)
        and {one.paper for one in scraps} <= {paper.name for paper in papers}
        and all(die.cut.is_valid and die.rim.is_valid for die in dies)
    )


READERS: dict[str, Reader] = {
    reader.name: reader
    for reader in (
        Reader("svg", "die.svg", _die, _die_sane, seeds.drawings, seeds.SVG_WORDS, "text"),
        Reader("scrap", "scrap.svg", _scrap, _scrap_sane, seeds.drawings, seeds.SVG_WORDS, "text"),
        Reader(
            "batch", "batch.toml", _batch, _batch_sane, seeds.batches, seeds.TOML_WORDS, "text", seeds.beside
        ),
        Reader(
            "scraps-csv",
            "scraps.csv",
            _scraps,
            _scraps_sane,
            seeds.scrap_tables,
            seeds.CSV_WORDS,
            "rows",
            seeds.beside,
        ),
        Reader("cards-csv", "cards.csv", _cards, _cards_sane, seeds.card_tables, seeds.CSV_WORDS, "rows"),
        Reader("plan", "plan.json", _plan, _plan_sane, seeds.plans, seeds.JSON_WORDS, "json"),
        Reader("box", "box.db", _box, _box_sane, seeds.boxes, seeds.JSON_WORDS, "text"),
        Reader("box-text", "box.json", _box_text, _box_sane, seeds.box_texts, seeds.JSON_WORDS, "json"),
    )
}


def as_bytes(value: Any) -> bytes:
    """A JSON value as a file, NaN and all."""
    return json.dumps(value, ensure_ascii=False).encode("utf-8", "surrogatepass")
