"""Several searches in their own processes, which share the best layout found so far.

Each helper process is this module run as a program; it takes the job on its standard input and writes what
it finds to its standard output, both as pickled values. (Forking would copy threads in unknown states, and
multiprocessing's spawn would run the caller's main script again.)
"""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from nestcut.placement.strip.compact import Layout
from nestcut.placement.strip.disturb import scatter
from nestcut.placement.strip.squeeze import Settings, Squeeze
from nestcut.placement.strip.tables import StripJob

__all__ = ["search_alone", "search_together", "warm_up"]


def warm_up(job: StripJob) -> None:
    """Compile all kernels of the search (or load them)."""
    search = Squeeze(job)
    search.accept(search.columns())
    scatter(search.scene(2 * job.longest))
    search.separate(2 * job.longest, lambda: True)


def search_alone(
    job: StripJob,
    seconds: float,
    seed: int,
    *,
    moves_limit: int | None = None,
    on_better: Callable[[Layout], None] | None = None,
    stop: Callable[[], bool] | None = None,
    settings: Settings | None = None,
) -> int:
    """One search in this process; returns its moves. Same seed and moves limit, same layouts."""
    search = Squeeze(job, seed=seed, settings=settings or Settings(), on_better=on_better)
    search.run(seconds, moves_limit=moves_limit, stop=stop)
    return search.moves


def search_together(
    job: StripJob,
    seconds: float,
    seed: int,
    workers: int,
    *,
    on_better: Callable[[Layout], None] | None = None,
    stop: Callable[[], bool] | None = None,
    settings: Settings | None = None,
) -> int:
    """``workers`` searches in processes of their own; returns the sum of their moves.

    ``on_better`` is called in this thread with each layout that is shorter than all before.
    """
    begin = time.perf_counter()
    inbox: queue.Queue[tuple[int, str, Any]] = queue.Queue()
    root = str(Path(__file__).resolve().parents[3])
    path = os.pathsep.join(p for p in (root, os.environ.get("PYTHONPATH", "")) if p)
    environment = {**os.environ, "PYTHONPATH": path, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    crew: list[subprocess.Popen[bytes]] = []
    moves = [0] * workers
    running = workers
    best: float | None = None

    def listen(number: int, process: subprocess.Popen[bytes]) -> None:
        try:
            while True:
                kind, value = pickle.load(process.stdout)  # type: ignore[arg-type]
                inbox.put((number, kind, value))
                if kind == "done":
                    return
        except (EOFError, pickle.UnpicklingError, OSError):
            inbox.put((number, "gone", process.poll()))

    def tell(number: int, message: tuple[str, Any]) -> None:
        try:
            pickle.dump(message, crew[number].stdin, pickle.HIGHEST_PROTOCOL)  # type: ignore[arg-type]
            crew[number].stdin.flush()  # type: ignore[union-attr]
        except (BrokenPipeError, OSError):
            pass

    try:
        for number in range(workers):
            process = subprocess.Popen(
                [sys.executable, "-m", "nestcut.placement.strip.crew"],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment,
            )  # fmt: skip
            crew.append(process)
            threading.Thread(target=listen, args=(number, process), daemon=True).start()
        for number in range(workers):
            left = seconds - (time.perf_counter() - begin)
            tell(number, ("job", (job, settings or Settings(), seed + 7919 * number, number, left)))
        stopping = False
        gone = 0
        while running:
            try:
                number, kind, value = inbox.get(timeout=0.1)
            except queue.Empty:
                number, kind, value = -1, "", None
            if kind == "better":
                layout, made = value
                moves[number] = made
                if best is None or layout.length < best - 1e-9:
                    best = layout.length
                    if on_better:
                        on_better(layout)
                    for other in range(workers):
                        if other != number:
                            tell(other, ("best", layout))
            elif kind == "done":
                moves[number] = value
                running -= 1
                # A search ends early only when nothing better is possible.
                stopping = _stop_all(workers, tell, stopping)
            elif kind == "gone":
                running -= 1
                gone += 1
            late = time.perf_counter() - begin > seconds + 0.2
            if not stopping and (late or (stop is not None and stop())):
                stopping = _stop_all(workers, tell, stopping)
            if time.perf_counter() - begin > seconds + 30:
                break
        if gone == workers:
            raise RuntimeError("the helper processes of the search ended early")
    finally:
        for process in crew:
            if process.stdin:
                with contextlib.suppress(OSError):
                    process.stdin.close()
            try:
                process.wait(timeout=2)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            if process.stdout:
                process.stdout.close()
    return sum(moves)


def _stop_all(workers: int, tell: Callable[[int, tuple[str, Any]], None], stopping: bool) -> bool:
    if not stopping:
        for number in range(workers):
            tell(number, ("stop", None))
    return True


def _helper() -> None:
    source, sink = sys.stdin.buffer, sys.stdout.buffer
    # Whatever a library prints must not get between the messages.
    sys.stdout = sys.stderr
    kind, value = pickle.load(source)
    if kind != "job":
        return
    job, settings, seed, number, seconds = value
    halt = threading.Event()
    news: queue.Queue[Layout] = queue.Queue()

    def listen() -> None:
        try:
            while True:
                kind, value = pickle.load(source)
                if kind == "stop":
                    halt.set()
                elif kind == "best":
                    news.put(value)
        except (EOFError, OSError, ValueError):
            halt.set()

    threading.Thread(target=listen, daemon=True).start()

    def say(kind: str, value: object) -> None:
        pickle.dump((kind, value), sink, pickle.HIGHEST_PROTOCOL)
        sink.flush()

    search = Squeeze(job, seed=seed, settings=settings, news=news, number=number)
    search.on_better = lambda layout: say("better", (layout, search.moves))
    search.run(seconds, stop=halt.is_set)
    say("done", search.moves)
    # The listening thread still waits for input: leave without the interpreter's tidying up.
    os._exit(0)


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError, KeyboardInterrupt):
        _helper()
