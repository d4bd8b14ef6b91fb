"""``nestcut box``: the stock of papers, scraps and dies.

Every change is one action, and ``nestcut box undo`` takes it back.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from nestcut.cli.console import plain_errors, print_json
from nestcut.errors import InputError, OutputError, Where

if TYPE_CHECKING:
    from nestcut.box import Box, Tagged

__all__ = ["app"]

app = typer.Typer(
    help="The box: papers, scraps and dies that you own, in one file. Every change can be undone.",
    no_args_is_help=True,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
BoxOption = Annotated[
    Path | None,
    typer.Option(
        "--box", help="The file of the box. Without it: NESTCUT_BOX, or nestcut/box.db among your data."
    ),
]
MOST_LISTED = 40


@contextmanager
def _open(path: Path | None, *, create: bool = False) -> Iterator[Box]:
    """The box, closed afterwards; errors in plain words."""
    with plain_errors():
        from nestcut.box import Box

        with Box(path, create=create) as box:
            for note in box.notes:
                typer.echo(f"Note: {note}")
            yield box


@app.command("list")
def list_(
    paper: Annotated[list[str] | None, typer.Option("--paper", help="Only scraps of this paper.")] = None,
    file: BoxOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print all as JSON.")] = False,
) -> None:
    """List what is in the box."""
    with _open(file) as box:
        stock, dies, evenings, state = box.scraps(paper), box.dies(), box.evenings(), box.state
        papers = [one for one in box.papers() if not paper or one.name in paper]
        where = box.path
    if as_json:
        print_json(
            {
                "file": str(where),
                "state": state.state,
                "papers": [
                    {"name": p.name, "swatch": p.swatch, "direction": p.direction, "both_sides": p.both_sides}
                    for p in papers
                ],
                "scraps": [
                    {
                        "tag": one.tag,
                        "paper": one.paper,
                        "size_mm": [round(side, 3) for side in one.outline.bounds[2:]],
                        "area_mm2": round(one.outline.area, 3),
                        "source": one.source,
                        "since": one.since,
                    }
                    for one in stock
                ],
                "dies": [
                    {
                        "name": die.name,
                        "copies": die.copies,
                        "cut_mm": _size(die.cut),
                        "rim_mm": _size(die.rim),
                    }
                    for die in dies
                ],
                "evenings": [{"title": one.title, "at": one.at} for one in evenings],
            }
        )
        return
    for one in papers:
        own = [scrap for scrap in stock if scrap.paper == one.name]
        area = sum(scrap.outline.area for scrap in own)
        typer.echo(f"{one.name}: {_count(len(own), 'scrap')}, {area / 100:.0f} cm²")
        for scrap in own:
            typer.echo(f"  {scrap.tag}  {_sides(scrap.outline)}{_form(scrap.outline)}  {scrap.source}")
    if dies and not paper:
        typer.echo("Dies (sharp: lift them by the rim):")
        for die in dies:
            copies = f", {die.copies} of them" if die.copies > 1 else ""
            typer.echo(f"  {die.name}  cut {_sides(die.cut)}, rim {_sides(die.rim)}{copies}")
    if not papers and not (dies and not paper):
        typer.echo("Nothing is in the box." if not paper else "Nothing of that paper is in the box.")
    typer.echo(f"{where}: state {state.state}")


@app.command()
def add(
    paper: Annotated[str | None, typer.Argument(help="The paper: red.")] = None,
    size: Annotated[
        str | None, typer.Argument(help="Width and length, or a sheet: 105x148, '4 in x 6 in', A5, letter.")
    ] = None,
    count: Annotated[int, typer.Option("--count", min=1, max=5000, help="How many alike.")] = 1,
    tag: Annotated[
        str | None, typer.Option("--tag", help="What you pencil on the back; without it the next free one.")
    ] = None,
    outline: Annotated[
        Path | None, typer.Option("--outline", help="An SVG of the scrap, in place of a size.")
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option(
            "--table", help="A table of scraps (CSV), or the box.csv of a plan, in place of all that."
        ),
    ] = None,
    units: Annotated[str, typer.Option("--units", help="What bare numbers are: mm or in.")] = "mm",
    file: BoxOption = None,
) -> None:
    """Put scraps into the box: by size, by outline, or from a table."""
    with plain_errors():
        from nestcut.outlines import read_scrap

        if units not in ("mm", "in"):
            raise InputError(f'"{units}" is no unit', mend="write mm or in", where=Where(element="--units"))
        given = [one for one in (size, outline, table) if one is not None]
        if len(given) != 1 or (table is None) == (paper is None):
            raise InputError(
                "it is not clear what is to be put in",
                mend="write nestcut box add red A5, nestcut box add red --outline corner.svg, "
                "or nestcut box add --table scraps.csv",
            )
        notes: list[str] = []
        shape: Any = None
        if size is not None:
            shape = _read_size(size, units)
        elif outline is not None:
            drawn = read_scrap(outline)
            shape, notes = drawn.outline, list(drawn.notes)
    with _open(file, create=True) as box:
        if table is not None:
            put = box.add_table(table, units="in" if units == "in" else "mm")
        else:
            put = box.add(paper or "", shape, tag=tag, count=count)
    for note in notes:
        typer.echo(f"Note: {note}")
    typer.echo(f"Put in: {_tags([one.tag for one in put])}")
    _tell_new_tags(put)


@app.command("paper")
def paper_(
    name: Annotated[str, typer.Argument(help="The paper: red.")],
    swatch: Annotated[str | None, typer.Option("--swatch", help="Its colour on the sheets: #a4452c.")] = None,
    direction: Annotated[
        str, typer.Option("--direction", help="none; stripe: pieces lie at 0° or 180°; up: at 0° only.")
    ] = "none",
    both_sides: Annotated[bool, typer.Option("--both-sides", help="It is good on either side.")] = False,
    file: BoxOption = None,
) -> None:
    """Note a paper: its colour, its direction, its good sides. What is not given is taken away."""
    with _open(file, create=True) as box:
        from nestcut.batch import Paper

        if direction not in ("none", "stripe", "up"):
            raise InputError(
                f'"{direction}" is no direction',
                mend="write none, stripe or up",
                where=Where(element="--direction"),
            )
        if swatch is not None and not re.fullmatch(r"#[0-9a-fA-F]{6}", swatch):
            raise InputError(
                f'"{swatch}" is no colour', mend="write #rrggbb", where=Where(element="--swatch")
            )
        box.set_paper(Paper(name, swatch, direction, both_sides))  # type: ignore[arg-type]
    typer.echo(f"Noted: {name}")


@app.command("die")
def die_(
    drawings: Annotated[list[Path], typer.Argument(help="SVG files of dies; each is named like its file.")],
    name: Annotated[str | None, typer.Option("--name", help="Another name, for a single die.")] = None,
    rim: Annotated[str, typer.Option("--rim", help="Rim outside the cut, where none is drawn.")] = "1.6 mm",
    copies: Annotated[int, typer.Option("--copies", min=1, max=100, help="How many you own.")] = 1,
    trips: Annotated[int, typer.Option("--trips", min=1, max=20, help="Trips for a clean cut.")] = 1,
    turns: Annotated[
        str | None,
        typer.Option("--turns", help="Allowed turns from the paper's up, degrees: 0,180. Without it any."),
    ] = None,
    mirror: Annotated[
        bool, typer.Option("--mirror", help="The outline was taken from the cutting side.")
    ] = False,
    again: Annotated[bool, typer.Option("--again", help="Change dies that the box has already.")] = False,
    file: BoxOption = None,
) -> None:
    """Put dies into the box. Dies are sharp: lift them by the rim, never run a finger along the cutting edge."""
    with plain_errors():
        from nestcut.batch import Die
        from nestcut.outlines import read_die
        from nestcut.units import parse_length

        if name is not None and len(drawings) > 1:
            raise InputError(
                "one name is given for several dies", mend="leave --name out, or name one drawing"
            )
        rim_mm = parse_length(rim, key="--rim")
        degrees = _read_turns(turns)
        dies, notes = [], []
        for drawing in drawings:
            read = read_die(drawing, rim_mm=rim_mm, mirror=mirror)
            dies.append(
                Die(name or drawing.stem, read.cut, read.rim, copies, degrees, trips, tuple(read.marks))
            )
            notes += [f"{drawing.name}: {note}" for note in read.notes]
    with _open(file, create=True) as box:
        box.add_dies(dies, again=again)
    for note in notes:
        typer.echo(f"Note: {note}")
    typer.echo("Put in: " + ", ".join(die.name for die in dies))


@app.command()
def take(
    tags: Annotated[list[str] | None, typer.Argument(help="Tags of scraps: red-3 red-7.")] = None,
    die: Annotated[list[str] | None, typer.Option("--die", help="A die to take out.")] = None,
    paper: Annotated[
        list[str] | None, typer.Option("--paper", help="A paper to forget, once it has no scraps.")
    ] = None,
    file: BoxOption = None,
) -> None:
    """Take scraps, dies or papers out of the box."""
    gone = [*(tags or []), *(die or []), *(paper or [])]
    with _open(file) as box:
        if not gone:
            raise InputError("nothing is named", mend="name the tags of scraps, or --die, or --paper")
        box.take(tags or [], dies=die or [], papers=paper or [])
    typer.echo(f"Taken out: {_tags(gone)}")


@app.command()
def after(
    plan: Annotated[Path, typer.Argument(help="The plan.json that was cut, or the folder that holds it.")],
    anyway: Annotated[
        bool,
        typer.Option(
            "--anyway", help="Also where scraps that the plan uses are gone from the box, or changed."
        ),
    ] = False,
    file: BoxOption = None,
) -> None:
    """After an evening: what the plan used comes out of the box, offcuts and remnants go in. Once for each plan."""
    with plain_errors():
        from nestcut.box import box_of_plan
        from nestcut.plans import read_plan

        read = read_plan(plan / "plan.json" if os.path.isdir(plan) else plan)
        known = box_of_plan(read) is not None
    # A plan from the box is not to make a new, empty one by a slip in the name.
    with _open(file, create=not known) as box:
        done = box.after(read, anyway=anyway)
    for note in done.notes:
        typer.echo(f"Note: {note}")
    if done.again is not None:
        typer.echo(f"This plan was put back already ({_day(done.again.at)}): nothing was changed.")
        return
    if done.taken:
        typer.echo(f"Taken out, used: {_tags(done.taken)}")
    typer.echo(
        f"Put in: {_tags([one.tag for one in done.put])}" if done.put else "Nothing is left to put in."
    )
    _tell_new_tags(done.put)
    if done.crumbs:
        typer.echo(f"Too small for anything, for the bin: {_count(done.crumbs, 'piece')}.")
    typer.echo("A slip? nestcut box undo takes it back.")


@app.command()
def tags(
    paper: Annotated[list[str] | None, typer.Option("--paper", help="Only scraps of this paper.")] = None,
    tag: Annotated[list[str] | None, typer.Option("--tag", help="Only the scrap of this tag.")] = None,
    out: Annotated[Path, typer.Option("--out", help="An SVG file; further pages get numbers.")] = Path(
        "tags.svg"
    ),
    file: BoxOption = None,
) -> None:
    """Write a sheet of tags to print, cut apart and clip to the scraps."""
    with _open(file) as box:
        from nestcut._files import write_whole
        from nestcut.batch import Scrap
        from nestcut.sheets import tag_sheets

        if out.suffix.lower() != ".svg":
            raise InputError(
                "the name does not end in .svg", mend="write --out tags.svg", where=Where(str(out))
            )
        stock = [one for one in box.scraps(paper) if not tag or one.tag in tag]
        papers = {one.name: one for one in box.papers()}
        if not stock:
            raise InputError("there is no such scrap in the box", mend="see what is there: nestcut box list")
        pages = tag_sheets([Scrap(one.tag, one.paper, one.outline) for one in stock], papers)
        names = [
            out if k == 0 else out.with_name(f"{out.stem}-{k + 1}{out.suffix}") for k in range(len(pages))
        ]
        for name, page in zip(names, pages, strict=True):
            _refuse_to_spoil(name)
            write_whole(name, page)
    typer.echo(f"{_count(len(stock), 'tag')}: {', '.join(map(str, names))}. Print at 100 %.")


@app.command()
def undo(file: BoxOption = None) -> None:
    """Undo the latest change; once more undoes the one before, and so on."""
    with _open(file) as box:
        action = box.undo()
    typer.echo(f"Undone: {action.words} ({_day(action.at)})" if action else "There is nothing to undo.")


@app.command()
def redo(file: BoxOption = None) -> None:
    """Do again what was undone last."""
    with _open(file) as box:
        action = box.redo()
    typer.echo(f"Done again: {action.words}" if action else "There is nothing to do again.")


@app.command()
def history(
    most: Annotated[int, typer.Option("--most", min=1, max=100_000, help="How many changes.")] = 20,
    file: BoxOption = None,
) -> None:
    """List the latest changes, the last one first."""
    with _open(file) as box:
        actions = box.actions(most)
    for action in actions:
        typer.echo(f"{action.at}  {action.words}" + (" (undone)" if action.undone else ""))
    if not actions:
        typer.echo("Nothing was changed yet.")


@app.command("export")
def export_(
    out: Annotated[Path, typer.Argument(help="The text file (JSON) to write.")],
    file: BoxOption = None,
) -> None:
    """Write all that the box holds as a text: to keep, to send, to look through."""
    with _open(file) as box:
        if os.path.lexists(out) and not _begins_with(out, b'{"format":"nestcut-box"'):
            raise OutputError(
                "there is something of this name that is no export of a box, so it is left alone",
                mend="name a new file",
                where=Where(str(out)),
            )
        box.export_to(out)
    typer.echo(f"Written: {out}")


@app.command("import")
def import_(
    text: Annotated[Path, typer.Argument(help="A text that nestcut box export wrote.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="Also where the box holds something: that is replaced.")
    ] = False,
    file: BoxOption = None,
) -> None:
    """Take in an export, in place of all that the box holds."""
    with _open(file, create=True) as box:
        box.import_from(text, again=replace)
        count, dies = len(box.scraps()), len(box.dies())
    typer.echo(f"In the box now: {_count(count, 'scrap')}, {_count(dies, 'die')}.")


# ---------------------------------------------------------------------- words


def _read_size(text: str, units: str) -> tuple[float, float]:
    from nestcut.units import parse_length, sheet_size

    sheet = sheet_size(text)
    if sheet is not None:
        return sheet
    sides = re.split(r"\s*[x×]\s*", text.strip())
    if len(sides) != 2:
        raise InputError(
            f'"{text}" is no size',
            mend="write 105x148, '4 in x 6 in', A5 or letter",
            where=Where(element="SIZE"),
        )
    bare: Any = units
    return parse_length(sides[0], key="SIZE", bare=bare), parse_length(sides[1], key="SIZE", bare=bare)


def _read_turns(text: str | None) -> Any:
    if text is None or text.strip() == "any":
        return "any"
    try:
        turns = tuple(float(one) % 360.0 for one in text.split(","))
    except ValueError:
        turns = ()
    if not turns or not all(0 <= turn < 360 for turn in turns) or len(turns) > 360:
        raise InputError(
            f'"{text}" are no turns', mend="write degrees: 0,180", where=Where(element="--turns")
        )
    return turns


def _refuse_to_spoil(path: Path) -> None:
    if os.path.lexists(path) and not (
        os.path.isfile(path) and b"Tags for scraps" in path.read_bytes()[:1000]
    ):
        raise OutputError(
            "there is something of this name that is no sheet of tags, so it is left alone",
            mend="name a new file with --out",
            where=Where(str(path)),
        )


def _begins_with(path: Path, head: bytes) -> bool:
    try:
        with path.open("rb") as file:
            return os.path.isfile(path) and file.read(len(head)) == head
    except OSError:
        return False


def _tell_new_tags(put: tuple[Tagged, ...]) -> None:
    renamed = [one for one in put if one.asked and one.asked != one.tag]
    if renamed:
        listed = ", ".join(f"{one.asked} is {one.tag}" for one in renamed[:MOST_LISTED])
        more = f", and {len(renamed) - MOST_LISTED} more" if len(renamed) > MOST_LISTED else ""
        typer.echo(
            f"Ids that the box has already were changed; pencil the new ones on the backs: {listed}{more}. "
            "If this was put in before, take it back: nestcut box undo."
        )


def _tags(names: list[str] | tuple[str, ...]) -> str:
    more = f", and {len(names) - MOST_LISTED} more" if len(names) > MOST_LISTED else ""
    return ", ".join(names[:MOST_LISTED]) + more


def _size(shape: Any) -> list[float]:
    x0, y0, x1, y1 = shape.bounds
    return [round(x1 - x0, 3), round(y1 - y0, 3)]


def _sides(shape: Any) -> str:
    wide, long = _size(shape)
    return f"{wide:.1f} × {long:.1f} mm".replace(".0 ", " ")


def _form(outline: Any) -> str:
    return "" if outline.equals(outline.envelope) else ", not a rectangle"


def _day(at: str) -> str:
    return at[:10]


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")
