"""Whole drawings against two other readers of SVG paths: svgpathtools and fontTools evaluate the same path data.

Every command is used, absolute and relative, with smooth ones and arcs; each reference has its own parser and its own
arithmetic (fontTools turns arcs into cubic curves, svgpathtools keeps them).
"""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np
import pytest
import shapely
from fontTools.misc.bezierTools import segmentPointAtT
from fontTools.pens.recordingPen import RecordingPen
from fontTools.svgLib.path import parse_path as parse_with_fonttools
from shapely.geometry import Polygon
from svgpathtools import parse_path as parse_with_svgpathtools

from nestcut.outlines import FLATTEN_MM, read_die, read_scrap

OFF_MM = {"svgpathtools": 0.005, "fontTools": 0.02}
"""How far the references are off themselves: svgpathtools clips angles near half turns (1e-4 of the radius), fontTools draws
arcs as cubic curves (3e-4 of the radius a quarter)."""
STEPS = np.linspace(0.0, 1.0, 65)


def drawing(rng: random.Random) -> str:
    """Path data of a closed line around (50, 50) with a random command from corner to corner."""
    count = rng.randint(4, 9)
    knots = [
        (
            50 + rng.uniform(18, 40) * math.cos(2 * math.pi * k / count),
            50 + rng.uniform(18, 40) * math.sin(2 * math.pi * k / count),
        )
        for k in range(count)
    ]
    x, y = knots[0]
    words = [f"M{x!r},{y!r}"]
    for end in [*knots[1:], knots[0]]:
        relative = rng.random() < 0.5
        ox, oy = (x, y) if relative else (0.0, 0.0)

        def at(share: float, across: float, end=end, x=x, y=y, ox=ox, oy=oy) -> str:  # type: ignore[no-untyped-def]
            dx, dy = end[0] - x, end[1] - y
            return f"{x + share * dx - across * dy - ox!r} {y + share * dy + across * dx - oy!r}"

        kind = rng.choice("LLCCQQSTAAAH")
        last = at(1.0, 0.0)
        if kind == "C":
            text = f"{at(0.3, rng.uniform(-0.2, 0.2))},{at(0.7, rng.uniform(-0.2, 0.2))} {last}"
        elif kind == "Q":
            text = f"{at(0.5, rng.uniform(-0.2, 0.2))} {last}"
        elif kind == "S":
            text = f"{at(0.7, rng.uniform(-0.2, 0.2))} {last}"
        elif kind == "A":
            chord = math.dist((x, y), end)
            # Also radii too small to reach, which are to be scaled up (SVG 2, 9.5.1).
            rx = chord * rng.choice((0.3, rng.uniform(0.9, 2.0)))
            ry = rx * rng.uniform(0.7, 1.0)
            text = f"{rx!r} {ry!r} {rng.uniform(0, 180)!r} 0 {rng.randint(0, 1)} {last}"
        elif kind == "H":  # there and straight on, by a vertical line
            text = f"{end[0] - ox!r}" + ("v" if relative else "V") + f"{end[1] - oy!r}"
        else:
            text = last
        words.append((kind.lower() if relative else kind) + text)
        x, y = end
    return "".join(words) + "z"


def by_svgpathtools(data: str) -> np.ndarray:
    """Points along the path, (n, 2)."""
    points = [segment.point(t) for segment in parse_with_svgpathtools(data) for t in STEPS]
    return np.array([(z.real, z.imag) for z in points])


def by_fonttools(data: str) -> np.ndarray:
    """Points along the path, (n, 2)."""
    pen = RecordingPen()
    parse_with_fonttools(data, pen)
    points, here = [], (0.0, 0.0)
    for command, arguments in pen.value:
        if command in ("lineTo", "curveTo", "qCurveTo"):
            points += [segmentPointAtT([here, *arguments], t) for t in STEPS]
        if arguments:
            here = arguments[-1]
    return np.array(points, dtype=float)


@pytest.mark.first(10)
@pytest.mark.parametrize("seed", range(60))
def test_outlines_are_where_other_readers_see_them(seed: int, tmp_path: Path) -> None:
    """A die's cut contains every point that either reference gives and a scrap none, both within 0.05 mm of all."""
    rng = random.Random(seed)
    data = drawing(rng)
    while not Polygon(by_svgpathtools(data)).is_valid:
        data = drawing(rng)  # crosses itself
    path = tmp_path / "shape.svg"
    text = (
        '<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="100mm" viewBox="0 0 100 100">'
        f'<path d="{data}"/>RIM</svg>'
    )
    # The rim's box is centred on (0, 0), so this one puts the page's middle there.
    path.write_text(text.replace("RIM", '<g id="rim"><rect width="100" height="100"/></g>'), encoding="utf-8")
    die = read_die(path).cut
    path.write_text(text.replace("RIM", ""), encoding="utf-8")
    scrap = read_scrap(path).outline
    for reader, evaluate in (("svgpathtools", by_svgpathtools), ("fontTools", by_fonttools)):
        points = shapely.points(evaluate(data) - 50.0)
        away = shapely.distance(die.exterior, points)
        assert away.max() <= FLATTEN_MM + OFF_MM[reader], (reader, data)
        assert away[~shapely.covers(die, points)].max(initial=0.0) <= OFF_MM[reader], (reader, data)
        # A scrap's box begins at (0, 0), wherever it was drawn.
        points = shapely.points(evaluate(data) - evaluate(data).min(axis=0))
        away = shapely.distance(scrap.exterior, points)
        assert away.max() <= 3 * FLATTEN_MM, (reader, data)
        assert away[shapely.contains(scrap, points)].max(initial=0.0) <= 2 * FLATTEN_MM, (reader, data)
