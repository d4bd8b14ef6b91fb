"""Irregular strip packing sets: how dense does the squeeze search get?

    python tests/benchmarks/irregular.py --instances DIR --seconds 60 --workers 2 --seeds 0,1,2 [--json OUT]

Each ``DIR/*.json`` holds ``{"name", "board": [length, width], "items": [{"quantity", "angles", "outline"}]}``: all
pieces, turned only by the listed angles, in a strip ``width`` wide and as short as possible. Density = area of the
pieces ÷ (width × length used). Every layout is measured in the set's own units by code that shares nothing with
the search (shapely and this file only).
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import statistics
import sys
import time
from pathlib import Path
from typing import Any

import shapely
from shapely.affinity import affine_transform
from shapely.geometry import Polygon

from tests.shared.places import ROOT

if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

# Best densities published before 2025, %. Sources: G = Elkeran, EJOR 231 (2013) 757–769; R = Sato, Martins,
# Gomes & Tsuzuki 2019, as quoted in a later comparison table (secondary source). Not proved optima, except
# the jigsaws dighe1 and dighe2 (by construction, Dighe & Jakiela 1996). blaz: for width 15.
PUBLISHED = {
    "albano": 89.58, "blaz": 84.84, "dagli": 89.51, "dighe1": 100.0, "dighe2": 100.0, "fu": 92.41,
    "jakobs1": 89.09, "jakobs2": 87.73, "mao": 86.05, "marques": 91.02, "shapes0": 68.79, "shapes1": 76.73,
    "shirts": 88.96, "swim": 75.94, "trousers": 91.06,
}  # fmt: skip


def measure(data: dict[str, Any], placed: list[tuple[int, float, float, float]]) -> tuple[float, float, str]:
    """Length used, density in % and what is wrong (empty: nothing), in the set's own units."""
    width = float(data["board"][1])
    wanted = {k: item["quantity"] for k, item in enumerate(data["items"])}
    shapes, area = [], 0.0
    faults = []
    for k, x, y, deg in placed:
        wanted[k] -= 1
        if not any(abs((deg - a + 180) % 360 - 180) < 1e-9 for a in data["items"][k]["angles"]):
            faults.append(f"item {k} is turned by {deg}")
        outline = Polygon(data["items"][k]["outline"])
        cos, sin = math.cos(math.radians(deg)), math.sin(math.radians(deg))
        if deg % 90 == 0:
            cos, sin = round(cos), round(sin)
        shapes.append(affine_transform(outline, [cos, -sin, sin, cos, x, y]))
        area += outline.area
    if any(wanted.values()):
        faults.append(f"pieces missing or too many: {wanted}")
    bounds = shapely.bounds(shapes)
    x0, y0 = bounds[:, 0].min(), bounds[:, 1].min()
    x1, y1 = bounds[:, 2].max(), bounds[:, 3].max()
    if min(x0, y0) < -1e-6 or y1 > width + 1e-6:
        faults.append(f"outside the strip: {x0}, {y0}, {y1 - width}")
    tree = shapely.STRtree(shapes)
    for i, j in zip(*tree.query(shapes, predicate="intersects"), strict=True):
        if i < j:
            common = shapes[i].intersection(shapes[j])
            if common.area > 1e-6 * max(common.length, 1.0):
                faults.append(f"pieces {i} and {j} overlap by {common.area}")
    length = x1
    return length, 100.0 * area / (width * length), "; ".join(faults)


def cpu_seconds() -> float:
    """Processor time of this process and its finished helpers: what a busy machine really gave."""
    return float(sum(os.times()[:4]))


def solve(
    data: dict[str, Any], seconds: float, workers: int, seed: int, moves: int | None = None
) -> dict[str, Any]:
    """Run the search on one set and measure what it returns."""
    from nestcut.placement.shapes.types import Part
    from nestcut.placement.strip.strip import least_length

    parts = [
        Part(f"item {k}", Polygon(item["outline"]), tuple(item["angles"]), least=item["quantity"])
        for k, item in enumerate(data["items"])
    ]
    begin, work = time.perf_counter(), cpu_seconds()
    layout = least_length(
        parts, float(data["board"][1]), seconds=seconds, seed=seed, workers=workers, moves_limit=moves
    )
    took, work = time.perf_counter() - begin, cpu_seconds() - work
    placed = [(p.part, p.pose.x_mm, p.pose.y_mm, p.pose.deg) for p in layout.placed]
    length, density, fault = measure(data, placed)
    return {
        "seed": seed, "length": length, "density": density, "fault": fault, "seconds": took, "cpu": work,
        "moves": layout.moves, "history": layout.history, "placed": placed,
    }  # fmt: skip


def main(arguments: list[str] | None = None) -> int:
    """Run all sets of a folder; 1 if any layout is wrong."""
    parser = argparse.ArgumentParser(
        description="Density of the squeeze search on irregular strip packing sets."
    )
    parser.add_argument("--instances", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seeds", default="0,1,2")
    parser.add_argument("--only", default="", help="names of sets, with commas")
    parser.add_argument(
        "--moves", type=int, default=None, help="with one worker: limit of moves instead of time"
    )
    parser.add_argument("--json", type=Path, default=None)
    options = parser.parse_args(arguments)
    seeds = [int(s) for s in options.seeds.split(",")]
    only = set(filter(None, options.only.split(",")))
    files = [f for f in sorted(options.instances.glob("*.json")) if not only or f.stem in only]
    results: dict[str, Any] = {}
    print(
        f"{'set':10} {'published':>9} {'mean':>7} {'best':>7} {'gap':>6} {'seconds':>8} {'cpu s':>7} {'moves/cpu s':>11}  densities"
    )
    gaps, wrong = [], 0
    for path in files:
        data = json.loads(path.read_text())
        name = data.get("name", path.stem)
        runs = [solve(data, options.seconds, options.workers, seed, options.moves) for seed in seeds]
        results[name] = runs
        densities = [r["density"] for r in runs]
        mean = statistics.fmean(densities)
        known = PUBLISHED.get(name)
        if known is not None:
            gaps.append(known - mean)
        speed = sum(r["moves"] for r in runs) / max(sum(r["cpu"] for r in runs), 1e-9)
        print(
            f"{name:10} {known if known is not None else '':>9} {mean:7.3f} {max(densities):7.3f} "
            f"{f'{known - mean:6.2f}' if known is not None else '      '} "
            f"{statistics.fmean(r['seconds'] for r in runs):8.1f} {statistics.fmean(r['cpu'] for r in runs):7.1f} {speed:11.0f}  "
            + " ".join(f"{d:.3f}" for d in densities),
            flush=True,
        )
        for run in runs:
            if run["fault"]:
                wrong += 1
                print(f"  WRONG, seed {run['seed']}: {run['fault']}", flush=True)
    if gaps:
        print(f"mean gap to the published values: {statistics.fmean(gaps):.3f} points ({len(gaps)} sets)")
    if options.json:
        machine = {
            "machine": platform.machine(),
            "python": platform.python_version(),
            "system": platform.platform(),
        }
        options.json.write_text(
            json.dumps(
                {**machine, "seconds": options.seconds, "workers": options.workers, "sets": results}, indent=1
            )
        )
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
