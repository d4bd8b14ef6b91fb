"""Dies and scraps from SVG drawings."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path

import shapely
from shapely.affinity import scale, translate
from shapely.geometry import LineString, MultiPolygon, Polygon

from nestcut.arithmetic import buffered
from nestcut.errors import OutlineError, Where, found_at
from nestcut.outlines.drawing.assemble import Loop, join_runs, loops_of, nest, solid
from nestcut.outlines.drawing.document import load_svg, where_is
from nestcut.outlines.drawing.pathdata import CurveRun
from nestcut.outlines.drawing.visible import Drawing, visible
from nestcut.outlines.drawing.walk import see
from nestcut.outlines.shapes.flatten import flatten_line, flatten_loop
from nestcut.outlines.shapes.offset import fill_holes, grow_outline, outline_size
from nestcut.outlines.shapes.types import DEFAULT_RIM_MM, FLATTEN_MM, DieOutline, Pieces, ScrapOutline, Shape

__all__ = ["read_die", "read_scrap"]

_HAIR_MM = 0.001


def read_die(
    path: str | os.PathLike[str],
    *,
    rim_mm: float | None = None,
    mirror: bool = False,
    pieces: Pieces = "nested",
    name: str | None = None,
) -> DieOutline:
    """A die from an SVG drawing.

    Args:
        path: the SVG file.
        rim_mm: width of the metal around the cut, mm; None: drawn in the file (id or class ``rim``), else 1.6.
        mirror: the drawing shows the cutting side: x → −x.
        pieces: how closed lines inside each other are read, see :data:`Pieces`.
        name: what to call the file in messages; None: its path.
    Returns: cut and rim, mm, in one frame, the rim's bounding box centred on (0, 0); both contain the true
        outlines (openings are contained in the true ones) within 0.05 mm.
    Raises: OutlineError with file, line and element.
    """
    with found_at(Where(file=name or os.fspath(path))):
        if pieces not in ("nested", "separate"):
            raise OutlineError(f'pieces = "{pieces}"', mend='write "nested" or "separate"')
        drawing = see(load_svg(Path(path)))
        notes = drawing.notes
        seen = visible(drawing)
        cuts, lines = join_runs([one.run for one in seen if not one.rim], notes)
        rims, rim_lines = join_runs([one.run for one in seen if one.rim], notes)
        if not cuts:
            raise _nothing(drawing, lines)
        if rim_lines:
            with found_at(where_is(rim_lines[0].element)):
                raise OutlineError(
                    "the rim is not a closed line", mend="close it, or take it out and give rim in mm"
                )
        loops = nest(loops_of(cuts, notes))
        parts = solid(loops, outside=True, pieces=pieces)
        cut: Shape = parts[0] if len(parts) == 1 else MultiPolygon(parts)
        marks = tuple(flatten_line(run.curves) for run in lines)
        if marks:
            count = len(marks)
            notes.append(
                f"{count} open line{'s' if count > 1 else ''} kept as marks; only closed lines cut a piece out."
            )
        rim = _drawn_rim(rims, cut, notes) if rims else _offset_rim(loops, cut, rim_mm, notes)
        _note_size(drawing, cut)
        return _framed(cut, rim, marks, tuple(drawing.told()), mirror)


def read_scrap(path: str | os.PathLike[str], *, name: str | None = None) -> ScrapOutline:
    """A scrap from an SVG drawing: one outline, with holes where something was cut out before.

    Returns: polygon, mm, its bounding box's upper left corner at (0, 0), contained in the true outline
        (its holes contain the true ones) within 0.05 mm.
    Raises: OutlineError with file, line and element.
    """
    with found_at(Where(file=name or os.fspath(path))):
        drawing = see(load_svg(Path(path)))
        notes = drawing.notes
        runs, lines = join_runs([one.run for one in visible(drawing)], notes)
        if not runs:
            raise _nothing(drawing, lines)
        if lines:
            notes.append("Open lines on the scrap were ignored.")
        loops = nest(loops_of(runs, notes))
        outer = [loop for loop in loops if loop.depth == 0]
        deep = [loop for loop in loops if loop.depth > 1]
        if len(outer) > 1 or deep:
            with found_at(where_is((outer[1:] or deep)[0].run.element)):
                raise OutlineError(
                    "the drawing shows more than one piece of paper",
                    mend="save each scrap in a file of its own",
                )
        parts = solid(loops, outside=False)
        if not parts:
            raise OutlineError("the outline encloses no area", mend="draw a closed line around the scrap")
        outline = parts[0]
        _note_size(drawing, outline)
        moved: Shape = outline
        for _ in range(3):  # shrunk by a hair, it has to be moved once more
            if moved.is_valid and moved.bounds[:2] == (0.0, 0.0):
                break
            moved = _still_valid(translate(moved, *(-side for side in moved.bounds[:2])), -_HAIR_MM)
        assert isinstance(moved, Polygon)  # as many parts as the outline had
        return ScrapOutline(moved, tuple(drawing.told()))


def _nothing(drawing: Drawing, lines: Sequence[CurveRun]) -> OutlineError:
    """Why there is no closed outline."""
    if lines:
        run = lines[0]
        (x0, y0), (x1, y1) = run.curves[0].start, run.curves[-1].end
        gap = math.hypot(x1 - x0, y1 - y0)
        return OutlineError(
            f"no closed outline: this line is open by {gap:.2f} mm",
            mend="close the line in the drawing (ends within 0.1 mm are closed for you)",
            where=where_is(run.element),
        )
    if drawing.unpainted:
        return OutlineError(
            "all shapes of the drawing are invisible (hidden, or without line and fill)",
            mend="give the outline a visible line",
        )
    if any(seen.rim for seen in drawing.seen):
        return OutlineError("the drawing shows a rim and no cut", mend="draw the line that the die cuts")
    if drawing.seen:
        return OutlineError(
            "clips, or the frames of inner drawings, hide all outlines of the drawing",
            mend="release the clips in the drawing",
        )
    return OutlineError(
        "the drawing holds no outline",
        mend="draw the outline as a path or shape (text must be turned into paths)",
    )


def _drawn_rim(runs: Sequence[CurveRun], cut: Shape, notes: list[str]) -> Shape:
    loops = nest(loops_of(runs, notes))
    parts = solid(loops, outside=True)
    rim: Shape = parts[0] if len(parts) == 1 else MultiPolygon(parts)
    if rim.covers(cut):
        return rim
    beyond = cut.difference(rim)
    # A cut drawn right on its rim may stick out by what flattening added to it, and no more.
    if not buffered(rim, FLATTEN_MM + 1e-6).covers(cut):
        x, y = beyond.representative_point().coords[0]
        with found_at(where_is(runs[0].element)):
            raise OutlineError(
                f"the rim does not contain its cut near x {x:.1f}, y {y:.1f} mm",
                mend="draw the rim around the whole cut; an opening in it must lie in an opening of the cut",
            )
    joined = shapely.union_all([rim, cut])
    return joined if isinstance(joined, Polygon | MultiPolygon) else rim


def _offset_rim(loops: Sequence[Loop], cut: Shape, rim_mm: float | None, notes: list[str]) -> Shape:
    if rim_mm is None:
        rim_mm = DEFAULT_RIM_MM
        notes.append(
            f"No rim was drawn or given: {rim_mm:g} mm of metal around the cut was assumed; measure yours."
        )
    if not 0 <= rim_mm <= 100:
        raise OutlineError(
            f"a rim of {rim_mm:g} mm", mend="give the width of the metal around the cut, 1.5 to 2 mm"
        )
    fine = [
        flatten_loop(loop.run.curves, grows=True, tolerance_mm=0.003) for loop in loops if loop.depth == 0
    ]
    # Metal is assumed everywhere inside: only a drawn rim can have an opening.
    rim = fill_holes(grow_outline(shapely.union_all(fine), rim_mm, tolerance_mm=FLATTEN_MM - 0.004))
    if rim.covers(cut):
        return rim
    # Simplified more boldly than the rim, a cut may stick out of a rim of nearly no width.
    return fill_holes(shapely.union_all([rim, cut]))


def _note_size(drawing: Drawing, shape: Shape) -> None:
    if not drawing.sized:
        w, h = outline_size(shape)
        drawing.notes.append(
            f"The drawing has no physical size, so 1 unit was taken as 1/96 inch: the outline is {w:.1f} × {h:.1f} mm. "
            "If that is wrong, give the page a width and height in mm."
        )


def _framed(
    cut: Shape, rim: Shape, marks: tuple[LineString, ...], notes: tuple[str, ...], mirror: bool
) -> DieOutline:
    if mirror:
        cut, rim = (scale(g, -1, 1, origin=(0, 0)) for g in (cut, rim))
        marks = tuple(scale(m, -1, 1, origin=(0, 0)) for m in marks)
    x0, y0, x1, y1 = rim.bounds
    dx, dy = -(x0 + x1) / 2, -(y0 + y1) / 2
    moved_cut, moved_rim = (_still_valid(translate(shape, dx, dy), _HAIR_MM) for shape in (cut, rim))
    if not moved_rim.covers(moved_cut):
        moved_rim = _still_valid(shapely.union_all([moved_rim, moved_cut]), _HAIR_MM)
    return DieOutline(moved_cut, moved_rim, tuple(translate(m, dx, dy) for m in marks), notes)


def _still_valid(shape: shapely.Geometry, by_mm: float) -> Shape:
    """A shape just moved: corners that lay a rounding error apart may now lie on each other, so that it crosses itself.

    Then it is grown (or shrunk: ``by_mm`` < 0) by a hair, to the safe side. Raises: OutlineError where that won't
    help, or would join or part its pieces.
    """
    parts = shapely.get_num_geometries(shape)
    if not shape.is_valid:
        shape = shape.buffer(by_mm, join_style="mitre")
    sound = isinstance(shape, Polygon | MultiPolygon) and shape.is_valid and not shape.is_empty
    if not sound or shapely.get_num_geometries(shape) != parts:
        raise OutlineError(
            "the outline comes too near itself to be told from one that crosses itself",
            mend="leave a little room where its lines nearly meet",
        )
    return shape
