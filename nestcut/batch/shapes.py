"""Outlines of a batch: drawings looked up beside the batch file, and plain shapes that need none."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shapely.affinity import translate
from shapely.geometry import Polygon, box

from nestcut._files import shown
from nestcut.batch.forms import DieForm, ScrapForm
from nestcut.batch.model import Shape
from nestcut.batch.problems import nearest
from nestcut.errors import BatchError

if TYPE_CHECKING:
    from nestcut.outlines import DieOutline

__all__ = ["Drawings", "beside"]

_PLAIN = ("circle", "oval", "rectangle")


def beside(folder: Path, text: str, *, suffix: str, may_leave: bool) -> Path:
    """The file that a batch file names, relative to its folder.

    Args:
        suffix: the only ending allowed (".svg"); "" for a folder.
        may_leave: whether ``..`` and absolute paths are allowed.
    Raises: BatchError when the path is not allowed or there is no such file.
    """
    if suffix and not text.lower().endswith(suffix):
        raise BatchError(f'"{text}" is not a {suffix} file', mend=f"give the path of a {suffix} file")
    path = Path(text)
    if not may_leave and (path.is_absolute() or ".." in path.parts):
        raise BatchError(
            f'"{text}" lies outside the folder of the batch file', mend="move it beside the batch file"
        )
    full = folder / path
    try:
        found = full.exists()
    except OSError:  # a name that is too long, a folder that may not be entered
        found = False
    if not found:
        guess = _neighbour(full, suffix)
        raise BatchError(
            f'there is no {"file" if suffix else "folder"} "{text}"',
            mend=f'did you mean "{guess}"?' if guess else "check the path; it starts at the batch file",
        )
    return full


def _neighbour(path: Path, suffix: str) -> str | None:
    """The most similar name in the same folder."""
    try:
        names = [one.name for one in path.parent.iterdir() if one.name.lower().endswith(suffix)]
    except OSError:
        return None
    return nearest(path.name, names[:2000])


@dataclass
class Drawings:
    """Reads each drawing once, however often the batch names it."""

    folder: Path
    notes: list[str] = field(default_factory=list)
    _read: dict[Any, Any] = field(default_factory=dict)

    def scrap(self, form: ScrapForm, folder: Path | None = None) -> tuple[Polygon, Path | None]:
        """The outline of a scrap (its box's upper left corner at (0, 0)) and the drawing it comes from.

        Args:
            folder: where its drawing is looked for first; then, as all drawings, from the folder of the batch file on.
        Raises: BatchError or OutlineError.
        """
        kind = _one_of(form, ("size", "outline", *_PLAIN))
        if kind == "outline":
            path = self._scrap_path(form.outline or "", folder)
            return self._scrap_drawing(path), path
        if kind == "size" or (kind == "rectangle" and not form.corner):
            width, length = (form.size if kind == "size" else form.rectangle) or (0.0, 0.0)
            return self._once(("box", width, length), lambda: box(0.0, 0.0, width, length)), None
        return self._once(
            ("scrap", kind, _sizes(form, kind), form.corner), lambda: _plain_scrap(form, kind)
        ), None

    def die(self, name: str, form: DieForm, drawing: Path | None, rim_mm: float | None) -> DieOutline:
        """The outline of a die: of its drawing, if it has one, else a plain shape.

        Raises: BatchError or OutlineError.
        """
        if drawing is not None and form.outline is None and not any(getattr(form, key) for key in _PLAIN):
            path = drawing
            if form.corner is not None:
                raise BatchError("only a rectangle has a corner radius", mend="remove corner")
        elif _one_of(form, ("outline", *_PLAIN)) == "outline":
            path = beside(self.folder, form.outline or "", suffix=".svg", may_leave=True)
        else:
            return _plain_die(form, rim_mm)
        from nestcut.outlines.memory import remembered_die

        outline = remembered_die(path, rim_mm=rim_mm, mirror=form.mirror, pieces=form.pieces)
        self.notes += [f"{name}: {note}" for note in outline.notes]
        return outline

    def _scrap_path(self, text: str, folder: Path | None) -> Path:
        if folder is not None and folder != self.folder:
            with suppress(BatchError):
                return beside(folder, text, suffix=".svg", may_leave=True)
        return beside(self.folder, text, suffix=".svg", may_leave=True)

    def _scrap_drawing(self, path: Path) -> Polygon:
        from nestcut.outlines.memory import remembered_scrap

        def read() -> Polygon:
            drawn = remembered_scrap(path)
            self.notes.extend(f"{shown(path.name)}: {note}" for note in drawn.notes)
            return drawn.outline

        return self._once(("drawing", path), read)

    def _once(self, key: Any, make: Any) -> Any:
        if key not in self._read:
            self._read[key] = make()
        return self._read[key]


def _one_of(form: ScrapForm | DieForm, keys: Iterable[str]) -> Any:
    """The one key of several that is given."""
    given = [key for key in keys if getattr(form, key) is not None]
    if len(given) != 1:
        listed = ", ".join(keys)
        raise BatchError(
            f"{' and '.join(given)} are given at once" if given else "there is no shape",
            mend=f"give one of {listed}",
        )
    if form.corner is not None and given[0] != "rectangle":
        raise BatchError(
            "only a rectangle has a corner radius", mend="remove corner, or write rectangle = [width, length]"
        )
    return given[0]


def _sizes(form: ScrapForm | DieForm, kind: str) -> tuple[float, float]:
    size = getattr(form, kind)
    return (size, size) if kind == "circle" else size


def _plain_scrap(form: ScrapForm, kind: Any) -> Polygon:
    from nestcut.outlines import plain_shape

    width, length = _sizes(form, kind)
    shape = plain_shape(kind, width, length, corner_radius_mm=form.corner or 0.0, side="inside")
    left, top, _, _ = shape.bounds
    return translate(shape, -left, -top)


def _plain_die(form: DieForm, rim_mm: float | None) -> DieOutline:
    from nestcut.outlines import DEFAULT_RIM_MM, DieOutline, grow_outline, plain_shape

    kind = _one_of(form, _PLAIN)
    width, length = _sizes(form, kind)
    corner = form.corner or 0.0
    cut = plain_shape(kind, width, length, corner_radius_mm=corner)
    rim = DEFAULT_RIM_MM if rim_mm is None else rim_mm
    metal: Shape = cut
    if kind != "oval" and rim > 0:
        # The offset of a circle or a rectangle is one again: fewer corners than growing the polygon.
        radius = corner + rim if kind == "rectangle" else 0.0
        metal = plain_shape(kind, width + 2 * rim, length + 2 * rim, corner_radius_mm=radius)
    if kind == "oval" or not metal.covers(cut):
        metal = grow_outline(cut, rim)
    return DieOutline(cut=cut, rim=metal)
