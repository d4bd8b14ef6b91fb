"""How much do the planner's papers give, against filling the same scraps when passes don't matter?

    python -m tests.benchmarks.paper_yield --seeds 1,5,9 --supply 1.5 --seconds 20 --fill-seconds 0.5

For every paper of a class its scraps are filled one after another by :func:`nestcut.placement.fill_region` with the
pieces that are still wanted, at any turn, the web between them and the edge around; several orders are tried
and the one that cuts most pieces counts, paper by paper. Lines that leave a choice of dies are shared out evenly,
as the planner begins. Ratio: pieces of the planner ÷ pieces of the filling. A filling is no bound: it uses up in
early scraps what later ones would have needed, and no pass could cut some of it (dies are owned once; papers
lie square).
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

from nestcut.batch.model import Batch, Scrap
from nestcut.passes import plan_batch
from nestcut.placement import Part, fill_region
from tests.benchmarks.passes import spread_over
from tests.benchmarks.passes_classes import SIZES, random_class

ORDERS = ("small scraps first", "large scraps first", "large dies first")


def wanted_of(batch: Batch) -> dict[str, Counter[str]]:
    """Paper → die → pieces; free lines shared out evenly."""
    wanted: dict[str, Counter[str]] = {}
    for line in batch.demand:
        options = [(die, paper) for paper in line.papers for die in line.dies]
        for k, (die, paper) in enumerate(options):
            share = line.count // len(options) + (k < line.count % len(options))
            wanted.setdefault(paper, Counter())[die] += share
    return wanted


def filled(
    batch: Batch,
    scraps: list[Scrap],
    wanted: Counter[str],
    order: str,
    seconds: float,
    moves: int | None = None,
) -> int:
    """Pieces that the scraps of one paper give in this order."""
    left = +wanted
    sign = -1.0 if order == "large scraps first" else 1.0
    total = sum(left.values())
    for scrap in sorted(scraps, key=lambda s: (sign * s.outline.area, s.id)):
        names = sorted(left, key=lambda name: -batch.die(name).cut.area)
        if not names:
            break
        largest = batch.die(names[0]).cut.area
        parts = [
            Part(
                name,
                batch.die(name).cut,
                turns=batch.die(name).turns,
                most=left[name],
                # Worth by area: large dies take what they can, small ones fill the gaps.
                value=max(1, round(1000 * batch.die(name).cut.area / largest))
                if order == "large dies first"
                else 1,
            )
            for name in names
        ]
        hand = batch.hand
        got = fill_region(
            scrap.outline, parts, web_mm=hand.web_mm, edge_mm=hand.edge_mm, seconds=seconds, moves_limit=moves
        )
        left.subtract(names[one.part] for one in got.placed)
        left = +left
    return total - sum(left.values())


def yardstick(batch: Batch, seconds: float) -> dict[str, int]:
    """Paper → most pieces of any order."""
    found = {}
    for paper, wanted in wanted_of(batch).items():
        scraps = [scrap for scrap in batch.scraps if scrap.paper == paper]
        best = 0
        for order in ORDERS:
            best = max(best, filled(batch, scraps, wanted, order, seconds))
            if best == sum(wanted.values()):
                break
        found[paper] = best
    return found


def measure(
    seed: int, supply: float, seconds: float, fill_seconds: float, plan: bool = True
) -> dict[str, Any]:
    """One class, as plain JSON values."""
    size = list(SIZES)[(seed - 1) % len(SIZES)]
    batch = random_class(seed, size=size, supply=supply)
    began = time.monotonic()
    row: dict[str, Any] = {"size": size, "seed": seed, "supply": supply}
    row["asked"] = sum(line.count for line in batch.demand)
    if plan:
        made = plan_batch(batch, seconds=seconds, seed=0)
        row |= {"met": sum(line.met for line in made.demand), "passes": made.totals.passes}
        row["plan_s"] = time.monotonic() - began
    began = time.monotonic()
    row["filled"] = sum(yardstick(batch, fill_seconds).values())
    row["fill_s"] = time.monotonic() - began
    return row


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--classes", type=int, default=66)
    parser.add_argument("--every", type=int, default=8)
    parser.add_argument("--seeds", default="", help="only these seeds, as 1,5,9")
    parser.add_argument("--supply", type=float, default=1.5)
    parser.add_argument("--seconds", type=float, default=20.0, help="time limit of a plan")
    parser.add_argument("--fill-seconds", type=float, default=0.5, help="time for filling one scrap once")
    parser.add_argument("--no-plan", action="store_true", help="the filling only")
    parser.add_argument("--json", type=Path, default=None)
    asked = parser.parse_args(arguments)
    seeds = [int(seed) for seed in asked.seeds.split(",") if seed] or spread_over(
        1, asked.classes, asked.every
    )
    rows = []
    for seed in seeds:
        row = measure(seed, asked.supply, asked.seconds, asked.fill_seconds, not asked.no_plan)
        rows.append(row)
        if asked.json:
            asked.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")
        ratio = f"{row['met'] / max(1, row['filled']):.3f}" if "met" in row else ""
        print(
            f"{row['size']:7} {seed:3}: asked {row['asked']}, planner {row.get('met')}, filling {row['filled']}, "
            f"ratio {ratio} ({row.get('plan_s', 0):.0f} s, {row['fill_s']:.0f} s)",
            file=sys.stderr,
            flush=True,
        )
    if rows and "met" in rows[0]:
        ratios = [row["met"] / max(1, row["filled"]) for row in rows]
        print(
            f"{len(rows)} classes, supply {asked.supply}: planner {sum(r['met'] for r in rows)}, filling "
            f"{sum(r['filled'] for r in rows)} of {sum(r['asked'] for r in rows)} pieces; "
            f"mean ratio {sum(ratios) / len(ratios):.3f}, least {min(ratios):.3f}"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
