"""``nestcut demo``: the evening example, planned for real."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from nestcut.cli.console import MOST_SEED
from nestcut.cli.plan import plan_into

__all__ = ["demo"]


class Example(StrEnum):
    """The examples that come with nestcut."""

    evening = "evening"
    scraps = "scraps"
    event = "event"


def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder for plan.json and the sheets.")] = Path(
        "nestcut-demo"
    ),
    example: Annotated[
        Example,
        typer.Option("--example", help="An evening before a class, a bag of odd scraps, a big event."),
    ] = Example.evening,
    seconds: Annotated[float, typer.Option("--seconds", min=1, max=86400, help="Time limit.")] = 25.0,
    seed: Annotated[int, typer.Option("--seed", min=0, max=MOST_SEED, help="Same seed, same plan.")] = 0,
    workers: Annotated[
        int,
        typer.Option(
            "--workers", min=1, max=64, help="Threads that search; 1 gives the same plan each time."
        ),
    ] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="Print the summary as JSON.")] = False,
) -> None:
    """Plan one of the examples that come with nestcut and write its sheets."""
    from nestcut.data import examples_folder

    batch = examples_folder() / f"{example.value}.toml"
    plan_into(batch, out, seconds=seconds, seed=seed, workers=workers, as_json=as_json)
