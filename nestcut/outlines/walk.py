"""From a tree of SVG elements to the runs of curves that are seen, in mm."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from nestcut.errors import OutlineError, found_at
from nestcut.outlines.curves import Arc, Bezier, Matrix
from nestcut.outlines.document import Element, where_is
from nestcut.outlines.frames import (
    IDENTITY,
    MM_PER_PX,
    compose,
    parse_transform,
    read_length,
    viewbox_of,
    viewport_transform,
)
from nestcut.outlines.pathdata import MOST_SEGMENTS, SHAPES, Run, runs_of
from nestcut.outlines.styles import Rule, computed, declarations, is_hidden, is_unpainted, read_rules

__all__ = ["Drawing", "Seen", "see"]

_GROUPS = frozenset({"g", "a", "svg", "switch", "use"})
_SILENT = frozenset(
    {
        "defs",
        "symbol",
        "title",
        "desc",
        "metadata",
        "style",
        "script",
        "clipPath",
        "mask",
        "marker",
        "pattern",
        "view",
    }
    | {"linearGradient", "radialGradient", "filter", "font", "cursor", ""}
)
_MOST_VISITS = 20_000
_MOST_USES = 20
_FARTHEST_MM = 10_000.0
_LARGEST_CURVE_MM = 3_000.0
"""A curve is followed to 0.6 µm at first: one of 10 m would take half a minute, and nobody cuts one."""
_RIM = re.compile(r"rim(?:[-_ ]?\d+_?)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Seen:
    """One run of curves as it is seen, in mm."""

    run: Run
    rim: bool
    clips: tuple[tuple[Run, ...], ...] = ()
    """Outlines of the clips that the run is seen through; all of it must lie in each."""


@dataclass(slots=True)
class Drawing:
    """All that is seen in a drawing, and what should be said about it."""

    seen: list[Seen] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    sized: bool = True
    """False when the drawing has no physical size."""
    unpainted: int = 0
    """Shapes without stroke or fill."""


@dataclass(frozen=True, slots=True)
class _Scene:
    """What an element has from those around it."""

    to_mm: Matrix
    view: tuple[float, float]
    style: dict[str, str]
    rim: bool
    ancestors: tuple[Element, ...]
    uses: tuple[str, ...]
    clips: tuple[tuple[Run, ...], ...]


def see(root: Element) -> Drawing:
    """The runs of curves that are seen in an SVG drawing, in mm, with x to the right and y down.

    Raises: OutlineError, with the line and the element, for what can't be read.
    """
    drawing = Drawing()
    walker = _Walker(root, drawing)
    with found_at(where_is(root)):
        to_mm, view, drawing.sized = _page(root)
    walker.visit(root, _Scene(to_mm, view, {}, False, (), (), ()))
    drawing.notes = list(dict.fromkeys(drawing.notes))
    return drawing


def _page(root: Element) -> tuple[Matrix, tuple[float, float], bool]:
    """The map from the root's user units to mm, the viewport in user units, and whether it has a size."""
    box = viewbox_of(root.get("viewBox"))
    style = {n: v for n, v, _ in _inline(root)}
    texts = {name: style.get(name) or root.get(name) for name in ("width", "height")}
    sizes: dict[str, float | None] = {}
    sized = True
    for name, text in texts.items():
        if text.strip() in ("", "auto") or text.strip().endswith("%"):
            sizes[name] = None
        else:
            sizes[name] = read_length(text, None, name=name)
            sized &= not re.fullmatch(r"[-+\d.eE\s]*", text)
            if sizes[name] <= 0:  # type: ignore[operator]
                raise OutlineError(
                    f'{name}="{text[:30]}" is no size', mend="set the page size of the drawing"
                )
    if sizes["width"] is None and sizes["height"] is None:
        sized = False
    w, h = sizes["width"], sizes["height"]
    if box is not None:
        # A missing side follows from the other by the shape of the viewBox; without both, 1 unit is 1 px.
        if w is None and h is None:
            w, h = box[2], box[3]
        elif w is None:
            w = (h or 0.0) * box[2] / box[3]
        elif h is None:
            h = w * box[3] / box[2]
    w, h = w or 100.0, h or 100.0
    inner = viewport_transform(box, w, h, root.get("preserveAspectRatio"))
    view = (box[2], box[3]) if box else (w, h)
    return MM_PER_PX * inner, view, sized


def _inline(element: Element) -> tuple[tuple[str, str, bool], ...]:
    return declarations(element.get("style")) if element.get("style") else ()


class _Walker:
    def __init__(self, root: Element, drawing: Drawing) -> None:
        self.drawing = drawing
        self.rules: list[Rule] = read_rules(root, drawing.notes)
        self.ids: dict[str, Element] = {}
        self.visits = 0
        self.segments = 0
        for element in _all(root):
            if element.id:
                self.ids.setdefault(element.id, element)

    def visit(self, element: Element, scene: _Scene) -> None:
        """Collect what an element shows."""
        self.visits += 1
        if self.visits > _MOST_VISITS:
            raise OutlineError(
                "the drawing uses its parts too often",
                mend="save only the outline, as a plain SVG",
                where=where_is(element),
            )
        tag = element.tag
        if tag in _SILENT:
            return
        if tag in ("text", "foreignObject", "image", "tspan", "textPath", "flowRoot"):
            what = "Pictures" if tag == "image" else "Text"
            self.drawing.notes.append(
                f"{what} in the drawing {'were' if tag == 'image' else 'was'} passed over."
            )
            return
        if tag not in _GROUPS and tag not in SHAPES:
            return
        with found_at(where_is(element)):
            self._show(element, scene)

    def _show(self, element: Element, scene: _Scene) -> None:
        style = computed(element, scene.ancestors, self.rules, scene.style)
        if is_hidden(style):
            return
        to_mm = self._moved(style, scene)
        clips = scene.clips + self._clip(style, to_mm, scene)
        rim = scene.rim or _is_rim(element)
        inner = _Scene(to_mm, scene.view, style, rim, (*scene.ancestors, element), scene.uses, clips)
        if element.tag in SHAPES:
            self._shape(element, inner)
        elif element.tag == "use":
            self._use(element, inner)
        elif element.tag == "svg" and scene.ancestors:
            self._nested(element, inner, {})
        elif element.tag == "switch":
            chosen = [
                c for c in element.children if c.tag in _GROUPS | SHAPES and not c.get("requiredExtensions")
            ]
            for child in chosen[:1]:
                self.visit(child, inner)
        else:
            for child in element.children:
                self.visit(child, inner)

    def _moved(self, style: dict[str, str], scene: _Scene) -> Matrix:
        move = parse_transform(style.get("transform", ""))
        if move is not IDENTITY and re.search(
            r"[1-9]|%|right|bottom|center", style.get("transform-origin", "")
        ):
            raise OutlineError(
                "a transform with an origin of its own", mend="save the drawing with plain transforms"
            )
        return compose(scene.to_mm, move)

    def _clip(self, style: dict[str, str], to_mm: Matrix, scene: _Scene) -> tuple[tuple[Run, ...], ...]:
        if style.get("mask", "none").lower() not in ("none", ""):
            self.drawing.notes.append("A mask in the drawing was passed over: the whole outline is used.")
        value = style.get("clip-path", "none")
        if value.lower() in ("none", ""):
            return ()
        match = re.fullmatch(r"url\(\s*['\"]?#([^'\")]+)['\"]?\s*\)", value)
        target = self.ids.get(match[1].strip()) if match else None
        if target is None or target.tag != "clipPath":
            return ()  # a clip that is not there clips nothing (SVG 2 says so for masks too)
        if target.get("clipPathUnits") == "objectBoundingBox":
            self.drawing.notes.append("A clip in the drawing was passed over: the whole outline is used.")
            return ()
        aside = Drawing()
        own, self.drawing = self.drawing, aside
        try:
            plain = _Scene(
                compose(to_mm, parse_transform(target.get("transform"))),
                scene.view, {}, False, (), (*scene.uses, target.id), (),
            )  # fmt: skip
            if len(plain.uses) > _MOST_USES:
                raise OutlineError(
                    "clips call each other in a circle", mend="release the clips in the drawing"
                )
            for child in target.children:
                self.visit(child, plain)
        finally:
            self.drawing = own
        return (tuple(s.run for s in aside.seen if s.run.closed),)

    def _shape(self, element: Element, scene: _Scene) -> None:
        geometry = {
            n: v
            for n, v in scene.style.items()
            if n in ("cx", "cy", "r", "rx", "ry", "x", "y", "width", "height")
        }
        if "d" in scene.style:
            raise OutlineError("path data in a style sheet", mend="save the drawing as plain SVG")
        runs = runs_of(element, geometry, scene.view)
        self.segments += sum(len(run.curves) for run in runs)
        if self.segments > MOST_SEGMENTS:
            raise OutlineError(
                f"the drawing has more than {MOST_SEGMENTS} segments", mend="simplify the drawing"
            )
        if is_unpainted(scene.style):
            self.drawing.unpainted += bool(runs)
            return
        for run in runs:
            moved = run.moved(scene.to_mm)
            _check_reach(moved)
            self.drawing.seen.append(Seen(moved, scene.rim, scene.clips))

    def _use(self, element: Element, scene: _Scene) -> None:
        link = element.get("href").strip()
        if not link:
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
        x = read_length(element.get("x") or "0", scene.view[0], name="x")
        y = read_length(element.get("y") or "0", scene.view[1], name="y")
        to_mm = compose(scene.to_mm, _shift(x, y))
        inner = _Scene(
            to_mm,
            scene.view,
            scene.style,
            scene.rim or _is_rim(target),
            scene.ancestors,
            (*scene.uses, link),
            scene.clips,
        )
        if target.tag in ("symbol", "svg"):
            sizes = {
                n: element.get(n) for n in ("width", "height") if element.get(n).strip() not in ("", "auto")
            }
            style = computed(target, inner.ancestors, self.rules, inner.style)
            if is_hidden(style):
                return
            self._nested(target, inner, sizes)
        else:
            self.visit(target, inner)

    def _nested(self, element: Element, scene: _Scene, sizes: dict[str, str]) -> None:
        """An inner svg, or a symbol: a viewport of its own."""
        view = scene.view
        w = read_length(sizes.get("width") or element.get("width") or "100%", view[0], name="width")
        h = read_length(sizes.get("height") or element.get("height") or "100%", view[1], name="height")
        if w <= 0 or h <= 0:
            return
        at = IDENTITY
        if element.tag == "svg":
            x = read_length(element.get("x") or "0", view[0], name="x")
            y = read_length(element.get("y") or "0", view[1], name="y")
            at = _shift(x, y)
        box = viewbox_of(element.get("viewBox"))
        inside = compose(at, viewport_transform(box, w, h, element.get("preserveAspectRatio")))
        inner = _Scene(
            compose(scene.to_mm, inside),
            (box[2], box[3]) if box else (w, h),
            scene.style, scene.rim, (*scene.ancestors, element), scene.uses, scene.clips,
        )  # fmt: skip
        for child in element.children:
            self.visit(child, inner)


def _shift(x: float, y: float) -> Matrix:
    shift = IDENTITY.copy()
    shift[:, 2] = (x, y)
    return shift


def _is_rim(element: Element) -> bool:
    return bool(_RIM.fullmatch(element.id)) or any(name.lower() == "rim" for name in element.classes)


def _check_reach(run: Run) -> None:
    numbers: list[float] = []
    widest = 0.0
    for curve in run.curves:
        if isinstance(curve, Bezier):
            widest = max(widest, *(max(axis) - min(axis) for axis in zip(*curve.points, strict=True)))
            numbers += [c for p in curve.points for c in p]
        else:
            numbers += [*curve.start, *curve.end]
            if isinstance(curve, Arc):
                widest = max(widest, 2 * math.hypot(*curve.u), 2 * math.hypot(*curve.v))
                numbers += [*curve.u, *curve.v]
    # Written so that a NaN fails too.
    if not all(abs(number) <= _FARTHEST_MM for number in numbers):
        raise OutlineError("the drawing reaches farther than 10 m", mend="draw at the real size, in mm")
    if not widest <= _LARGEST_CURVE_MM:
        raise OutlineError(
            f"a curve is {widest / 1000:.1f} m wide, and at most 3 m can be cut",
            mend="draw at the real size, in mm",
        )


def _all(element: Element) -> Iterator[Element]:
    yield element
    for child in element.children:
        yield from _all(child)
