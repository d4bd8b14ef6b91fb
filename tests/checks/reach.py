"""Which tests of the checker reach which of its lines, and how long each takes: so that a mutant meets only those.

Found once, in a forked process, with Python's own tracing; kept as a value (and by ``mutation.py`` in its file of results).
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from tests.shared.places import ROOT

__all__ = ["CHECKER", "ROOT", "TESTS", "Reach", "digest", "from_json", "measured", "run_tests"]

CHECKER = ROOT / "nestcut/checks"
TESTS = tuple(
    str(path.relative_to(ROOT))
    for path in sorted((ROOT / "tests/checks").rglob("test_*.py"))
    if path.stem not in ("test_random_plans", "test_limits")
)
"""The tests that mutants meet; ``test_random_plans`` makes hundreds of plans and ``test_limits`` waits for clocks: left out."""


@dataclass(frozen=True)
class Reach:
    """``seconds``: CPU time of each test. ``lines``: module → line → tests that reach it ("" for: at import)."""

    seconds: dict[str, float]
    lines: dict[str, dict[int, list[str]]]

    def tests(self, module: str, first: int, last: int) -> list[str]:
        """The tests that reach any of these lines, the quickest first; all of the module's where it is read at import."""
        known = self.lines.get(module, {})
        found = {test for line in range(first, last + 1) for test in known.get(line, ())}
        if "" in found:
            found = {test for tests in known.values() for test in tests} - {""}
        return sorted(found, key=lambda test: (self.seconds.get(test, 0.0), test))


def run_tests(chosen: list[str] | None, watch: Any = None) -> int:
    """Run the checker's tests in this process: these, in this order, or all; ends with pytest's code."""
    order = {name: place for place, name in enumerate(chosen or [])}

    class Chosen:
        @pytest.hookimpl(trylast=True)
        def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
            if chosen is not None:
                items[:] = sorted(
                    (item for item in items if item.nodeid in order), key=lambda item: order[item.nodeid]
                )

    files = sorted({name.partition("::")[0] for name in chosen}) if chosen is not None else TESTS
    options = ["-x", "-q", "-n", "0", "-p", "no:cacheprovider", "--rootdir", str(ROOT)]
    plugins = [Chosen()] + ([watch] if watch else [])
    return int(pytest.main([*options, *(str(ROOT / name) for name in files)], plugins=plugins))


class _Watch:
    """Notes, for each test, its seconds and the checker's lines that it runs."""

    def __init__(self) -> None:
        self.now = ""
        self.seconds: dict[str, float] = {}
        self.lines: dict[str, dict[int, set[str]]] = {}

    def trace(self, frame: FrameType, event: str, _arg: Any) -> Any:
        """Follow calls into the checker only."""
        path = frame.f_code.co_filename
        if not path.startswith(str(CHECKER)):
            return None
        seen = self.lines.setdefault(Path(path).stem, {})
        seen.setdefault(frame.f_lineno, set()).add(self.now)

        def line(frame: FrameType, event: str, _arg: Any) -> Any:
            if event == "line":
                seen.setdefault(frame.f_lineno, set()).add(self.now)
            return line

        return line

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Any:
        """One test, its fixtures included."""
        self.now = item.nodeid
        begin = time.process_time()
        sys.settrace(self.trace)  # again for each: what a test did to it does not matter
        yield
        sys.settrace(None)
        self.seconds[item.nodeid] = time.process_time() - begin
        self.now = ""


def measured() -> Reach:
    """Run all tests once, watched, in a forked process.

    Raises: RuntimeError when they fail: mutants say nothing then.
    """
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder) / "reach.json"
        child = os.fork()
        if child == 0:
            code = 1
            try:
                null = os.open(os.devnull, os.O_WRONLY)
                os.dup2(null, 1)
                watch = _Watch()
                sys.settrace(watch.trace)  # for what runs at import
                code = run_tests(None, watch)
                lines = {
                    module: {line: sorted(tests) for line, tests in seen.items()}
                    for module, seen in watch.lines.items()
                }
                told.write_text(json.dumps({"seconds": watch.seconds, "lines": lines}), encoding="utf-8")
            finally:
                os._exit(code)
        _, status = os.waitpid(child, 0)
        if status != 0:
            raise RuntimeError("the checker's tests fail without any mutant")
        return from_json(json.loads(told.read_text("utf-8")))


def digest() -> str:
    """A digest of the checker and its tests: what the reach depends on."""
    every = hashlib.sha256()
    for path in sorted([*CHECKER.rglob("*.py"), *(ROOT / "tests/checks").rglob("*.py")]):
        if path.stem not in ("mutation", "reach"):
            every.update(path.read_bytes())
    return every.hexdigest()


def from_json(value: dict[str, Any]) -> Reach:
    """A reach from its JSON value."""
    return Reach(
        value["seconds"],
        {
            module: {int(line): list(tests) for line, tests in seen.items()}
            for module, seen in value["lines"].items()
        },
    )
