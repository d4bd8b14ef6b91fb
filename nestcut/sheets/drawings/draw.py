"""Shapes as SVG paths, and the few drawing habits that all sheets share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import shapely
import svgwrite
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry
from svgwrite.base import BaseElement
from svgwrite.container import Group

__all__ = [
    "FONT",
    "INK",
    "Svg",
    "add_die",
    "inner_circle",
    "largest_part",
    "line_path",
    "matrix_words",
    "mm",
    "path_data",
]

FONT = "system-ui, sans-serif"
INK = "#111111"


def mm(value: float) -> str:
    """A coordinate to 0.001 mm, as short as can be."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _ring(points: Iterable[Sequence[float]], step: float) -> str:
    kept: list[tuple[float, float]] = []
    for x, y, *_ in points:
        if not kept or abs(x - kept[-1][0]) + abs(y - kept[-1][1]) > step:
            kept.append((x, y))
    if len(kept) > 1 and kept[0] == kept[-1]:
        kept.pop()
    return "M" + " ".join(f"{mm(x)},{mm(y)}" for x, y in kept) + "Z"


def path_data(shape: BaseGeometry, *, within_mm: float = 0.0) -> str:
    """The closed path(s) of a polygon or several, holes included (use with fill-rule evenodd).

    ``within_mm`` allows small pictures to be drawn with fewer points, true within that distance.
    """
    if within_mm > 0:
        shape = shapely.simplify(shape, within_mm, preserve_topology=True)
    rings: list[str] = []
    for part in shapely.get_parts(shape):
        if isinstance(part, Polygon) and not part.is_empty:
            rings.append(_ring(part.exterior.coords, 1e-9))
            rings.extend(_ring(hole.coords, 1e-9) for hole in part.interiors)
    return "".join(rings)


def line_path(line: LineString) -> str:
    """An open line as path data."""
    return "M" + " ".join(f"{mm(x)},{mm(y)}" for x, y, *_ in line.coords)


def matrix_words(matrix: tuple[float, float, float, float, float, float]) -> str:
    """shapely's (a, b, d, e, xoff, yoff) as an SVG transform."""
    a, b, d, e, x, y = matrix

    def turn(value: float) -> str:
        text = f"{value:.6f}".rstrip("0").rstrip(".")
        return "0" if text in ("-0", "") else text

    if (a, b, d, e) == (1.0, 0.0, 0.0, 1.0):
        return f"translate({mm(x)},{mm(y)})"
    # SVG's matrix() goes column by column.
    return f"matrix({turn(a)},{turn(d)},{turn(b)},{turn(e)},{mm(x)},{mm(y)})"


def add_die(
    group: Group,
    svg: Svg,
    rim: BaseGeometry,
    cut: BaseGeometry,
    marks: Sequence[BaseGeometry],
    *,
    cut_line: Mapping[str, str],
) -> None:
    """A die where it lies: its metal, what it cuts out, the marks in it; ``cut_line``: how the cutting edge is drawn."""
    group.add(
        svg.path(
            path_data(rim),
            class_="rim",
            fill="#dddddd",
            fill_rule="evenodd",
            stroke="#555555",
            stroke_width="0.2",
        )
    )
    group.add(
        svg.path(path_data(cut), class_="cut", fill="#ffffff", fill_rule="evenodd", stroke=INK, **cut_line)
    )
    for mark in marks:
        group.add(
            svg.path(
                line_path(mark),
                class_="mark",
                fill="none",
                stroke="#666666",
                stroke_width="0.25",
                stroke_dasharray="1.2 0.8",
            )
        )


def largest_part(shape: BaseGeometry) -> Polygon:
    """The largest polygon of a shape (an empty one where there is none)."""
    parts = [part for part in shapely.get_parts(shape) if isinstance(part, Polygon)]
    return max(parts, key=lambda part: part.area, default=Polygon())


def inner_circle(shape: BaseGeometry) -> tuple[Point, float]:
    """Centre and radius (mm) of a large circle inside the shape's largest part, to about 0.1 mm."""
    part = largest_part(shape)
    if part.is_empty:
        return Point(), 0.0
    spoke = shapely.maximum_inscribed_circle(part, tolerance=0.1)
    return Point(spoke.coords[0]), float(spoke.length)


def parts_of(shape: BaseGeometry) -> list[Polygon]:
    """The polygons of a shape."""
    if isinstance(shape, Polygon):
        return [shape]
    return list(shape.geoms) if isinstance(shape, MultiPolygon) else []


class Svg:
    """A drawing in millimetres: its user unit is 1 mm, its printed size is true.

    A thin layer over svgwrite that keeps numbers short and the output the same on every run.
    """

    def __init__(
        self, width_mm: float, height_mm: float, *, name: str, origin: tuple[float, float] = (0.0, 0.0)
    ):
        self.sheet = svgwrite.Drawing(
            filename="",
            size=(f"{mm(width_mm)}mm", f"{mm(height_mm)}mm"),
            viewBox=f"{mm(origin[0])} {mm(origin[1])} {mm(width_mm)} {mm(height_mm)}",
            debug=False,
        )
        self.sheet.set_desc(title=name)
        self.width_mm, self.height_mm = width_mm, height_mm
        self.origin = origin

    def add(self, element: BaseElement) -> BaseElement:
        """Put an element on the drawing."""
        return self.sheet.add(element)

    def group(
        self, *, id_: str | None = None, class_: str | None = None, title: str | None = None, **look: str
    ) -> Group:
        """A group, not yet on the drawing."""
        names = {}
        if id_:
            names["id"] = id_
        if class_:
            names["class_"] = class_
        group = self.sheet.g(**names, **look)
        if title:
            group.set_desc(title=title)
        return group

    def path(self, data: str, **look: str) -> BaseElement:
        """A path."""
        return self.sheet.path(d=data, **look)

    def line(self, x1: float, y1: float, x2: float, y2: float, **look: str) -> BaseElement:
        """A straight line."""
        return self.sheet.line(start=(mm(x1), mm(y1)), end=(mm(x2), mm(y2)), **look)

    def rect(self, x: float, y: float, width: float, height: float, **look: str) -> BaseElement:
        """A rectangle."""
        return self.sheet.rect(insert=(mm(x), mm(y)), size=(mm(width), mm(height)), **look)

    def circle(self, x: float, y: float, radius: float, **look: str) -> BaseElement:
        """A circle."""
        return self.sheet.circle(center=(mm(x), mm(y)), r=mm(radius), **look)

    def text(
        self,
        words: str,
        x: float,
        y: float,
        *,
        size: float,
        anchor: str = "start",
        bold: bool = False,
        **look: str,
    ) -> BaseElement:
        """A line of text; y is its base line."""
        look.setdefault("fill", INK)
        if bold:
            look["font_weight"] = "bold"
        return self.sheet.text(
            words, insert=(mm(x), mm(y)), font_size=mm(size), font_family=FONT, text_anchor=anchor, **look
        )

    def tostring(self) -> str:
        """The drawing as text, with an XML head."""
        return '<?xml version="1.0" encoding="utf-8"?>\n' + self.sheet.tostring() + "\n"
