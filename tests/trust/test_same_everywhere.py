"""The same inputs give the same layouts and plans on any processor, to the last bit.

Another processor is played by settings of the libraries: the kernels that OpenBLAS takes, the instructions that numpy and
the C library may use. Run with ``NUMBA_CPU_NAME=generic`` (as .ci/run does) these tests also compare kernels that were compiled for no
processor in particular with those for this one; that compiles all of them anew.
"""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from tests.shared.places import ROOT
from tests.trust.same import QUICK

pytestmark = pytest.mark.timeout(900)  # kernels may have to be compiled first

OWN = (
    "OPENBLAS_CORETYPE",
    "NPY_DISABLE_CPU_FEATURES",
    "GLIBC_TUNABLES",
    "NUMBA_CPU_NAME",
    "NUMBA_CPU_FEATURES",
)


def dispatched() -> str:
    """The instructions beyond the least that this numpy has loops for and this processor has."""
    try:
        from numpy._core import _multiarray_umath as core
    except ImportError:  # numpy 1
        from numpy.core import _multiarray_umath as core
    return " ".join(name for name in core.__cpu_dispatch__ if core.__cpu_features__.get(name))


def plain() -> dict[str, str]:
    """The environment without any of these settings, and without layouts that were kept from earlier runs."""
    kept = {name: value for name, value in os.environ.items() if name not in OWN}
    return {**kept, "PYTHONPATH": str(ROOT), "NESTCUT_CACHE": "off"}


def digests(environment: dict[str, str]) -> dict[str, str]:
    """What :mod:`tests.trust.same` prints in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.trust.same"],
        cwd=ROOT, env=environment, capture_output=True, text=True, check=False, timeout=850,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    return dict(line.split() for line in done.stdout.splitlines())


@pytest.fixture(scope="module")
def here() -> dict[str, str]:
    """On this processor as it is."""
    found = digests(plain())
    assert list(found) == list(QUICK)
    return found


@pytest.mark.thorough
def test_an_old_processor_makes_the_same(here: dict[str, str]) -> None:
    """Without AVX and fused products in OpenBLAS, numpy and the C library."""
    old = {
        "OPENBLAS_CORETYPE": "Nehalem",
        "NPY_DISABLE_CPU_FEATURES": dispatched(),
        "GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX2,-FMA,-FMA4,-AVX512F,-AVX2_Usable,-FMA_Usable,-FMA4_Usable",
    }
    assert digests({**plain(), **old}) == here


def test_the_environment_of_this_run_makes_the_same(here: dict[str, str]) -> None:
    """With whatever kernels and targets this run was asked to take; other hash seeds besides."""
    asked = {name: os.environ[name] for name in OWN if name in os.environ}
    assert digests({**plain(), **asked, "PYTHONHASHSEED": "7"}) == here
