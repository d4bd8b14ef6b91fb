"""Shapes of a plan from GeoJSON geometry objects (RFC 7946 section 3.1) that nobody vouches for, in mm."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from shapely import GEOSException
from shapely.geometry import LineString, MultiPolygon, Polygon
from shapely.validation import explain_validity

from nestcut.batch.model import Shape
from nestcut.plans.node import LIMIT_MM, JsonNode

__all__ = ["marks_of", "polygon_of", "shape_from_json", "shape_of"]

MOST_POINTS = 200_000
"""Points in one ring: far above any die or scrap, low enough to be checked in a moment."""


def shape_from_json(data: Any, *, key: str = "") -> Shape:
    """A polygon or several from a GeoJSON geometry object (RFC 7946 section 3.1), mm.

    Raises: PlanError for anything that is not a valid Polygon or MultiPolygon with an area.
    """
    return shape_of(JsonNode(data, key=key))


def _positions(node: JsonNode, least: int) -> np.ndarray:
    """An (n, 2) array from a list of positions, in mm."""
    points = node.value
    if not isinstance(points, list) or len(points) < least:
        node.refuse("too few points", f"a list of at least {least} positions [x, y] belongs here")
    if len(points) > MOST_POINTS:
        node.refuse(f"{len(points)} points are too many", f"use at most {MOST_POINTS} points in a shape")
    for number, point in enumerate(points):
        if not (isinstance(point, list) and len(point) == 2):
            node.item(number).refuse("this is not a position", "write [x, y], in mm")
        for axis in (0, 1):
            value = point[axis]
            # Plain arithmetic instead of Node.number(): this is the inner loop of large plans.
            if type(value) not in (int, float) or not -LIMIT_MM <= value <= LIMIT_MM:
                node.item(number).item(axis).number(-LIMIT_MM, LIMIT_MM)
    return np.array(points, dtype=np.float64)


def _one_polygon(node: JsonNode) -> Polygon:
    """A polygon from its list of rings; the validity is checked by the caller."""
    rings = []
    for ring_node in node.items(most=MOST_POINTS):
        ring = _positions(ring_node, 4)
        if not np.array_equal(ring[0], ring[-1]):
            ring_node.refuse(
                "the ring is not closed", "repeat the first position at the end (RFC 7946, 3.1.6)"
            )
        rings.append(ring)
    if not rings:
        node.refuse("the polygon has no ring", "give at least the outer ring")
    return Polygon(rings[0], rings[1:])


def shape_of(node: JsonNode, *, may_be_empty: bool = False) -> Shape:
    """A valid polygon or several with an area, mm."""
    node.mapping()
    kind = node.key("type").choice("Polygon", "MultiPolygon")
    coordinates = node.key("coordinates")
    parts = coordinates.items(most=MOST_POINTS)
    if not parts:
        if may_be_empty:
            return Polygon() if kind == "Polygon" else MultiPolygon()
        coordinates.refuse("the shape is empty", "give the rings of a polygon")
    shape: Shape
    try:
        if kind == "Polygon":
            shape = _one_polygon(coordinates)
        else:
            shape = MultiPolygon([_one_polygon(part) for part in parts])
        valid = shape.is_valid
    except GEOSException as err:
        coordinates.refuse(f"the shape cannot be built ({err})", "draw the outline anew")
    if not valid:
        node.refuse(
            f"the shape is not a clean outline: {_what_is_wrong(shape)}",
            "lines must not cross or touch themselves, holes lie inside, parts do not overlap",
        )
    if not shape.area > 0:
        node.refuse("the shape has no area", "give an outline that encloses something")
    return shape


def _what_is_wrong(shape: Shape) -> str:
    words = {
        "Self-intersection": "it crosses itself",
        "Ring Self-intersection": "it touches itself",
        "Hole lies outside shell": "a hole lies outside",
        "Holes are nested": "a hole lies in a hole",
        "Interior is disconnected": "its holes cut it apart",
        "Nested shells": "a part lies inside another",
        "Too few points in geometry component": "too few different points",
        "Duplicate Rings": "a ring is there twice",
    }
    kind, _, place = explain_validity(shape).partition("[")
    place = f" near {place.rstrip(']').replace(' ', ', ')} mm" if place else ""
    return words.get(kind, kind) + place


def polygon_of(node: JsonNode) -> Polygon:
    """A valid polygon, mm."""
    shape = shape_of(node)
    if not isinstance(shape, Polygon):
        node.key("type").refuse("paper is one piece", 'use one "Polygon"; several pieces are several scraps')
    return shape


def marks_of(node: JsonNode) -> tuple[LineString, ...]:
    """Open lines from a MultiLineString, mm."""
    node.mapping()
    node.key("type").choice("MultiLineString")
    lines: Sequence[JsonNode] = node.key("coordinates").items(most=MOST_POINTS)
    return tuple(LineString(_positions(line, 2)) for line in lines)
