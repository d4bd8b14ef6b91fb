"""Is ``--seconds`` kept, whatever is asked? Whole commands, from the first import to the last sheet.

    python -m tests.trust.limits                                   evening and event, 1 to 20 s
    python -m tests.trust.limits --batches examples/scraps.toml --seconds 3,30

A limit that is too short for the batch is refused at once, which is told as such. Told are else
wall time against the promise (the limit, a tenth more and two seconds), CPU seconds, passes and bound. Where the CPU time
is below the promise and the wall time above it, the machine was busy with other things.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from nestcut.cli.console import BAD_INPUT
from tests.shared.places import ROOT
from tests.trust.jobs import run_python

__all__ = ["Run", "allowed_s", "timed_plan"]

EXAMPLES = f"{ROOT / 'examples/evening.toml'},{ROOT / 'examples/event.toml'}"


@dataclass(frozen=True)
class Run:
    """One command."""

    wall_s: float
    cpu_s: float
    exit_code: int
    passes: int | None
    bound: int | None


def allowed_s(seconds: float) -> float:
    """What is promised for a limit, s."""
    return 1.1 * seconds + 2.0


def timed_plan(batch: Path, folder: Path, seconds: float) -> Run:
    """Plan a batch with a limit; the passes are None where no plan was written."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin = time.monotonic()
    arguments = ["plan", str(batch), "--out", str(folder / "out"), "--seconds", str(seconds), "--json"]
    done = run_python("-m", "nestcut", *arguments, seconds=10 * seconds + 300)
    wall = time.monotonic() - begin
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    told = json.loads(done.stdout) if done.stdout.startswith("{") else {}
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Run(wall, cpu, done.returncode, told.get("passes"), told.get("bound"))


def main() -> None:
    """The command; ends with 1 where a limit was not kept."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--batches", default=EXAMPLES, help="batch files, with commas")
    parser.add_argument("--seconds", default="1,2,3,5,10,20", help="limits, with commas")
    options = parser.parse_args()
    batches = [Path(name) for name in options.batches.split(",")]
    late = 0
    with tempfile.TemporaryDirectory() as folder:
        timed_plan(batches[0], Path(folder), 10.0)  # kernels are compiled once a machine
        print(f"{'batch':<12}{'limit':>7}{'allowed':>9}{'wall':>7}{'CPU':>7}  passes (bound)  exit")
        for batch in batches:
            for seconds in map(float, options.seconds.split(",")):
                run = timed_plan(batch, Path(folder), seconds)
                over = run.wall_s > allowed_s(seconds)
                late += over
                print(
                    f"{batch.stem:<12}{seconds:>7g}{allowed_s(seconds):>9.1f}{run.wall_s:>7.1f}{run.cpu_s:>7.1f}"
                    f"  {run.passes} ({run.bound})  {run.exit_code}"
                    f"{'  LATE' if over else ''}{'  refused' if run.exit_code == BAD_INPUT else ''}",
                    flush=True,
                )
    sys.exit(1 if late else 0)


if __name__ == "__main__":
    main()
