"""What do ten thousand kits cost against ten? Seconds of each step, and sizes of what is written.

    python -m tests.benchmarks.kits --kits 10,100,1000,10000 --seconds 60 --json out.json

One of the classes of :mod:`tests.benchmarks.passes`; its kinds of scraps stay, their numbers grow with the kits. Told are,
for each number of kits: seconds of ``estimate``; of planning, split by what the planner says it is at (lay-ups and their
bound: *search*; lanes, strips, chips: *papers*; the rest, above all the passes one by one, the plan as a value, the packing of
kits and the check: *rest*); of writing ``plan.json`` and its size; of the checker for 1,000 passes (the plan as a value: read_plan refuses files above
256 MB); of all sheets, and the run sheet's size and printed
pages (with ``--browser``). Laying every piece into a scrap, writing and checking it must grow with the kits; search and
estimate need not.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from nestcut.batch.model import Batch, Scrap
from nestcut.checks import check_plan
from nestcut.passes import estimate, plan_batch
from nestcut.plans import write_plan
from nestcut.sheets import render_sheets
from tests.benchmarks.passes_classes import KITS, SIZES, random_class

SEARCHING = ("reading the demand", "lay-ups")
PAPERING = ("lanes", "papers", "scraps", "squeezing", "nesting", "paper is short")


def grown(batch: Batch, kits: int) -> Batch:
    """The same class for another number of kits, with as many more of each scrap, and one at least."""
    scraps = []
    for scrap in batch.scraps:
        number = max(1, round(kits / batch.kits))
        scraps += [Scrap(f"{scrap.id}-{k}", scrap.paper, scrap.outline) for k in range(number)]
    return replace(batch, kits=kits, scraps=tuple(scraps))


def timed(call: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds, and what was returned."""
    start = time.monotonic()
    found = call()
    return time.monotonic() - start, found


def steps_of(told: list[tuple[float, str]], end: float) -> Counter[str]:
    """Seconds by kind of step, from what the planner said and when."""
    steps: Counter[str] = Counter()
    for (begin, text), (after, _) in zip(told, [*told[1:], (end, "")], strict=True):
        kind = "search" if text.startswith(SEARCHING) else "papers" if text.startswith(PAPERING) else "rest"
        # What is said when passes are made, and last, is followed by putting the plan together.
        steps[kind] += after - begin
    return steps


def pages(browser: str, text: str, folder: Path) -> int:
    """Pages of a sheet as a browser prints it."""
    page, printed = folder / "sheet.html", folder / "sheet.pdf"
    page.write_text(text, encoding="utf-8")
    subprocess.run(
        [browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--user-data-dir={folder / 'browser'}", f"--print-to-pdf={printed}", page.as_uri()],
        capture_output=True, timeout=600, check=False,
    )  # fmt: skip
    return printed.read_bytes().count(b"/Type /Page\n") or printed.read_bytes().count(b"/Type /Page ")


def run_kits(batch: Batch, seconds: float, folder: Path, browser: str | None = None) -> dict[str, Any]:
    """One number of kits planned, written and checked, as plain JSON values."""
    guess_s, (guess,) = timed(lambda: estimate(batch, [batch.kits], seconds=4))
    told: list[tuple[float, str]] = []
    start = time.monotonic()

    def say(_seconds: float, _passes: int | None, _bound: int | None, text: str) -> None:
        told.append((time.monotonic() - start, text))

    plan_s, plan = timed(lambda: plan_batch(batch, seconds=seconds, on_progress=say))
    steps = steps_of(told, plan_s)
    path = folder / "plan.json"
    write_s, _ = timed(lambda: write_plan(plan, path))
    check_s, report = timed(lambda: check_plan(plan))
    assert report.ok
    sheets_s, sheets = timed(lambda: render_sheets(plan))
    run_sheet = sheets["run-sheet.html"]
    return {
        "kits": batch.kits,
        "scraps": len(batch.scraps),
        "pieces": plan.totals.pieces,
        "complete": plan.complete,
        "passes": plan.totals.passes,
        "bound": plan.bound.passes,
        "trims": plan.totals.trims,
        "estimated_passes": guess.passes,
        "estimate_s": guess_s,
        "plan_s": plan_s,
        **{f"{kind}_s": steps[kind] for kind in ("search", "papers", "rest")},
        "write_s": write_s,
        "plan_mb": path.stat().st_size / 1e6,
        "check_s_per_1000_passes": 1000 * check_s / max(1, plan.totals.passes),
        "check_s": check_s,
        "sheets_s": sheets_s,
        "run_sheet_mb": len(run_sheet.encode()) / 1e6,
        "run_sheet_pages": pages(browser, run_sheet, folder) if browser else None,
    }


COLUMNS = {
    "kits": "8d", "scraps": "8d", "passes": "9d", "bound": "8d", "estimate_s": "12.2f", "plan_s": "9.1f",
    "search_s": "10.1f", "papers_s": "10.1f", "rest_s": "8.1f", "write_s": "9.1f", "plan_mb": "9.1f", "check_s": "9.1f",
    "sheets_s": "10.1f", "run_sheet_mb": "14.2f",
}  # fmt: skip


def table(rows: list[dict[str, Any]]) -> str:
    """One line per number of kits."""
    lines = ["".join(f"{name:>{form.rstrip('df').split('.')[0]}}" for name, form in COLUMNS.items())]
    for row in rows:
        text = "".join(f"{row[name]:{form}}" for name, form in COLUMNS.items())
        printed = f", {row['run_sheet_pages']} pages" if row["run_sheet_pages"] else ""
        lines.append(text + ("" if row["complete"] else " not complete") + printed)
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kits", default="10,100,1000,10000")
    parser.add_argument(
        "--seed", type=int, default=8, help="which class; its size follows as in the passes benchmark"
    )
    parser.add_argument("--supply", type=float, default=3.0)
    parser.add_argument("--seconds", type=float, default=60.0, help="time limit per plan")
    parser.add_argument("--browser", default=None, help="counts the printed pages")
    parser.add_argument("--json", type=Path, default=None)
    asked = parser.parse_args(arguments)
    batch = random_class(asked.seed, size=list(SIZES)[(asked.seed - 1) % len(SIZES)], supply=asked.supply)
    assert batch.kits == KITS
    estimate(batch, [batch.kits], seconds=4)  # loads and compiles
    rows: list[dict[str, Any]] = []
    for kits in [int(number) for number in asked.kits.split(",")]:
        with tempfile.TemporaryDirectory() as folder:
            rows.append(run_kits(grown(batch, kits), asked.seconds, Path(folder), asked.browser))
        if asked.json:
            asked.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")
        print(table(rows), flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
