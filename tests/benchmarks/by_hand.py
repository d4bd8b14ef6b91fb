"""What people do today against nestcut, on the three examples: passes, trims, minutes, paper.

    python -m tests.benchmarks.by_hand --seconds 60

Ways of one evening, with the same dies, demand and times of the batch file:

- *rows*: one paper in a pass, under everything; the dies lie in rows, box beside box, those with most left to
  cut first; a die that is done is lifted, and when a row is free the next one is laid. Paper: every cut takes
  the box of its rim.
- *rims*: one paper in a pass, the rims packed on the plate as tightly as the plate search can. Paper: every
  cut takes its share of a plate-sized sheet that is filled with this rim alone.
- *nestcut*: the plan as `nestcut plan` makes it, checked; paper is the area of the scraps that it takes.
- *minutes*: the same with `[wishes] order = ["minutes", "passes", "changes", "trims", "paper"]`.
- *extra 10 %*: the same with `[wishes] extra_passes = "10 %"`.

Papers for free lines are shared out as nestcut's first plan does, so that all cut the same pieces. The two ways by
hand are common practice, no source; their paper is counted without edges and offcuts, and is taken to lie under
the dies wherever it is wanted, in their favour. Trims by hand are only what no way can do without: sheets that are wider
than the plate are slit, as many as that much paper comes from. *minutes* has them; *no trims* has not.
"""

from __future__ import annotations

import argparse
import json
import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from shapely.geometry import box

from nestcut.batch import read_batch
from nestcut.batch.model import LEAST_MINUTES, Batch, Demand, Die, Extra, Wishes
from nestcut.checks import check_plan
from nestcut.hands import rough_minutes, rough_trim_s
from nestcut.passes import plan_batch
from nestcut.passes.plate.solve import plan_plate
from nestcut.placement import Part, fill_region
from nestcut.plans.model import Plan
from tests.shared.places import EXAMPLES

WISHES = {
    "nestcut": Wishes(),
    "minutes": Wishes(LEAST_MINUTES),
    "extra 10 %": Wishes(("passes", "trims", "changes", "paper"), Extra(10.0)),
}
Needs = dict[str, Counter[str]]
"""Paper → die → cuts."""


def in_rows(batch: Batch, dies: list[Die]) -> list[str]:
    """The dies, in this order, that find room in rows of boxes; a row is as deep as its deepest box."""
    x0, y0, x1, y1 = batch.machine.window.bounds
    gap = batch.hand.gap_mm
    rows: list[list[float]] = []  # [top, depth, next x]
    laid = []
    for die in dies:
        w, h = (die.rim.bounds[2] - die.rim.bounds[0], die.rim.bounds[3] - die.rim.bounds[1])
        for row in rows:
            if row[2] + w <= x1 + 1e-9 and h <= row[1] + 1e-9:
                row[2] += w + gap
                laid.append(die.name)
                break
        else:
            top = rows[-1][0] + rows[-1][1] + gap if rows else y0
            if top + h <= y1 + 1e-9 and x0 + w <= x1 + 1e-9:
                rows.append([top, h, x0 + w + gap])
                laid.append(die.name)
    return laid


def slits_of(batch: Batch, taken: Mapping[str, float]) -> int:
    """Fewest parts that sheets wider than the plate are slit into, for so much of each paper, mm²."""
    width = batch.machine.plate_mm[0]
    parts = 0
    for paper, area in taken.items():
        own = [scrap.outline for scrap in batch.scraps if scrap.paper == paper]
        needed = []
        for outline in own:
            x0, y0, x1, y1 = outline.bounds
            strips = math.ceil(min(x1 - x0, y1 - y0) / width - 1e-9)
            needed.append((strips if strips > 1 else 0, outline.area))
        # The sheets that need least slitting come first.
        for strips, sheet in sorted(needed, key=lambda one: one[0] / one[1]):
            if area <= 0:
                break
            parts += strips
            area -= sheet
    return parts


@dataclass(frozen=True, slots=True)
class ByHand:
    """What a way takes; paper in mm²."""

    passes: int
    cranks: int
    dies_set_up: int
    trims: int
    paper_mm2: float

    def minutes(self, batch: Batch, *, trims: bool = True) -> float:
        """Roughly as plan.json counts them: one paper is pulled on in each pass."""
        return rough_minutes(
            batch.hand.seconds,
            batch.machine,
            cranks=self.cranks,
            dies_set_up=self.dies_set_up,
            trims=self.trims if trims else 0,
            pulled_on=self.passes,
        )


def rows_by_hand(batch: Batch, needs: Needs) -> ByHand:
    """Dies in rows, one paper at a time."""
    passes = cranks = set_up = 0
    taken: Counter[str] = Counter()
    for name_of_paper, need in needs.items():
        paper = 0.0
        left = Counter(need)
        lying: list[str] = []
        while left := +left:
            kinds = [batch.die(name) for name, _ in left.most_common() for _ in range(batch.die(name).copies)]
            # Deepest first makes better rows; those that must be cut most often come before all others.
            kinds.sort(key=lambda d: (-left[d.name], d.name))
            now = in_rows(batch, kinds)
            if set(now) - set(lying):
                set_up += len(set(now) - set(lying))
            lying = now
            down = Counter(now)
            for name, copies in down.items():
                paper_cuts = min(copies, left[name])
                x0, y0, x1, y1 = batch.die(name).rim.bounds
                paper += paper_cuts * (x1 - x0) * (y1 - y0)
                left[name] -= paper_cuts
            passes += 1
            cranks += max(batch.die(name).trips for name in down)
        taken[name_of_paper] = math.ceil(paper)
    return ByHand(passes, cranks, set_up, slits_of(batch, taken), sum(taken.values()))


def rims_by_hand(batch: Batch, needs: Needs, seconds: float) -> ByHand:
    """Rims packed as tightly as can be, one paper at a time."""
    passes = cranks = set_up = 0
    taken: Counter[str] = Counter()
    sheet = box(0, 0, *batch.machine.plate_mm)
    wanted = sorted({die for need in needs.values() for die in need})
    room_for = {
        die: len(
            fill_region(
                sheet,
                [Part(die, batch.die(die).rim)],
                web_mm=batch.hand.gap_mm,
                edge_mm=0.0,
                seconds=seconds / 2 / len(wanted),
            ).placed
        )
        for die in wanted
    }
    for name, need in needs.items():
        demand = [
            Demand("", (die,), (name,), cuts * batch.die(die).pieces, 0, cuts * batch.die(die).pieces)
            for die, cuts in sorted(need.items())
        ]
        plate = plan_plate(batch, demand, footprint="rims", seconds=seconds / 2 / len(needs))
        for run in plate.runs:
            dies = [batch.die(slot.die) for slot in run.slots]
            passes += run.passes
            cranks += run.passes * max(die.trips for die in dies)
            set_up += len(dies)
        taken[name] = math.ceil(sum(cuts * sheet.area / room_for[die] for die, cuts in need.items()))
    return ByHand(passes, cranks, set_up, slits_of(batch, taken), sum(taken.values()))


def paper_taken(plan: Plan) -> float:
    """Area of the scraps that a plan takes, less the remnants that can still be used, mm²."""
    used = {paper.scrap for one in plan.passes for paper in one.papers} | {trim.scrap for trim in plan.trims}
    return sum(scrap.outline.area for scrap in plan.scraps if scrap.id in used)


def needs_of(plan: Plan) -> Needs:
    """What a plan cuts: paper → die → cuts."""
    slots = {layup.id: layup.slots for layup in plan.layups}
    colour = {scrap.id: scrap.paper for scrap in plan.scraps}
    for trim in plan.trims:
        colour.update({name: colour[trim.scrap] for name, _ in trim.into})
    needs: Needs = {}
    for one in plan.passes:
        for cut in one.cuts:
            paper = colour[cut.scrap]
            needs.setdefault(paper, Counter())[slots[one.layup][cut.slot].die] += 1
    return needs


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=60.0, help="time for each plan")
    parser.add_argument("--json", type=Path, default=None)
    asked = parser.parse_args(arguments)
    rows = []
    print(
        f"{'example':10}{'way':12}{'passes':>8}{'trims':>7}{'minutes':>9}{'no trims':>9}{'paper cm²':>11}"
        "   against nestcut: passes, minutes, paper"
    )
    for path in sorted(EXAMPLES.glob("*.toml")):
        batch = read_batch(path)
        plans = {
            way: plan_batch(replace(batch, wishes=wishes), seconds=asked.seconds)
            for way, wishes in WISHES.items()
        }
        assert all(check_plan(plan).ok for plan in plans.values())
        needs = needs_of(plans["nestcut"])
        found = {"rows": rows_by_hand(batch, needs), "rims": rims_by_hand(batch, needs, asked.seconds)}
        table = {
            way: (one.passes, one.trims, one.minutes(batch), one.minutes(batch, trims=False), one.paper_mm2)
            for way, one in found.items()
        }
        for way, plan in plans.items():
            total = plan.totals
            bare = total.minutes - total.trims * rough_trim_s(batch.hand.seconds) / 60
            table[way] = (total.passes, total.trims, total.minutes, bare, paper_taken(plan))
        own = table["nestcut"]
        for way, (passes, trims, minutes, bare, paper) in table.items():
            rows.append(
                {"example": path.stem, "way": way, "passes": passes, "trims": trims, "minutes": minutes,
                 "minutes_without_trims": bare, "paper_mm2": paper,
                 "complete": way not in plans or plans[way].complete, "pieces": plans["nestcut"].totals.pieces}
            )  # fmt: skip
            print(
                f"{path.stem:10}{way:12}{passes:8}{trims:7}{minutes:9.0f}{bare:9.0f}{paper / 100:11.0f}   "
                f"{passes / own[0]:.2f}, {minutes / own[2]:.2f}, {paper / own[4]:.2f}",
                flush=True,
            )
    if asked.json:
        asked.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
