"""``nestcut go-on``: something went wrong at the machine; what is cut stays cut, and the rest is planned anew."""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias

import typer

from nestcut.cli.console import INCOMPLETE, MOST_SEED, ProgressLine, plain_errors, print_json, run_apart
from nestcut.errors import InputError, Where
from nestcut.units import counted, minutes_words

if TYPE_CHECKING:
    from nestcut.evening import EveningState
    from nestcut.evening.state import Kind
    from nestcut.plans import Plan

__all__ = ["go_on"]

LOG = "evening.db"
Kept: TypeAlias = "list[tuple[Kind, dict[str, Any]]]"


def go_on(
    plan: Annotated[Path, typer.Argument(help="The folder of the plan (or its plan.json).")],
    after: Annotated[
        int | None,
        typer.Option("--after", min=0, help="The last pass that is done. Without it: as the log has it."),
    ] = None,
    miss: Annotated[
        list[str] | None,
        typer.Option(
            "--miss",
            help="A die whose piece did not come out in the last pass that is done: campion, campion@red-2b where it cut "
            "several papers, 31:campion for an earlier pass.",
        ),
    ] = None,
    spoilt: Annotated[
        list[str] | None, typer.Option("--spoilt", help="A scrap or part that is spoilt or missing.")
    ] = None,
    broken: Annotated[list[str] | None, typer.Option("--broken", help="A die that broke.")] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for the new plan. The old plan is kept.")
    ] = None,
    seconds: Annotated[float, typer.Option("--seconds", min=1, max=86400, help="Time to plan, about.")] = 20,
    seed: Annotated[int, typer.Option("--seed", min=0, max=MOST_SEED, help="Same seed, same plan.")] = 0,
    work: Annotated[
        int | None,
        typer.Option("--work", min=1, max=1_000_000, help="Stop each search after so many tries."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the summary as JSON.")] = False,
) -> None:
    """Go on after something went wrong: the passes that are done stand, and the rest is planned anew.

    What happened is kept in evening.db beside the plan. Exit code 1: not all that was asked can still be cut.
    """
    with plain_errors():
        from nestcut.evening import Event, EventLog, reckon
        from nestcut.evening import go_on as planned_on
        from nestcut.folder import check_writable, write_plan_folder
        from nestcut.plans import read_plan

        folder = plan if os.path.isdir(plan) else plan.parent
        before = read_plan(folder / "plan.json" if os.path.isdir(plan) else plan)
        where = Where(file=str(folder))
        target = out if out is not None else _next_folder(folder)
        if os.path.realpath(target) == os.path.realpath(folder):
            raise InputError(
                "the new plan would replace the old one", mend="name another folder with --out", where=where
            )
        check_writable(target)
        with EventLog(folder / LOG, before) as log:
            state = reckon(before, log.events())
            told = _passes(before, state, after, where)
            done = state.done if after is None else after
            told += [("missed", _cut_of(before, done, text)) for text in miss or ()]
            told += [("spoilt", {"scrap": _paper_of(before, text)}) for text in spoilt or ()]
            told += [("broken", {"die": _die_of(before, text)}) for text in broken or ()]
            for kind, data in told:
                log.append(Event(secrets.token_hex(12), kind, data))
            state = reckon(before, log.events())
        with ProgressLine(seconds=seconds, quiet=as_json):
            new = run_apart(lambda: planned_on(before, state, seconds=seconds, seed=seed, work_limit=work))
        write_plan_folder(new, target)
    if as_json:
        print_json(_summary(before, new, target))
    else:
        for line in _lines(before, new, target):
            typer.echo(line)
    if not new.complete:
        raise typer.Exit(INCOMPLETE)


def _next_folder(folder: Path) -> Path:
    """Beside the old one: evening-plan-rest, evening-plan-rest-2, …"""
    name = folder.resolve().name
    number = 1
    while True:
        found = folder.resolve().parent / (f"{name}-rest" if number == 1 else f"{name}-rest-{number}")
        if not found.exists():
            return found
        number += 1


def _passes(plan: Plan, state: EveningState, after: int | None, where: Where) -> Kept:
    """Passes done or undone, so that ``after`` of them are done."""
    if after is None:
        return []
    if not plan.done <= after <= len(plan.passes):
        raise InputError(
            f"--after {after}: the plan has {counted(len(plan.passes), 'pass', 'passes')}, and {plan.done} were done before it",
            mend="give the number of the last pass that is done",
            where=where,
        )
    told: Kept = [("undone", {"pass": number}) for number in range(state.done, after, -1)]
    return told + [("done", {"pass": number}) for number in range(state.done + 1, after + 1)]


def _cut_of(plan: Plan, done: int, text: str) -> dict[str, Any]:
    """A cut from its words: DIE, DIE@SCRAP, PASS:DIE or PASS:DIE@SCRAP."""
    head, colon, rest = text.partition(":")
    number, words = (int(head), rest) if colon and head.isdecimal() else (done, text)
    if not 1 <= number <= done:
        raise InputError(f"--miss {text}: pass {number} is not done", mend="say which is, with --after")
    one = plan.passes[number - 1]
    slots = plan.layup(one.layup).slots
    cuts = {cut.slot: (slots[cut.slot].die, cut.scrap) for cut in one.cuts}
    found = [slot for slot, (die, scrap) in cuts.items() if words in (die, f"{die}@{scrap}")]
    if len(found) != 1:
        there = ", ".join(f"{die}@{scrap}" for die, scrap in cuts.values())
        many = "cut there more than once" if found else "not cut there"
        raise InputError(f"--miss {text}: {words} was {many}", mend=f"pass {number} cut {there}: name one")
    return {"pass": number, "slot": found[0]}


def _paper_of(plan: Plan, text: str) -> str:
    trimmed = {trim.scrap: [part for part, _ in trim.into] for trim in plan.trims}
    if text in trimmed:
        raise InputError(
            f"--spoilt {text}: it was cut into parts", mend=f"name the part: {', '.join(trimmed[text])}"
        )
    if text not in plan.pieces_of_paper():
        raise InputError(
            f"--spoilt {text}: there is no such scrap", mend="give its mark, as on the run sheet"
        )
    return text


def _die_of(plan: Plan, text: str) -> str:
    names = [die.name for die in plan.dies]
    if text not in names:
        raise InputError(
            f"--broken {text}: there is no such die", mend=f"give one of these: {', '.join(names)}"
        )
    return text


def _summary(before: Plan, new: Plan, folder: Path) -> dict[str, Any]:
    return {
        "done": new.done,
        "passes": new.totals.passes,
        "passes_before": before.totals.passes,
        "minutes": new.totals.minutes,
        "minutes_before": before.totals.minutes,
        "complete": new.complete,
        "wanted": sum(line.count for line in new.demand),
        "met": sum(line.met for line in new.demand),
        "folder": str(folder),
    }


def _lines(before: Plan, new: Plan, folder: Path) -> list[str]:
    more = len(new.passes) - len(before.passes)
    change = (
        "as many passes as before"
        if more == 0
        else f"{counted(abs(more), 'pass', 'passes')} {'more' if more > 0 else 'less'}"
    )
    lines = [f"{counted(new.done, 'pass', 'passes')} done, {len(new.passes) - new.done} to go: {change}."]
    minutes = new.totals.minutes - before.totals.minutes
    if minutes > 0:
        lines.append(f"It takes about {minutes_words(minutes)} longer.")
    for line in new.demand:
        if line.met < line.count:
            lines.append(
                f"Missing: {counted(line.count - line.met, 'piece')} of {', '.join(line.dies)} for {line.card}"
            )
    if len(new.passes) > new.done:
        lines.append(
            f"Go on with pass {new.done + 1}: open {folder / 'run-sheet.html'} in a browser and print it."
        )
    else:
        lines.append("Nothing is left to cut.")
    return lines
