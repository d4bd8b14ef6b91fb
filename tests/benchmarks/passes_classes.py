"""Random classes for the pass planner's benchmark: dies, scraps, cards, all from a seed.

Outlines are our own: blossoms, leaves, labels and discs as polygons. Counts and sizes follow the
description of the studies behind the project: 4 to 14 dies of 12 to 90 mm, mostly one copy, 2 to 8
papers, 10 to 200 pieces per die and paper, plates of 150 × 220 and 75 × 150 mm.
"""

from __future__ import annotations

import math
import random

from shapely.affinity import translate
from shapely.geometry import Polygon, box

from nestcut.batch.model import (
    FEWEST_PASSES,
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

__all__ = ["HUGE", "SIZES", "random_class"]

SIZES = {"small": (4, 6, 2, 3), "middle": (6, 10, 3, 5), "large": (10, 14, 4, 8)}
"""Least and most dies, least and most papers."""
HUGE = {"huge": (40, 40, 12, 12)}
"""One size more, not among the three of the benchmark: what it holds shows how planning grows."""

KITS = 10
GAP_MM, WEB_MM, EDGE_MM, RIM_MM = 1.0, 2.5, 2.0, 1.6

# Sides of scraps as they lie in a box: parts of A4 and letter sheets and odd ends, mm (common practice).
SCRAP_SIDES = [
    (148, 210),
    (105, 148),
    (74, 105),
    (140, 216),
    (108, 140),
    (50, 148),
    (60, 90),
    (90, 120),
    (120, 210),
]


def blossom(petals: int, size_mm: float, depth: float) -> Polygon:
    """A closed curve r = R (1 + depth · cos(petals·t)), as a polygon."""
    steps = petals * 8
    points = []
    for k in range(steps):
        t = 2 * math.pi * k / steps
        r = 1 + depth * math.cos(petals * t)
        points.append((r * math.cos(t), r * math.sin(t)))
    return _sized(Polygon(points), size_mm)


def leaf(size_mm: float, slender: float) -> Polygon:
    """A pointed oval."""
    points = []
    for k in range(24):
        t = 2 * math.pi * k / 24
        points.append((math.cos(t), slender * math.sin(t) * (1 - 0.35 * math.cos(t))))
    return _sized(Polygon(points), size_mm)


def _sized(shape: Polygon, size_mm: float) -> Polygon:
    x0, y0, x1, y1 = shape.bounds
    scale = size_mm / max(x1 - x0, y1 - y0)
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    return Polygon(
        [(round((x - cx) * scale, 4), round((y - cy) * scale, 4)) for x, y in shape.exterior.coords]
    )


def random_die(chance: random.Random, name: str, largest: float) -> Die:
    size = min(largest, chance.choice([12, 14, 16, 18, 20, 22, 25, 28, 32, 36, 40, 48, 60, 75, 90]))
    kind = chance.random()
    if kind < 0.45:
        cut = blossom(chance.randint(4, 9), size, chance.uniform(0.08, 0.3))
    elif kind < 0.8:
        cut = leaf(size, chance.uniform(0.3, 0.7))
    elif kind < 0.9:
        cut = blossom(5, size, 0.0)
    else:
        w, h = size / 2, size * chance.uniform(0.3, 0.5)
        cut = box(-w, -h, w, h)
    rim = cut.buffer(RIM_MM, quad_segs=4, join_style="mitre", mitre_limit=1.6)
    rim = rim.union(cut.buffer(RIM_MM, quad_segs=3)).simplify(0.05)
    rim = rim.union(cut)
    x0, y0, x1, y1 = rim.bounds
    dx, dy = -(x0 + x1) / 2, -(y0 + y1) / 2
    copies = 2 if chance.random() < 0.12 else 1
    return Die(name, translate(cut, dx, dy), translate(Polygon(rim.exterior), dx, dy), copies=copies)


def random_class(seed: int, *, size: str, supply: float, plate: tuple[float, float] | None = None) -> Batch:
    """A class whose scraps hold ``supply`` times the webbed area of the cuts, paper by paper."""
    chance = random.Random(f"{seed}-{size}")
    least_dies, most_dies, least_papers, most_papers = (SIZES | HUGE)[size]
    plate = plate or chance.choice([(150.0, 220.0), (150.0, 220.0), (75.0, 150.0)])
    largest = 90.0 if plate[0] > 100 else 55.0
    dies = tuple(
        random_die(chance, f"die-{k + 1}", largest) for k in range(chance.randint(least_dies, most_dies))
    )
    papers = tuple(Paper(f"paper-{k + 1}") for k in range(chance.randint(least_papers, most_papers)))
    lines = []
    area = dict.fromkeys((p.name for p in papers), 0.0)
    per_cut = {d.name: d.cut.buffer(WEB_MM / 2, quad_segs=8).area for d in dies}
    for die in dies:
        for paper in chance.sample(papers, chance.randint(1, min(3, len(papers)))):
            # Per kit, ten kits: 10 to 200 pieces per die and paper.
            pieces = math.exp(chance.uniform(math.log(10), math.log(200))) / (1 if size == "small" else 1.5)
            count = max(1, round(pieces / KITS))
            if chance.random() < 0.15:
                other = chance.choice(dies)
                names = (die.name,) if other is die else (die.name, other.name)
                lines.append(CardLine(names, (paper.name,), count))
                area[paper.name] += KITS * count * max(per_cut[n] for n in names)
            else:
                lines.append(CardLine((die.name,), (paper.name,), count))
                area[paper.name] += KITS * count * per_cut[die.name]
    scraps = []
    need = {
        p.name: max((d.cut.bounds[2] - d.cut.bounds[0] + 2 * EDGE_MM for d in dies), default=0)
        for p in papers
    }
    for paper in papers:
        total, number = 0.0, 0
        while total < supply * area[paper.name]:
            w, h = chance.choice(SCRAP_SIDES)
            if chance.random() < 0.3:
                w, h = w * chance.uniform(0.6, 1), h * chance.uniform(0.6, 1)
            if max(w, h) < need[paper.name] or min(w, h) < need[paper.name] * 0.7:
                w, h = 148, 210
            number += 1
            outline = box(0, 0, round(w), round(h))
            scraps.append(Scrap(f"{paper.name}-{number}", paper.name, outline))
            total += outline.area
    return Batch(
        title=f"class {size} {seed}, supply {supply}",
        machine=Machine(plate),
        hand=Hand(web_mm=WEB_MM, edge_mm=EDGE_MM, gap_mm=GAP_MM),
        papers=papers,
        scraps=tuple(scraps),
        dies=dies,
        cards=(Card("card", 1, tuple(lines)),),
        kits=KITS,
        spares=Spares(),
        wishes=Wishes(FEWEST_PASSES),
    )
