"""How good are whole plans? Random classes of three sizes and three degrees of paper supply.

    python -m tests.benchmarks.passes --classes 12 --seconds 20 --json out.json
    python -m tests.benchmarks.passes --classes 66 --seconds 60

Every plan is checked. The table gives, per size and supply: share complete, share complete or proved to cut the most
that the scraps can give, share proved minimal end to end (complete, and passes equal to the bound), mean and worst gap
to the bound, lay-ups, share of the stock that was pulled out, trims per 100 pieces, papers per pass, seconds, and the
ratio to one paper per pass. Seeds are fixed; the classes are made by :mod:`tests.benchmarks.passes_classes`.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from statistics import mean
from typing import Any

from nestcut.checks import check_plan
from nestcut.errors import BatchError
from nestcut.passes import plan_batch
from nestcut.passes.advice.estimates import passes_by_paper
from tests.benchmarks.passes_classes import HUGE, SIZES, random_class

SUPPLIES = (3.0, 2.0, 1.5)


def run_class(
    seed: int, size: str, supply: float, seconds: float, *, work_limit: int | None = None
) -> dict[str, Any]:
    """One class planned and measured, as plain JSON values."""
    batch = random_class(seed, size=size, supply=supply)
    start = time.monotonic()
    row: dict[str, Any] = {"size": size, "supply": supply, "seed": seed, "plate": batch.machine.plate_mm}
    try:
        plan = plan_batch(batch, seconds=seconds, seed=0, work_limit=work_limit)
    except BatchError as error:
        return row | {"refused": str(error), "seconds": time.monotonic() - start}
    spent = time.monotonic() - start
    total = plan.totals
    used = {paper.scrap for a_pass in plan.passes for paper in a_pass.papers} | {t.scrap for t in plan.trims}
    pulled = sum(s.outline.area for s in batch.scraps if s.id in used)
    by_hand = passes_by_paper(batch, [line.by for line in plan.demand], seconds=3, work_limit=work_limit)
    return row | {
        "dies": len(batch.dies),
        "papers": len(batch.papers),
        "scraps": len(batch.scraps),
        "asked": sum(line.count for line in plan.demand),
        "met": sum(line.met for line in plan.demand),
        "complete": plan.complete,
        "most": plan.complete or all(short.proved for short in plan.short),
        "ok": check_plan(plan).ok,
        "passes": total.passes,
        "bound": plan.bound.passes,
        "proved": plan.complete and total.passes == plan.bound.passes,
        "changes": total.changes,
        "trims": total.trims,
        "pieces": total.pieces,
        "minutes": total.minutes,
        "papers_per_pass": sum(len(p.papers) for p in plan.passes) / max(1, total.passes),
        "stock": pulled / sum(s.outline.area for s in batch.scraps),
        "one_paper_per_pass": by_hand,
        "seconds": spent,
    }


def table(rows: list[dict[str, Any]]) -> str:
    """The results, one line per size and supply."""
    head = (
        f"{'size':8}{'supply':>7}{'n':>4}{'complete':>10}{'most':>6}{'met':>7}{'proved':>8}{'gap':>7}{'worst':>7}{'lay-ups':>8}"
        f"{'stock':>7}{'trims/100':>10}{'papers':>7}{'s':>6}{'worst s':>8}{'by hand':>8}"
    )
    lines = [head]
    for supply in SUPPLIES:
        for size in [*SIZES, *HUGE, "all"]:
            of = [r for r in rows if r["supply"] == supply and size in (r["size"], "all")]
            own = [r for r in of if "refused" not in r and r["passes"]]
            if not own:
                continue
            gaps = [r["passes"] / max(1, r["bound"]) - 1 for r in own]
            lines.append(
                f"{size:8}{supply:7.1f}{len(of):4d}"
                f"{100 * sum(r['complete'] for r in own) / len(of):9.0f}%"
                f"{100 * sum(r['most'] for r in own) / len(of):5.0f}%"
                f"{100 * sum(r['met'] for r in own) / sum(r['asked'] for r in own):6.1f}%"
                f"{100 * sum(r['proved'] for r in own) / len(of):7.0f}%"
                f"{100 * mean(gaps):6.1f}%{100 * max(gaps):6.0f}%"
                f"{mean(r['changes'] for r in own):8.1f}{100 * mean(r['stock'] for r in own):6.0f}%"
                f"{100 * sum(r['trims'] for r in own) / sum(r['pieces'] for r in own):10.0f}"
                f"{mean(r['papers_per_pass'] for r in own):7.1f}"
                f"{mean(r['seconds'] for r in own):6.1f}{max(r['seconds'] for r in own):8.1f}"
                f"{mean(r['one_paper_per_pass'] / r['passes'] for r in own):8.2f}"
            )
    return "\n".join(lines)


def spread_over(first: int, count: int, every: int) -> list[int]:
    """Every so many of ``count`` seeds; a step that would always meet the same size of class is made one longer."""
    if every > 1 and every % len(SIZES) == 0:
        every += 1
    return list(range(first, first + count, every))


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--classes", type=int, default=12, help="classes per degree of supply")
    parser.add_argument("--seconds", type=float, default=30.0, help="time limit per class")
    parser.add_argument("--supplies", default="3,2,1.5")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument(
        "--every", type=int, default=1, help="only every so many of the classes, a spread over all sizes"
    )
    parser.add_argument("--seeds", default="", help="only these seeds, as 10,50,60")
    parser.add_argument("--size", choices=[*SIZES, *HUGE], help="this size for all seeds")
    parser.add_argument("--work-limit", type=int, default=None)
    parser.add_argument("--json", type=Path, default=None)
    asked = parser.parse_args(arguments)
    rows = []
    seeds = [int(seed) for seed in asked.seeds.split(",") if seed] or spread_over(
        asked.first_seed, asked.classes, asked.every
    )
    for seed in seeds:
        size = asked.size or list(SIZES)[(seed - 1) % len(SIZES)]
        for supply in [float(s) for s in asked.supplies.split(",")]:
            row = run_class(seed, size, supply, asked.seconds, work_limit=asked.work_limit)
            rows.append(row)
            if asked.json:  # after every class: a run that is stopped early has not been in vain
                asked.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")
            print(
                f"{size} {row['seed']} {supply}: "
                + (row.get("refused") or f"{row['passes']}/{row['bound']} met {row['met']}/{row['asked']}, "
                   f"{row['changes']} lay-ups, {row['trims']} trims, by hand {row['one_paper_per_pass']}")
                + f", {row['seconds']:.1f} s",
                file=sys.stderr,
                flush=True,
            )  # fmt: skip
    print(table(rows))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
