"""What is wrong in a batch file, gathered so that a person can mend several things at once."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

from nestcut.errors import BatchError, NestcutError, Where

__all__ = ["Problems", "nearest", "place", "show_value"]

MOST_SHOWN = 5
MOST_KEPT = 50
"""More problems than this are counted only: a file of a hundred thousand wrong keys is told in a moment, too."""


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that looks most like this one, or None when none does."""
    by_folded = {name.casefold(): name for name in known}
    close = difflib.get_close_matches(word.casefold()[:200], by_folded, n=1, cutoff=0.6)
    return by_folded[close[0]] if close else None


def show_value(value: Any) -> str:
    """A value as a person wrote it, short enough for a message and safe to print."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        inner = ", ".join(show_value(item) for item in value[:4])
        text = f"[{inner}{', …' if len(value) > 4 else ''}]"
    elif isinstance(value, str):
        text = '"' + "".join(char if char.isprintable() else "?" for char in value[:80]) + '"'
    elif isinstance(value, int) and abs(value) >= 10**30:
        text = "a number with very many digits"  # Python refuses to write some of these out
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "…"


def place(path: Iterable[str | int]) -> str:
    """A key path for people: ``cards no. 1, pieces no. 2, paper`` or ``dies.campion.rim``."""
    text = ""
    after_number = False
    for part in path:
        if isinstance(part, str):
            part = "".join(char if char.isprintable() else "?" for char in part[:80])
        if isinstance(part, int):
            text += f" no. {part + 1}"
        elif text:
            text += f", {part}" if after_number else f".{part}"
        else:
            text = part
        after_number = isinstance(part, int) or after_number
    return text


def _printable(text: str) -> str:
    """Text that a terminal prints as it is: whatever a file holds, it steers nothing."""
    return "".join(char if char.isprintable() or char == "\n" else "?" for char in text)


@dataclass
class Problems:
    """Gathers what is wrong, in the order of the file."""

    file: str
    found: list[NestcutError] = field(default_factory=list)
    more: int = 0
    """Problems beyond those kept."""

    @property
    def full(self) -> bool:
        """True when further problems are counted only: words for them need not be sought."""
        return len(self.found) >= MOST_KEPT

    def add(self, what: str, *, mend: str, at: Where | Iterable[str | int]) -> None:
        """Note one problem at a key path or place."""
        if self.full:
            self.more += 1
            return
        where = at if isinstance(at, Where) else Where(element=place(at))
        where = where.filled_from(Where(file=self.file))
        self.found.append(BatchError(_printable(what), mend=_printable(mend), where=where))

    @contextmanager
    def catching(self, at: Where | Iterable[str | int]) -> Iterator[None]:
        """Note a NestcutError that is raised inside, and go on after the block."""
        where = at if isinstance(at, Where) else Where(element=place(at))
        try:
            yield
        except NestcutError as err:
            if err.where.file is None:
                err.where = err.where.filled_from(where).filled_from(Where(file=self.file))
            if self.full:
                self.more += 1
            else:
                self.found.append(err)

    def raise_if_any(self) -> None:
        """Raise one error for all that was found: itself if it is one, a list if there are more."""
        if not self.found:
            return
        if len(self.found) == 1:
            raise self.found[0]
        number = len(self.found) + self.more
        lines = [f"{number} things to mend:"]
        for err in self.found[:MOST_SHOWN]:
            where = replace(err.where, file=None) if err.where.file == self.file else err.where
            lines.append(f"  • {where}: {err.what}" if str(where) else f"  • {err.what}")
            if err.mend:
                lines.append(f"      To mend: {err.mend}")
        if number > MOST_SHOWN:
            lines.append(f"  … and {number - MOST_SHOWN} more")
        raise BatchError("\n".join(lines), where=Where(file=self.file)) from self.found[0]
