"""Does the memory grow when one process plans again and again?

    python -m tests.trust.memory --plans 10                                   the evening example
    python -m tests.trust.memory --plans 10 --batch examples/event.toml --seconds 15

Each round reads the batch, plans it, checks and writes the plan with its sheets, and reads it back. Told is the resident memory
after each, and with --traced what Python and numpy hold on to (half as fast); the first rounds fill caches and load what is
loaded once, and the system's allocator keeps gaps.
"""

from __future__ import annotations

import argparse
import gc
import os
import tempfile
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

from tests.shared.places import ROOT

__all__ = ["resident_mib", "rounds"]


def resident_mib() -> float:
    """Memory of this process that is in use now, MiB (Linux)."""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def rounds(batch: Path, folder: Path, plans: int, seconds: float) -> Iterator[float]:
    """Plan so many times; yields the resident memory after each, MiB."""
    from nestcut.batch import read_batch
    from nestcut.checks import check_file
    from nestcut.folder import write_plan_folder
    from nestcut.passes import plan_batch

    for number in range(plans):
        plan = plan_batch(read_batch(batch), seconds=seconds, seed=number, advise=True)
        write_plan_folder(plan, folder)
        assert check_file(folder / "plan.json").ok
        del plan
        gc.collect()
        yield resident_mib()


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--plans", type=int, default=10)
    parser.add_argument("--batch", type=Path, default=ROOT / "examples/evening.toml")
    parser.add_argument("--seconds", type=float, default=6.0)
    parser.add_argument("--traced", action="store_true", help="trace allocations, too")
    options = parser.parse_args()
    if options.traced:
        tracemalloc.start()
    with tempfile.TemporaryDirectory() as folder:
        found = []
        for mib in rounds(options.batch, Path(folder) / "out", options.plans, options.seconds):
            found.append(mib)
            held = f", {tracemalloc.get_traced_memory()[0] / 2**20:.1f} MiB held" if options.traced else ""
            print(f"plan {len(found)}: {mib:.1f} MiB{held}", flush=True)
    if len(found) > 2:
        print(f"growth from the second to the last: {found[-1] - found[1]:+.1f} MiB")


if __name__ == "__main__":
    main()
