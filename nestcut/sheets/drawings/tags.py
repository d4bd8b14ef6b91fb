"""Where the tag of a paper stands in a picture of a pass: it covers as little as possible of what matters."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.sheets.drawings.draw import inner_circle
from nestcut.sheets.drawings.view import Bounds

__all__ = ["tag_place"]


def tag_place(
    paper: BaseGeometry,
    cuts: BaseGeometry,
    others: Sequence[BaseGeometry],
    tags: Sequence[Bounds],
    seen: Polygon,
    half: float,
    tall: float,
) -> Bounds | None:
    """The best of some twenty places: in the paper, or close beside it.

    Args:
        cuts: what this pass cuts, a little enlarged: to be kept clear.
        others: the other papers of the pass.
        tags: boxes of the tags that stand already.
        seen: what the picture shows; the tag stays inside.
        half, tall: half the tag's width and half its height, mm.
    """
    if paper.is_empty:
        return None
    spots = []
    centre, _ = inner_circle(paper.difference(cuts))
    if not centre.is_empty:
        spots.append((centre.x, centre.y))
    x0, y0, x1, y1 = paper.bounds
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    for y in (y0 + tall, middle[1], y1 - tall):
        spots.append((middle[0], y))
    for away in (0.6, 4.0):
        spots += [
            (middle[0], y1 + tall + away), (middle[0], y0 - tall - away),
            (x1 + half + away, middle[1]), (x0 - half - away, middle[1]),
            (x1 + half + away, y0 + tall), (x0 - half - away, y0 + tall),
            (x1 + half + away, y1 - tall), (x0 - half - away, y1 - tall),
        ]  # fmt: skip
    wx0, wy0, wx1, wy1 = seen.bounds
    at = np.array(spots)
    at = np.column_stack(
        (
            np.minimum(np.maximum(at[:, 0], wx0 + half), wx1 - half),
            np.minimum(np.maximum(at[:, 1], wy0 + tall), wy1 - tall),
        )
    )
    reach = np.array((half, tall))
    low, high = at - reach, at + reach
    shapes = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    area = 4.0 * half * tall
    cost = 0.02 * area * np.arange(len(at)) + 8.0 * shapely.area(shapely.intersection(shapes, cuts))
    if others:
        cost += 2.0 * shapely.area(shapely.intersection(shapes[:, None], np.array(others)[None, :])).sum(
            axis=1
        )
    for tag in tags:
        wide = np.minimum(high[:, 0], tag[2]) - np.maximum(low[:, 0], tag[0])
        deep = np.minimum(high[:, 1], tag[3]) - np.maximum(low[:, 1], tag[1])
        cost += 20.0 * np.maximum(wide, 0.0) * np.maximum(deep, 0.0)
    # Off its own paper a tag is a little less plain, half on it is fine.
    cost += np.where(shapely.intersects(shapes, paper), 0.0, 0.15 * area)
    best = int(np.argmin(cost))
    return float(low[best, 0]), float(low[best, 1]), float(high[best, 0]), float(high[best, 1])
