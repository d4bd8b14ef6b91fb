"""Whatever is in a file: a valid value or one clear message, soon, in bounded memory. The short run of the fuzzer.

The long ones (100,000 inputs a reader) are run by hand: see docs/promises.md.
"""

from __future__ import annotations

import random
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.mutate import mutate
from tests.fuzz.readers import READERS, BrokenPromiseError, Reader, answer, printable
from tests.fuzz.run import Run, plain

KEPT = sorted((Path(__file__).parent / "kept").iterdir())
"""Inputs that once broke something: ``<reader>-<hash>``, or ``<reader>-<what it was>``."""

calm = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


def prepared(reader: Reader, folder: Path) -> Path:
    """The path for inputs, with the files that lie beside it."""
    for name, text in reader.beside().items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder / reader.file


@pytest.mark.parametrize("name", READERS)
def test_seeds_are_read(name: str, tmp_path: Path) -> None:
    """What the fuzzer starts from is good, or it would only ever see the first lines of a reader."""
    reader = READERS[name]
    path = prepared(reader, tmp_path)
    assert [answer(reader, path, data) for data in reader.seeds()].count("value") >= 0.6 * len(reader.seeds())


@pytest.mark.parametrize("name", READERS)
def test_short_seeded_run(name: str, tmp_path: Path) -> None:
    """250 inputs, always the same ones: no fault."""
    run = Run(name, tmp_path, tmp_path / "kept")
    plain(run, 250, seed=20261125)
    assert run.faults == {}
    assert run.answers["value"] >= 5
    assert run.answers["message"] >= 100


@pytest.mark.parametrize("name", READERS)
def test_any_change_of_a_good_file(name: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Hypothesis looks for a change, and for the simplest one, that breaks the promise."""
    reader = READERS[name]
    path = prepared(reader, tmp_path_factory.mktemp("fuzz"))
    seeds = reader.seeds()

    @calm
    @given(st.sampled_from(seeds), st.integers(0, 10_000), st.binary(max_size=8), st.integers(0, 400))
    def run(data: bytes, number: int, noise: bytes, at: int) -> None:
        rng = random.Random(number)
        data = mutate(data, rng, shape=reader.shape, words=reader.words, others=seeds)
        answer(reader, path, data[:at] + noise + data[at:])

    run()


@pytest.mark.parametrize("kept", KEPT, ids=lambda path: path.name)
def test_what_once_broke_something(kept: Path, tmp_path: Path) -> None:
    """Inputs that the long runs found stay harmless."""
    reader = max((r for r in READERS.values() if kept.name.startswith(r.name)), key=lambda r: len(r.name))
    path = prepared(reader, tmp_path)
    begin = time.process_time()
    assert answer(reader, path, kept.read_bytes()) in ("value", "message")
    assert time.process_time() - begin < 10


def test_the_fuzzer_sees_faults(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader with a bug, one that hangs, one that says nothing useful: each is found out."""

    def buggy(path: Path) -> Any:
        raise KeyError(path.read_bytes()[:3])

    def endless(_path: Path) -> Any:
        while True:
            time.sleep(0)

    for read, fault in (
        (buggy, "KeyError"),
        (endless, "TooLong"),
        (lambda _path: None, "BrokenPromiseError"),
    ):
        broken = Reader("svg", "a.svg", read, bool, lambda: [b"<svg/>"], ("x",), "text")
        monkeypatch.setitem(READERS, "svg", broken)
        monkeypatch.setattr("tests.fuzz.run.SECONDS", 0.2)
        run = Run("svg", tmp_path, tmp_path / "kept")
        run.one(b"<svg/>")
        assert [name.partition(" ")[0] for name in run.faults] == [fault]


def test_messages_steer_no_terminal(tmp_path: Path) -> None:
    """Escape codes that a file holds do not reach the screen."""
    reader = READERS["svg"]
    path = tmp_path / reader.file
    data = (
        '<svg xmlns="http://www.w3.org/2000/svg"><g id="\u009b31m\u202e" transform="spin(\u009b2J)"/></svg>'
    )
    assert answer(reader, path, data.encode()) == "message"
    with pytest.raises(BrokenPromiseError, match="in it"):
        printable("\x1b[31m")
