"""TOML to plain values, with messages for people."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from nestcut.batch.problems import show_value
from nestcut.errors import BatchError, Where

__all__ = ["read_toml"]


def read_toml(text: str, file: str) -> dict[str, Any]:
    """The tables of a TOML text.

    Raises: BatchError with the line of ``file`` where the text stops being TOML.
    """
    # TOML knows CRLF, but not the lone CR of very old files.
    text = text.replace("\r\n", "\n")
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
            mend='look for a missing quote, bracket or comma; texts and inches stand in quotes: "red", \'2.5"\'',
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


def _printable(text: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in text)[:200]
