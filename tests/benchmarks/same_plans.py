"""Are the plans the same as before? For changes that move code and mean to change nothing else.

    python -m tests.benchmarks.same_plans --write before.json      # before the change
    python -m tests.benchmarks.same_plans --compare before.json    # after it

Plans by work of the three examples and of classes of the passes benchmark: lay-ups, passes, trims, demand, bound and proof are
compared, texts are not. Exit code 1 where a plan differs.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import nestcut
from nestcut.batch.model import Batch
from nestcut.plans import plan_to_json
from tests.benchmarks.passes_classes import random_class
from tests.shared.places import EXAMPLES

KEYS = ("layups", "passes", "trims", "demand", "bound", "proof")


def cases(classes: int) -> Iterator[tuple[str, Batch]]:
    """(name, batch): the examples, then so many classes of three sizes, most with plenty of paper."""
    for name in ("evening", "scraps", "event"):
        yield name, nestcut.read(EXAMPLES / f"{name}.toml")
    for number in range(classes):
        size = ("small", "middle", "large")[number % 3]
        supply = 2.0 if number % 10 == 4 else 3.0
        yield f"{size} {number} at {supply:g}", random_class(number, size=size, supply=supply)


def digest(batch: Batch, work: int) -> str:
    """A digest of what the plan by so much work says to do, texts left out."""
    made: dict[str, Any] = dict(plan_to_json(nestcut.plan(batch, seconds=3600, work_limit=work)))
    made["bound"] = made["bound"]["passes"]
    text = json.dumps({key: made.get(key) for key in KEYS}, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--write", type=Path)
    what.add_argument("--compare", type=Path)
    parser.add_argument("--classes", type=int, default=30)
    parser.add_argument("--work", type=int, default=10)
    options = parser.parse_args()
    known = json.loads(options.compare.read_text("utf-8")) if options.compare else {}
    found: dict[str, str] = {}
    differing = 0
    for name, batch in cases(options.classes):
        if options.compare and name not in known:
            continue
        began = time.monotonic()
        found[name] = digest(batch, options.work)
        same = known.get(name, found[name]) == found[name]
        differing += not same
        word = "written" if options.write else "same" if same else "DIFFERS"
        print(f"{name:20} {found[name]} {word} ({time.monotonic() - began:.1f} s)", flush=True)
        if options.write:
            options.write.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    print(f"{len(found)} plans, {differing} differ")
    return int(differing > 0)


if __name__ == "__main__":
    sys.exit(main())
