"""TOML to plain values, with messages for people."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from nestcut.batch.problems import show_value
from nestcut.errors import BatchError, Where

__all__ = ["read_toml"]

LONGEST_LINE = 50_000
"""Characters; a line of a thousand names has some 20,000."""
MOST_DOTS = 1_000
"""In one stretch without a comma, bracket or equals sign."""


def read_toml(text: str, file: str) -> dict[str, Any]:
    """The tables of a TOML text.

    Raises: BatchError with the line of ``file`` where the text stops being TOML.
    """
    # TOML knows CRLF, but not the lone CR of very old files.
    text = text.replace("\r\n", "\n")
    _refuse_endless_keys(text, file)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        found = re.search(r"^(.*?) \(at line (\d+), column (\d+)\)$", str(err), re.DOTALL)
        what, line = (
            (found[1], int(found[2])) if found else (str(err).removesuffix(" (at end of document)"), None)
        )
        shown_line = ""
        if line is not None:
            lines = text.split("\n")
            shown_line = f": {show_value(lines[line - 1].strip())}" if line <= len(lines) else ""
        raise BatchError(
            f"this is not TOML{shown_line} ({_printable(what)})",
            mend='look for a missing quote, bracket or comma; texts and inches need quotes: "red", \'2.5"\'',
            where=Where(file=file, line=line),
        ) from None
    except RecursionError:
        raise BatchError(
            "the file is nested too deeply",
            mend="see the documentation of the batch file",
            where=Where(file=file),
        ) from None
    except (ValueError, OverflowError) as err:  # whole numbers of thousands of digits, impossible dates
        raise BatchError(
            f"a value cannot be read ({_printable(str(err))})",
            mend="write plain numbers",
            where=Where(file=file),
        ) from None


def _refuse_endless_keys(text: str, file: str) -> None:
    """The library takes time with the square of the parts of a dotted key: hours for a line of a million."""
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) <= MOST_DOTS:
            continue
        dots = max(stretch.count(".") for stretch in re.split(r"[=,\[\]{}]", line))
        if len(line) > LONGEST_LINE or dots > MOST_DOTS:
            raise BatchError(
                f"a line of {len(line):,} characters"
                + (f" with {dots:,} dots on end" if dots > MOST_DOTS else ""),
                mend="write a list over several lines",
                where=Where(file=file, line=number),
            )


def _printable(text: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in text)[:200]
