"""``nestcut plan``: the main job."""

from __future__ import annotations

import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

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

if TYPE_CHECKING:
    from nestcut.plans import Plan

__all__ = ["plan", "plan_into", "summary_lines"]

LOADING_S = 8.0
"""Kernels are loaded in less; what takes longer is compiled, also where a first run was broken off midway."""
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
            help="Time limit, reading and writing included; one that is too short for the batch is refused. "
            "Without it: 30, or what a very large class takes at least.",
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
            help="Stop after so many tries of the search instead of by the clock: with one worker the same plan on any "
            "machine, without ideas. --seconds still ends it; without one, an hour.",
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
    begin = time.monotonic()
    interrupt = Interrupt()
    with plain_errors():
        from nestcut.batch import read_batch
        from nestcut.folder import check_writable, write_plan_folder
        from nestcut.passes import plan_batch

        asked = read_batch(batch)
        allowed_s = limit_seconds(asked, LONGEST_BY_WORK_S if work and seconds is None else seconds)
        check_writable(folder, batch=batch)
        with ProgressLine(seconds=allowed_s, quiet=as_json) as progress:
            loading = time.monotonic()
            ready = run_apart(lambda: _ready(progress))
            now = time.monotonic()
            if not ready or now - loading > LOADING_S:
                begin = now  # kernels are compiled once a machine: that is nobody's evening
            limit, enough = search_seconds(asked, allowed_s, now - begin)

            def stop() -> bool:
                return interrupt() or (progress.has_plan and time.monotonic() > now + enough)

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
    if as_json:
        print_json(summary_json(result, folder))
    else:
        for line in summary_lines(result, folder):
            typer.echo(line)
    if interrupt.asked.is_set():
        raise typer.Exit(STOPPED)
    if not result.complete:
        raise typer.Exit(INCOMPLETE)


def _ready(progress: ProgressLine) -> bool:
    """Load the kernels of the search; False where they had to be compiled first."""
    from nestcut.passes.advice.prepare import prepare

    told: list[str] = []

    def tell(text: str) -> None:
        told.append(text)
        progress(0.0, None, None, text)

    prepare(tell)
    return not told


def summary_json(result: Plan, folder: Path) -> dict[str, Any]:
    """The numbers that a person reads first."""
    total = result.totals
    return {
        "title": result.title,
        "complete": result.complete,
        "passes": total.passes,
        "bound": result.bound.passes,
        "reason": result.bound.reason,
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
    total, bound = result.totals, result.bound
    lines = [result.title] if result.title else []
    best = (
        "the fewest possible"
        if total.passes == bound.passes
        else f"no plan can need fewer than {bound.passes}"
    )
    if result.nothing_cut:
        lines.append(f"Nothing can be cut: {bound.reason}")
    else:
        lines.append(f"{total.passes} passes, {best}: {bound.reason}")
        lines.append(
            f"About {_duration(total.minutes)}, {_count(total.cranks, 'crank')}, {_count(total.actions.papers_moved, 'paper')} "
            f"moved; {_count(total.changes, 'lay-up')} to set up, {_count(total.trims, 'trim')}, {_count(total.pieces, 'piece')}"
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
        sheets = " or ".join(f"{_count(n, f'{size} sheet')}" for size, n in sorted(s.sheets.items()) if n)
        lines.append(
            f"Short: {what}: {_count(s.pieces, 'piece')}, {s.area_mm2:.0f} mm²"
            + (f"; buy {sheets}" if sheets else "")
            + (" (proved)" if s.proved else " (not proved)")
            + f": {s.reason}"
        )
    if not result.complete:
        wanted, met = sum(d.count for d in result.demand), sum(d.met for d in result.demand)
        lines.append(f"Not all of the demand is met: {met} of {wanted} pieces.")
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


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


def _duration(minutes: float) -> str:
    whole = round(minutes)
    return f"{whole} min" if whole < 90 else f"{whole // 60} h {whole % 60:02d} min"
