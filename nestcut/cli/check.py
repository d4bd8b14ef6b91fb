"""``nestcut check``: does a plan keep every rule?"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from nestcut.cli.console import INCOMPLETE, plain_errors, print_json

__all__ = ["check"]


def check(
    plan: Annotated[Path, typer.Argument(help="A plan.json, or the folder that holds it.")],
    proof: Annotated[
        bool, typer.Option("--proof", help="Recompute what the lower bound rests on, too.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """Check a plan.json from the file alone and name every broken rule. Exit code 1 for a broken plan."""
    with plain_errors():
        from nestcut.check import check_plan, check_proof
        from nestcut.plan import read_plan

        path = plan / "plan.json" if os.path.isdir(plan) else plan
        read = read_plan(path)
        reports = [check_plan(read)] + ([check_proof(read)] if proof else [])
    faults = [fault for report in reports for fault in report.faults]
    if as_json:
        print_json(
            {
                "ok": not faults,
                "faults": [
                    {
                        "rule": f.rule,
                        "message": f.message,
                        "pass": f.pass_number,
                        "layup": f.layup,
                        "die": f.die,
                        "scrap": f.scrap,
                        "measured_mm": f.measured_mm,
                        "allowed_mm": f.allowed_mm,
                    }
                    for f in faults
                ],
            }
        )
    elif faults:
        for fault in faults:
            typer.echo(f"Broken: {fault}")
        typer.echo(f"{path}: {len(faults)} broken rule{'s' if len(faults) != 1 else ''}")
    else:
        total = read.totals
        typer.echo(f"{path}: every rule holds in {total.passes} passes, {total.pieces} pieces.")
        if proof:
            typer.echo(f"The lower bound of {read.bound.passes} passes follows from its proof.")
    if faults:
        raise typer.Exit(INCOMPLETE)
