"""Which of the runs of a drawing are seen: through clips, on the page, in front of its background.

Hiding something is never silent: what is left out is counted and named in a note.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import shapely
from shapely.geometry import Polygon

from nestcut.errors import OutlineError, found_at
from nestcut.outlines.drawing.assemble import join_runs
from nestcut.outlines.drawing.clips import SLACK_MM, ClipWindow
from nestcut.outlines.drawing.document import Element, where_is
from nestcut.outlines.drawing.pathdata import CurveRun
from nestcut.outlines.drawing.styles import is_filled, is_pale, is_stroked
from nestcut.outlines.shapes.curves import Line, extent
from nestcut.outlines.shapes.flatten import flatten_line

__all__ = ["Drawing", "Seen", "visible"]

_WHOLE_PAGE = 0.98


@dataclass(frozen=True, slots=True)
class Seen:
    """One run of curves as it is painted, in mm."""

    run: CurveRun
    rim: bool
    windows: tuple[ClipWindow, ...] = ()
    """What it is seen through."""
    filled: bool = True
    pale: bool = False
    """It is filled with nearly the white of paper."""
    stroked: bool = False
    """Its line stands out from paper."""

    @classmethod
    def of(cls, run: CurveRun, rim: bool, windows: tuple[ClipWindow, ...], style: Mapping[str, str]) -> Seen:
        """A run of a shape of this style."""
        filled = is_filled(style)
        pale = filled and is_pale(style.get("fill", "black"))
        stroked = is_stroked(style) and not is_pale(style.get("stroke", ""))
        return cls(run, rim, windows, filled, pale, stroked)


@dataclass(slots=True)
class Drawing:
    """All that is painted in a drawing, and what should be said about it."""

    seen: list[Seen] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    sized: bool = True
    """False when the drawing has no physical size."""
    page: Polygon | None = None
    """All that a viewer shows, mm; None when the drawing has no page."""
    canvas: Polygon | None = None
    """The part of the page that is drawn on (its viewBox), mm."""
    unpainted: int = 0
    """Shapes without stroke or fill."""
    remarks: dict[str, dict[int, Element]] = field(default_factory=dict)
    """Notes that belong to elements, each with its elements by their ids in memory."""

    def say(self, note: str, element: Element) -> None:
        """Take a note about an element; the same one about others is told once."""
        self.remarks.setdefault(note, {})[id(element)] = element

    def told(self) -> list[str]:
        """All notes as sentences, each once."""
        placed = [f"{note} ({_places(list(elements.values()))})." for note, elements in self.remarks.items()]
        return list(dict.fromkeys(_printable(note) for note in [*self.notes, *placed]))


def visible(drawing: Drawing) -> list[Seen]:
    """The runs that are seen, in the order in which they are painted; notes say what was left out.

    Raises: OutlineError when a clip hides part of an outline.
    """
    shown = _without_background(drawing.seen, drawing)
    shown = _through_windows(shown, drawing)
    return _on_page(shown, drawing)


def _without_background(seen: Sequence[Seen], drawing: Drawing) -> list[Seen]:
    """Without the pale rectangles as large as the page behind everything else."""
    rest = list(seen)
    page = shapely.Polygon()
    if drawing.page is not None and drawing.canvas is not None and drawing.canvas.is_valid:
        page = drawing.canvas.intersection(drawing.page)
    while rest and page.area > 0 and _is_page_sized(rest[0], page):
        back, others = rest[0], rest[1:]
        if not join_runs([other.run for other in others], [])[0]:
            break  # nothing else is closed: it is the outline
        if back.stroked:
            drawing.say(
                "A pale rectangle as large as the page has a line, so it was read as an outline; take it out if it is"
                " only the background",
                back.run.element,
            )
            break
        drawing.say(
            "A pale rectangle without a line, as large as the page and behind everything else, was taken for the background"
            " and left out; give it a line if it is an outline",
            back.run.element,
        )
        rest = others
    return rest


def _is_page_sized(back: Seen, page: shapely.Geometry) -> bool:
    if (
        back.rim
        or not (back.pale and back.run.closed)
        or not all(isinstance(c, Line) for c in back.run.curves)
    ):
        return False
    area = Polygon([curve.start for curve in back.run.curves]) if len(back.run.curves) > 3 else Polygon()
    x0, y0, x1, y1 = extent(back.run.curves)
    return (
        area.area >= 0.999 * (x1 - x0) * (y1 - y0)
        and shapely.box(x0, y0, x1, y1).intersection(page).area >= _WHOLE_PAGE * page.area
    )


def _through_windows(seen: Sequence[Seen], drawing: Drawing) -> list[Seen]:
    shown: list[Seen] = []
    for one in seen:
        if all(_is_through(one, window, drawing) for window in one.windows):
            shown.append(one)
    return shown


def _is_through(one: Seen, window: ClipWindow, drawing: Drawing) -> bool:
    """Whether a run is seen through a window. Raises OutlineError when a clip hides a part of it."""
    element = one.run.element
    hidden = _hidden(one.run, window.room, one.filled)
    if hidden == "all":
        if window.strict:
            drawing.say("What a clip hides was left out", element)
        else:
            drawing.say("What lies outside the frame of an inner drawing was left out", element)
        return False
    if hidden == "part" and window.strict:
        with found_at(where_is(element)):
            raise OutlineError("a clip hides part of the outline", mend="release the clip in the drawing")
    if hidden == "part":
        drawing.say(
            "What sticks out of the frame of an inner drawing was read whole, though viewers cut it off",
            element,
        )
    return True


def _on_page(seen: Sequence[Seen], drawing: Drawing) -> list[Seen]:
    """Without what lies wholly beyond the page, if an outline is left."""
    if drawing.page is None or drawing.page.area == 0:
        return list(seen)
    room = drawing.page.buffer(SLACK_MM, join_style="mitre")
    # An outline all around the page is no stray one, filled or not: the page is too small.
    where = [_hidden(one.run, room, True) for one in seen]
    on_page = [one for one, hidden in zip(seen, where, strict=True) if hidden != "all"]
    if len(on_page) < len(seen) and not join_runs([one.run for one in on_page], [])[0]:
        drawing.notes.append(
            "All outlines of the drawing lie outside its page; they were read anyway. Move them onto the page."
        )
        return list(seen)
    for one, hidden in zip(seen, where, strict=True):
        if hidden == "all":
            drawing.say(
                "What lies wholly outside the page was left out; move it onto the page if it belongs to the outline",
                one.run.element,
            )
        elif hidden == "part":
            drawing.say("What sticks out of the page was read whole", one.run.element)
    return on_page


def _hidden(run: CurveRun, room: shapely.Geometry, filled: bool) -> str:
    """How much of a run lies outside an area: "none", "part" or "all"."""
    box = shapely.box(*extent(run.curves))
    if room.covers(box):
        return "none"
    if not room.intersects(box):
        return "all"
    line = flatten_line(run.curves)
    if room.covers(line):
        return "none"
    if room.intersects(line):
        return "part"
    # The line is out of sight; what it fills may not be.
    ring = Polygon(line.coords) if filled and len(line.coords) >= 3 else Polygon()
    return "part" if shapely.make_valid(ring).intersects(room.representative_point()) else "all"


def _places(elements: Sequence[Element]) -> str:
    first, more = elements[0], len(elements) - 1
    name = str(first)
    place = f"line {first.line}, {name if len(name) <= 60 else name[:57] + '…'}"
    return f"{place}, and {more} more" if more else place


def _printable(text: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in text)
