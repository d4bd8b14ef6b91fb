"""Reading drawings back, without the code that made them."""

from __future__ import annotations

import re
from xml.etree.ElementTree import Element

import defusedxml.ElementTree as SafeTree

SVG = "{http://www.w3.org/2000/svg}"
XLINK = "{http://www.w3.org/1999/xlink}href"


def parse(text: str) -> Element:
    """The root of a drawing."""
    return SafeTree.fromstring(text)


def size_mm(root: Element) -> tuple[float, float]:
    """Printed width and height; both must be written in mm."""
    found = [re.fullmatch(r"([\d.]+)mm", root.get(key, "")) for key in ("width", "height")]
    assert all(found), (root.get("width"), root.get("height"))
    return float(found[0][1]), float(found[1][1])


def view_box(root: Element) -> list[float]:
    return [float(part) for part in root.get("viewBox", "").split()]


def by_id(root: Element, name: str) -> Element:
    found = [one for one in root.iter() if one.get("id") == name]
    assert len(found) == 1, f"{len(found)} elements with id {name}"
    return found[0]


def by_class(root: Element, name: str) -> list[Element]:
    return [one for one in root.iter() if name in one.get("class", "").split()]


def title(element: Element) -> str:
    found = element.find(f"{SVG}title")
    return "" if found is None else found.text or ""


def texts(root: Element) -> list[str]:
    return ["".join(one.itertext()) for one in root.iter(f"{SVG}text")]


def points(data: str) -> list[tuple[float, float]]:
    """All corner points of straight-line path data."""
    numbers = [float(part) for part in re.findall(r"-?\d+(?:\.\d+)?", data)]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def place(root: Element, wanted: Element) -> tuple[float, float]:
    """Sum of the translations over an element, in user units."""

    def down(element: Element, x: float, y: float) -> tuple[float, float] | None:
        move = re.fullmatch(r"translate\(([-\d.]+),([-\d.]+)\)", element.get("transform", ""))
        assert move or not element.get("transform") or element is wanted, element.get("transform")
        if move:
            x, y = x + float(move[1]), y + float(move[2])
        if element is wanted:
            return x, y
        for child in element:
            found = down(child, x, y)
            if found:
                return found
        return None

    found = down(root, 0.0, 0.0)
    assert found is not None
    return found
