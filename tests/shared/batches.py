"""Small classes for the tests of the paper half: dies, scraps and cards made by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence

from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Card, CardLine, Die, Hand, Machine, Paper, Scrap, Spares

__all__ = ["batch_of", "disc_die", "label_die", "sheets"]


def disc_die(name: str, across_mm: float, *, rim_mm: float = 1.6, copies: int = 1, trips: int = 1) -> Die:
    """A round die; the polygon contains the circle."""
    return Die(name, _disc(across_mm / 2), _disc(across_mm / 2 + rim_mm), copies=copies, trips=trips)


def _disc(radius: float) -> Polygon:
    steps = 24
    reach = radius / math.cos(math.pi / steps)
    turn = 2 * math.pi / steps
    return Polygon([(reach * math.cos(k * turn), reach * math.sin(k * turn)) for k in range(steps)])


def label_die(
    name: str, wide_mm: float, high_mm: float, *, rim_mm: float = 1.6, copies: int = 1, turns="any"
) -> Die:
    """A rectangular die."""
    w, h = wide_mm / 2, high_mm / 2
    cut = box(-w, -h, w, h)
    rim = box(-w - rim_mm, -h - rim_mm, w + rim_mm, h + rim_mm)
    return Die(name, cut, rim, copies=copies, turns=turns)


def sheets(paper: str, *sizes: tuple[float, float]) -> list[Scrap]:
    """Rectangular scraps of one paper."""
    return [Scrap(f"{paper}-{k}", paper, box(0, 0, w, h)) for k, (w, h) in enumerate(sizes, start=1)]


def batch_of(
    dies: Sequence[Die],
    scraps: Sequence[Scrap],
    lines: Sequence[CardLine],
    *,
    kits: int = 1,
    spares: Spares | None = None,
    papers: Sequence[Paper] | None = None,
    plate: tuple[float, float] = (100.0, 150.0),
    hand: Hand | None = None,
) -> Batch:
    """A batch with one card."""
    names = dict.fromkeys([s.paper for s in scraps] + [p for line in lines for p in line.papers])
    return Batch(
        title="small",
        machine=Machine(plate),
        hand=hand or Hand(),
        papers=tuple(papers or (Paper(name) for name in names)),
        scraps=tuple(scraps),
        dies=tuple(dies),
        cards=(Card("card", 1, tuple(lines)),),
        kits=kits,
        spares=spares or Spares(),
    )
