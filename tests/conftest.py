"""What all tests share.

``TEST_SECONDS=folder pytest`` writes into the folder, a file a process, what each test took: CPU seconds (its own and those
of processes that it waited for) and seconds on the wall. CPU seconds are what decides which tests bear the mark ``thorough``.
"""

from __future__ import annotations

import json
import os
import resource
import time
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture(scope="session", autouse=True)
def no_fit_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No-fit regions are kept in a folder of the test run's own, not among the user's caches."""
    before = os.environ.get("NESTCUT_CACHE")
    os.environ["NESTCUT_CACHE"] = before or str(tmp_path_factory.mktemp("cache"))
    yield
    if before is None:
        del os.environ["NESTCUT_CACHE"]


def _cpu_seconds() -> float:
    """CPU seconds of this process and of those that it has waited for."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Notes what a test took, its fixtures included, where ``TEST_SECONDS`` names a folder."""
    cpu, wall = _cpu_seconds(), time.perf_counter()
    result = yield
    if folder := os.environ.get("TEST_SECONDS"):
        took = [round(_cpu_seconds() - cpu, 3), round(time.perf_counter() - wall, 3)]
        with Path(folder, f"{os.environ.get('PYTEST_XDIST_WORKER', 'main')}.jsonl").open(
            "a", encoding="utf-8"
        ) as file:
            file.write(json.dumps([item.nodeid, *took]) + "\n")
    return result


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """``@pytest.mark.first(n)``: the first n cases of a family are quick tests, the others bear the mark ``thorough``."""
    seen: dict[str, int] = {}
    for item in items:
        if mark := item.get_closest_marker("first"):
            family = item.nodeid.partition("[")[0]
            seen[family] = seen.get(family, 0) + 1
            if seen[family] > mark.args[0]:
                item.add_marker("thorough")
