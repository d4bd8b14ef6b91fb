"""``nestcut dies``: a contact sheet of a folder of outlines."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from nestcut.cli.console import plain_errors, print_json
from nestcut.errors import InputError, OutlineError, OutputError, Where

__all__ = ["dies"]


def dies(
    drawings: Annotated[
        list[Path] | None, typer.Argument(help="SVG files or folders; none: the shapes of nestcut.")
    ] = None,
    rim: Annotated[str, typer.Option("--rim", help="Rim outside the cut, where none is drawn.")] = "1.6 mm",
    out: Annotated[
        Path | None, typer.Option("--out", help="Write the contact sheet here (an SVG file).")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the table as JSON.")] = False,
) -> None:
    """List die outlines with size, area and cut length, and draw a contact sheet of them."""
    with plain_errors():
        from nestcut.batch import Die
        from nestcut.data import shapes_folder
        from nestcut.outlines import read_die
        from nestcut.units import parse_length

        rim_mm = parse_length(rim, key="--rim")
        if out is not None:
            _refuse_to_spoil(out)
        files = _svg_files(drawings or [shapes_folder()], out)
        read: list[Die] = []
        notes: list[str] = []
        broken: list[str] = []
        for file in files:
            try:
                outline = read_die(file, rim_mm=rim_mm)
            except OutlineError as err:
                if len(files) == 1:
                    raise
                broken.append(str(err))  # one bad drawing must not hide the others
                continue
            read.append(Die(file.stem, outline.cut, outline.rim, marks=outline.marks))
            notes.extend(f"{file.name}: {note}" for note in outline.notes)
        if not read:
            raise OutlineError("no usable outline among the drawings:\n" + "\n".join(broken))
        if out is not None:
            from nestcut._files import write_whole
            from nestcut.sheets import contact_sheet

            write_whole(out, contact_sheet(read, title="Dies"))
    rows = [_measures(die) for die in read]
    if as_json:
        print_json({"dies": rows, "notes": notes, "broken": broken})
    else:
        from rich.console import Console
        from rich.table import Table

        table = Table()
        table.add_column("die")
        for heading in ("cut, mm", "rim, mm", "cut area, mm²", "cut length, mm", "pieces"):
            table.add_column(heading, justify="right")
        for row in rows:
            table.add_row(
                str(row["die"]),
                f"{row['cut_mm'][0]:.1f} × {row['cut_mm'][1]:.1f}",
                f"{row['rim_mm'][0]:.1f} × {row['rim_mm'][1]:.1f}",
                f"{row['cut_area_mm2']:.0f}",
                f"{row['cut_length_mm']:.0f}",
                str(row["pieces"]),
            )
        Console(width=100, markup=False, emoji=False).print(table)
        for note in notes:
            typer.echo(f"Note: {note}")
        if out is not None:
            typer.echo(f"Contact sheet: {out}")
    for error in broken:
        typer.echo(f"Error: {error}", err=True)
    if broken:
        raise typer.Exit(2)


def _refuse_to_spoil(out: Path) -> None:
    """Only a new SVG is written, or a contact sheet of ours anew: never over a batch, a drawing, a table.

    Raises: InputError or OutputError.
    """
    from nestcut._files import shown
    from nestcut.sheets import is_contact_sheet

    where = Where(file=shown(out))
    if out.suffix.lower() != ".svg":
        raise InputError(
            "a contact sheet is an SVG file, and this name does not end in .svg",
            mend="name an SVG file, as in --out contact-sheet.svg",
            where=where,
        )
    if not os.path.lexists(out):
        return
    try:
        ours = os.path.isfile(out) and is_contact_sheet(out)
    except OSError:
        ours = False
    if not ours:
        raise OutputError(
            "this exists already and is not a contact sheet of nestcut, so it is left alone",
            mend="name a new file with --out",
            where=where,
        )


def _svg_files(paths: list[Path], out: Path | None) -> list[Path]:
    """The drawings named, or in folders named; a contact sheet from before is none."""
    files: list[Path] = []
    for path in paths:
        if os.path.isdir(path):
            own = os.path.abspath(out) if out is not None else None
            found = sorted(
                p for p in path.iterdir() if p.suffix.lower() == ".svg" and os.path.abspath(p) != own
            )
            if not found:
                raise InputError(
                    "no SVG files in this folder", mend="name a folder of outlines", where=Where(str(path))
                )
            files.extend(found)
        else:
            files.append(path)
    return files


def _measures(die) -> dict:  # type: ignore[no-untyped-def]  # Die is imported late
    def size(shape) -> list[float]:  # type: ignore[no-untyped-def]
        x0, y0, x1, y1 = shape.bounds
        return [round(x1 - x0, 3), round(y1 - y0, 3)]

    return {
        "die": die.name,
        "cut_mm": size(die.cut),
        "rim_mm": size(die.rim),
        "cut_area_mm2": round(die.cut.area, 3),
        "cut_length_mm": round(die.cut.length, 3),
        "pieces": die.pieces,
    }
