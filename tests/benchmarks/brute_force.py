"""The plate half against an exact oracle on many small classes: ``python -m tests.benchmarks.brute_force 500``.

Prints how often count and bound equal the optimum; stops with an error if a bound is above it, a count
below it, or a witness or disproof is wrong.
"""

from __future__ import annotations

import argparse
import json
import time

from tests.passes.plate.test_brute_force import examine


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cases", type=int, nargs="?", default=500)
    parser.add_argument("--first", type=int, default=1000, help="first seed")
    parser.add_argument("--json", help="write the figures here")
    args = parser.parse_args()
    begin = time.monotonic()
    optimal = proved = 0
    for seed in range(args.first, args.first + args.cases):
        best, passes, bound = examine(seed)
        optimal += best == passes
        proved += passes == bound
    figures = {
        "cases": args.cases,
        "count is optimal": optimal,
        "count is proved": proved,
        "seconds": round(time.monotonic() - begin, 1),
    }
    print(json.dumps(figures))
    if args.json:
        with open(args.json, "w", encoding="utf-8") as file:
            json.dump(figures, file)


if __name__ == "__main__":
    main()
