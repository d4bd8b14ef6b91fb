"""Every error that nestcut raises on purpose: what is wrong, where, and how to mend it.

Low-level code knows *what* is wrong; the reader that opened the file adds *where*
(:func:`found_at`); the command line prints all three parts and exits with code 2.

    NestcutError
    ├── InputError      something in a file or an option that a person can mend
    │   ├── LengthError     a length that cannot be read
    │   ├── OutlineError    a drawing that is not a usable outline
    │   ├── BatchError      a batch file or a table that does not make sense
    │   ├── PlanError       a plan.json that cannot be read
    │   └── BoxError        a box of scraps and dies that cannot be read, or does not hold what is asked for
    └── OutputError     a plan, or a box, cannot be written where it was asked to go

:class:`RefusedPlanError` is none of these: it is a mistake of ours.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

__all__ = [
    "BatchError",
    "BoxError",
    "InputError",
    "LengthError",
    "NestcutError",
    "OutlineError",
    "OutputError",
    "PlanError",
    "RefusedPlanError",
    "Where",
    "found_at",
]


@dataclass(frozen=True, slots=True)
class Where:
    """A place in a file, as far as it is known."""

    file: str | None = None
    line: int | None = None
    element: str | None = None
    """An element of a drawing (``path id='stem'``) or a key of a batch file (``dies.campion.rim``)."""

    def __str__(self) -> str:
        place = ""
        if self.file:
            place = self.file + (f":{self.line}" if self.line else "")
        elif self.line:
            place = f"line {self.line}"
        return ", ".join(part for part in (place, self.element or "") if part)

    def filled_from(self, outer: Where) -> Where:
        """This place, with what it does not know taken from an outer place."""
        return Where(
            file=self.file or outer.file,
            line=self.line or outer.line,
            element=self.element or outer.element,
        )


class NestcutError(Exception):
    """Base of all errors that nestcut raises on purpose.

    Attributes:
        what: what is wrong, in words for the person who drew or wrote the file.
        mend: what to do about it; may be empty.
        where: the place; filled in by :func:`found_at` on the way up.
    """

    def __init__(self, what: str, *, mend: str = "", where: Where | None = None) -> None:
        super().__init__(what)
        self.what = what
        self.mend = mend
        self.where = where or Where()

    def __str__(self) -> str:
        place = str(self.where)
        text = f"{place}: {self.what}" if place else self.what
        # What a file holds is quoted here and there: it must not steer a terminal, or fail to be encoded.
        return _printable(f"{text}\n  To mend: {self.mend}" if self.mend else text)


def _printable(text: str) -> str:
    return "".join(char if char.isprintable() or char == "\n" else "?" for char in text)


class InputError(NestcutError):
    """Something in a file or an option that a person can mend."""


class LengthError(InputError):
    """A length that cannot be read."""


class OutlineError(InputError):
    """A drawing that is not a usable outline."""


class BatchError(InputError):
    """A batch file or a table that does not make sense."""


class PlanError(InputError):
    """A plan.json that cannot be read."""


class BoxError(InputError):
    """A box of scraps and dies that cannot be read, or does not hold what is asked for."""


class OutputError(NestcutError):
    """A plan, or a box, cannot be written where it was asked to go."""


class RefusedPlanError(RuntimeError):
    """The checker refuses every plan that the planner made: a mistake of ours, nothing that a person can mend.

    Attributes:
        refused: the plan that was refused first (a :class:`nestcut.plans.Plan`), for the report.
    """

    def __init__(self, why: str, refused: object) -> None:
        super().__init__(f"the planner made a plan that the checker refuses: {why}")
        self.refused = refused


@contextmanager
def found_at(where: Where) -> Iterator[None]:
    """Add a place to any :class:`NestcutError` that passes through and does not know it yet."""
    try:
        yield
    except NestcutError as err:
        err.where = err.where.filled_from(where)
        raise
