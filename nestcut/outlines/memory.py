"""Outlines of drawings that were read before, kept in the user's cache folder.

Flattening a drawing to the safe side takes a tenth of a second, and the same drawer of dies is read every evening. What is
kept goes by content: the drawing's bytes, how it is to be read, and this room's own source, so nothing stale comes
back, and each file is guarded by a digest. A cache that can't be read or written, or is off (``NESTCUT_CACHE``), is
passed over in silence; mistakes in a drawing are never kept.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

import shapely
from shapely.geometry import LineString, MultiPolygon, Polygon

from nestcut._cache import cache_folder, keep, recall
from nestcut.errors import Where, found_at
from nestcut.outlines.drawing.document import read_drawing
from nestcut.outlines.shapes.types import DieOutline, Pieces, ScrapOutline, Shape

__all__ = ["remembered_die", "remembered_scrap"]

T = TypeVar("T")

MOST_KEPT = 2000
"""Most outlines that are kept; the oldest go first."""
MOST_BYTES = 20_000_000
"""Of one outline; larger ones are not kept."""


def remembered_die(
    path: Path, *, rim_mm: float | None = None, mirror: bool = False, pieces: Pieces = "nested"
) -> DieOutline:
    """As :func:`nestcut.outlines.read_die`, from the cache where the very same drawing was read before.

    Raises: OutlineError.
    """

    def read() -> DieOutline:
        from nestcut.outlines.read import read_die

        return read_die(path, rim_mm=rim_mm, mirror=mirror, pieces=pieces)

    return _remembered(path, json.dumps(["die", rim_mm, mirror, pieces]), read, _die, _die_value)


def remembered_scrap(path: Path) -> ScrapOutline:
    """As :func:`nestcut.outlines.read_scrap`, from the cache where the very same drawing was read before.

    Raises: OutlineError.
    """

    def read() -> ScrapOutline:
        from nestcut.outlines.read import read_scrap

        return read_scrap(path)

    return _remembered(path, json.dumps(["scrap"]), read, _scrap, _scrap_value)


def _remembered(
    path: Path,
    way: str,
    read: Callable[[], T],
    load: Callable[[Any], T],
    value_of: Callable[[T], dict[str, Any]],
) -> T:
    with found_at(Where(file=os.fspath(path))):
        data = read_drawing(path)
    folder = cache_folder("outlines")
    if folder is None:
        return read()
    key = hashlib.sha256(_own_source() + way.encode() + b"\0" + data).hexdigest()
    try:
        return load(json.loads(recall(folder / key, most_bytes=MOST_BYTES) or b""))
    except (ValueError, KeyError, TypeError, RecursionError, shapely.errors.ShapelyError):
        # Not there, damaged, or not ours: read it.
        outline = read()
    with found_at(Where(file=os.fspath(path))):
        same = read_drawing(path) == data
    if same:  # else it was saved anew while it was read
        _keep(folder, key, value_of(outline))
    return outline


def _die(found: Any) -> DieOutline:
    cut, rim = _area(found["cut"]), _area(found["rim"])
    marks = tuple(shapely.from_wkb(mark) for mark in found["marks"])
    if not all(isinstance(mark, LineString) for mark in marks):
        raise ValueError("marks")
    return DieOutline(cut, rim, marks, _texts(found["notes"]))


def _die_value(outline: DieOutline) -> dict[str, Any]:
    return {
        "cut": outline.cut.wkb_hex,
        "rim": outline.rim.wkb_hex,
        "marks": [mark.wkb_hex for mark in outline.marks],
        "notes": list(outline.notes),
    }


def _scrap(found: Any) -> ScrapOutline:
    outline = _area(found["outline"])
    if not isinstance(outline, Polygon):
        raise ValueError("outline")
    return ScrapOutline(outline, _texts(found["notes"]))


def _scrap_value(outline: ScrapOutline) -> dict[str, Any]:
    return {"outline": outline.outline.wkb_hex, "notes": list(outline.notes)}


def _area(text: Any) -> Shape:
    shape = shapely.from_wkb(text)
    if not isinstance(shape, Polygon | MultiPolygon) or shape.is_empty or not shape.is_valid:
        raise ValueError("shape")
    return shape


def _texts(found: Any) -> tuple[str, ...]:
    if not all(isinstance(text, str) for text in found):
        raise ValueError("notes")
    return tuple(found)


@lru_cache(maxsize=1)
def _own_source() -> bytes:
    """A mark of the code that reads drawings, its arithmetic, and the library that joins polygons."""
    total = hashlib.sha256(f"{shapely.__version__} {shapely.geos_version}".encode())
    own = Path(__file__).parent
    for source in (own.parent / "arithmetic.py", *sorted(own.rglob("*.py"))):
        total.update(source.read_bytes())
    return total.digest()


def _keep(folder: Path, key: str, value: dict[str, Any]) -> None:
    data = json.dumps(value).encode()
    if len(data) > MOST_BYTES or not keep(folder / key, data):
        return
    with suppress(OSError):
        files = sorted(folder.iterdir(), key=lambda one: one.stat().st_mtime)
        for old in files[:-MOST_KEPT]:
            old.unlink(missing_ok=True)
