"""How quick is nestcut on a machine that never ran it? CPU seconds of the first commands of a person.

    python -m tests.benchmarks.cold                 # the four figures, each with its aim
    python -m tests.benchmarks.cold --kernels 20    # and the kernels that took longest to compile

All caches are empty to begin with: compiled kernels, outlines and sets of dies lie in a folder of this run's own.
CPU seconds are user and system time of the command and its children, from the operating system; time limits count
CPU seconds, too, so that the figures of a busy machine are those of a quiet one. What takes long to
compile is told by numba itself; a kernel's own time leaves out the kernels that it calls.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from nestcut.data import examples_folder

_LISTEN = """
import atexit, json, time
from numba.core import event

class Times(event.Listener):
    def __init__(self):
        self.own, self.count, self.open = {}, {}, []
    def on_start(self, event):
        self.open.append([time.thread_time(), 0.0])
    def on_end(self, event):
        begin, inside = self.open.pop()
        spent = time.thread_time() - begin
        if self.open:
            self.open[-1][1] += spent
        function = event.data["dispatcher"].py_func
        name = function.__module__ + "." + function.__name__
        self.own[name] = self.own.get(name, 0.0) + spent - inside
        self.count[name] = self.count.get(name, 0) + 1

times = Times()
event.register("numba:compile", times)
atexit.register(lambda: open(KERNELS, "w").write(json.dumps([times.own, times.count])))
"""


def _cpu_seconds(words: list[str], folder: Path, *, kernels: Path | None = None) -> float:
    """Run ``nestcut`` with these words and the caches in this folder."""
    own = {"NUMBA_CACHE_DIR": "kernels", "NESTCUT_CACHE": "known", "XDG_CACHE_HOME": "other"}
    env = os.environ | {key: str(folder / name) for key, name in own.items()}
    # A process has its own CPU clock here, so that a busy machine does not end a search sooner than a quiet one.
    start = (
        "import sys, time; time.monotonic = time.process_time; sys.argv[0] = 'nestcut'; "
        "from nestcut.__main__ import main; main()"
    )
    if kernels is not None:
        start = _LISTEN.replace("KERNELS", repr(str(kernels))) + start
    before = os.times()
    subprocess.run(
        [sys.executable, "-c", start, *words], env=env, cwd=folder, check=True, stdout=subprocess.DEVNULL
    )
    after = os.times()
    return (after.children_user - before.children_user) + (after.children_system - before.children_system)


def main() -> None:
    ask = argparse.ArgumentParser(description="CPU seconds of the first commands, with empty caches.")
    ask.add_argument("--kernels", type=int, default=0, metavar="N", help="also the N slowest to compile")
    wanted = ask.parse_args()
    evening = str(examples_folder() / "evening.toml")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        told = folder / "kernels.json" if wanted.kernels else None
        figures = [
            ("first demo", 40.0, _cpu_seconds(["demo", "--out", "first"], folder, kernels=told)),
            ("second demo", 12.0, _cpu_seconds(["demo", "--out", "second"], folder)),
            ("estimate", 2.5, _cpu_seconds(["estimate", evening], folder)),
            # The first look at a command's help writes Python's own byte code.
            ("--help", 0.3, min(_cpu_seconds(["--help"], folder) for _ in range(3))),
        ]
        for figure, aim, seconds in figures:
            print(f"{figure:12} {seconds:7.2f} s of CPU (aim {aim:g})")
        if told is not None:
            own, count = json.loads(told.read_text())
            print(f"compiled: {len(own)} kernels, {sum(count.values())} times, {sum(own.values()):.1f} s")
            for kernel in sorted(own, key=own.get, reverse=True)[: wanted.kernels]:
                print(f"{own[kernel]:7.2f} s  {count[kernel]} × {kernel}")


if __name__ == "__main__":
    main()
