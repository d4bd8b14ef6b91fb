"""Classes of square dies on square papers: what comes out of them is counted by hand."""

from __future__ import annotations

from shapely.geometry import box

from nestcut.batch.model import Batch, Card, CardLine, Die, Hand, Machine, Paper, Scrap

__all__ = ["batch_of", "square_die"]


def square_die(name: str, side: float, copies: int = 1) -> Die:
    half = side / 2
    return Die(
        name,
        box(-half, -half, half, half),
        box(-half - 1.5, -half - 1.5, half + 1.5, half + 1.5),
        copies=copies,
    )


def batch_of(
    dies: list[tuple[Die, str, int]],
    scraps: list[tuple[str, float, float]],
    plate: tuple[float, float] = (100, 150),
) -> Batch:
    papers = sorted({paper for _, paper, _ in dies} | {paper for paper, _, _ in scraps})
    return Batch(
        title="",
        machine=Machine(plate_mm=plate, clear_mm=2.0, overhang_mm=150.0),
        hand=Hand(web_mm=2.0, edge_mm=2.0, gap_mm=1.0),
        papers=tuple(Paper(paper) for paper in papers),
        scraps=tuple(Scrap(f"{paper}-{k}", paper, box(0, 0, w, h)) for k, (paper, w, h) in enumerate(scraps)),
        dies=tuple(die for die, _, _ in dies),
        cards=(Card("", 1, tuple(CardLine((die.name,), (paper,), count) for die, paper, count in dies)),),
    )
