"""``nestcut estimate``: passes, time and paper for one or several kit numbers, in seconds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nestcut.cli.console import MOST_SEED, STOPPED, Interrupt, plain_errors, print_json, run_apart
from nestcut.errors import InputError, Where
from nestcut.units import counted, minutes_words

if TYPE_CHECKING:
    from nestcut.batch import Batch
    from nestcut.passes import Estimate, TradeOff, WhatIf

__all__ = ["estimate"]

MOST_KITS = 1_000_000
"""As many as a batch may ask for."""


def estimate(
    batch: Annotated[Path, typer.Argument(help="The batch file (TOML).")],
    kits: Annotated[
        str | None,
        typer.Option("--kits", help="Numbers of kits to compare, as in 12,50,200. Default: the batch's own."),
    ] = None,
    seconds: Annotated[
        float, typer.Option("--seconds", min=0.5, max=3600, help="Time limit for all of them.")
    ] = 4.0,
    seed: Annotated[int, typer.Option("--seed", min=0, max=MOST_SEED, help="Same seed, same estimate.")] = 0,
    ideas: Annotated[
        bool,
        typer.Option(
            "--what-if",
            help="Also tell what another die, a longer plate, one kit more or fewer spares would change.",
        ),
    ] = False,
    trade: Annotated[
        bool, typer.Option("--trade-off", help="Also tell how many more passes fewer lay-ups would take.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the table as JSON.")] = False,
) -> None:
    """Estimate passes, time and paper for one or several numbers of kits; no files are written."""
    interrupt = Interrupt()
    with plain_errors():
        numbers = _kit_numbers(kits)
        from nestcut.box import read_batch
        from nestcut.passes import estimate as estimate_kits
        from nestcut.passes import trade_off, what_if

        asked = read_batch(batch)
        wanted = numbers or [asked.kits]
        with interrupt:
            rows = run_apart(lambda: estimate_kits(asked, wanted, seconds=seconds, seed=seed, stop=interrupt))
            answers = (
                run_apart(lambda: what_if(asked, seconds=2 * seconds, seed=seed, stop=interrupt))
                if ideas and any(sum(row.short.values()) < row.pieces for row in rows)
                else []
            )
            points = (
                run_apart(lambda: trade_off(asked, asked.demand, seconds=seconds, seed=seed)) if trade else ()
            )
    if as_json:
        found = [row.to_json() for row in rows]
        # With more to tell, the list gets a name.
        print_json(
            {"estimates": found}
            | ({"what_if": [answer.to_json() for answer in answers]} if ideas else {})
            | ({"trade_off": [asdict(point) for point in points]} if trade else {})
            if ideas or trade
            else found
        )
    else:
        _print(asked, rows, answers if ideas else None, points if trade else None)
    if interrupt.asked.is_set():
        raise typer.Exit(STOPPED)


def _print(
    asked: Batch,
    rows: Sequence[Estimate],
    answers: Sequence[WhatIf] | None,
    points: Sequence[TradeOff] | None,
) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table(title=asked.title or None, title_justify="left")
    for heading in ("kits", "pieces", "passes", "at least", "lay-ups", "time", "paper", "of stock", "short"):
        table.add_column(heading, justify="left" if heading == "short" else "right")
    for row in rows:
        table.add_row(
            str(row.kits),
            str(row.pieces),
            str(row.passes),
            str(row.bound),
            str(row.changes),
            minutes_words(row.minutes),
            f"{row.paper_mm2 / 100:.0f} cm²",
            f"{100 * row.share_of_stock:.0f} %",
            ", ".join(f"{paper}: {n} pieces" for paper, n in sorted(row.short.items())) or "–",
        )
    Console(width=110, markup=False, emoji=False).print(table)
    reasons = dict.fromkeys(row.reason for row in rows)
    for reason in reasons:
        typer.echo(f"At least: {reason}")
    if answers is not None:
        typer.echo(f"What if (for {counted(asked.kits, 'kit')}; paper and minutes are estimates):")
        for answer in answers:
            typer.echo(f"  {answer.to_json()['sentence']}")
        if not answers:
            if any(sum(row.short.values()) < row.pieces for row in rows):
                typer.echo("  nothing that was tried changes the number of passes")
            else:
                typer.echo("  nothing can be cut from the scraps in stock: first get more paper")
    if points is not None:
        typer.echo(f"Lay-ups and passes (for {counted(asked.kits, 'kit')}):")
        for point in points:
            best = "" if point.proved else ", perhaps fewer"
            typer.echo(
                f"  {counted(point.layups, 'lay-up')}, {counted(point.dies_set_up, 'die')} to set up: "
                f"{counted(point.passes, 'pass', 'passes')}{best}"
            )


def _kit_numbers(text: str | None) -> list[int]:
    if text is None:
        return []
    numbers = []
    for word in text.replace(";", ",").split(","):
        try:
            number = int(word.strip())
        except ValueError:
            number = 0
        if not 1 <= number <= MOST_KITS:
            raise InputError(
                f"{word.strip()!r} is not a number of kits",
                mend=f"give whole numbers from 1 to {MOST_KITS}, as in --kits 12,50,200",
                where=Where(element="--kits"),
            )
        numbers.append(number)
    return numbers
