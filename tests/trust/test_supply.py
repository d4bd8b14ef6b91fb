"""What nestcut leans on: bounded, tested at its lowest, licensed, and silent on the network."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from tests.shared.places import ROOT
from tests.trust.jobs import run_python

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def parts(version: str) -> tuple[int, ...]:
    """A version as numbers: "1.26.4" → (1, 26, 4)."""
    return tuple(int(part) for part in version.split("."))


@pytest.mark.parametrize("requirement", PROJECT["dependencies"])
def test_dependencies_have_both_bounds_and_the_lowest_is_tested(requirement: str) -> None:
    """Each dependency has a lower and an upper bound, and .ci/lowest.txt pins the lowest that goes with the others."""
    found = re.fullmatch(r"([a-z0-9-]+)>=([\d.]+),<([\d.]+)", requirement)
    assert found, requirement
    name, lower, upper = found.groups()
    pins = dict(
        re.findall(r"^([a-z0-9-]+)==([\d.]+)$", (ROOT / ".ci/lowest.txt").read_text("utf-8"), re.MULTILINE)
    )
    assert parts(lower) <= parts(pins[name]) < parts(upper)
    assert parts(pins[name])[:1] == parts(lower)[:1], "the pin has to be near the lower bound"


def test_every_package_has_its_licence_in_the_table() -> None:
    """docs/licences.md names all that is installed along with nestcut."""
    done = run_python(str(ROOT / "scripts/licences"), "--check")
    assert done.returncode == 0, done.stderr


FORBIDDING = """
import os, sys
def watch(event, args):
    # Local sockets (Unix) let worker processes talk; anything that could leave the machine is refused.
    if event == "socket.__new__" and args[1] in (2, 10):
        raise PermissionError(f"a socket of family {args[1]} was asked for")
    if event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.sendto", "urllib.Request", "http.client.connect"):
        raise PermissionError(event)
sys.addaudithook(watch)
from nestcut.cli import main
sys.argv = ["nestcut", *sys.argv[1:]]
main()
"""


def test_demo_needs_no_network(tmp_path: Path) -> None:
    """demo and check do their work with sockets forbidden."""
    # On a busy machine a short demo may leave something uncut (1): that is no matter here.
    for arguments, fine in ((["demo", "--seconds", "6", "--out", "out"], (0, 1)), (["check", "out"], (0,))):
        done = run_python("-c", FORBIDDING, *arguments, folder=tmp_path)
        assert done.returncode in fine, done.stderr[-2000:]
    assert (tmp_path / "out" / "run-sheet.html").is_file()


def test_the_ban_on_sockets_bites(tmp_path: Path) -> None:
    """The test above could fail: a socket is refused under the same hook."""
    code = FORBIDDING.partition("from nestcut")[0] + "import socket\nsocket.socket()\n"
    done = run_python("-c", code, folder=tmp_path, seconds=60)
    assert done.returncode != 0
    assert "family 2" in done.stderr
