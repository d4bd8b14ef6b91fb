"""A batch file that says ``box = true`` takes its scraps and dies from the box; is the box still what the plan was made from?"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from nestcut.batch.model import Batch, Stock
from nestcut.box.box import Box
from nestcut.box.evening import box_of_plan
from nestcut.box.place import usual_place
from nestcut.errors import NestcutError
from nestcut.plans import read_plan

__all__ = ["changed_meanwhile", "read_batch", "replaces_unsettled"]


def read_batch(path: str | os.PathLike[str]) -> Batch:
    """Read a batch file (TOML), its drawings and tables, and what it takes from a box.

    Raises: BatchError, OutlineError or BoxError, with file, key, value and mend; several things that are wrong
    are listed in one error.
    """
    from nestcut.batch import read_batch as read

    return read(path, open_box=_stock)


def _stock(path: Path | None, papers: Sequence[str], dies: Sequence[str]) -> Stock:
    """What the box at a path holds of these papers and dies; None: the usual box."""
    with Box(path or usual_place(), create=False) as box:
        return box.stock(papers, dies)


def changed_meanwhile(batch: Batch) -> str:
    """A remark where the box is no longer as the batch took it; else nothing."""
    if batch.box is None:
        return ""
    try:
        with Box(batch.box.file, create=False) as box:
            same = box.state == batch.box
    except NestcutError as err:
        return f"The box can't be read any more: {err.what}."
    return (
        ""
        if same
        else "The box was changed while this was planned: plan again, or check what is to be pulled out."
    )


def replaces_unsettled(batch: Batch, folder: Path) -> str:
    """A remark where a folder holds a plan from the same box whose paper was not put back; else nothing."""
    if batch.box is None or not (folder / "plan.json").is_file():
        return ""
    try:
        before = read_plan(folder / "plan.json")
        made_from = box_of_plan(before)
        if made_from is None or made_from.id != batch.box.id:
            return ""
        with Box(batch.box.file, create=False) as box:
            if box.was_put_back(before) is not None:
                return ""
    except NestcutError:
        return ""
    changed = "" if made_from.state == batch.box.state else ", and the box was changed since"
    return (
        f"The plan in {folder} was made from this box and not put back{changed}. "
        f"If you cut it, stop now (Ctrl-C) and call nestcut box after {folder} first: the new plan replaces it."
    )
