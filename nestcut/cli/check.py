"""``nestcut check``: does a plan keep every rule?"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from nestcut.cli.console import INCOMPLETE, plain_errors, print_json
from nestcut.units import counted

__all__ = ["check"]


def check(
    plan: Annotated[Path, typer.Argument(help="A plan.json, or the folder that holds it.")],
    proof: Annotated[
        bool,
        typer.Option(
            "--proof",
            help="Also check the proof of the lower bound, within --seconds and 1 GiB of memory.",
        ),
    ] = False,
    seconds: Annotated[float, typer.Option("--seconds", min=1.0, help="Time limit for --proof.")] = 300.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """Check a plan.json from the file alone and name every broken rule.

    Exit code 1: the plan breaks a rule, or its proof was not verified.
    """
    with plain_errors():
        from nestcut.checks import check_plan, check_proof
        from nestcut.plans import read_plan

        path = plan / "plan.json" if os.path.isdir(plan) else plan
        read = read_plan(path)
        reports = [check_plan(read)] + ([check_proof(read, seconds=seconds)] if proof else [])
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
        # A proof that takes too long is not a wrong one.
        broken = [fault for fault in faults if fault.rule != "undecided"]
        for fault in broken:
            typer.echo(f"Broken: {fault}")
        for fault in faults:
            if fault.rule == "undecided":
                typer.echo(f"Undecided: {fault.message}. This does not mean that it is wrong.")
        if broken:
            typer.echo(f"{path}: {counted(len(broken), 'broken rule')}")
        else:
            typer.echo(f"{path}: every other rule holds, but the lower bound was not verified.")
    else:
        total = read.totals
        typer.echo(f"{path}: every rule holds in {total.passes} passes, {total.pieces} pieces.")
        if proof:
            typer.echo(f"The lower bound of {read.bound.passes} passes follows from its proof.")
    if faults:
        raise typer.Exit(INCOMPLETE)
