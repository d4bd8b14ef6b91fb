"""``nestcut fill``: use up one scrap, as many pieces as possible of the given dies."""

from __future__ import annotations

import math
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from nestcut.cli.console import (
    MOST_SEED,
    STOPPED,
    Interrupt,
    ProgressLine,
    plain_errors,
    print_json,
    run_apart,
)
from nestcut.cli.fill_whole import Layout, WholeFillTask, keep_whole_of
from nestcut.errors import InputError, Where

if TYPE_CHECKING:
    from shapely.geometry import Polygon

    from nestcut.batch import Die

__all__ = ["fill"]

LEAST_SIDE_MM = 0.1
"""Of a scrap, as in a batch."""


def fill(
    scrap: Annotated[
        str, typer.Argument(help='The scrap: an SVG outline, "105 x 140 mm", or a sheet size such as A5.')
    ],
    die: Annotated[
        list[str],
        typer.Option(
            "--die", help="A die: an SVG outline, or a shape of nestcut such as campion. Repeat it."
        ),
    ],
    ratio: Annotated[str | None, typer.Option("--ratio", help="Proportions of the dies, as in 3,1.")] = None,
    count: Annotated[str | None, typer.Option("--count", help="Most pieces of each die, as in 12,4.")] = None,
    keep_whole: Annotated[
        bool,
        typer.Option(
            "--keep-whole", help="Cut the --count of each die so that the rest of the sheet stays whole."
        ),
    ] = False,
    web: Annotated[str, typer.Option("--web", help="Paper left between two cuts.")] = "2.5 mm",
    edge: Annotated[
        str, typer.Option("--edge", help="Paper left between a cut and the scrap's edge.")
    ] = "2 mm",
    turns: Annotated[
        str, typer.Option("--turns", help='"any", or the allowed turns in degrees, as in 0,90,180,270.')
    ] = "any",
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for the drawing and the list of cuts.")
    ] = None,
    seconds: Annotated[float, typer.Option("--seconds", min=1, max=86400, help="Time limit.")] = 10.0,
    seed: Annotated[int, typer.Option("--seed", min=0, max=MOST_SEED, help="Same seed, same layout.")] = 0,
    workers: Annotated[int, typer.Option("--workers", min=1, max=64, help="Processes that search.")] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="Print the layout as JSON.")] = False,
) -> None:
    """Fill one scrap with as many pieces as possible of the given dies, in the given proportions."""
    interrupt = Interrupt()
    with plain_errors():
        from nestcut.folder import check_writable, replace_folder
        from nestcut.units import parse_length

        web_mm, edge_mm = parse_length(web, key="--web"), parse_length(edge, key="--edge")
        allowed = _turns(turns)
        outline, scrap_name = _scrap(scrap)
        read = [_die(name) for name in die]
        ratios = _whole_numbers(ratio, "--ratio", len(read))
        counts = _whole_numbers(count, "--count", len(read))
        if keep_whole and counts is None:
            raise InputError(
                "the number of pieces is missing",
                mend="add --count, as in --count 12,4",
                where=Where(element="--keep-whole"),
            )
        if out is not None:
            check_writable(out)
        task = WholeFillTask(
            outline, read, counts, ratios, allowed, web_mm, edge_mm, seconds, seed, workers, interrupt
        )
        with ProgressLine(seconds=seconds, quiet=as_json) as progress:
            search = (lambda: keep_whole_of(task)) if keep_whole else (lambda: _most(task, progress))
            with interrupt:
                placed, bound, reason = run_apart(search)
        tally = [sum(1 for index, _ in placed if index == number) for number in range(len(read))]
        if out is not None:
            from nestcut.sheets import fill_sheet

            title = f"{scrap_name}: " + ", ".join(f"{n} × {d.name}" for n, d in zip(tally, read, strict=True))
            text = _json_text(_layout_json(scrap_name, read, placed, tally, bound, reason))

            def write(folder: Path) -> None:
                (folder / "fill.json").write_text(text, encoding="utf-8")
                svg = fill_sheet(outline, [(read[i], pose) for i, pose in placed], title=title)
                (folder / "fill.svg").write_text(svg, encoding="utf-8")

            with interrupt:
                replace_folder(out, write)
    if as_json:
        print_json(_layout_json(scrap_name, read, placed, tally, bound, reason))
    else:
        for line in _summary(outline, read, placed, tally, bound, reason, keep_whole=keep_whole):
            typer.echo(line)
        if out is not None:
            typer.echo(f"Drawn at true size in {out / 'fill.svg'}")
    if interrupt.asked.is_set():
        raise typer.Exit(STOPPED)


def _most(task: WholeFillTask, progress: ProgressLine) -> tuple[Layout, float, str]:
    from nestcut.placement import Part, fill_region

    parts = [
        Part(d.name, d.hole, turns=task.turns, most=task.counts[i] if task.counts else None)
        for i, d in enumerate(task.dies)
    ]
    filling = fill_region(
        task.outline,
        parts,
        web_mm=task.web_mm,
        edge_mm=task.edge_mm,
        seconds=task.seconds,
        seed=task.seed,
        workers=task.workers,
        proportions=task.ratios,
        on_layout=lambda p: progress(p.seconds, None, None, f"{len(p.placed)} cuts"),
        stop=task.stop,
    )
    return [(p.part, p.pose) for p in filling.placed], filling.bound, filling.reason


def _summary(
    outline: Polygon,
    dies: list[Die],
    placed: Layout,
    tally: list[int],
    bound: float,
    reason: str,
    *,
    keep_whole: bool,
) -> list[str]:
    pieces = sum(n * d.pieces for n, d in zip(tally, dies, strict=True))
    lines = [f"{pieces} pieces: " + ", ".join(f"{n} × {d.name}" for n, d in zip(tally, dies, strict=True))]
    cut_mm2 = sum(n * d.cut.area for n, d in zip(tally, dies, strict=True))
    lines.append(f"{100 * cut_mm2 / outline.area:.0f} % of the scrap's area becomes pieces.")
    if keep_whole:
        lines.append(f"Of the sheet, {reason}.")
    elif len(placed) >= math.floor(bound + 1e-9):
        lines.append(f"No layout can hold more: {reason}.")
    else:
        lines.append(f"No layout can hold more than {math.floor(bound + 1e-9)} cuts: {reason}.")
    if len(dies) > 1 and any(d.has_opening for d in dies):
        lines.append(
            "The opening of a cut counts as used: a piece from it would have to be cut in the same pass, "
            "which fill does not look for."
        )
    passes = max((math.ceil(n / d.copies) for n, d in zip(tally, dies, strict=True)), default=0)
    lines.append(f"With one copy of each die that is at least {passes} passes.")
    return lines


def _layout_json(
    scrap: str, dies: list[Die], placed: Layout, tally: list[int], bound: float, reason: str
) -> dict[str, Any]:
    return {
        "scrap": scrap,
        "cuts": [{"die": dies[i].name, "pose": [pose.x_mm, pose.y_mm, pose.deg]} for i, pose in placed],
        "count": {d.name: n for d, n in zip(dies, tally, strict=True)},
        "bound": bound,
        "reason": reason,
    }


def _json_text(value: dict[str, Any]) -> str:
    import json

    return json.dumps(value, indent=1, ensure_ascii=False) + "\n"


def _turns(text: str) -> Any:
    if text.strip().lower() == "any":
        return "any"
    try:
        turns = tuple(float(word) for word in text.replace(";", ",").split(","))
    except ValueError:
        turns = ()
    if not turns or not all(math.isfinite(t) and abs(t) <= 360 for t in turns):
        raise InputError(
            f"{text!r} is not a list of turns",
            mend='write "any", or degrees such as 0,90,180,270',
            where=Where(element="--turns"),
        )
    return turns


def _whole_numbers(text: str | None, option: str, wanted: int) -> list[int] | None:
    if text is None:
        return None
    words = [word.strip() for word in text.replace(":", ",").replace(";", ",").split(",")]
    if len(words) != wanted or not all(word.isdigit() and 0 < int(word) <= 100_000 for word in words):
        raise InputError(
            f"{text!r} does not give a whole number of 1 or more for each of the {wanted} dies",
            mend=f"write one number for each --die, in their order, as in {option} "
            + ",".join(["3", "1", "1", "1"][:wanted]),
            where=Where(element=option),
        )
    return [int(word) for word in words]


def _scrap(text: str) -> tuple[Polygon, str]:
    from shapely.geometry import box

    from nestcut.outlines import read_scrap
    from nestcut.units import parse_length, sheet_size

    if (size := sheet_size(text)) is not None:
        return box(0.0, 0.0, *size), text.strip()
    if not text.lower().endswith(".svg"):
        sides = re.split(r"\s*[x×*]\s*", text.strip(), flags=re.IGNORECASE)
        if len(sides) == 2 and all(sides):
            unit = re.search(r"[a-z\"″]+\s*$", sides[1], flags=re.IGNORECASE)
            # "105 x 140 mm": the unit behind the second side holds for both.
            first = sides[0] + (unit.group() if unit and re.fullmatch(r"[\d\s./,½¼¾-]+", sides[0]) else "")
            width, length = (parse_length(side, key="SCRAP") for side in (first, sides[1]))
            if min(width, length) >= LEAST_SIDE_MM:
                return box(0.0, 0.0, width, length), text.strip()
            raise InputError(
                f"{text!r} is too small a scrap",
                mend=f"write sides of {LEAST_SIDE_MM:g} mm at least",
                where=Where(element="SCRAP"),
            )
        if not os.path.exists(text):
            raise InputError(
                f"{text!r} is neither an SVG file nor a size",
                mend='name an SVG outline, a size such as "105 x 140 mm", or a sheet such as A5, letter or half letter',
                where=Where(element="SCRAP"),
            )
    return read_scrap(Path(text)).outline, Path(text).stem


def _die(name: str) -> Die:
    from nestcut.batch import Die
    from nestcut.data import shapes_folder
    from nestcut.outlines import read_die

    path = Path(name)
    if not name.lower().endswith(".svg") and not os.path.exists(path):
        own = {p.stem: p for p in shapes_folder().glob("*.svg")}
        if name not in own:
            import difflib

            near = difflib.get_close_matches(name, own, n=1)
            raise InputError(
                f"there is no shape {name!r}",
                mend=(f"did you mean {near[0]}? " if near else "")
                + "name an SVG file, or a shape that `nestcut dies` lists",
                where=Where(element="--die"),
            )
        path = own[name]
    outline = read_die(path, rim_mm=1.6)
    return Die(path.stem, outline.cut, outline.rim, marks=outline.marks)
