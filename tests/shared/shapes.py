"""Named outlines that tests of all rooms share, each with what makes it special. Millimetres."""

from __future__ import annotations

import math

from shapely.geometry import MultiPolygon, Polygon, box

__all__ = ["NAMED", "blossom"]


def blossom(petals: int = 5, radius_mm: float = 11.0, depth: float = 0.35, points: int = 60) -> Polygon:
    """A star-like blossom with hollow clefts, r = radius · (1 − depth · sin²(petals θ / 2))."""
    angles = [2 * math.pi * k / points for k in range(points)]
    radii = [radius_mm * (1 - depth * math.sin(petals * a / 2) ** 2) for a in angles]
    return Polygon([(r * math.cos(a), r * math.sin(a)) for r, a in zip(radii, angles, strict=True)])


def _leaf() -> Polygon:
    xs = [30 * k / 20 for k in range(21)]
    upper = [(x, 6 * math.sin(math.pi * x / 30)) for x in xs]
    return Polygon(upper + [(x, -y) for x, y in reversed(upper[1:-1])])


NAMED: dict[str, Polygon | MultiPolygon] = {
    "square": box(0, 0, 20, 20),
    "far square": box(5000, 7000, 5020, 7020),
    "triangle": Polygon([(0, 0), (3, 0), (0, 4)]),
    # Areas of the next two: shoelace, exact.
    "l shape": Polygon([(0, 0), (4, 0), (4, 1), (1, 1), (1, 3), (0, 3)]),
    "u shape": Polygon([(0, 0), (30, 0), (30, 30), (20, 30), (20, 10), (10, 10), (10, 30), (0, 30)]),
    "leaf": _leaf(),
    "blossom": blossom(),
    "holed": Polygon(box(0, 0, 30, 20).exterior, [box(5, 5, 25, 15).exterior]),
    "two leaves": MultiPolygon([_leaf(), Polygon([(0, 20), (30, 20), (15, 28)])]),
    "sliver": Polygon([(0, 0), (100, 0), (100, 0.05), (0, 0.05)]),
    "narrow slot": Polygon(
        [(0, 0), (40, 0), (40, 10), (10, 10), (10, 10.06), (40, 10.06), (40, 20), (0, 20)]
    ),
}
