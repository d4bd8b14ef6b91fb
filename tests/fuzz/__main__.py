"""Feed damaged files to a reader, many of them, and keep what it stumbles over.

    python -m tests.fuzz --reader svg --inputs 100000 --seed 0
    python -m tests.fuzz --reader plan --inputs 100000 --guided        (coverage-guided; pip install atheris)

Every input has a ceiling of CPU seconds and the process one of memory. Faults are printed and kept in ``--keep``.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.fuzz.run import Run, guided, plain


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--reader", required=True, help="svg, scrap, batch, scraps-csv, cards-csv or plan")
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--guided", action="store_true", help="by coverage, with atheris")
    parser.add_argument(
        "--keep", type=Path, default=Path("fuzz-faults"), help="folder for inputs that broke something"
    )
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if options.guided:
            guided(options.reader, Path(folder), options.keep, options.inputs, options.seed)
        else:
            run = Run(options.reader, Path(folder), options.keep, patient=True)
            plain(run, options.inputs, options.seed)
            run.tell()


if __name__ == "__main__":
    main()
