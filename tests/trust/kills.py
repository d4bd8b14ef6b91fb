"""Kill ``nestcut plan`` (SIGKILL) at random moments: the old output or the new one is there, whole.

    python -m tests.trust.kills --moments 50 --seed 0

Half of the kills fall anywhere in a run, half while the output is being written. What is compared is every
byte of every file, with runs that nobody disturbed.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.trust.jobs import fingerprint, start, write_job

__all__ = ["kill_many"]


def kill_many(folder: Path, moments: int, seed: int) -> Counter[str]:
    """Plan two versions of a job in turns and kill each run; returns how often which state was found.

    Raises: AssertionError when the output is neither of the two.
    """
    rng = random.Random(seed)
    write_job(folder)
    out = folder / "out"
    whole: dict[str, str | None] = {}
    seconds = 0.0
    for batch in ("b.toml", "a.toml"):  # a is there when the kills begin
        begin = time.monotonic()
        process = start(folder, batch)
        _, errors = process.communicate(timeout=300)
        assert process.returncode == 0, errors
        seconds = time.monotonic() - begin
        whole[batch] = fingerprint(out)
    assert whole["a.toml"] != whole["b.toml"]
    found: Counter[str] = Counter()
    there = "a.toml"
    for number in range(moments):
        asked = "b.toml" if there == "a.toml" else "a.toml"
        process = start(folder, asked)
        if number % 2:
            _wait_for_writing(folder, process, seconds * 10 + 60)
            time.sleep(rng.uniform(0.0, 0.25) ** 2 * 4)  # sooner rather than later
        else:
            time.sleep(rng.uniform(0.0, 1.05 * seconds))
        writing = _is_writing(folder, process.pid)
        process.send_signal(signal.SIGKILL)
        process.communicate()
        state = fingerprint(out)
        assert state in whole.values(), (
            f"kill {number} left an output that is neither the old nor the new one"
        )
        now = next(batch for batch, known in whole.items() if known == state)
        found["killed" if process.returncode == -signal.SIGKILL else "had ended"] += 1
        found["new output" if now == asked else "old output"] += 1
        found["while writing"] += writing
        there = now
    return found


def _wait_for_writing(folder: Path, process: subprocess.Popen[str], most: float) -> None:
    """Until the temporary folder beside the output is there and holds the plan (a first one is a probe only)."""
    end = time.monotonic() + most
    while time.monotonic() < end and process.poll() is None:
        if _is_writing(folder, process.pid):
            return
        time.sleep(0.002)


def _is_writing(folder: Path, pid: int) -> bool:
    """Whether the temporary folder holds anything."""
    try:
        return any(folder.glob(f".out-nestcut-{pid}-*/*"))
    except FileNotFoundError:
        return False  # it was there when it was found, and gone when it was looked into


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--moments", type=int, default=50)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = kill_many(Path(folder), options.moments, options.seed)
    print(
        f"{options.moments} kills: " + ", ".join(f"{what} {number}" for what, number in sorted(found.items()))
    )


if __name__ == "__main__":
    main()
