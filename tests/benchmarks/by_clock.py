"""Minutes by the hands' clock: one paper a pass, the plan with fewest passes, colours in rows, and a simple bound.

    python -m tests.benchmarks.by_clock --seconds 60 examples/evening.toml
    python -m tests.benchmarks.by_clock --seconds 20 --classes 3 --size small --supply 3

Seconds are for each plan, of this process's own time for rows and by the wall for the plan with fewest passes. Every plan is
put through the checker. The bound charges each pass a crank, each colour the least that hands do to bring a new place of it under a die,
as often as its busiest die must cut it (fixed lines only), each piece its freeing and each die its first setting up: no plan takes less.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from nestcut.batch import read_batch
from nestcut.batch.model import FEWEST_PASSES, Batch, Die, Wishes
from nestcut.checks import check_plan
from nestcut.hands import evening_actions, minutes_of, seconds_in_use
from nestcut.passes import plan_batch
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.makers.rows.fields import whole_plate
from nestcut.passes.makers.rows.rows import by_rows
from nestcut.passes.makers.rows.timetable import passes_of
from nestcut.passes.short.shortage import without_missing
from nestcut.plans.model import Bound, Plan, Share
from tests.benchmarks.passes_classes import random_class


def rounds_of(die: Die, pieces: int) -> int:
    """Passes in which a die must be down for so many pieces."""
    cuts = math.ceil(pieces / die.pieces)
    return math.ceil(cuts / die.copies)


def bound_minutes(batch: Batch, passes: int) -> float:
    """No plan for all pieces takes less, minutes. ``passes``: proved to be needed."""
    rates = seconds_in_use(batch.hand.seconds, batch.machine.dies)
    least = min(rates[name] for name in ("lay", "pull_on", "turn", "put_back", "set_up"))
    cuts: Counter[tuple[str, str]] = Counter()
    sure: Counter[str] = Counter()
    for line in batch.demand:
        if len(line.dies) == 1:
            sure[line.dies[0]] += line.count
            if len(line.papers) == 1:
                cuts[line.dies[0], line.papers[0]] += line.count
    pulls: Counter[str] = Counter()
    for (name, paper), count in cuts.items():
        die = batch.die(name)
        pulls[paper] = max(pulls[paper], rounds_of(die, count))
    again = max(
        (
            (die.trips - 1) * rounds_of(die, sure[die.name])
            for die in batch.dies
            if sure[die.name] and die.trips > 1
        ),
        default=0,
    )
    pieces = sum(line.count for line in batch.demand)
    dies = sum(1 for name, count in sure.items() if count)
    seconds = rates["crank"] * (passes + again) + least * sum(pulls.values()) + rates["free"] * pieces
    return (seconds + max(0.0, rates["set_up"] - least) * dies) / 60.0


def rows_plan(batch: Batch, seconds: float, *, one_paper: bool) -> Plan:
    """The plan in rows, or with one paper in a pass."""
    begin = time.process_time()
    found = by_rows(
        batch,
        over=lambda: time.process_time() - begin > seconds,
        most=1_000_000,
        sizes=[whole_plate(batch.machine)] if one_paper else None,
    )
    shares = tuple(tuple(Share(die, paper, n) for (die, paper), n in own) for own in found.lines)
    shares = without_missing(batch, shares, found.missing)
    plan = assemble(batch, batch.demand, shares, passes_of(batch, found.placed), Bound(0, ""), proof={})
    faults = [fault for fault in check_plan(plan).faults if fault.rule != "short"]
    assert not faults, faults[:3]
    return plan


def batches(asked: argparse.Namespace) -> Iterator[Batch]:
    yield from (read_batch(path) for path in asked.files)
    for seed in range(asked.classes):
        yield random_class(seed, size=asked.size, supply=asked.supply)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("files", nargs="*", type=Path)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--classes", type=int, default=0)
    parser.add_argument("--size", default="small")
    parser.add_argument("--supply", type=float, default=3.0)
    parser.add_argument(
        "--fewest", action="store_true", help="plan for fewest passes, too, and take its bound"
    )
    asked = parser.parse_args(arguments)
    for batch in batches(asked):
        pieces = sum(line.count for line in batch.demand)
        plans = {
            "one paper": rows_plan(batch, asked.seconds / 4, one_paper=True),
            "rows": rows_plan(batch, asked.seconds, one_paper=False),
        }
        if asked.fewest:
            wished = replace(batch, wishes=Wishes(FEWEST_PASSES))
            plans["fewest"] = plan_batch(wished, seconds=asked.seconds)
        # Without a proof the busiest die alone.
        busiest: Counter[str] = Counter()
        for line in batch.demand:
            if len(line.dies) == 1:
                busiest[line.dies[0]] += line.count
        passes = max(rounds_of(batch.die(d), n) for d, n in busiest.items())
        if asked.fewest:
            passes = max(passes, plans["fewest"].bound.passes)
        bound = bound_minutes(batch, passes)
        print(f"{batch.title}: {pieces} pieces, bound {bound:.1f} min", flush=True)
        for name, plan in plans.items():
            done = evening_actions(plan)
            took = minutes_of(done, batch.hand.seconds, batch.machine)
            print(
                f"  {name:10} {took:7.1f} min {took / bound:5.2f} × bound, {len(plan.passes):4} passes, "
                f"{plan.totals.pieces} pieces; for 100 pieces {100 * done.papers_moved / pieces:.0f} papers moved, "
                f"{100 * sum(len(trim.into) for trim in plan.trims) / pieces:.1f} parts trimmed",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
