"""Can these dies share a plate? How many sets of 2 to 7 dies are settled, and by what.

    python -m tests.benchmarks.sets --sets 120 --seconds 10 --plate 75x150

Sets of random dies (those of :mod:`tests.benchmarks.passes_classes`) whose rims fill 0.65 to 0.9 of a plate (of
75 × 150 mm, if none is named): area alone settles none of them. Each is searched for a layout and for a disproof by turns, harder every
time, until one of them is found or the time is over. A set for which both were found would stop the run.

The columns: laid: an exactly checked layout was found; turning, relative, stacking: disproved, by one die or two at
all turns, by the places of more relative to each other, or by stacking them (:mod:`nestcut.passes.plate.disproof`); open:
neither.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import time
from collections import Counter
from pathlib import Path
from statistics import mean
from typing import Any

from shapely.geometry import Polygon, box

from nestcut.passes.advice.prepare import prepare
from nestcut.passes.plate.disproof import Disprover
from nestcut.passes.plate.footprints import DieFootprint, area_ticks, window_ticks
from nestcut.passes.plate.pack import MOVES, Packer
from nestcut.passes.plate.patterns import PatternBook
from tests.benchmarks.passes_classes import GAP_MM, random_die

PLATE = "75x150"
LARGEST = 0.94
"""Of a plate's shorter side: larger dies lie nowhere, or alone."""
FILL = (0.65, 0.9)
COUNTS = range(2, 8)
TRIES = 4000
STRENGTHS = 4


def random_set(chance: random.Random, count: int, window: Polygon) -> list[DieFootprint] | None:
    """So many dies whose rims, grown by half the gap, fill 0.65 to 0.9 of the window; None if none are found soon."""
    room = window_ticks(window, GAP_MM)
    left, top, right, bottom = window.bounds
    largest = round(min(right - left, bottom - top) * LARGEST - 0.5)
    for _ in range(TRIES):
        dies = [random_die(chance, f"die-{k + 1}", chance.uniform(20.0, largest)) for k in range(count)]
        ticks = [area_ticks(die.rim, GAP_MM) for die in dies]
        if FILL[0] * room <= sum(ticks) <= FILL[1] * room:
            return [
                DieFootprint(die.name, die.rim, die.rim, 1, 1, die.turns, die.turns, area, die.trips)
                for die, area in zip(dies, ticks, strict=True)
            ]
    return None


def settled(dies: list[DieFootprint], window: Polygon, seconds: float) -> tuple[str, float]:
    """(what settled the set, seconds)."""
    began = time.monotonic()
    counts = (1,) * len(dies)
    book = PatternBook(len(dies))

    def over() -> bool:
        return time.monotonic() - began > seconds

    packer = Packer(dies, window, GAP_MM, stop=over)
    disprover = Disprover(dies, window, GAP_MM, book, stop=over)
    found = ""
    # A quick search costs a hundredth of a quick disproof, so it comes first.
    for step in range(max(len(MOVES) - 1, STRENGTHS + 1)):
        for effort in (0, 1) if step == 0 else (step + 1,):
            layout = packer.try_set(counts, effort) if effort < len(MOVES) else None
            if layout is not None:
                found = "laid"
                book.witness(layout)  # raises if it was disproved
                break
        if found or over():
            break
        if step < STRENGTHS and disprover.disprove(counts, step + 1):
            proof = next(
                p
                for own, p in book.disproofs.items()
                if all(a <= b for a, b in zip(own, counts, strict=True))
            )
            found = str(proof["by"])
            break
        if over():
            break
    return found or "open", time.monotonic() - began


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sets", type=int, default=120)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=10.0, help="for each set, about")
    parser.add_argument("--plate", default=PLATE, help="width x length, mm, such as 100x100")
    parser.add_argument("--json", type=Path, default=None)
    asked = parser.parse_args(arguments)
    prepare(lambda _text: None)
    width, length = (float(side) for side in asked.plate.split("x"))
    window = box(0.0, 0.0, width, length)
    rows: list[dict[str, Any]] = []
    for seed in range(asked.first_seed, asked.first_seed + asked.sets):
        count = COUNTS[seed % len(COUNTS)]
        dies = random_set(random.Random(f"set {seed}"), count, window)
        if dies is None:
            continue
        fill = sum(die.area_ticks for die in dies) / window_ticks(window, GAP_MM)
        by, seconds = settled(dies, window, asked.seconds)
        rows.append({"seed": seed, "dies": count, "fill": fill, "by": by, "seconds": seconds})
        print(f"{seed}: {count} dies, fill {fill:.2f}, {by}, {seconds:.1f} s", file=sys.stderr, flush=True)
        if asked.json:
            asked.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    ways = ("laid", "turning", "relative", "stacking", "open")
    print(
        f"{'dies':>5}{'sets':>6}{'fill':>7}"
        + "".join(f"{way:>10}" for way in ways)
        + f"{'settled':>9}{'s':>7}"
    )
    for dies_in in (*COUNTS, None):
        own = [row for row in rows if dies_in in (None, row["dies"])]
        if not own:
            continue
        tally = Counter(row["by"] for row in own)
        print(
            f"{dies_in or 'all':>5}{len(own):6}{mean(row['fill'] for row in own):7.2f}"
            + "".join(f"{tally[way]:10}" for way in ways)
            + f"{100 * (1 - tally['open'] / len(own)):8.0f}%{mean(row['seconds'] for row in own):7.1f}"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
