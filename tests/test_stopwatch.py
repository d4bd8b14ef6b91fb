"""The clock of a plan stands still while kernels are compiled."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from nestcut import _stopwatch
from nestcut.placement.shapes.compiled import kernel


@pytest.fixture(autouse=True)
def nobody_told() -> Iterator[None]:
    _stopwatch.tell_of_compiling(None)
    yield
    _stopwatch.tell_of_compiling(None)


def doubled(x: float) -> float:
    return x + x


def test_compiling_takes_no_time_and_is_told_once(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("numba.core.config.CACHE_DIR", str(tmp_path))
    said: list[str] = []
    _stopwatch.tell_of_compiling(lambda: said.append("compiling"))
    begin, wall = _stopwatch.seconds(), time.monotonic()
    one, two = kernel(doubled), kernel(doubled)
    assert one(2.0) == 4.0
    spent = _stopwatch.seconds() - begin
    lost = time.monotonic() - wall - spent
    # What is lost is the compiling, which takes far longer than all else here; it is lost once.
    assert said == ["compiling"]
    assert lost > 0.0
    assert two(2) == 4
    assert said == ["compiling"]


def test_what_is_compiled_within_counts_once() -> None:
    begin = _stopwatch.seconds()
    _stopwatch.compiling_begins()
    _stopwatch.compiling_begins()
    time.sleep(0.05)
    _stopwatch.compiling_ends()
    stood = _stopwatch.seconds()
    time.sleep(0.05)
    assert _stopwatch.seconds() == stood
    _stopwatch.compiling_ends()
    assert stood >= begin
    # It goes on from where it stood.
    assert _stopwatch.seconds() >= stood
