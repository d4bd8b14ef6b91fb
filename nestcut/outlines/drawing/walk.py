"""From a tree of SVG elements to the runs of curves that are painted, in mm."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Literal

import numpy as np
import shapely
from shapely.geometry import Polygon

from nestcut.errors import OutlineError, found_at
from nestcut.outlines.drawing.clips import ClipWindow, clip_of, filled, fragment, through, united
from nestcut.outlines.drawing.document import Element, where_is
from nestcut.outlines.drawing.frames import (
    IDENTITY,
    Page,
    compose,
    mapped,
    page_of,
    read_length,
    shift,
    short,
    viewbox_of,
    viewport_transform,
)
from nestcut.outlines.drawing.known import (
    DEFINITIONS,
    LANGUAGE,
    MOVING,
    NOTED_PROPERTIES,
    is_harmless,
    is_rim,
    passed_over,
    perhaps_rim,
    speaks,
)
from nestcut.outlines.drawing.pathdata import MOST_SEGMENTS, SHAPES, check_reach, runs_of
from nestcut.outlines.drawing.styles import (
    Rule,
    computed,
    is_hidden,
    is_invisible,
    is_stroked,
    is_unpainted,
    read_rules,
)
from nestcut.outlines.drawing.transforms import own_move
from nestcut.outlines.drawing.values import Box
from nestcut.outlines.drawing.visible import Drawing, Seen
from nestcut.outlines.shapes.curves import Matrix, extent

__all__ = ["see"]

_GROUPS = frozenset({"g", "a", "svg", "switch", "use"})
_READ = _GROUPS | SHAPES
_MOST_VISITS = 20_000
_MOST_USES = 20


@dataclass(frozen=True, slots=True)
class _Surroundings:
    """What an element has from those around it."""

    to_mm: Matrix
    view: tuple[float, float]
    style: dict[str, str] = field(default_factory=dict)
    rim: bool = False
    ancestors: tuple[Element, ...] = ()
    uses: tuple[str, ...] = ()
    windows: tuple[ClipWindow, ...] = ()
    gather: Literal["paint", "area", "fill", "stroke"] = "paint"
    """What is collected: what is painted, the area of a clip, or boxes of shapes without or with their strokes."""

    def half_stroke(self) -> float:
        """Half the width of the stroke where boxes with strokes are collected, user units; else 0."""
        if self.gather != "stroke" or not is_stroked(self.style):
            return 0.0
        diagonal = math.hypot(*self.view) / math.sqrt(2)
        return read_length(self.style.get("stroke-width", "1"), diagonal, name="stroke-width") / 2


def see(root: Element) -> Drawing:
    """The runs of curves that are painted in an SVG drawing, in mm, with x to the right and y down.

    Raises: OutlineError, with the line and the element, for what can't be read.
    """
    drawing = Drawing()
    walker = _Walker(root, drawing)
    with found_at(where_is(root)):
        style = computed(root, (), walker.rules, {})
        sides = {name: style.get(name) or root.get(name) for name in ("width", "height")}
        walker.page = page_of(sides, root.get("viewBox"), root.get("preserveAspectRatio"))
    drawing.sized = walker.page.sized
    walker.visit(root, _Surroundings(walker.page.to_mm, walker.page.view))
    for element in walker.everything:
        if element.tag == "symbol" and element.id not in walker.used:
            drawing.say("A symbol that is not used anywhere was ignored", element)
    return drawing


class _Walker:
    def __init__(self, root: Element, drawing: Drawing) -> None:
        self.drawing = drawing
        self.rules: list[Rule] = read_rules(root, drawing.notes)
        self.everything = list(root.walk())
        self.ids: dict[str, Element] = {}
        self.used: set[str] = set()
        self.page: Page | None = None
        self.areas: list[shapely.Geometry] = []
        self.boxes: list[Box] = []
        self.visits = 0
        self.segments = 0
        for element in self.everything:
            if element.id:
                self.ids.setdefault(element.id, element)

    def visit(self, element: Element, scene: _Surroundings, *, chosen: bool = False) -> None:
        """Collect what an element shows; ``chosen`` by a switch, it is not asked for its language again."""
        self.visits += 1
        if self.visits > _MOST_VISITS:
            raise OutlineError(
                "the drawing uses its parts too often",
                mend="save only the outline, as a plain SVG",
                where=where_is(element),
            )
        if element.tag in DEFINITIONS or element.tag in MOVING:
            return
        with found_at(where_is(element)):
            self._show(element, scene, chosen=chosen)

    def _show(
        self,
        element: Element,
        scene: _Surroundings,
        *,
        chosen: bool = False,
        sizes: dict[str, str] | None = None,
    ) -> None:
        """As visit(); ``sizes`` are those of the use element that an inner drawing or symbol is shown by."""

        def say(note: str) -> None:
            self.drawing.say(note, element)

        style = computed(element, scene.ancestors, self.rules, scene.style, say)
        if is_hidden(style) or not (chosen or self._applies(element, say)):
            return
        if element.tag not in _READ and sizes is None:
            if not is_invisible(style):
                say(passed_over(element.tag))
            return
        if scene.gather == "area" and element.tag not in SHAPES | {"use"}:
            say("Only shapes can clip: something else in a clip was ignored, as in browsers")
            return
        for name, value in style.items():
            if name in NOTED_PROPERTIES and not is_harmless(name, value):
                say(NOTED_PROPERTIES[name])
        for child in element.children:
            if child.tag in MOVING:
                self.drawing.say(passed_over(child.tag), child)

        def box_of(kind: str) -> Box:
            return self._box(element, replace(scene, style=style), sizes, kind)

        to_mm = compose(scene.to_mm, own_move(style, box_of, say))
        if element.tag == "use":
            # SVG 1.1 section 5.6: x and y are the last of its transforms, so its clip moves with them.
            to_mm = compose(to_mm, shift(*self._corner(element, style, scene)))
        windows = scene.windows
        if scene.gather in ("paint", "area"):
            windows += self._clip(element, style, replace(scene, to_mm=to_mm), box_of, say)
        if not scene.ancestors and self.page and self.page.sheet:
            self.drawing.page = Polygon(mapped(to_mm, self.page.sheet))
            self.drawing.canvas = Polygon(mapped(to_mm, self.page.canvas))
        rim = scene.rim or is_rim(element, root=not scene.ancestors)
        if not rim and scene.ancestors and (name := perhaps_rim(element)):
            say(f'"{short(name)}" is read as what is cut; call it "rim" if it is the metal\'s edge')
        inner = replace(
            scene, to_mm=to_mm, style=style, rim=rim, ancestors=(*scene.ancestors, element), windows=windows
        )
        self._content(element, inner, sizes)

    def _content(self, element: Element, scene: _Surroundings, sizes: dict[str, str] | None) -> None:
        if element.tag in SHAPES:
            self._shape(element, scene)
        elif element.tag == "use":
            self._use(element, scene)
        elif element.tag == "symbol" or (element.tag == "svg" and len(scene.ancestors) > 1):
            self._nested(element, scene, sizes or {})
        elif element.tag == "switch":
            self._switch(element, scene)
        else:
            for child in element.children:
                self.visit(child, scene)

    def _applies(self, element: Element, say: Callable[[str], None]) -> bool:
        """Conditional processing (SVG 2 section 5.9)."""
        if "requiredExtensions" in element.attributes:
            say("A part for viewers with special extensions was left out")
            return False
        language = element.attributes.get("systemLanguage")
        if language is None or speaks(language):
            return True
        say(f'A part for another language ("{short(language)}") was left out')
        return False

    def _switch(self, element: Element, scene: _Surroundings) -> None:
        """The first part that fits. What nestcut can't read never fits, so that its replacement is read."""
        parts: list[Element] = []
        for child in element.children:
            special = "requiredExtensions" in child.attributes
            if child.tag in _READ and not special:
                parts.append(child)
            elif child.tag in _READ:
                self._applies(child, partial(self.drawing.say, element=child))
            elif child.tag not in DEFINITIONS and not special:
                self.drawing.say(passed_over(child.tag), child)
        fits = [c for c in parts if speaks(c.get("systemLanguage", LANGUAGE))]
        for child in (fits or parts)[:1]:
            if any("systemLanguage" in c.attributes for c in parts):
                language = child.attributes.get("systemLanguage")
                which = f'the one for "{short(language)}"' if language else "the one for any language"
                self.drawing.say(f"Of the parts for several languages {which} was read", child)
            self.visit(child, scene, chosen=True)

    def _box(self, element: Element, scene: _Surroundings, sizes: dict[str, str] | None, kind: str) -> Box:
        """The box of an element in its own user units: of its viewport ("view"), or of its shapes ("fill", "stroke").

        Source: CSS Transforms 1 section 9; SVG 2 section 8.10.
        """
        if kind == "view":
            return (0.0, 0.0, *scene.view)
        own, self.boxes = self.boxes, []
        ancestors = (*scene.ancestors, element)
        gather: Literal["fill", "stroke"] = "fill" if kind == "fill" else "stroke"
        try:
            self._content(
                element, replace(scene, to_mm=IDENTITY, ancestors=ancestors, windows=(), gather=gather), sizes
            )
            found = self.boxes
        finally:
            self.boxes = own
        if not found:
            return (0.0, 0.0, 0.0, 0.0)
        x, y = min(box[0] for box in found), min(box[1] for box in found)
        return x, y, max(box[2] for box in found) - x, max(box[3] for box in found) - y

    def _clip(
        self,
        element: Element,
        style: dict[str, str],
        scene: _Surroundings,
        box_of: Callable[[str], Box],
        say: Callable[[str], None],
    ) -> tuple[ClipWindow, ...]:
        """What an element is seen through by its own clip-path; ``scene.to_mm`` is the element's own map."""
        clip = clip_of(style, self.ids, box_of, element, say)
        if clip is None:
            return ()
        if isinstance(clip, Element):
            return (ClipWindow.of(self._clip_area(clip, scene, box_of), strict=True),)
        runs = [run.moved(scene.to_mm) for run in clip.runs]
        for run in runs:
            check_reach(run)
        return (ClipWindow.of(filled(runs, clip.rule), strict=True),)

    def _clip_area(
        self, target: Element, scene: _Surroundings, box_of: Callable[[str], Box]
    ) -> shapely.Geometry:
        """The area of a clipPath, mm (CSS Masking 1, sections 6.1 and 6.2)."""

        def say(note: str) -> None:
            self.drawing.say(note, target)

        uses = (*scene.uses, target.id)
        if len(uses) > _MOST_USES:
            raise OutlineError(
                "clips refer to each other in a circle", mend="release the clips in the drawing"
            )
        style = computed(target, (), self.rules, {}, say)
        move = own_move(style, lambda kind: (0.0, 0.0, *scene.view), say)
        to_mm, view = compose(scene.to_mm, move), scene.view
        own = self._clip(target, style, replace(scene, uses=uses), box_of, say)
        if target.get("clipPathUnits").strip() == "objectBoundingBox":
            x, y, w, h = box_of("fill")
            to_mm, view = compose(to_mm, np.array([[w, 0.0, x], [0.0, h, y]])), (1.0, 1.0)
        outer, self.areas = self.areas, []
        try:
            inside = _Surroundings(to_mm, view, style, ancestors=(target,), uses=uses, gather="area")
            for child in target.children:
                self.visit(child, inside)
            area = united(self.areas)
        finally:
            self.areas = outer
        return through(area, own)

    def _shape(self, element: Element, scene: _Surroundings) -> None:
        style = scene.style
        runs = runs_of(element, style, scene.view)
        self.segments += sum(len(run.curves) for run in runs)
        if self.segments > MOST_SEGMENTS:
            raise OutlineError(
                f"the drawing has more than {MOST_SEGMENTS} segments", mend="simplify the drawing"
            )
        moved = [run.moved(scene.to_mm) for run in runs]
        if scene.gather in ("fill", "stroke"):
            self.boxes += [_grown(extent(run.curves), scene) for run in moved]
            return
        for run in moved:
            check_reach(run)
        if scene.gather == "area":
            if not is_invisible(style):
                area = filled(moved, style.get("clip-rule", "nonzero").lower())
                self.areas.append(through(area, scene.windows))
            return
        if is_unpainted(style):
            self.drawing.unpainted += bool(runs)
            return
        for name in ("fill", "stroke"):
            paint = self.ids.get(fragment(style.get(name, "")))
            if paint is not None and paint.tag in ("pattern", "hatch"):
                self.drawing.say("A pattern was ignored: only the outline that it fills is read", element)
        self.drawing.seen += [Seen.of(run, scene.rim, scene.windows, style) for run in moved]

    def _use(self, element: Element, scene: _Surroundings) -> None:
        link = element.get("href").strip()
        if not link:
            self.drawing.say("A use element that names nothing was ignored", element)
            return
        if not link.startswith("#"):
            raise OutlineError(
                f'the drawing refers to another file ("{link[:40]}")',
                mend="put the shape itself into the drawing",
            )
        target = self.ids.get(link[1:])
        if target is None:
            raise OutlineError(
                f'the drawing uses "{link[:40]}", which it doesn\'t hold', mend="save the drawing again"
            )
        if link in scene.uses or target in scene.ancestors:
            raise OutlineError(f'"{link[:40]}" is used inside itself', mend="undo the link in the drawing")
        if len(scene.uses) >= _MOST_USES:
            raise OutlineError(
                "parts of the drawing are used within each other too deeply", mend="undo the links"
            )
        self.used.add(target.id)
        inner = replace(scene, uses=(*scene.uses, link))
        if target.tag in ("symbol", "svg"):
            given = {n: scene.style.get(n) or element.get(n) for n in ("width", "height")}
            sizes = {n: text for n, text in given.items() if text.strip() not in ("", "auto")}
            with found_at(where_is(target)):
                self._show(target, inner, sizes=sizes)
        else:
            self.visit(target, inner)

    def _corner(self, element: Element, style: dict[str, str], scene: _Surroundings) -> tuple[float, float]:
        """x and y of a use element or an inner drawing, user units."""
        x, y = (
            read_length(style.get(name) or element.get(name) or "0", scene.view[axis], name=name)
            for axis, name in enumerate(("x", "y"))
        )
        return x, y

    def _nested(self, element: Element, scene: _Surroundings, sizes: dict[str, str]) -> None:
        """An inner svg, or a symbol: a viewport of its own, which hides what lies outside (SVG 2 section 14.3)."""
        w, h = (
            read_length(
                sizes.get(name) or scene.style.get(name) or element.get(name) or "100%",
                scene.view[axis],
                name=name,
            )
            for axis, name in enumerate(("width", "height"))
        )
        if w <= 0 or h <= 0:
            self.drawing.say("An inner drawing of no size was left out", element)
            return
        if {"x", "y", "width", "height"} & scene.style.keys():
            self.drawing.say(
                "The place or size of an inner drawing is set in a style; not every viewer reads it there",
                element,
            )
        x, y = self._corner(element, scene.style, scene) if element.tag == "svg" else (0.0, 0.0)
        if element.get("refX") or element.get("refY"):
            self.drawing.say("The reference point (refX, refY) of a symbol was ignored", element)
        box = viewbox_of(element.get("viewBox"))
        inside = compose(shift(x, y), viewport_transform(box, w, h, element.get("preserveAspectRatio")))
        windows = scene.windows
        if scene.gather == "paint" and scene.style.get("overflow", "").lower() not in ("visible", "auto"):
            corners = [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]
            windows += (ClipWindow.of(Polygon(mapped(scene.to_mm, corners)), strict=False),)
        inner = replace(
            scene,
            to_mm=compose(scene.to_mm, inside),
            view=(box[2], box[3]) if box else (w, h),
            windows=windows,
        )
        for child in element.children:
            self.visit(child, inner)


def _grown(box: Box, scene: _Surroundings) -> Box:
    """A box, least and greatest x and y, with half the width of the stroke around it if that is asked for."""
    half = scene.half_stroke()
    across, down = (half * math.hypot(*row) for row in scene.to_mm[:, :2])
    return box[0] - across, box[1] - down, box[2] + across, box[3] + down
