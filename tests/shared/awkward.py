"""Random small batches with every kind of key at its extremes, for what must never fail."""

from __future__ import annotations

import math
import random

from shapely.affinity import translate
from shapely.geometry import MultiPolygon, Polygon, box

from nestcut.batch.model import (
    FEWEST_PASSES,
    LEAST_MINUTES,
    Batch,
    Card,
    CardLine,
    Die,
    Hand,
    Machine,
    Paper,
    Scrap,
    Spares,
    Wishes,
)

__all__ = ["awkward_batch"]


def awkward_batch(seed: int) -> Batch:
    """A batch that obeys the reader's rules and is unpleasant otherwise: openings, dies of several pieces, holes in scraps."""
    chance = random.Random(seed)
    plate = (float(chance.choice([60, 100, 150])), float(chance.choice([90.5, 150, 220])))
    clear = float(chance.choice([0, 0, 2, 6]))
    web, edge, gap = (float(chance.choice([0, 0.5, 2.5, 6])) for _ in range(3))
    papers = tuple(
        Paper(name, None, chance.choice(["none", "none", "stripe", "up"]), chance.random() < 0.3)
        for name in ("red", "green")[: chance.choice([1, 2])]
    )
    room = min(plate) - 2 * clear - 6
    dies = tuple(_die(chance, f"d{k}", room) for k in range(chance.choice([1, 2, 4])))
    scraps = tuple(
        Scrap(f"{paper.name}-{k}", paper.name, _scrap(chance, plate))
        for paper in papers
        for k in range(chance.choice([0, 1, 2, 4]))
    )
    lines = []
    for _ in range(chance.choice([1, 2, 3])):
        names = chance.sample([die.name for die in dies], min(len(dies), chance.choice([1, 1, 2])))
        own = chance.sample([paper.name for paper in papers], chance.randint(1, len(papers)))
        lines.append(CardLine(tuple(names), tuple(own), chance.choice([1, 2, 3])))
    return Batch(
        title=f"awkward {seed}",
        machine=Machine(
            plate, clear, chance.choice(["over", "under"]), float(chance.choice([0, 0, 1, 40, 150]))
        ),
        hand=Hand(
            web, edge, gap, chance.choice(["square", "any"]), chance.choice(["none", "straight", "scissors"])
        ),
        papers=papers,
        scraps=scraps,
        dies=dies,
        cards=(Card("card", 1, tuple(lines)),),
        kits=chance.choice([1, 3, 9]),
        spares=Spares(pieces=chance.choice([0, 1])),
        wishes=Wishes(chance.choice([LEAST_MINUTES, FEWEST_PASSES])),
    )


def _die(chance: random.Random, name: str, room: float) -> Die:
    rim = chance.choice([0.0, 1.6, 3.0])
    size = chance.uniform(6.0, max(8.0, min(60.0, room) - 2 * rim))
    kind = chance.choice(["box", "star", "frame", "two"])
    if kind == "box":
        cut = box(-size / 2, -size / 3, size / 2, size / 3)
    elif kind == "star":
        cut = _star(chance, size / 2)
    elif kind == "frame":
        cut = box(-size / 2, -size / 2, size / 2, size / 2).difference(
            box(-size / 4, -size / 4, size / 4, size / 4)
        )
    else:
        part = box(-size / 2, -size / 6, -size / 8, size / 6)
        cut = MultiPolygon([part, translate(part, 0.7 * size, 0)])
    outer = cut.buffer(rim, join_style="mitre") if rim else cut
    if isinstance(outer, MultiPolygon):
        outer = outer.convex_hull
    x0, y0, x1, y1 = outer.bounds
    middle = (-(x0 + x1) / 2, -(y0 + y1) / 2)
    turns = chance.choice(["any", "any", (0.0,), (0.0, 90.0, 180.0), (30.0, 200.0)])
    return Die(
        name, translate(cut, *middle), translate(outer, *middle), copies=chance.choice([1, 1, 2]), turns=turns
    )


def _star(chance: random.Random, reach: float) -> Polygon:
    corners = chance.randint(5, 12)
    return Polygon(
        [
            (r * math.cos(a), r * math.sin(a))
            for a, r in (
                (2 * math.pi * k / corners, reach * chance.uniform(0.45, 1.0)) for k in range(corners)
            )
        ]
    )


def _scrap(chance: random.Random, plate: tuple[float, float]) -> Polygon:
    w = chance.choice([plate[0], plate[0] - 1, 40.0, 63.25, 2.2 * plate[0]])
    h = chance.choice([50.0, plate[1], 111.5, 3 * plate[1]])
    shape = box(0.0, 0.0, w, h)
    kind = chance.choice(["whole", "whole", "hole", "corner", "star"])
    if kind == "hole":
        shape = shape.difference(box(0.3 * w, 0.4 * h, 0.6 * w, 0.55 * h))
    elif kind == "corner":
        shape = shape.difference(box(0.5 * w, 0.6 * h, w + 1, h + 1))
    elif kind == "star":
        star = _star(chance, 40.0)
        shape = translate(star, -star.bounds[0], -star.bounds[1])
    return shape
