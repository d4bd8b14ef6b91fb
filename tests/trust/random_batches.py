"""Random good batches with every kind of key, planned, checked and proved one after the other.

    python -m tests.trust.random_batches 1000 --seconds 5 --processes 2

A batch is a folder as a person would have it: a batch file, sometimes tables, drawings of our own. It is read by the
program's own reader, planned for some seconds, checked, its proof gone through, its sheets written. What goes wrong is told
with the number of the batch; ``--keep FOLDER`` keeps its files. All data are invented and come from the number alone.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import os
import random
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path
from typing import Any

from shapely.geometry import Polygon

__all__ = ["outcome", "write_random_batch"]

PLATES = ((150, 220), (100, 150), (75, 150), (110, 160), (152.4, 228.6), (200, 300))
MOST_PIECES = 150
"""Above it a batch gets fewer kits: five seconds are meant to be enough for a first look at it."""


def write_random_batch(folder: Path, number: int) -> Path:
    """Write the batch of this number into an empty folder, and return the path of its batch file."""
    return _Author(random.Random(f"batch {number}"), folder).write(number)


class _Author:
    """Writes one batch; every choice comes from ``chance``."""

    def __init__(self, chance: random.Random, folder: Path) -> None:
        self.chance, self.folder = chance, folder
        self.plate = chance.choice(PLATES)
        self.clear = chance.choice((0, 0, 1, 2, 2, 2, 5, 10))
        self.inches = chance.random() < 0.25
        self.unit = chance.choice(("", "", "mm", "in"))
        self.window = min(self.plate) - 2 * self.clear

    def pick(self, *choices: Any) -> Any:
        return self.chance.choice(choices)

    def odds(self, share: float) -> bool:
        return self.chance.random() < share

    def length(self, mm: float) -> str:
        """A length as people write it: a number, or a text with a unit."""
        if self.inches and mm > 5:
            return f'"{mm / 25.4:.3f} in"'
        return self.bare(mm) if not self.odds(0.1) else f'"{mm / 10:.6g} cm"'

    def bare(self, mm: float) -> str:
        """A length without its unit: inches or millimetres, as the batch says at its top."""
        return f"{mm / 25.4:.5g}" if self.unit == "in" else f"{mm:.6g}"

    def write(self, number: int) -> Path:
        papers = [f"paper {chr(97 + k)}" for k in range(self.chance.randint(1, 4))]
        self.directions = {paper: self.pick("none", "none", "stripe", "up") for paper in papers}
        dies = self.dies()
        lines = (
            [f'title = "batch {number}"', f'units = "{self.unit}"']
            if self.unit
            else [f'title = "batch {number}"']
        )
        if self.odds(0.2):
            lines.append(f"rim = {self.length(self.pick(1, 1.6, 2, 3))}")
        scraps, table = self.scraps(papers)
        if table:
            lines.append('scraps_csv = "scraps.csv"')
            (self.folder / "scraps.csv").write_text(table, encoding="utf-8")
        lines += [*self.machine(), *self.hand(), *self.paper_tables(papers), *scraps]
        for name, keys in dies.items():
            lines += [f"[dies.{name}]", *keys]
        lines += [*self.cards(papers, list(dies)), *self.wishes()]
        path = self.folder / "batch.toml"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    def machine(self) -> list[str]:
        lines = [
            "[machine]",
            f"plate = [{self.length(self.plate[0])}, {self.length(self.plate[1])}]",
            f"clear = {self.bare(self.clear)}",
            f'dies = "{self.pick("over", "over", "under")}"',
            f"overhang = {self.bare(self.pick(0, 0, 1, 3, 10, 40, 150, 150))}",
        ]
        if self.odds(0.1):
            lines.append(f"load_limit = {self.bare(300)}")
        return lines

    def hand(self) -> list[str]:
        return [
            "[hand]",
            f"web = {self.bare(self.pick(0, 1, 2.5, 2.5, 5))}",
            f"edge = {self.bare(self.pick(0, 0.5, 2, 2, 3, 4, 6))}",
            f"gap = {self.bare(self.pick(0, 0.5, 1, 1, 4))}",
            f'papers = "{self.pick("square", "square", "square", "any")}"',
            f'trims = "{self.pick("none", "straight", "scissors", "scissors")}"',
        ]

    def paper_tables(self, papers: list[str]) -> list[str]:
        lines = []
        for paper in papers:
            lines += [
                f'[papers."{paper}"]',
                f'direction = "{self.directions[paper]}"',
                f"both_sides = {self.pick('true', 'false')}",
            ]
        return lines

    def drawing(self, name: str, *rings: list[tuple[float, float]], rim: str = "") -> str:
        """Write an SVG of closed lines in mm; lines inside lines are holes."""
        xs = [x for ring in rings for x, _ in ring]
        ys = [y for ring in rings for _, y in ring]
        x0, y0 = min(xs) - 5, min(ys) - 5
        w, h = max(xs) - x0 + 5, max(ys) - y0 + 5
        path = " ".join("M" + " ".join(f"{x:.3f},{y:.3f}" for x, y in ring) + "Z" for ring in rings)
        (self.folder / name).write_text(
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{w:.3f}mm" height="{h:.3f}mm" '
            f'viewBox="{x0:.3f} {y0:.3f} {w:.3f} {h:.3f}">{rim}<path fill-rule="evenodd" d="{path}"/></svg>',
            encoding="utf-8",
        )
        return name

    def scraps(self, papers: list[str]) -> tuple[list[str], str]:
        lines: list[str] = []
        rows = ["paper,width,length,count"]
        for paper in papers:
            for k in range(self.chance.randint(1, 3)):
                # Wide enough for the largest die with its edges, as a good batch would have at least once.
                least = 0.75 * self.window if k == 0 else 25
                wide, long = (max(least, self.chance.uniform(40, 210)) for _ in range(2))
                count = self.chance.randint(1, 5)
                kind = self.chance.random()
                if kind < 0.2:
                    rows.append(f"{paper},{self.bare(wide)},{self.bare(long)},{count}")
                    continue
                lines += ["[[scraps]]", f'paper = "{paper}"', f"count = {count}"]
                if kind < 0.5:
                    lines.append(f"size = [{self.length(wide)}, {self.length(long)}]")
                elif kind < 0.56:
                    lines.append(f'size = "{self.pick("A5", "A6", "letter", "half letter")}"')
                elif kind < 0.62:
                    lines.append(f"circle = {self.length(max(wide, long))}")
                elif kind < 0.68:
                    lines.append(f"oval = [{self.length(wide)}, {self.length(long)}]")
                elif kind < 0.76:
                    lines.append(f"rectangle = [{self.length(wide)}, {self.length(long)}]")
                    lines.append(f"corner = {self.length(self.chance.uniform(2, 10))}")
                else:
                    name = f"scrap-{paper[-1]}-{k}.svg"
                    self.drawing(name, *self.odd_scrap(wide, long))
                    lines.append(f'outline = "{name}"')
        return lines, ("\n".join(rows) + "\n" if len(rows) > 1 else "")

    def odd_scrap(self, wide: float, long: float) -> list[list[tuple[float, float]]]:
        """A rectangle with corners cut off and edges drawn in, and holes where something was cut out before."""
        at = self.chance.uniform
        outer = [
            (at(0, 0.15) * wide, 0.0),
            (at(0.4, 0.6) * wide, at(0, 0.12) * long),
            (at(0.85, 1) * wide, 0.0),
            (wide, at(0.1, 0.4) * long),
            (at(0.85, 1) * wide, at(0.6, 0.7) * long),
            (wide, long),
            (at(0, 0.2) * wide, long),
            (0.0, at(0.3, 0.8) * long),
        ]
        holes = []
        if self.odds(0.6):
            x, y, r = at(0.3, 0.4) * wide, at(0.3, 0.4) * long, at(0.04, 0.09) * min(wide, long)
            holes.append(_ring(x, y, r, 12))
        if self.odds(0.3):
            x, y, s = 0.65 * wide, 0.72 * long, at(0.05, 0.1) * min(wide, long)
            holes.append([(x - s, y - s), (x + s, y - s), (x + s, y + s), (x - s, y + s)])
        return [outer, *holes]

    def dies(self) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for k in range(self.chance.randint(1, 5)):
            name = f"die-{k + 1}"
            rim = self.pick(0, 1, 1.6, 1.6, 2, 3)
            # Largest side of a cut that lies on the plate in any case, at a slant, too.
            most = (self.window - 2 * rim - 1) / math.sqrt(2)
            size = min(most, self.pick(10, 12, 15, 18, 22, 26, 32, 40, 55, 70))
            keys = []
            kind = self.chance.random()
            if kind < 0.2:
                keys.append(f"circle = {self.length(size)}")
            elif kind < 0.3:
                keys.append(
                    f"oval = [{self.length(size)}, {self.length(size * self.chance.uniform(0.4, 1))}]"
                )
            elif kind < 0.5:
                keys.append(
                    f"rectangle = [{self.length(size)}, {self.length(size * self.chance.uniform(0.3, 1))}]"
                )
                if self.odds(0.5):
                    keys.append(f"corner = {self.length(self.chance.uniform(0.5, 0.14 * size))}")
            elif kind < 0.7:
                keys.append(f'outline = "{self.drawing(f"{name}.svg", self.blossom(size))}"')
            elif kind < 0.8:
                # Two pieces at one cut.
                ring = _ring(0, 0, size / 4, 10)
                other = [(x + size / 2 + 1, y) for x, y in ring]
                keys.append(f'outline = "{self.drawing(f"{name}.svg", ring, other)}"')
                if self.odds(0.3):
                    keys.append('pieces = "separate"')
            elif kind < 0.87 or size < 26:
                # Pierced detail.
                keys.append(
                    f'outline = "{self.drawing(f"{name}.svg", self.blossom(size), _ring(0, 0, size / 12, 8))}"'
                )
            else:
                self.frame(name, size, max(rim, 1))
                keys.append(f'outline = "{name}.svg"')
                rim = None
            if rim is not None:
                keys.append(f"rim = {self.bare(rim)}")
            if self.odds(0.3):
                keys.append(f"copies = {self.chance.randint(2, 3)}")
            if self.odds(0.35):
                slanted = [[15, 45]] if set(self.directions.values()) == {"none"} else []
                keys.append(f"turns = {self.pick([0], [0, 180], [0, 90, 180, 270], [0.3], *slanted)}")
            if self.odds(0.15):
                keys.append("mirror = true")
            if self.odds(0.2):
                keys.append("trips = 2")
            found[name] = keys
        if self.odds(0.15) and self.window > 60:
            self.frame("die-frame", 0.62 * self.window, 1.6)
            found["die-frame"] = ['outline = "die-frame.svg"', f"turns = {self.pick([0], [0, 90])}"]
            found["die-dot"] = [f"circle = {self.length(15)}", f"copies = {self.chance.randint(1, 3)}"]
        return found

    def frame(self, name: str, size: float, rim: float) -> None:
        """A ring of paper: its opening falls out, and a smaller die may lie in the opening of its metal."""
        half, bar = size / 2, max(2.5, size * 0.08)
        square = [(-half, -half), (half, -half), (half, half), (-half, half)]
        inner = [(x * (half - bar) / half, y * (half - bar) / half) for x, y in square]
        outside = [(x * (half + rim) / half, y * (half + rim) / half) for x, y in square]
        opening = [(x * (half - bar - rim) / half, y * (half - bar - rim) / half) for x, y in square]
        path = " ".join(
            "M" + " ".join(f"{x:.3f},{y:.3f}" for x, y in ring) + "Z" for ring in (outside, opening)
        )
        self.drawing(f"{name}.svg", square, inner, rim=f'<path class="rim" fill-rule="evenodd" d="{path}"/>')

    def blossom(self, size: float) -> list[tuple[float, float]]:
        petals, depth = self.chance.randint(3, 8), self.chance.uniform(0.05, 0.3)
        lean = self.chance.uniform(0, 0.15)  # so that some can't be laid over their own mirror image
        points = []
        for k in range(petals * 6):
            t = 2 * math.pi * k / (petals * 6)
            r = (
                size
                / 2
                * (1 + depth * math.cos(petals * t) + lean * math.sin(2 * t + 0.7))
                / (1 + depth + lean)
            )
            points.append((r * math.cos(t), r * math.sin(t)))
        return points

    def cards(self, papers: list[str], dies: list[str]) -> list[str]:
        lines: list[str] = []
        per_kit = 0
        left = list(dies)
        for number in range(self.chance.randint(1, 3)):
            pieces = []
            for _ in range(self.chance.randint(1, 3)):
                die = left.pop() if left else self.chance.choice(dies)
                # What goes together with a frame is often cut from what lies in it.
                paper = papers[0] if die in ("die-frame", "die-dot") else self.chance.choice(papers)
                count = self.chance.randint(1, 4)
                if self.odds(0.25):
                    names = sorted({die, self.chance.choice(dies)})
                    colours = sorted({paper, self.chance.choice(papers)})
                    pieces.append(
                        f"{{ any_of = {json.dumps(names)}, papers = {json.dumps(colours)}, count = {count} }}"
                    )
                else:
                    pieces.append(f'{{ die = "{die}", paper = "{paper}", count = {count} }}')
                per_kit += count
            lines += ["[[cards]]", f'name = "card {number + 1}"', f"pieces = [{', '.join(pieces)}]"]
        most = max(1, MOST_PIECES // per_kit)
        lines += ["[class]", f"kits = {min(most, self.pick(1, 2, 5, 10, 20, 40))}"]
        if self.odds(0.4):
            lines.append(f"spares = {self.pick('2', chr(34) + '10 %' + chr(34))}")
        return lines

    def wishes(self) -> list[str]:
        if self.odds(0.6):
            return []
        lines = ["[wishes]"]
        if self.odds(0.7):
            lines.append(
                f"order = {self.pick(['minutes'], ['trims', 'passes'], ['passes', 'trims'], ['changes', 'passes'], ['paper', 'passes'])}"
            )
        else:
            lines.append('extra_passes = "15 %"')
        if self.odds(0.3):
            lines += ["[evening]", 'start = "18:30"', "break_every = 20"]
        return lines


def _ring(x: float, y: float, r: float, corners: int) -> list[tuple[float, float]]:
    steps = [2 * math.pi * k / corners for k in range(corners)]
    return [(x + r * math.cos(t), y + r * math.sin(t)) for t in steps]


def outcome(number: int, *, seconds: float, prove: bool = True, folder: Path | None = None) -> dict[str, Any]:
    """Plan the batch of this number and tell what came of it.

    Returns: ``state`` (``planned``, ``refused``: a message for the person, ``broken``: a mistake of ours, ``unsound``: the
    checker says no, ``unproved``: the checker does not believe the bound), ``text``, and what occurred in the plan.
    """
    own = Path(tempfile.mkdtemp(prefix="nestcut-random-")) if folder is None else folder
    began = time.monotonic()
    row: dict[str, Any] = {"number": number}
    try:
        row |= _planned(write_random_batch(own, number), own, seconds, prove)
    except Exception as error:  # every kind of failure is what is looked for here
        row |= {
            "state": "broken",
            "text": f"{type(error).__name__}: {error}",
            "trace": traceback.format_exc(),
        }
    finally:
        if folder is None:
            shutil.rmtree(own, ignore_errors=True)
    return row | {"seconds": round(time.monotonic() - began, 1)}


def _planned(path: Path, folder: Path, seconds: float, prove: bool) -> dict[str, Any]:
    from nestcut.batch import read_batch
    from nestcut.checks import check_plan, check_proof
    from nestcut.errors import NestcutError
    from nestcut.folder import write_plan_folder
    from nestcut.passes import plan_batch
    from nestcut.plans import read_plan

    try:
        batch = read_batch(path)
        began = time.monotonic()
        plan = plan_batch(batch, seconds=seconds, advise=True)
    except NestcutError as error:
        return {"state": "refused", "text": str(error)}
    took = time.monotonic() - began
    write_plan_folder(plan, folder / "out")
    plan = read_plan(folder / "out" / "plan.json")
    row = {
        "state": "planned",
        "text": "",
        "took": round(took, 1),
        "passes": plan.totals.passes,
        "bound": plan.bound.passes,
        "wanted": sum(line.count for line in plan.demand),
        "met": sum(line.met for line in plan.demand),
        "notes": [note for note in plan.notes if "broke a rule" in note],
        **_occurring(plan),
    }
    report = check_plan(plan)
    if not report.ok:
        return row | {"state": "unsound", "text": "; ".join(fault.message for fault in report.faults[:3])}
    if prove:
        proof = check_proof(plan)
        if not proof.ok:
            return row | {"state": "unproved", "text": "; ".join(fault.message for fault in proof.faults[:3])}
    return row


def _occurring(plan: Any) -> dict[str, bool]:
    """Which rarer things the plan really holds."""
    layups = {layup.id: layup for layup in plan.layups}
    dies = {die.name: die for die in plan.dies}
    length = plan.machine.plate_mm[1]
    outlines = {scrap.id: scrap.outline for scrap in plan.scraps}
    outlines |= {name: outline for trim in plan.trims for name, outline in trim.into}
    in_opening = sticking_out = False
    for one in plan.passes:
        slots = layups[one.layup].slots
        down = [(slots[cut.slot].pose.apply(dies[slots[cut.slot].die].rim), cut.scrap) for cut in one.cuts]
        for rim, scrap in down:
            for part in getattr(rim, "geoms", [rim]):
                for hole in part.interiors:
                    inner = Polygon(hole)
                    in_opening |= any(
                        inner.contains(other) for other, own in down if own == scrap and other is not rim
                    )
        for paper in one.papers:
            _, y0, _, y1 = paper.pose.apply(outlines[paper.scrap], flipped=paper.flipped).bounds
            sticking_out |= y0 < -1e-6 or y1 > length + 1e-6
    return {
        "flipped": any(paper.flipped for one in plan.passes for paper in one.papers),
        "cut in an opening": in_opening,
        "sticking out": sticking_out,
        "trimmed": bool(plan.trims),
        "two trips": plan.totals.cranks > plan.totals.passes,
        "copies side by side": any(
            max(Counter(slot.die for slot in layup.slots).values(), default=0) > 1 for layup in plan.layups
        ),
        "complete": bool(plan.complete),
        "at its bound": plan.totals.passes == plan.bound.passes,
        "dies under": plan.machine.dies == "under",
        "directed paper": any(paper.direction != "none" for paper in plan.papers),
    }


def _one(job: tuple[int, float, bool, str]) -> dict[str, Any]:
    number, seconds, prove, keep = job
    row = outcome(number, seconds=seconds, prove=prove)
    if keep and row["state"] in ("broken", "unsound", "unproved"):
        folder = Path(keep) / str(number)
        folder.mkdir(parents=True, exist_ok=True)
        write_random_batch(folder, number)
        (folder / "outcome.json").write_text(json.dumps(row, indent=1), encoding="utf-8")
    return row


def main() -> int:
    """The command; exit code 1 where a batch ended without a checked and proved plan."""
    parser = argparse.ArgumentParser(description="plan random batches with every kind of key")
    parser.add_argument("batches", type=int)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seconds", type=float, default=5.0)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--no-proofs", action="store_true")
    parser.add_argument("--keep", default="", help="folder for the files of batches that went wrong")
    parser.add_argument("--json", default="", help="file for all rows")
    options = parser.parse_args()
    jobs = [
        (number, options.seconds, not options.no_proofs, options.keep)
        for number in range(options.first, options.first + options.batches)
    ]
    states: Counter[str] = Counter()
    occurring: Counter[str] = Counter()
    slowest = 0.0
    with (
        multiprocessing.get_context("spawn").Pool(options.processes, maxtasksperchild=100) as pool,
        open(options.json or os.devnull, "w", encoding="utf-8") as log,
    ):
        for row in pool.imap_unordered(_one, jobs):
            states[row["state"]] += 1
            occurring.update(key for key, value in row.items() if value is True)
            slowest = max(slowest, row.get("took", 0.0))
            if row["state"] != "planned" or row["notes"]:
                print(row["number"], row["state"], row["text"] or row["notes"], flush=True)
            print(json.dumps(row), file=log, flush=True)
    print(
        f"{sum(states.values())} batches: " + ", ".join(f"{n} {state}" for state, n in states.most_common())
    )
    print("occurring in plans: " + ", ".join(f"{key} {n}" for key, n in occurring.most_common()))
    print(f"slowest plan: {slowest:.1f} s of {options.seconds:g}")
    return int(any(states[state] for state in ("broken", "unsound", "unproved")))


if __name__ == "__main__":
    sys.exit(main())
