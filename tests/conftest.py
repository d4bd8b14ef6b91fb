"""What all tests share."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest


@pytest.fixture(scope="session", autouse=True)
def no_fit_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No-fit regions are kept in a folder of the test run's own, not among the user's caches."""
    before = os.environ.get("NESTCUT_CACHE")
    os.environ["NESTCUT_CACHE"] = before or str(tmp_path_factory.mktemp("cache"))
    yield
    if before is None:
        del os.environ["NESTCUT_CACHE"]
