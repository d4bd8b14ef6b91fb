"""What the commands share: plain-word errors, progress on the terminal, Ctrl-C."""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any, TypeVar

import typer

from nestcut._stop import STOPPED, stop_at_once
from nestcut.cli.screen import spelled
from nestcut.errors import NestcutError

__all__ = [
    "BAD_INPUT",
    "INCOMPLETE",
    "MOST_SEED",
    "STOPPED",
    "Interrupt",
    "ProgressLine",
    "plain_errors",
    "print_json",
    "run_apart",
]

INCOMPLETE = 1
"""Exit code: a plan stands, but not all that was asked is met."""
BAD_INPUT = 2
"""Exit code: something that was given can't be used."""
MOST_SEED = 1_000_000_000
"""The solvers take seeds of 31 bits, and some steps add to the one that is given."""

T = TypeVar("T")


@contextmanager
def plain_errors() -> Iterator[None]:
    """Show a :class:`NestcutError` as what, where and mend, and exit with 2. Other errors are ours (``mistakes``)."""
    try:
        yield
    except NestcutError as err:
        typer.echo(f"Error: {err}", err=True)
        raise typer.Exit(BAD_INPUT) from None


def print_json(value: Any) -> None:
    """Print a value as JSON for other programs; letters that the stream has not are escaped, not lost."""
    text = json.dumps(value, indent=1, ensure_ascii=False)
    if spelled(text, sys.stdout.encoding if sys.stdout is not None else "utf-8") != text:
        text = json.dumps(value, indent=1)
    typer.echo(text)


class Interrupt:
    """Ctrl-C: the first asks the search to stop, the second ends the program at once."""

    def __init__(self) -> None:
        self.asked = threading.Event()
        self._before: Any = None

    def __enter__(self) -> Interrupt:
        if threading.current_thread() is threading.main_thread():
            self._before = signal.signal(signal.SIGINT, self._on_signal)
        return self

    def __exit__(self, *_: object) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _on_signal(self, _number: int, _frame: FrameType | None) -> None:
        if self.asked.is_set():
            stop_at_once()
        self.asked.set()
        with suppress(OSError):
            os.write(2, b"\nStopping: the best plan so far is kept. Press Ctrl-C again to stop at once.\n")

    def __call__(self) -> bool:
        """True once Ctrl-C was pressed."""
        return self.asked.is_set()


def run_apart(work: Callable[[], T]) -> T:
    """Run in a thread of its own, so that Ctrl-C is heard while compiled kernels and solvers are at work."""
    box: dict[str, Any] = {}

    def body() -> None:
        try:
            box["value"] = work()
        except BaseException as err:
            box["error"] = err

    thread = threading.Thread(target=body, name="nestcut-search", daemon=True)
    thread.start()
    while thread.is_alive():
        thread.join(0.1)
    if "error" in box:
        raise box["error"]
    return box["value"]


class ProgressLine:
    """The best plan so far and the bound: a live line on a terminal, a line now and then elsewhere."""

    def __init__(self, *, seconds: float, quiet: bool) -> None:
        self._limit_s = seconds
        self._start_s = time.monotonic()
        self._live = sys.stderr.isatty() and not quiet
        self._quiet = quiet
        self._last = ""
        self._progress: Any = None
        self._task: Any = None
        self.has_plan = False
        """True once the search told of a plan."""

    def __enter__(self) -> ProgressLine:
        if self._live:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

            self._progress = Progress(
                TextColumn("{task.description}"),
                BarColumn(bar_width=24),
                TimeElapsedColumn(),
                console=Console(stderr=True),
                transient=True,
            )
            self._progress.__enter__()
            self._task = self._progress.add_task("reading", total=max(self._limit_s, 1e-9))
        return self

    def __exit__(self, *exc: Any) -> None:
        if self._progress is not None:
            self._progress.__exit__(*exc)

    def __call__(self, seconds: float, passes: int | None, bound: int | None, phase: str) -> None:
        """Tell how far the search is. ``passes`` and ``bound`` may still be unknown."""
        self.has_plan = self.has_plan or passes is not None
        if self._quiet:
            return
        text = phase
        if passes is not None:
            text = f"{passes} passes" + (f" (at least {bound})" if bound is not None else "") + f" · {phase}"
        if self._progress is not None:
            spent = time.monotonic() - self._start_s
            self._progress.update(self._task, description=text, completed=min(spent, self._limit_s))
        elif text != self._last:
            typer.echo(f"{seconds:6.1f} s  {text}", err=True)
        self._last = text
