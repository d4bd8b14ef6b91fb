"""All sheets of a plan, written whole or not at all."""

from __future__ import annotations

import os
import re
import tempfile
from pathlib import Path

from nestcut.errors import OutputError, Where
from nestcut.plans.leftovers import leftovers
from nestcut.plans.model import Plan
from nestcut.sheets.drawings.layup import layup_sheet
from nestcut.sheets.drawings.scrap_sheets import trim_template
from nestcut.sheets.drawings.tiles import layup_tiles
from nestcut.sheets.drawings.trimming import trim_kinds
from nestcut.sheets.drawings.words import file_stem
from nestcut.sheets.page.box import BOX_FOLDER, box_files
from nestcut.sheets.page.run_sheet import label_sheet, run_sheet
from nestcut.sheets.page.tables_csv import pieces_csv, sorting_csv

__all__ = ["render_sheets", "write_sheets"]

# Names that only we give, and the mark in our drawings: an older plan's sheets beside a new one's would mislead.
_OURS = re.compile(rf"(?:(?:layup|trim)-|{BOX_FOLDER}/)[A-Za-z0-9_-]+\.svg")
_MARK = b"<!-- nestcut sheet -->"


def render_sheets(plan: Plan) -> dict[str, str]:
    """File name → text of every sheet; nothing is written."""
    found: dict[str, str] = {}
    layup_files: dict[str, list[str]] = {}
    taken: set[str] = set()
    for layup in plan.layups:
        stem = file_stem(f"layup-{file_stem(layup.id, set())}", taken)
        text, fits = layup_sheet(plan, layup)
        found[f"{stem}.svg"] = text
        layup_files[layup.id] = [f"{stem}.svg"]
        if not fits:
            tiles = layup_tiles(plan, layup)
            names = [f"{stem}-tile-{place}.svg" for place in range(1, len(tiles) + 1)]
            found.update(zip(names, tiles, strict=True))
            layup_files[layup.id] = names if len(names) < 3 else [f"{names[0]} to {names[-1]}"]
    left = leftovers(plan)
    trim_files: dict[int, str] = {}
    for place, kind in enumerate(trim_kinds(plan)):
        if not kind.straight:
            name = f"{file_stem(f'trim-{file_stem(kind.scraps[0], set())}', taken)}.svg"
            found[name] = trim_template(plan, kind)
            trim_files[place] = name
    in_box = box_files(left)
    found |= {name: text for name, text in in_box.items() if name.endswith(".svg")}
    head = '<?xml version="1.0" encoding="utf-8"?>\n'
    found = {name: text.replace(head, head + _MARK.decode() + "\n", 1) for name, text in found.items()}
    found["run-sheet.html"] = run_sheet(plan, left, layup_files, trim_files)
    found["labels.html"] = label_sheet(plan)
    found["pieces.csv"] = pieces_csv(plan)
    found["sorting.csv"] = sorting_csv(plan)
    found["box.csv"] = in_box["box.csv"]
    return found


def write_sheets(plan: Plan, folder: Path | str) -> list[Path]:
    """Write lay-ups, run sheet and tables into a folder, which is made where it is missing.

    Every sheet is drawn before the first one is written, and each file is whole or absent. Lay-ups, trims
    and outlines of an older plan in the same folder are removed; nothing else is touched.

    Returns: the files written, the run sheet first.
    Raises: OutputError when the folder can't be written.
    """
    texts = render_sheets(plan)
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (place / name).parent.mkdir(exist_ok=True)
            _write_whole(place / name, text.encode("utf-8"))
        for old in sorted([*place.iterdir(), *(place / BOX_FOLDER).glob("*.svg")]):
            name = old.relative_to(place).as_posix()
            if name not in texts and _OURS.fullmatch(name) and old.is_file() and _is_ours(old):
                old.unlink()
    except OSError as err:
        raise OutputError(
            f"the sheets can't be written: {err.strerror or err}",
            mend="choose a folder that you may write to, with room on the disk",
            where=Where(file=str(err.filename or place)),
        ) from err
    first = ["run-sheet.html"]
    return [place / name for name in first + [name for name in texts if name not in first]]


def _is_ours(path: Path) -> bool:
    with path.open("rb") as file:
        return _MARK in file.read(200)


def _write_whole(path: Path, data: bytes) -> None:
    """Write to a new file beside the target and rename it: the target is the old one or the new one."""
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o666 & ~_umask())
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
