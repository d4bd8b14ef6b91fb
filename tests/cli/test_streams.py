"""What is told goes to screens, files and pipes of every kind: no traceback, no code 70, nothing but the message."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from nestcut.cli.screen import Screen, spelled
from tests.shared.places import ROOT

FULL = Path("/dev/full")

COMMANDS = [
    ["--help"],
    ["--version"],
    ["dies"],
    ["dies", "--json"],
    ["estimate", "batch.toml", "--what-if"],
    ["fill", "A6", "--die", "campion", "--seconds", "1"],
    ["plan", "batch.toml", "--out", "out", "--seconds", "3"],
    ["plan", "batch.toml", "--out", "out", "--seconds", "3", "--json"],
    ["estimate", "nowhere-ä.toml"],
]


def run(arguments: list[str], folder: Path, **more) -> subprocess.CompletedProcess[bytes]:  # type: ignore[no-untyped-def]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **more.pop("env", {})}
    return subprocess.run(
        [sys.executable, "-m", "nestcut", *arguments],
        cwd=folder,
        env=environment,
        timeout=300,
        check=False,
        **more,
    )


@pytest.mark.parametrize("arguments", COMMANDS, ids=" ".join)
@pytest.mark.first(2)
def test_ascii_terminals_get_plainer_letters(arguments: list[str], folder: Path) -> None:
    """Everything is ASCII, JSON stays JSON, exit codes stay as they are."""
    ascii_only = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii"}
    result = run(arguments, folder, env=ascii_only, capture_output=True)
    assert result.returncode == (2 if "nowhere-ä.toml" in arguments else 0), result.stderr.decode()
    text = result.stdout.decode("ascii") + result.stderr.decode("ascii")
    assert "Traceback" not in text
    if "--json" in arguments:
        assert json.loads(result.stdout)


@pytest.mark.skipif(not FULL.exists(), reason="no device that is always full")
@pytest.mark.parametrize("arguments", COMMANDS[:-1], ids=" ".join)
@pytest.mark.first(2)
def test_a_full_disk_is_said_in_a_sentence(arguments: list[str], folder: Path) -> None:
    """Standard output on /dev/full: one message and 2; a plan is written all the same."""
    with FULL.open("wb") as full:
        result = run(arguments, folder, stdout=full, stderr=subprocess.PIPE)
    said = result.stderr.decode()
    assert result.returncode == 2, said
    assert "can't be written (No space left on device)" in said
    assert "Traceback" not in said
    assert "Exception ignored" not in said
    if arguments[0] == "plan":
        assert (folder / "out" / "plan.json").exists()


@pytest.mark.skipif(not FULL.exists(), reason="no device that is always full")
def test_progress_that_nobody_can_read_is_no_fault(folder: Path) -> None:
    """Standard error on /dev/full: the plan is made and told."""
    with FULL.open("wb") as full:
        result = run(COMMANDS[-3], folder, stdout=subprocess.PIPE, stderr=full)
    assert result.returncode == 0
    assert b"2 passes, the fewest possible" in result.stdout


@pytest.mark.parametrize("arguments", COMMANDS[:-1], ids=" ".join)
@pytest.mark.first(2)
def test_a_cut_pipe_is_a_quiet_end(arguments: list[str], folder: Path) -> None:
    """The reader is gone before the first word: nothing is said, and the code is that of SIGPIPE."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        result = run(arguments, folder, stdout=writing, stderr=subprocess.PIPE)
    finally:
        os.close(writing)
    said = result.stderr.decode()
    assert result.returncode == 141, said
    for word in ("Error", "Traceback", "Exception", "Broken"):
        assert word not in said


def test_without_any_stream_it_works_all_the_same(folder: Path) -> None:
    """Standard output and error closed (``>&- 2>&-``)."""
    command = f'"{sys.executable}" -m nestcut plan batch.toml --out out --seconds 3 >&- 2>&-'
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    assert subprocess.run(["sh", "-c", command], cwd=folder, env=environment, check=False).returncode == 0
    assert (folder / "out" / "plan.json").exists()


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("12 × 34 mm²", "12 x 34 mm2"),
        ("Größe – ½ °", "Grosse - 1/2  deg"),
        ("紙\udcff", "??"),
        ("┏━┓", "???"),
        ("plain", "plain"),
    ],
)
def test_letters_are_spelled_out(text: str, plain: str) -> None:
    """Known spellings; what has none is a question mark."""
    assert spelled(text, "ascii") == plain


def test_letters_that_the_encoding_has_stay() -> None:
    """Latin 1 has × and ², but no dash; UTF-8 has all but halves of letters."""
    assert spelled("3 × 4 mm² – é", "latin-1") == "3 × 4 mm² - é"
    assert spelled("3 × 4 mm² – é \udcff", "utf-8") == "3 × 4 mm² – é ?"


def test_a_screen_takes_text_only_and_hides_its_bytes() -> None:
    """Libraries that look for the bytes behind it find none and write text to it."""
    below = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    screen = Screen(below, needed=True)
    assert not hasattr(screen, "buffer")
    with pytest.raises(TypeError):
        screen.write(b"")  # type: ignore[arg-type]
    screen.write("2 × 3")
    screen.flush()
    assert below.buffer.getvalue() == b"2 x 3"  # type: ignore[attr-defined]


@pytest.mark.parametrize("after_s", [0.03, 0.06, 0.1, 0.2, 0.4, 0.8])
@pytest.mark.parametrize(
    "arguments", [["plan", "batch.toml", "--out", "out"], ["dies"], ["estimate", "batch.toml"]]
)
@pytest.mark.first(3)
def test_ctrl_c_at_once(arguments: list[str], after_s: float, folder: Path) -> None:
    """From the moment that our own code runs: no traceback, and 130 unless it was done before."""
    process = subprocess.Popen(
        [sys.executable, "-c", HEARD, *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "heard\n"
    time.sleep(after_s)
    process.send_signal(signal.SIGINT)
    output, said = process.communicate(timeout=200)
    assert "Traceback" not in output + said
    assert "KeyboardInterrupt" not in output + said
    if process.returncode != 0:  # it was quicker
        assert process.returncode == 130, said
        assert "Stopp" in said


HEARD = """
import sys
from nestcut import _stop
hear = _stop.hear_ctrl_c
def heard():
    hear()
    print("heard", flush=True)
_stop.hear_ctrl_c = heard
from nestcut.__main__ import main
main()
"""
"""The command as it is, but it says when Ctrl-C is heard: how long Python itself takes to begin is not ours."""


def test_little_is_loaded_before_ctrl_c_is_heard() -> None:
    """No library, and of Python's own only what ``signal`` needs: each millisecond before it ends in a traceback."""
    code = (
        "import sys; before = set(sys.modules); import nestcut.__main__;"
        "print(*(name for name in set(sys.modules) - before if not name.startswith('nestcut')))"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    told = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    signals = {
        "signal",
        "enum",
        "types",
        "operator",
        "functools",
        "collections",
        "keyword",
        "reprlib",
        "itertools",
    }
    assert {name.strip("_").split(".")[0] for name in told.stdout.split()} <= {*signals, "abc", "future"}
