"""The command line: ``nestcut plan``, ``go-on``, ``estimate``, ``fill``, ``check``, ``dies``, ``demo``, ``box``.

Heavy libraries are imported inside the commands, so that ``nestcut --help`` answers at once.

Exit codes: 0 done and complete · 1 a plan was written but the demand is not all met (``check``: the plan breaks a
rule) · 2 bad input, or output that can't be written · 70 a mistake of nestcut's own · 130 stopped by Ctrl-C (the best
checked plan was written, if there was one) · 141 the reader of the output went away.
"""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from nestcut.cli import box as _box
from nestcut.cli import check as _check
from nestcut.cli import demo as _demo
from nestcut.cli import dies as _dies
from nestcut.cli import estimate as _estimate
from nestcut.cli import fill as _fill
from nestcut.cli import go_on as _go_on
from nestcut.cli import plan as _plan
from nestcut.cli.mistakes import tell_mistake
from nestcut.cli.screen import OutputLostError, told

__all__ = ["app", "main"]

app = typer.Typer(
    name="nestcut",
    help="Plan an evening of die cutting: lay-ups, passes, papers and a run sheet.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,  # plain help: rich would double the time to show it
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

app.command("plan")(_plan.plan)
app.command("go-on")(_go_on.go_on)
app.command("estimate")(_estimate.estimate)
app.command("fill")(_fill.fill)
app.command("check")(_check.check)
app.command("dies")(_dies.dies)
app.command("demo")(_demo.demo)
app.add_typer(_box.app, name="box")


def _print_version(wanted: bool) -> None:
    if wanted:
        from nestcut import __version__

        typer.echo(f"nestcut {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and stop."),
    ] = False,
) -> None:
    pass


def main() -> None:
    """The ``nestcut`` command, whose entry point is :func:`nestcut.__main__.main`."""
    sys.exit(told(_run))


def _run() -> int:
    """The exit code of a command."""
    try:
        app()
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 0
    except OutputLostError:
        raise
    except Exception as err:  # whatever no command expects is a mistake of ours
        return tell_mistake(err)
    return 0
