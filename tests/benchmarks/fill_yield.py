"""Pieces per scrap: nestcut against simpler ways of laying dies, and against the upper bound.

    python -m tests.benchmarks.fill_yield [--seconds 10] [--dies campion,clover] [--scraps plate,A5 | all] [--json FILE]
    python -m tests.benchmarks.fill_yield --mixes [--seconds 10] [--scraps plate,odd]
    python -m tests.benchmarks.fill_yield --geometry

For every die of ``shapes/``: the number of pieces from each scrap by
- nestcut: ``fill_region`` (cuts keep the web, over all passes);
- rims: the same search, but with rims (cut + 1.6 mm) that keep the gap of 0.5 mm, as if all were cut in one pass;
- boxes: rows of bounding boxes (at the best quarter turn) with the web between them;
- hex: hexagonal rows of circles around the cut, with the web between them;
- bound: no layout can hold more.
Web 2 mm, edge 2 mm. Every layout is checked by shapely here. Run by hand; times are per search: two for a die
and scrap. With ``--json`` rows are kept in the file, and those that it holds already are not run again.

Wanted over rims: 20 % for dies up to 15 mm, 10 % up to 30 mm, 4 % above; over boxes: 40 % for dies that fill less
than 90 % of their convex hull. ``!`` marks what is missed, ``(!)`` what is missed by less than one piece.

With ``--geometry``: what can be expected of each die, whatever the search. "area": the paper that a cut keeps for
itself with its share of the web, against that of a rim with its gap, clefts that no neighbour can reach included;
rooms compared likewise. "plane": area for each piece in the densest endless pattern found (60 tries), of rims
against cuts, and of boxes against cuts. Near the edges of a scrap, patterns lose pieces, boxes hardly any.

With ``--mixes``: several kinds in one scrap. By value (1 mm² of cut = 1): the mix against the best kind by
itself. In proportions: whole sets against separate fills, as if each kind had its share of the paper cut off
without loss: 1 / Σ (share of a kind / pieces of it that fill the whole scrap).
"""

from __future__ import annotations

import argparse
import json
import math
import time
from pathlib import Path

import shapely
from shapely.affinity import translate
from shapely.geometry import Point, Polygon, box

from nestcut.outlines import grow_outline, read_die
from nestcut.placement import Part, fill_region
from nestcut.placement.fill.fill import room_in
from nestcut.placement.fill.lattice import find_lattices
from tests.shared.places import SHAPES

WEB, EDGE, RIM, GAP = 2.0, 2.0, 1.6, 0.5


def scraps() -> dict[str, Polygon]:
    """Sheets, and two odd scraps with holes of earlier cuts."""
    odd = Polygon([(0, 0), (128, 4), (141, 60), (96, 118), (40, 105), (8, 70)])
    odd = odd.difference(Point(60, 50).buffer(17)).difference(Point(104, 40).buffer(11))
    notch = box(0, 0, 150, 110).difference(box(90, 50, 150, 110)).difference(Point(35, 40).buffer(20))
    return {
        "plate": box(0, 0, 150, 220),
        "A5": box(0, 0, 148, 210),  # ISO 216
        "letter half": box(0, 0, 139.7, 215.9),  # ANSI/ASME Y14.1 letter, halved
        "odd": odd,
        "notched": notch,
    }


def rows_of_boxes(cut, room) -> int:  # type: ignore[no-untyped-def]
    """Most bounding boxes in rows, the web between them, whole rows shifted freely."""
    x0, y0, x1, y1 = cut.bounds
    best = 0
    for w, h in ((x1 - x0, y1 - y0), (y1 - y0, x1 - x0)):
        best = max(best, _rows(room, lambda x, y, w=w, h=h: box(x, y, x + w, y + h), w + WEB, h + WEB, w, h))
    return best


def hexagonal_rows(cut, room) -> int:  # type: ignore[no-untyped-def]
    """Most circles around the cut in rows √3/2 apart, every other row shifted by half."""
    r = shapely.minimum_bounding_radius(cut)
    pitch = 2 * r + WEB
    best = 0
    rx0, ry0, rx1, ry1 = room.bounds
    for turned in (False, True):
        for shift in (0.0, 0.25, 0.5, 0.75):
            points = []
            y, row = (ry0 if not turned else rx0) + r, 0
            while y <= (ry1 if not turned else rx1):
                x = (rx0 if not turned else ry0) + r + pitch * ((row % 2) / 2 + shift) - pitch * (shift > 0)
                while x <= (rx1 if not turned else ry1):
                    points.append((y, x) if turned else (x, y))
                    x += pitch
                y, row = y + pitch * math.sqrt(3) / 2, row + 1
            discs = [Point(p).buffer(r, quad_segs=32) for p in points]
            best = max(best, sum(room.covers(d) for d in discs))
    return best


def _rows(room, make, px, py, w, h) -> int:  # type: ignore[no-untyped-def]
    """Rows from the top, in each row as many as its own best shift gives."""
    x0, y0, x1, y1 = room.bounds
    shapely.prepare(room)
    total, y = 0, y0
    while y + h <= y1 + 1e-9:
        best = 0
        for shift in range(8):
            x, count = x0 + px * shift / 8, 0
            while x + w <= x1 + 1e-9:
                if room.covers(make(x, y)):
                    count, x = count + 1, x + px
                else:
                    x += px / 8 if room.area < 0.999 * (x1 - x0) * (y1 - y0) else px
            best = max(best, count)
        total, y = total + best, y + py
    return total


def exact(parts, placed, room, gap) -> bool:  # type: ignore[no-untyped-def]
    """The layout, measured here."""
    shapes = [one.pose.apply(parts[one.part].shape) for one in placed]
    if not shapes:
        return True
    grown = room.buffer(1e-6)
    tree = shapely.STRtree(shapes)
    close = tree.query(shapes, predicate="dwithin", distance=gap - 1e-6)
    return all(grown.covers(s) for s in shapes) and len(close[0]) == len(shapes)


MIXES = (
    (("bracken", "speedwell"), None),
    (("dog-rose", "forget-me-not"), None),
    (("hedge-tag", "campion", "pollen-disc"), None),
    (("campion", "honesty"), (3, 1)),
    (("clover", "harts-tongue"), (3, 1)),
    (("stitchwort", "willow-pair", "pollen-disc"), (2, 1, 4)),
)


def mixes(scrap: str, seconds: float, workers: int) -> None:
    """Table of mixes on one scrap; ``!`` marks a mix by value that is worth less than a kind alone."""
    region = scraps()[scrap]
    room = room_in(region, EDGE)
    print(f"{scrap + ': mix':44}{'counts':>16}{'value':>8}{'alone':>8}{'bound':>8}{'sets':>6}{'separate':>9}")
    for names, shares in MIXES:
        cuts = [read_die(SHAPES / f"{name}.svg").cut for name in names]
        parts = [Part(name, cut, value=cut.area) for name, cut in zip(names, cuts, strict=True)]
        options = {"web_mm": WEB, "edge_mm": EDGE, "seconds": seconds, "workers": workers}
        alone = [fill_region(region, [part], **options) for part in parts]
        mix = fill_region(region, parts, proportions=shares, **options)
        assert exact(parts, mix.placed, room, WEB), names
        counts = [sum(one.part == k for one in mix.placed) for k in range(len(parts))]
        title = " + ".join(names) + ("" if shares is None else f" {':'.join(map(str, shares))}")
        line = f"{title:44}{'/'.join(map(str, counts)):>16}{mix.value:8.0f}{max(f.value for f in alone):8.0f}"
        line += f"{mix.bound:8.0f}"
        if shares is None:
            line += "  !" * (mix.value < max(f.value for f in alone) - 1e-6)
        else:
            sets = min(n / p for n, p in zip(counts, shares, strict=True))
            separate = 1 / sum(p / max(1, len(f.placed)) for p, f in zip(shares, alone, strict=True))
            line += f"{sets:6.1f}{separate:9.1f}"
        print(line, flush=True)


def keeps(cut, gap: float) -> float:  # type: ignore[no-untyped-def]
    """Area that a shape keeps for itself with half the gap around it: nothing else gets nearer than the gap, mm²."""
    return float(cut.buffer(gap).buffer(-gap / 2).area)


def geometry(names: list[str]) -> None:
    """What can be expected of each die."""
    plate = scraps()["plate"]
    print(f"{'die':16}{'mm':>5}{'of hull':>9}{'area':>9}{'plane':>9}{'boxes':>9}")
    for name in names:
        cut, size = die_of(name)
        rim = grow_outline(cut, RIM)
        room = room_in(plate, EDGE).buffer(WEB / 2).area / room_in(plate, EDGE - RIM).buffer(GAP / 2).area
        each = [
            find_lattices(shape, "any", gap_mm=gap, tries=60)[0].area_each
            for shape, gap in ((cut, WEB), (rim, GAP))
        ]
        x0, y0, x1, y1 = cut.bounds
        line = f"{name:16}{size:5.0f}{100 * cut.area / cut.convex_hull.area:8.0f}%"
        for gain in (
            keeps(rim, GAP) / keeps(cut, WEB) * room,
            each[1] / each[0] * room,
            (x1 - x0 + WEB) * (y1 - y0 + WEB) / each[0],
        ):
            line += f"{100 * gain - 100:8.0f}%"
        print(line, flush=True)


def die_of(name: str):  # type: ignore[no-untyped-def]
    """The cut of a die, its middle at (0, 0), and its longer side, mm."""
    cut = read_die(SHAPES / f"{name}.svg").cut
    x0, y0, x1, y1 = cut.bounds
    return translate(cut, -(x0 + x1) / 2, -(y0 + y1) / 2), max(x1 - x0, y1 - y0)


def measured(name: str, scrap: str, seconds: float, workers: int) -> dict[str, object]:
    """One row of the table."""
    cut, size = die_of(name)
    region = scraps()[scrap]
    room = room_in(region, EDGE)
    began = time.monotonic()
    parts, metal = [Part(name, cut)], [Part(name, grow_outline(cut, RIM))]
    ours = fill_region(region, parts, web_mm=WEB, edge_mm=EDGE, seconds=seconds, workers=workers)
    # a rim may stand over the paper's edge: only its cut must keep the edge
    rims = fill_region(
        region, metal, web_mm=GAP, edge_mm=max(0.0, EDGE - RIM), seconds=seconds, workers=workers
    )
    assert exact(parts, ours.placed, room, WEB), (name, scrap)
    assert exact(metal, rims.placed, room_in(region, EDGE - RIM), GAP), (name, scrap)
    return {
        "die": name, "size": size, "scrap": scrap, "asked": seconds, "nestcut": len(ours.placed),
        "rims": len(rims.placed), "boxes": rows_of_boxes(cut, room), "hexagons": hexagonal_rows(cut, room),
        "bound": int(ours.bound + 1e-9), "fill": len(ours.placed) * cut.area / region.area,
        "hull": cut.area / cut.convex_hull.area, "seconds": time.monotonic() - began,
    }  # fmt: skip


def line_of(row: dict) -> str:  # type: ignore[type-arg]
    """A row as it is printed."""
    over = 20 if row["size"] <= 15 else 10 if row["size"] <= 30 else 4
    told = ""
    for other, wanted, width in (("rims", over, 9), ("boxes", 40 if row["hull"] < 0.9 else None, 10)):
        if not row[other]:
            told += " " * (width - 1) + "–    "
            continue
        told += f"{100 * (row['nestcut'] / row[other] - 1):{width}.0f}%"
        need = row[other] * (1 + wanted / 100) if wanted is not None else 0
        told += f"{'' if row['nestcut'] >= need else '(!)' if row['nestcut'] + 1 > need else '!':4}"
    return (
        f"{row['die']:16}{row['size']:5.0f} {row['scrap']:12}{row['nestcut']:8}{row['rims']:6}{row['boxes']:6}"
        f"{row['hexagons']:5}{row['bound']:6}{told}{100 * row['fill']:5.0f}%"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--dies", default="")
    parser.add_argument("--scraps", default="plate")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--json", default="")
    parser.add_argument("--mixes", action="store_true", help="several kinds in one scrap instead")
    parser.add_argument("--geometry", action="store_true", help="what can be expected of each die instead")
    parser.add_argument("--cpu", action="store_true", help="seconds of processor time, for a busy machine")
    args = parser.parse_args()
    if args.cpu:
        time.monotonic = time.process_time
    names = args.dies.split(",") if args.dies else sorted(p.stem for p in SHAPES.glob("*.svg"))
    chosen = list(scraps()) if args.scraps == "all" else args.scraps.split(",")
    if args.geometry:
        geometry(names)
        return
    if args.mixes:
        for scrap in chosen:
            mixes(scrap, args.seconds, args.workers)
        return
    kept = Path(args.json) if args.json else None
    rows = json.loads(kept.read_text("utf-8")) if kept is not None and kept.exists() else []
    print(f"{'die':16}{'mm':>5} {'scrap':12}{'nestcut':>8}{'rims':>6}{'boxes':>6}{'hex':>5}{'bound':>6}"
          f"{'over rims':>10}    {'over boxes':>10} {'fill':>7}")  # fmt: skip
    for scrap in chosen:
        for name in names:
            key = (name, scrap, args.seconds)
            row = next((r for r in rows if (r["die"], r["scrap"], r["asked"]) == key), None)
            if row is None:
                row = measured(*key, args.workers)
                rows.append(row)
                if kept is not None:
                    kept.write_text(json.dumps(rows, indent=1), encoding="utf-8")
            print(line_of(row), flush=True)


if __name__ == "__main__":
    main()
