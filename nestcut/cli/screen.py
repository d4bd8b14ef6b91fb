"""What is told goes to a screen, a file or another program: none of them may turn a good run into a mistake of ours.

A terminal that knows fewer letters gets plainer ones. A reader that went away (``| head -1``) ends the command quietly,
a full disk ends it with a message.
"""

from __future__ import annotations

import errno
import os
import sys
import unicodedata
from collections.abc import Callable
from contextlib import suppress
from typing import Any, TextIO

__all__ = ["CUT_PIPE", "LOST", "OutputLostError", "Screen", "spelled", "told"]

CUT_PIPE = 141
"""Exit code where the reader went away: 128 and the number of SIGPIPE, as of any program that the signal ends."""
LOST = 2
"""Exit code where what is told can't be written."""

_PLAINER = {
    "×": "x",
    "·": "-",
    "•": "*",
    "–": "-",
    "—": "-",
    "−": "-",
    "…": "...",
    "“": '"',
    "”": '"',
    "„": '"',
    "‘": "'",
    "’": "'",
    "°": " deg",
    "≤": "<=",
    "≥": ">=",
    "→": "->",
    "æ": "ae",
    "ø": "o",
    "ß": "ss",
}


class OutputLostError(Exception):
    """Standard output takes no more."""

    def __init__(self, cause: OSError) -> None:
        super().__init__(str(cause))
        self.cause = cause


def spelled(text: str, encoding: str) -> str:
    """The text in letters that the encoding has: ``×`` as ``x``, ``é`` as ``e``, what can't be spelled as ``?``."""
    if _fits(text, encoding):
        return text
    return "".join(char if _fits(char, encoding) else _plainer(char, encoding) for char in text)


def _fits(text: str, encoding: str) -> bool:
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


def _plainer(char: str, encoding: str) -> str:
    # NFKD: a letter and its accents, ² as 2, ½ as 1⁄2.
    parts = _PLAINER.get(char) or unicodedata.normalize("NFKD", char).replace("\u2044", "/")
    kept = "".join(part for part in parts if not unicodedata.combining(part) and _fits(part, encoding))
    return kept or "?"


class Screen:
    """A text stream that spells what its terminal can't show, and tells when it takes no more.

    It has no ``buffer``: libraries that write to the terminal shall not go around it.
    """

    def __init__(self, stream: TextIO, *, needed: bool) -> None:
        self._stream = stream
        self._needed = needed
        self._lost: OSError | None = None

    def __getattr__(self, name: str) -> Any:
        if name in ("buffer", "detach"):
            raise AttributeError(name)
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        """Write, plainer where need be. Raises: OutputLostError."""
        if not isinstance(text, str):
            raise TypeError("text is needed")
        if text:
            self._tried(lambda: self._stream.write(spelled(text, self._stream.encoding or "ascii")))
        return len(text)

    def flush(self) -> None:
        """Raises: OutputLostError."""
        self._tried(self._stream.flush)

    def _tried(self, act: Callable[[], object]) -> None:
        if self._lost is None:
            try:
                act()
            except OSError as err:
                self._lost = err
                _to_nowhere(self._stream)
        if self._lost is not None and self._needed:
            raise OutputLostError(self._lost)  # each time: a library may pass over the first


def _to_nowhere(stream: TextIO) -> None:
    """What is still in the stream's buffer would fail again at the very end, with a message of Python's own."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def _nowhere() -> TextIO:
    """For a stream that was closed (``>&-``); it also takes the stream's number, so that no file of ours gets that."""
    return open(os.devnull, "w", encoding="utf-8")


def told(run: Callable[[], int]) -> int:
    """Run with both streams looked after; returns the exit code of ``run``, or :data:`CUT_PIPE` or :data:`LOST`."""
    out, err = sys.stdout, sys.stderr
    # What is told in between (progress, notes on the way) is nobody's loss; errors have an exit code as well.
    sys.stdout = Screen(out or _nowhere(), needed=True)  # type: ignore[assignment]
    sys.stderr = Screen(err or _nowhere(), needed=False)  # type: ignore[assignment]
    try:
        code = run()
        sys.stdout.flush()
        sys.stderr.flush()
        return code
    except OutputLostError as lost:
        if lost.cause.errno in (errno.EPIPE, errno.EINVAL):  # Windows says the latter
            return CUT_PIPE
        print(
            f"Error: standard output can't be written ({lost.cause.strerror or lost.cause})\n"
            "  To mend: send the output to the screen, or to a disk with room; a plan's folder was written before, and whole",
            file=sys.stderr,
        )
        return LOST
    finally:
        sys.stdout, sys.stderr = out, err
