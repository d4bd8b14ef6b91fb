"""How much handling a plan asks of the hands, by the person's wishes: passes, trims, papers laid, minutes.

    python -m tests.benchmarks.handling --classes 66 --every 5 --seconds 20 --json out.json

The classes are those of :mod:`tests.benchmarks.passes`. Every class is planned once for each way of wishing; every
plan is checked. *trims* are the parts that are made before the evening, *papers* what is laid or pulled on under the
dies, over all passes; *handling* is both together. Figures are ratios to the plan for the fewest passes of the
same class, in the same run (mean of the ratios over the classes that both ways complete).
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from statistics import mean
from typing import Any

from nestcut.batch.model import Batch, Extra, Wishes
from nestcut.checks import check_plan
from nestcut.errors import BatchError
from nestcut.passes import plan_batch
from tests.benchmarks.passes import spread_over
from tests.benchmarks.passes_classes import SIZES, random_class

KEYS = ("passes", "trims", "papers", "handling", "changes", "minutes")


def wishing(*order: str, **more: Any) -> Callable[[Batch], Batch]:
    """A way of wishing: the batch with this order of wishes."""
    return lambda batch: replace(batch, wishes=Wishes(order, **more))  # type: ignore[arg-type]


def untrimmed(batch: Batch) -> Batch:
    """No trims at all."""
    return replace(batch, hand=replace(batch.hand, trims="none"))


WAYS: dict[str, Callable[[Batch], Batch]] = {
    "passes": lambda batch: batch,
    "extra 0": wishing("passes", "trims", "changes", "paper"),
    "extra 10 %": wishing("passes", "trims", "changes", "paper", extra_passes=Extra(10.0)),
    "extra 25 %": wishing("passes", "trims", "changes", "paper", extra_passes=Extra(25.0)),
    "minutes": wishing("minutes", "passes", "changes", "trims", "paper"),
    "trims": wishing("trims", "passes", "changes", "paper"),
    "none": untrimmed,
}
"""Name of a way → the batch as that person would write it; the first is what the others are measured by."""


def run_way(batch: Batch, way: str, seconds: float, work_limit: int | None = None) -> dict[str, Any]:
    """One class planned one way, as plain JSON values."""
    start = time.monotonic()
    try:
        plan = plan_batch(WAYS[way](batch), seconds=seconds, work_limit=work_limit)
    except BatchError as error:
        return {"way": way, "refused": str(error), "complete": False}
    assert check_plan(plan).ok
    papers = sum(len(one.papers) for one in plan.passes)
    total = plan.totals
    return {
        "way": way,
        "complete": plan.complete,
        "passes": total.passes,
        "bound": plan.bound.passes,
        "trims": total.trims,
        "papers": papers,
        "handling": total.trims + papers,
        "changes": total.changes,
        "pieces": total.pieces,
        "minutes": total.minutes,
        "seconds": time.monotonic() - start,
    }


def ratios(rows: list[dict[str, Any]], way: str, supply: float) -> list[dict[str, float]]:
    """For every class that this way and the first complete: its figures by those of the first way."""
    first = next(iter(WAYS))
    of = {(r["seed"], r["way"]): r for r in rows if r["supply"] == supply and r["complete"]}
    return [
        {key: of[seed, way][key] / max(1, of[seed, first][key]) for key in KEYS}
        for seed in sorted({seed for seed, _ in of})
        if (seed, way) in of and (seed, first) in of
    ]


def table(rows: list[dict[str, Any]]) -> str:
    """Mean and worst ratios, one line per supply and way."""
    lines = [
        f"{'supply':>6} {'way':14}{'n':>4}{'passes':>8}{'worst':>7}"
        + "".join(f"{key:>10}" for key in KEYS[1:])
        + f"{'trims/100':>11}{'papers/pass':>13}"
    ]
    for supply in sorted({r["supply"] for r in rows}, reverse=True):
        for way in WAYS:
            found = ratios(rows, way, supply)
            own = [r for r in rows if r["supply"] == supply and r["way"] == way and r["complete"]]
            if not found:
                continue
            lines.append(
                f"{supply:6.1f} {way:14}{len(found):4d}{mean(f['passes'] for f in found):8.2f}"
                f"{max(f['passes'] for f in found):7.2f}"
                + "".join(f"{mean(f[key] for f in found):10.2f}" for key in KEYS[1:])
                + f"{100 * sum(r['trims'] for r in own) / sum(r['pieces'] for r in own):11.0f}"
                f"{sum(r['papers'] for r in own) / sum(r['passes'] for r in own):13.1f}"
            )
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--classes", type=int, default=12, help="classes per degree of supply")
    parser.add_argument("--every", type=int, default=1, help="only every so many of the classes")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=20.0, help="time limit per plan")
    parser.add_argument("--supplies", default="3")
    parser.add_argument("--ways", default=",".join(WAYS), help="some of: " + ", ".join(WAYS))
    parser.add_argument("--work-limit", type=int, default=None)
    parser.add_argument("--json", type=Path, default=None)
    asked = parser.parse_args(arguments)
    rows: list[dict[str, Any]] = []
    for seed in spread_over(asked.first_seed, asked.classes, asked.every):
        size = list(SIZES)[(seed - 1) % len(SIZES)]
        for supply in [float(s) for s in asked.supplies.split(",")]:
            batch = random_class(seed, size=size, supply=supply)
            for way in asked.ways.split(","):
                row = {"size": size, "seed": seed, "supply": supply} | run_way(
                    batch, way, asked.seconds, asked.work_limit
                )
                rows.append(row)
                if asked.json:  # after every plan: a run that is stopped early has not been in vain
                    asked.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")
                print(
                    f"{size} {seed} {supply} {way}: "
                    + (row.get("refused") or ", ".join(f"{key} {row[key]:.0f}" for key in KEYS)
                       + f", bound {row['bound']}, {row['seconds']:.1f} s" + ("" if row["complete"] else ", not complete")),
                    file=sys.stderr,
                    flush=True,
                )  # fmt: skip
    print(table(rows))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
