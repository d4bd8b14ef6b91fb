"""Small pictures for the run sheet: a pass on the plate, a scrap, a trim, a remnant.

All pictures of a page share one set of definitions (hatches and die outlines), so that a page with
many pictures stays small.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import shapely
from shapely.geometry import Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from svgwrite.container import Group

from nestcut.batch.model import Die, Paper, filled
from nestcut.plans.model import Layup, PaperOnPlate, Pass, Plan
from nestcut.sheets.drawings.draw import INK, Svg, inner_circle, matrix_words, mm, path_data
from nestcut.sheets.drawings.hatches import add_hatches
from nestcut.sheets.drawings.tags import tag_place
from nestcut.sheets.drawings.view import Bounds, View, view_of
from nestcut.sheets.drawings.words import clipped, length, number, plain, text_width

__all__ = ["Album", "Matrix", "arrow_of"]

Matrix = tuple[float, float, float, float, float, float]
_SHOWN_OVERHANG_MM = 50.0
"""Papers that stick out further are drawn with a broken edge."""
_ARROWS = "↑↗→↘↓↙←↖"
_PICTURE_WITHIN_MM = 0.15
"""Outlines in small pictures may be off by this: files stay small."""


def arrow_of(view: View, pose_deg: float, flipped: bool) -> str:
    """Which way the arrow on a paper (its own up, −y) points, as seen, to the nearest eighth."""
    angle = math.radians(pose_deg)
    # R · (0, −1); flipping (x → −x) leaves the up direction where it is.
    x, y = math.sin(angle), -math.cos(angle)
    if view.mirrored:
        x = -x
    eighth = round(math.degrees(math.atan2(x, -y)) / 45.0) % 8
    return _ARROWS[eighth]


def _compose(outer: Matrix, inner: Matrix) -> Matrix:
    a, b, d, e, x, y = outer
    a2, b2, d2, e2, x2, y2 = inner
    return (
        a * a2 + b * d2, a * b2 + b * e2, d * a2 + e * d2, d * b2 + e * e2, a * x2 + b * y2 + x, d * x2 + e * y2 + y,
    )  # fmt: skip


def _undo(rigid: Matrix) -> Matrix:
    a, b, d, e, x, y = rigid
    return (a, d, b, e, -(a * x + d * y), -(b * x + e * y))


class Album:
    """The pictures of one page."""

    def __init__(self, plan: Plan):
        self.plan = plan
        self.view = view_of(plan.machine)
        self.dies: Mapping[str, Die] = {die.name: die for die in plan.dies}
        self.layups: Mapping[str, Layup] = {layup.id: layup for layup in plan.layups}
        self.pieces = plan.pieces_of_paper()
        self._placed: dict[tuple[str, int], tuple[BaseGeometry, Point]] = {}
        self._die_ids = {die.name: f"d{k}" for k, die in enumerate(plan.dies, start=1)}
        base = Svg(0, 0, name="shared shapes")
        self._base = base
        self.fills = add_hatches(base, plan.papers)
        for die in plan.dies:
            name = self._die_ids[die.name]
            base.sheet.defs.add(
                base.path(
                    path_data(die.cut, within_mm=_PICTURE_WITHIN_MM), id=f"{name}c", fill_rule="evenodd"
                )
            )
            base.sheet.defs.add(
                base.path(
                    path_data(die.rim, within_mm=_PICTURE_WITHIN_MM), id=f"{name}r", fill_rule="evenodd"
                )
            )

    def definitions(self) -> str:
        """The shared shapes; to stand once on the page, before the pictures."""
        text = self._base.sheet.tostring()
        # Not display:none: hatches inside an undisplayed drawing are not painted by every browser.
        return text.replace("<svg ", '<svg class="shared" aria-hidden="true" ', 1)

    def _use(self, svg: Svg, name: str, matrix: Matrix, **look: str) -> object:
        return svg.sheet.use(f"#{name}", transform=matrix_words(matrix), **look)

    def _picture(
        self, bounds: tuple[float, float, float, float], most: tuple[float, float], words: str
    ) -> tuple[Svg, float]:
        """An empty picture of this part of the world; returns it and paper mm per world mm."""
        x0, y0, x1, y1 = bounds
        scale = min(most[0] / max(x1 - x0, 1e-6), most[1] / max(y1 - y0, 1e-6), 1.0)
        svg = Svg(x1 - x0, y1 - y0, name=words, origin=(x0, y0))
        svg.sheet["width"] = f"{mm((x1 - x0) * scale)}mm"
        svg.sheet["height"] = f"{mm((y1 - y0) * scale)}mm"
        svg.sheet["role"] = "img"
        svg.sheet["class"] = "picture"
        return svg, scale

    # ------------------------------------------------------------------ passes

    def add_cuts(self, found: dict[str, list[tuple[str, Matrix]]], one: Pass) -> None:
        """Add the cuts of a pass to ``found`` for the scraps that are its keys."""
        if not any(cut.scrap in found for cut in one.cuts):
            return
        slots = self.layups[one.layup].slots
        laid = {paper.scrap: paper for paper in one.papers}
        for cut in one.cuts:
            if cut.scrap in found:
                paper = laid[cut.scrap]
                slot = slots[cut.slot]
                back = _undo(paper.pose.matrix(flipped=paper.flipped))
                found[cut.scrap].append((slot.die, _compose(back, slot.pose.matrix())))

    def pass_picture(
        self,
        one: Pass,
        labels: Mapping[str, str],
        earlier: Mapping[str, Sequence[tuple[str, Matrix]]],
        *,
        most: tuple[float, float] = (64.0, 80.0),
    ) -> str:
        """Which scrap lies where in a pass: this pass's cuts strong, earlier ones faint.

        ``labels``: scrap id → what its tag says.
        """
        view = self.view
        width, along = self.plan.machine.plate_mm
        outlines = {
            paper.scrap: view.shape(paper.pose.apply(self.pieces[paper.scrap][1], flipped=paper.flipped))
            for paper in one.papers
        }
        low = min([0.0] + [shape.bounds[1] for shape in outlines.values()])
        high = max([along] + [shape.bounds[3] for shape in outlines.values()])
        y0 = max(low, -_SHOWN_OVERHANG_MM) - 3.0
        y1 = min(high, along + _SHOWN_OVERHANG_MM) + 3.0
        # Room for the arrow above: its size is one on paper, so the scale is needed before the picture is.
        unit = max((width + 6.0) / most[0], (y1 - y0) / (most[1] - 3.0), 1.0)
        bounds = (-3.0, y0 - 3.0 * unit, width + 3.0, y1)
        svg, scale = self._picture(bounds, most, f"pass {one.number}")
        unit = 1.0 / scale
        window = svg.sheet.defs.add(svg.sheet.clipPath(id=f"k{one.number}"))
        window.add(svg.rect(bounds[0], y0, bounds[2] - bounds[0], y1 - y0))
        body = svg.group(clip_path=f"url(#k{one.number})")
        svg.add(body)
        body.add(svg.rect(0, 0, width, along, fill="#ffffff", stroke="#777777", stroke_width=mm(0.35 * unit)))
        self._papers(svg, body, one, outlines, earlier, unit)
        body.add(
            svg.rect(
                0, 0, width, along, fill="none", stroke="#444444", stroke_width=mm(0.3 * unit),
                stroke_dasharray=f"{mm(1.6 * unit)} {mm(1.0 * unit)}",
            )
        )  # fmt: skip
        kept_clear = self._dies_down(svg, body, one, unit)
        self._tags(svg, body, labels, outlines, kept_clear, box(-3.0, y0, width + 3.0, y1), unit)
        for side, cut_off in ((y0, low < -_SHOWN_OVERHANG_MM), (y1, high > along + _SHOWN_OVERHANG_MM)):
            if cut_off:
                self._broken_edge(svg, side, width, unit)
        self._feed_mark(svg, width, y0, unit)
        return svg.sheet.tostring()

    def _papers(
        self,
        svg: Svg,
        body: Group,
        one: Pass,
        outlines: Mapping[str, BaseGeometry],
        earlier: Mapping[str, Sequence[tuple[str, Matrix]]],
        unit: float,
    ) -> None:
        """The scraps of a pass, and faintly what was cut out of them before."""
        for paper in one.papers:
            colour = self.pieces[paper.scrap][0]
            body.add(
                svg.path(
                    path_data(outlines[paper.scrap], within_mm=_PICTURE_WITHIN_MM),
                    fill=self.fills[colour],
                    fill_rule="evenodd",
                    stroke=INK,
                    stroke_width=mm(0.3 * unit),
                )
            )
        for paper in one.papers:
            onto = self.view.matrix(paper.pose.matrix(flipped=paper.flipped))
            for die, back in earlier.get(paper.scrap, ()):
                body.add(
                    self._use(
                        svg, f"{self._die_ids[die]}c", _compose(onto, back), fill="#ffffff", stroke="#888888",
                        stroke_width=mm(0.16 * unit), stroke_dasharray=f"{mm(0.7 * unit)} {mm(0.5 * unit)}",
                    )
                )  # fmt: skip

    def _dies_down(self, svg: Svg, body: Group, one: Pass, unit: float) -> list[BaseGeometry]:
        """The cuts of a pass with their numbers; returns where they lie."""
        layup = self.layups[one.layup]
        down = {cut.slot for cut in one.cuts}
        kept_clear: list[BaseGeometry] = []
        for k, slot in enumerate(layup.slots):
            matrix = self.view.matrix(slot.pose.matrix())
            name = self._die_ids[slot.die]
            if k in down:
                body.add(
                    self._use(
                        svg, f"{name}c", matrix, fill="#ffffff", stroke=INK, stroke_width=mm(0.55 * unit)
                    )
                )
                kept_clear.append(self._cut(layup, k)[0])
        for k in range(len(layup.slots)):
            if k in down:
                self._number(svg, body, layup, k, unit)
        return kept_clear

    def _tags(
        self,
        svg: Svg,
        body: Group,
        labels: Mapping[str, str],
        outlines: Mapping[str, BaseGeometry],
        kept_clear: Sequence[BaseGeometry],
        seen: Polygon,
        unit: float,
    ) -> None:
        """What the tags of the scraps say, beside the cuts."""
        blocked = shapely.union_all([shape.buffer(0.5) for shape in kept_clear]) if kept_clear else Polygon()
        tags: list[Bounds] = []
        for scrap, outline in outlines.items():
            words = labels.get(scrap, "?")
            size = 3.0 * unit
            others = [shape for name, shape in outlines.items() if name != scrap]
            spot = tag_place(
                outline.intersection(seen), blocked, others, tags, seen,
                text_width(words, size) / 2 + 0.5 * unit, size * 0.66,
            )  # fmt: skip
            if spot is not None:
                tags.append(spot)
                self._tag(svg, body, words, (spot[0] + spot[2]) / 2, (spot[1] + spot[3]) / 2, unit)

    def _cut(self, layup: Layup, place: int) -> tuple[BaseGeometry, Point]:
        """A slot's cut as seen, and where its number has most room; looked for once."""
        if (layup.id, place) not in self._placed:
            slot = layup.slots[place]
            shape = self.view.shape(slot.pose.apply(self.dies[slot.die].cut))
            spot, _ = inner_circle(shape if shape.area > 400 else filled(shape))
            self._placed[layup.id, place] = shape, spot
        return self._placed[layup.id, place]

    def _number(self, svg: Svg, body: Group | Svg, layup: Layup, place: int, unit: float) -> None:
        _, spot = self._cut(layup, place)
        if not spot.is_empty:
            size = 2.9 * unit
            body.add(
                svg.text(str(place + 1), spot.x, spot.y + size * 0.36, size=size, anchor="middle", bold=True)
            )

    def _tag(self, svg: Svg, body: Group, words: str, x: float, y: float, unit: float) -> None:
        size = 3.0 * unit
        half = text_width(words, size) / 2 + 0.5 * unit
        tag = svg.group(class_="tag")
        tag.add(
            svg.rect(x - half, y - size * 0.68, 2 * half, size * 1.3, fill="#ffffff", stroke=INK,
                     stroke_width=mm(0.2 * unit), rx=mm(size * 0.3))
        )  # fmt: skip
        tag.add(svg.text(words, x, y + size * 0.36, size=size, anchor="middle", bold=True))
        body.add(tag)

    def _feed_mark(self, svg: Svg, width: float, y0: float, unit: float) -> None:
        middle, tall = width / 2, 2.0 * unit
        svg.add(
            svg.path(
                f"M{mm(middle - tall)},{mm(y0 - 0.6)}L{mm(middle)},{mm(y0 - 0.6 - tall)}L{mm(middle + tall)},{mm(y0 - 0.6)}Z",
                fill=INK,
            )
        )

    def _broken_edge(self, svg: Svg, y: float, width: float, unit: float) -> None:
        step = width / 12
        points = " ".join(f"{mm(k * step)},{mm(y + (1.2 if k % 2 else -1.2))}" for k in range(13))
        svg.add(svg.path(f"M{points}", fill="none", stroke="#ffffff", stroke_width=mm(1.2 * unit)))

    # ------------------------------------------------------------------ lay-ups

    def layup_picture(self, layup: Layup, *, most: tuple[float, float] = (70.0, 90.0)) -> str:
        """A lay-up at small size, with the numbers of its dies."""
        view = self.view
        width, along = self.plan.machine.plate_mm
        unit = max((width + 6.0) / most[0], (along + 6.0) / (most[1] - 3.0), 1.0)
        svg, scale = self._picture(
            (-3.0, -3.0 - 3.0 * unit, width + 3.0, along + 3.0), most, f"lay-up {plain(layup.id)}"
        )
        unit = 1.0 / scale
        svg.add(svg.rect(0, 0, width, along, fill="#ffffff", stroke=INK, stroke_width=mm(0.4 * unit)))
        for slot in layup.slots:
            matrix = view.matrix(slot.pose.matrix())
            name = self._die_ids[slot.die]
            svg.add(
                self._use(
                    svg, f"{name}r", matrix, fill="#dddddd", stroke="#666666", stroke_width=mm(0.15 * unit)
                )
            )
            svg.add(
                self._use(svg, f"{name}c", matrix, fill="#ffffff", stroke=INK, stroke_width=mm(0.35 * unit))
            )
        for k in range(len(layup.slots)):
            self._number(svg, svg, layup, k, unit)
        x = view.x(0.0)
        out = 1.0 if view.mirrored else -1.0
        svg.add(
            svg.path(
                f"M{mm(x + out * 1.5)},16L{mm(x + out * 1.5)},-1.5L{mm(x - out * 16)},-1.5",
                fill="none", stroke=INK, stroke_width=mm(0.9 * unit),
            )
        )  # fmt: skip
        self._feed_mark(svg, width, -2.4, unit)
        return svg.sheet.tostring()

    # ------------------------------------------------------------------ papers

    def paper_picture(
        self,
        colour: str,
        outline: BaseGeometry,
        *,
        parts: Sequence[tuple[str, Polygon]] = (),
        most: tuple[float, float] = (40.0, 34.0),
        words: str = "",
        rectangle: Bounds | None = None,
    ) -> str:
        """A scrap, a remnant, or a trim (parts numbered), good side up, its own up at the top.

        Args:
            rectangle: the largest one in it, shown by a dashed line, mm.
        """
        x0, y0, x1, y1 = outline.bounds
        edge = 0.02 * max(x1 - x0, y1 - y0) + 0.5
        svg, scale = self._picture((x0 - edge, y0 - edge, x1 + edge, y1 + edge), most, words or plain(colour))
        unit = 1.0 / scale
        svg.add(
            svg.path(
                path_data(outline, within_mm=_PICTURE_WITHIN_MM), fill=self.fills[colour], fill_rule="evenodd",
                stroke=INK, stroke_width=mm(0.3 * unit),
            )
        )  # fmt: skip
        if rectangle is not None:
            left, top, right, low = rectangle
            svg.add(
                svg.rect(
                    left, top, right - left, low - top, fill="#ffffff", fill_opacity="0.45", stroke=INK,
                    stroke_width=mm(0.3 * unit), stroke_dasharray=f"{mm(1.2 * unit)} {mm(0.8 * unit)}",
                )
            )  # fmt: skip
        for _, part in parts:
            svg.add(
                svg.path(
                    path_data(part, within_mm=_PICTURE_WITHIN_MM), fill="#ffffff", fill_opacity="0.55",
                    fill_rule="evenodd", stroke=INK, stroke_width=mm(0.45 * unit),
                )
            )  # fmt: skip
        for label, part in parts:
            spot, radius = inner_circle(part)
            if not spot.is_empty:
                size = min(3.2 * unit, 1.5 * radius)
                svg.add(svg.text(label, spot.x, spot.y + size * 0.36, size=size, anchor="middle", bold=True))
        return svg.sheet.tostring()

    def piece_picture(self, die: Die, colour: str, *, most: tuple[float, float] = (18.0, 24.0)) -> str:
        """A cut piece in its paper."""
        x0, y0, x1, y1 = die.cut.bounds
        svg, scale = self._picture((x0 - 1, y0 - 1, x1 + 1, y1 + 1), most, plain(die.name))
        same: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
        look = {"fill": self.fills[colour], "stroke": INK, "stroke_width": mm(0.35 / scale)}
        svg.add(self._use(svg, f"{self._die_ids[die.name]}c", same, **look))
        return svg.sheet.tostring()

    def swatch(self, paper: Paper) -> str:
        """A little field of a paper's hatch."""
        svg, _ = self._picture((0.0, 0.0, 40.0, 24.0), (14.0, 8.4), f"{clipped(paper.name)}")
        svg.add(svg.rect(0.5, 0.5, 39, 23, fill=self.fills[paper.name], stroke=INK, stroke_width="1"))
        return svg.sheet.tostring()

    def size_words(self, shape: BaseGeometry) -> str:
        """ "105 × 148 mm", the box of a shape."""
        x0, y0, x1, y1 = shape.bounds
        return f"{number(x1 - x0, 0)} × {length(y1 - y0)}"

    def laid_words(self, paper: PaperOnPlate) -> str:
        """Which way a paper lies: the arrow pencilled on its back."""
        return arrow_of(self.view, paper.pose.deg, paper.flipped)
