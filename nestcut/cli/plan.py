"""``nestcut plan``: the main job."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from nestcut import _stopwatch
from nestcut.cli.console import (
    INCOMPLETE,
    MOST_SEED,
    STOPPED,
    Interrupt,
    ProgressLine,
    plain_errors,
    print_json,
    run_apart,
)
from nestcut.cli.reserve import limit_seconds, search_seconds
from nestcut.units import counted

if TYPE_CHECKING:
    from nestcut.plans import Plan

__all__ = ["plan", "plan_into", "summary_lines"]

LONGEST_BY_WORK_S = 3600.0
"""Where tries are counted and no time limit is given."""


def plan(
    batch: Annotated[
        Path, typer.Argument(help="The batch file (TOML): machine, papers, scraps, dies, cards, class.")
    ],
    out: Annotated[Path | None, typer.Option("--out", help="Folder for plan.json and the sheets.")] = None,
    seconds: Annotated[
        float | None,
        typer.Option(
            "--seconds",
            min=1,
            max=86400,
            help="Time limit, reading and writing included. If it is too short for the batch, nestcut tells you the "
            "minimum. Default: 30, or more where a very large class needs it.",
        ),
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, max=MOST_SEED, help="Same seed, same plan.")] = 0,
    workers: Annotated[
        int,
        typer.Option(
            "--workers", min=1, max=64, help="Threads that search; 1 gives the same plan each time."
        ),
    ] = 1,
    work: Annotated[
        int | None,
        typer.Option(
            "--work",
            min=1,
            max=1_000_000,
            help="Stop after so many tries instead of by the clock: with one worker, every machine makes the same plan, "
            "without ideas. --seconds still ends it (default: one hour).",
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the summary as JSON.")] = False,
) -> None:
    """Plan a batch: lay-ups, passes and papers, written as plan.json, true-size SVGs and a run sheet."""
    folder = out if out is not None else Path(f"{batch.stem or 'batch'}-plan")
    plan_into(batch, folder, seconds=seconds, seed=seed, workers=workers, work=work, as_json=as_json)


def plan_into(
    batch: Path,
    folder: Path,
    *,
    seconds: float | None,
    seed: int,
    workers: int,
    work: int | None = None,
    as_json: bool,
) -> None:
    """Read, plan, write and tell; ``seconds`` None: as long as is usual. Ends the command with the exit code that fits."""
    begin = _stopwatch.seconds()
    interrupt = Interrupt()
    with plain_errors():
        from nestcut.box import changed_meanwhile, read_batch, replaces_unsettled
        from nestcut.folder import check_writable, write_plan_folder
        from nestcut.passes import plan_batch
        from nestcut.passes.advice.prepare import prepare

        asked = read_batch(batch)
        allowed_s = limit_seconds(asked, LONGEST_BY_WORK_S if work and seconds is None else seconds)
        check_writable(folder, batch=batch, reads=asked.reads)
        if remark := replaces_unsettled(asked, folder):
            typer.echo(f"Note: {remark}", err=True)
        with ProgressLine(seconds=allowed_s, quiet=as_json) as progress:
            run_apart(prepare)
            now = _stopwatch.seconds()
            limit, enough = search_seconds(asked, allowed_s, now - begin)

            def stop() -> bool:
                return interrupt() or (progress.has_plan and _stopwatch.seconds() > now + enough)

            # Before this there is nothing to keep: Ctrl-C stops at once.
            with interrupt:
                result = run_apart(
                    lambda: plan_batch(
                        asked,
                        seconds=limit,
                        seed=seed,
                        workers=workers,
                        on_progress=progress,
                        stop=stop,
                        work_limit=work,
                        advise=work is None,  # ideas take what time is left, which differs from run to run
                    )
                )
        with interrupt:
            write_plan_folder(result, folder)
        if remark := changed_meanwhile(asked):
            typer.echo(f"Note: {remark}", err=True)
    if as_json:
        print_json(summary_json(result, folder))
    else:
        for line in summary_lines(result, folder):
            typer.echo(line)
    if interrupt.asked.is_set():
        raise typer.Exit(STOPPED)
    if not result.complete:
        raise typer.Exit(INCOMPLETE)


def summary_json(result: Plan, folder: Path) -> dict[str, Any]:
    """The numbers that a person reads first."""
    total = result.totals
    return {
        "title": result.title,
        "complete": result.complete,
        "passes": total.passes,
        "bound": result.bound.passes,
        "reason": result.bound.reason,
        "bound_minutes": result.bound.minutes,
        "cranks": total.cranks,
        "changes": total.changes,
        "trims": total.trims,
        "pieces": total.pieces,
        "minutes": total.minutes,
        "papers_moved": total.actions.papers_moved,
        "actions": asdict(total.actions),
        "wanted": sum(line.count for line in result.demand),
        "met": sum(line.met for line in result.demand),
        "short": [
            {
                "paper": s.paper,
                "dies": list(s.dies),
                "pieces": s.pieces,
                "area_mm2": s.area_mm2,
                "sheets": dict(s.sheets),
                "proved": s.proved,
                "reason": s.reason,
            }
            for s in result.short
        ],
        "what_if": result.extras.get("what_if", []),
        "trade_off": result.extras.get("trade_off", []),
        "folder": str(folder),
    }


def summary_lines(result: Plan, folder: Path) -> list[str]:
    """The plan in plain words, for the terminal."""
    from nestcut.plans.claims import claims

    total = result.totals
    lines = [result.title] if result.title else []
    if result.nothing_cut:
        lines += claims(result)
    else:
        lines += [f"{sentence}." for sentence in claims(result)]
        lines.append(
            f"{counted(total.cranks, 'crank')}, {counted(total.actions.papers_moved, 'paper')} moved, "
            f"{counted(total.changes, 'lay-up')} to set up, {counted(total.trims, 'trim')}, {counted(total.pieces, 'piece')}"
        )
    used = {p.scrap for a_pass in result.passes for p in a_pass.papers} | {t.scrap for t in result.trims}
    stock = {s.id: s.paper for s in result.scraps}
    pulled: dict[str, int] = {}
    for scrap, paper in stock.items():
        if scrap in used:
            pulled[paper] = pulled.get(paper, 0) + 1
    if pulled:
        lines.append(
            "Scraps to pull out: " + ", ".join(f"{n} {paper}" for paper, n in sorted(pulled.items()))
        )
    for s in result.short:
        what = f"paper {s.paper}" if s.paper else "die " + ", ".join(s.dies)
        sheets = " or ".join(f"{counted(n, f'{size} sheet')}" for size, n in sorted(s.sheets.items()) if n)
        lines.append(
            f"Short: {what}: {counted(s.pieces, 'piece')}, {s.area_mm2:.0f} mm²"
            + (f"; buy {sheets}" if sheets else "")
            + (" (proved)" if s.proved else " (not proved)")
            + f": {s.reason}"
        )
    if not result.complete:
        wanted, met = sum(d.count for d in result.demand), sum(d.met for d in result.demand)
        lines.append(f"Some pieces are missing: {met} of {wanted} are cut.")
    lines.extend(f"Note: {note}" for note in result.notes)
    lines.extend(f"Idea: {idea}" for idea in best_ideas(result))
    lines.append(f"Open {folder / 'run-sheet.html'} in a browser and print it.")
    return lines


def best_ideas(result: Plan, most: int = 2) -> list[str]:
    """The purchases that save most, as sentences; all ideas stand on the run sheet."""
    ideas = result.extras.get("what_if")
    if not isinstance(ideas, list) or result.nothing_cut:
        return []
    buys = [one for one in ideas if one.get("kind") == "die" and one.get("passes", 0) < 0]
    return [str(one["sentence"]) for one in buys[:most]]
