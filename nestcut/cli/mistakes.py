"""An unexpected failure inside: one clear message, the traceback in a file, and an exit code of its own.

A mistake of ours must not look like an answer. Python ends a traceback with 1, which here means "a plan was written,
but not all of the demand is met"; so whatever no command expects ends with 70 (EX_SOFTWARE, "an internal software
error has been detected", of sysexits.h, 4.3BSD-Reno, 1990).
"""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import traceback
from contextlib import suppress
from pathlib import Path

import typer

__all__ = ["MISTAKE", "TRACEBACK", "tell_mistake"]

MISTAKE = 70
"""Exit code."""
TRACEBACK = "NESTCUT_TRACEBACK"
"""Environment variable: when it is set, and not to 0, the traceback is shown, too."""
LIBRARIES = ("nestcut", "numpy", "numba", "scipy", "shapely", "ortools", "svgpathtools", "typer")


def tell_mistake(err: BaseException) -> int:
    """Say on the error stream what went wrong and what to send us; returns the exit code, :data:`MISTAKE`."""
    report = _report(err)
    kept = _keep(report)
    plan = _keep_plan(err, kept)
    first = (str(err).strip() or "no message").splitlines()[0][:200]
    what = "".join(char if char.isprintable() else "?" for char in f"{type(err).__name__}: {first}")
    where = f"the file {kept}" if kept else f"what is shown when {TRACEBACK}=1 is set"
    if plan:
        where = f"the files {kept} and {plan}"
    typer.echo(
        f"Error: this is a mistake in nestcut ({what})\n"
        f"  It is not your fault, and no half-written output is left.\n"
        f"  To mend: send us {where}, with the files you gave and the command; another --seed may avoid it",
        err=True,
    )
    if os.environ.get(TRACEBACK, "0") not in ("", "0"):
        typer.echo(report, err=True)
    return MISTAKE


def _keep_plan(err: BaseException, report: Path | None) -> Path | None:
    """Where the plan lies that the checker refused, beside the report, which gets a line that names it; None: there is none."""
    refused = getattr(err, "refused", None)
    if report is None or refused is None:
        return None
    path = report.with_suffix(".plan.json")
    # Whatever is wrong with the plan must not hide what went wrong before.
    with suppress(Exception):
        from nestcut.plans import write_plan

        write_plan(refused, path)
        with open(report, "a", encoding="utf-8") as file:
            file.write(f"\nthe plan that was refused: {path}\n")
        return path
    return None


def _report(err: BaseException) -> str:
    from importlib import metadata

    lines = [
        "nestcut: report of an unexpected failure",
        f"command: {' '.join(sys.argv)}",
        f"python {platform.python_version()} on {platform.platform()}",
    ]
    for name in LIBRARIES:
        with suppress(metadata.PackageNotFoundError):
            lines.append(f"{name} {metadata.version(name)}")
    text = "\n".join(lines) + "\n\n" + "".join(traceback.format_exception(err))
    return text.encode("utf-8", "replace").decode("utf-8")  # names of files may hold bytes that are no UTF-8


def _keep(report: str) -> Path | None:
    """Where the report lies; None when there is no room for it either."""
    try:
        handle, name = tempfile.mkstemp(prefix="nestcut-mistake-", suffix=".txt")
        with open(handle, "w", encoding="utf-8") as file:
            file.write(report)
    except OSError:
        return None
    return Path(name)
