"""What is asked: reading and validating batch files and tables.

    batch = read_batch("evening.toml")     # BatchError with file, key, value and mend
    batch.demand                           # kits × cards × count, plus spares

pydantic is met only when a file is read, so that the values alone load fast.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from nestcut.batch.model import (
    Batch,
    BoxState,
    Card,
    CardLine,
    Demand,
    Die,
    Direction,
    Evening,
    Extra,
    Hand,
    HandSeconds,
    Machine,
    Paper,
    Pose,
    Scrap,
    Shape,
    Spares,
    Stock,
    Turns,
    Wishes,
)
from nestcut.units import Units

if TYPE_CHECKING:
    from nestcut.batch.reader import OpenBox

__all__ = [
    "Batch",
    "BoxState",
    "Card",
    "CardLine",
    "Demand",
    "Die",
    "Direction",
    "Evening",
    "Extra",
    "Hand",
    "HandSeconds",
    "Machine",
    "Paper",
    "Pose",
    "Scrap",
    "Shape",
    "Spares",
    "Stock",
    "Turns",
    "Wishes",
    "read_batch",
    "read_cards_csv",
    "read_scraps_csv",
]


def read_batch(path: str | os.PathLike[str], *, open_box: OpenBox | None = None) -> Batch:
    """Read a batch file (TOML), its drawings and tables.

    Args:
        open_box: opens the box that a batch names (:func:`nestcut.box.read_batch` gives one); None: such a batch is refused.
    Raises: BatchError or OutlineError, with file, key, value and mend; several things that are wrong
    are listed in one error.
    """
    from nestcut.batch.reader import read_batch as read

    return read(path, open_box=open_box)


def read_scraps_csv(path: str | os.PathLike[str], *, units: Units = "mm") -> tuple[Scrap, ...]:
    """The scraps of a table alone; papers are taken as the table names them, bare numbers as ``units``.

    Raises: as read_batch.
    """
    from nestcut.batch.reader import read_scraps_csv as read

    return read(path, units=units)


def read_cards_csv(path: str | os.PathLike[str]) -> tuple[Card, ...]:
    """The cards of a table alone; dies and papers are taken as the table names them. Raises: as read_batch."""
    from nestcut.batch.reader import read_cards_csv as read

    return read(path)
