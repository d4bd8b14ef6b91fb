"""One run of the fuzzer: clocks and a ceiling of memory around every input, and what breaks a promise is kept."""

from __future__ import annotations

import faulthandler
import hashlib
import random
import resource
import shutil
import signal
import sys
import time
import traceback
from pathlib import Path
from types import FrameType

__all__ = ["Run", "TooLong", "guided", "plain"]

SECONDS = 10.0
"""CPU seconds that one input may take, whatever it is."""
MEGABYTES = 2048
"""Resident memory that the process may reach."""


class TooLong(BaseException):
    """An input took too long. No reader may swallow this, so it is no Exception."""


def _too_long(_number: int, _frame: FrameType | None) -> None:
    raise TooLong


class Run:
    """Counts, clocks and keeps."""

    def __init__(self, name: str, folder: Path, keep: Path, *, patient: bool = False) -> None:
        # patient: a process of its own, which may be ended if compiled code hangs; never so within the tests.
        from tests.fuzz.readers import READERS

        self.reader = READERS[name]
        self.path = folder / self.reader.file
        for beside, text in self.reader.beside().items():
            (folder / beside).write_text(text, encoding="utf-8")
        self.keep = keep
        self.answers = {"value": 0, "message": 0}
        self.faults: dict[str, int] = {}
        self.slowest = (0.0, b"")
        self.armed = 0
        self.patient = patient
        self.start = time.monotonic()
        signal.signal(signal.SIGPROF, _too_long)

    def one(self, data: bytes) -> None:
        """One input."""
        from tests.fuzz.readers import answer

        begin = time.process_time()
        # Compiled code does not hear the signal; if it hangs, the second clock ends the process and says where.
        if self.patient and self.armed % 50 == 0:  # arming it starts a thread, so not for every input
            faulthandler.dump_traceback_later(60 * SECONDS, exit=True)
        self.armed += 1
        signal.setitimer(signal.ITIMER_PROF, SECONDS)
        try:
            told = answer(self.reader, self.path, data)
        except (Exception, TooLong) as err:
            signal.setitimer(signal.ITIMER_PROF, 0)
            self._fault(data, err)
        else:
            signal.setitimer(signal.ITIMER_PROF, 0)
            self.answers[told] += 1
        took = time.process_time() - begin
        if took > self.slowest[0]:
            self.slowest = (took, data)
        used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        if used > MEGABYTES:
            self._fault(data, MemoryError(f"{used:.0f} MB"))
            raise SystemExit("too much memory")

    def _fault(self, data: bytes, err: BaseException) -> None:
        frames = traceback.extract_tb(err.__traceback__)
        place = next((f"{f.filename}:{f.lineno}" for f in reversed(frames) if "/nestcut/" in f.filename), "?")
        name = f"{type(err).__name__} at {place.rpartition('/nestcut/')[2]}: {str(err)[:200]}"
        key = name if type(err).__name__ != "TooLong" else "TooLong"
        self.faults[key] = self.faults.get(key, 0) + 1
        if self.faults[key] <= 5:
            self.keep.mkdir(parents=True, exist_ok=True)
            kept = self.keep / f"{self.reader.name}-{hashlib.sha256(data).hexdigest()[:12]}"
            kept.write_bytes(data)
            print(f"fault: {name}\n  kept as {kept}", flush=True)

    def tell(self) -> None:
        """The figures."""
        tried = sum(self.answers.values()) + sum(self.faults.values())
        print(
            f"{self.reader.name}: {tried} inputs, {self.answers['value']} values, {self.answers['message']} messages, "
            f"{sum(self.faults.values())} faults; slowest {self.slowest[0]:.2f} s CPU, "
            f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB, {time.monotonic() - self.start:.0f} s",
            flush=True,
        )


def plain(run: Run, inputs: int, seed: int) -> None:
    """Seeded changes to seeds and to what grew out of them."""
    from tests.fuzz.mutate import mutate

    rng = random.Random(seed)
    seeds = run.reader.seeds()
    grown = list(seeds)
    for data in seeds:
        run.one(data)
    for number in range(len(seeds), inputs):
        base = rng.choice(grown if rng.random() < 0.5 else seeds)
        data = mutate(base, rng, shape=run.reader.shape, words=run.reader.words, others=seeds)
        values = run.answers["value"]
        run.one(data)
        if run.answers["value"] > values and rng.random() < 0.1:  # what is still read can be damaged further
            grown.append(data)
            if len(grown) > 400:
                grown.pop(rng.randrange(len(seeds), len(grown)))
        if number % 10_000 == 0:
            run.tell()


def guided(name: str, folder: Path, keep: Path, inputs: int, seed: int) -> None:
    """Atheris: what reaches new lines of ours is changed further. Ends the process."""
    import atheris

    with atheris.instrument_imports(include=["nestcut"]):
        import nestcut.batch
        import nestcut.batch.reader
        import nestcut.checks
        import nestcut.checks.checker
        import nestcut.checks.proof.verify
        import nestcut.outlines
        import nestcut.outlines.read
        import nestcut.plans  # noqa: F401
    from tests.fuzz.mutate import mutate

    run = Run(name, folder, keep, patient=True)
    seeds = run.reader.seeds()
    corpus = folder / "corpus"
    corpus.mkdir()
    for number, data in enumerate(seeds):
        (corpus / str(number)).write_bytes(data)
    count = 0

    def custom(data: bytes, most: int, number: int) -> bytes:
        rng = random.Random(number)
        return mutate(data, rng, shape=run.reader.shape, words=run.reader.words, others=seeds)[:most]

    def test(data: bytes) -> None:
        nonlocal count
        run.one(data)
        count += 1
        if count % 10_000 == 0 or count == inputs:
            run.tell()
        if count == inputs:  # the fuzzer ends the process without a word
            shutil.rmtree(folder, ignore_errors=True)

    arguments = [
        sys.argv[0], f"-runs={inputs}", f"-seed={seed + 1}", "-timeout=300", f"-rss_limit_mb={2 * MEGABYTES}", "-max_len=60000",
        "-print_final_stats=1", "-verbosity=0", "-mutate_depth=1", str(corpus),
    ]  # fmt: skip
    atheris.Setup(arguments, test, custom_mutator=custom)
    atheris.Fuzz()
