"""Bad input ends in one clear message and exit code 2, and nothing is written."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from nestcut.cli import app
from tests.shared.small_job import BATCH, SVG

Change = Callable[[Path], None]


def with_batch(old: str, new: str) -> Change:
    """Write the batch with one passage changed."""
    assert old in BATCH

    def change(folder: Path) -> None:
        (folder / "batch.toml").write_text(BATCH.replace(old, new), encoding="utf-8")

    return change


def with_outline(text: str | bytes) -> Change:
    """Write another drawing of the die."""

    def change(folder: Path) -> None:
        (folder / "leaf.svg").write_bytes(text.encode() if isinstance(text, str) else text)

    return change


def remove(name: str) -> Change:
    return lambda folder: (folder / name).unlink()


BILLION_LAUGHS = (
    '<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY a "ha">'
    + "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True))
    + ']><svg xmlns="http://www.w3.org/2000/svg"><title>&i;</title></svg>'
)
EXTERNAL = (
    '<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
    '<svg xmlns="http://www.w3.org/2000/svg"><title>&x;</title></svg>'
)

CASES: dict[str, tuple[Change, str]] = {
    "no batch file": (remove("batch.toml"), "batch.toml"),
    "no outline file": (remove("leaf.svg"), "leaf.svg"),
    "not a TOML file": (with_batch("[machine]", "[machine"), "batch.toml"),
    "not an SVG": (with_outline("hello"), "leaf.svg"),
    "empty file": (with_outline(""), "leaf.svg"),
    "nothing drawn": (with_outline(SVG.format(w=9, h=9, inner="")), "leaf.svg"),
    "empty path": (with_outline(SVG.format(w=9, h=9, inner='<path d=""/>')), "leaf.svg"),
    "self-crossing": (with_outline(SVG.format(w=9, h=9, inner='<path d="M0 0L9 9L9 0L0 9Z"/>')), "cross"),
    "zero area": (with_outline(SVG.format(w=9, h=9, inner='<path d="M0 0L9 0L4 0Z"/>')), "leaf.svg"),
    "not a number": (with_outline(SVG.format(w=9, h=9, inner='<path d="M0 0LNaN 3L9 9Z"/>')), "leaf.svg"),
    "huge number": (with_outline(SVG.format(w=9, h=9, inner='<path d="M0 0L1e300 3L9 9Z"/>')), "leaf.svg"),
    "larger than the plate": (
        with_outline(SVG.format(w=400, h=400, inner='<path d="M0 0H300V300H0Z"/>')),
        "plate",
    ),
    "billion laughs": (with_outline(BILLION_LAUGHS), "leaf.svg"),
    "external entity": (with_outline(EXTERNAL), "leaf.svg"),
    "50 MB drawing": (
        with_outline(b"<svg xmlns='http://www.w3.org/2000/svg'><!--" + b"x" * 50_000_000 + b"--></svg>"),
        "leaf.svg",
    ),
    "unknown die": (with_batch('die = "leaf"', 'die = "laef"'), "leaf"),
    "unknown paper": (with_batch('paper = "red", count = 1', 'paper = "rde", count = 1'), "red"),
    "unknown key": (with_batch("rim = 1.6", "rimm = 1.6"), "rim"),
    "negative count": (with_batch('paper = "red", count = 1', 'paper = "red", count = -1'), "count"),
    "negative kits": (with_batch("kits = 2", "kits = -2"), "kits"),
    "scrap listed twice": (
        with_batch(
            "[dies.leaf]",
            '[[scraps]]\nid="a"\npaper="red"\nsize=[9,9]\n[[scraps]]\nid="a"\npaper="red"\nsize=[9,9]\n[dies.leaf]',
        ),
        "a",
    ),
    "length without sense": (with_batch("size = [100, 100]", 'size = ["ten", 100]'), "ten"),
    "not a number in TOML": (with_batch("size = [100, 100]", "size = [nan, 100]"), "size"),
    "no plate": (with_batch("plate = [150, 220]", ""), "plate"),
    "window smaller than nothing": (
        with_batch("plate = [150, 220]", "plate = [150, 220]\nclear = 80"),
        "clear",
    ),
}


@pytest.mark.parametrize("case", CASES, ids=list(CASES))
@pytest.mark.parametrize("command", ["plan", "estimate"])
def test_bad_input_is_told_in_plain_words(folder: Path, case: str, command: str) -> None:
    """One message with file, key and mend, exit code 2, nothing written."""
    change, word = CASES[case]
    change(folder)
    before = sorted(p.name for p in folder.iterdir())
    options = ["--out", "out", "--seconds", "2"] if command == "plan" else []
    result = CliRunner().invoke(app, [command, "batch.toml", *options])
    assert result.exit_code == 2, result.output
    assert result.exception is None or isinstance(result.exception, SystemExit)
    assert result.output.startswith("Error: "), result.output
    assert word in result.output
    assert "To mend:" in result.output
    assert "Traceback" not in result.output
    assert sorted(p.name for p in folder.iterdir()) == before


@pytest.mark.skipif(os.name == "nt", reason="folders have other permissions there")
def test_unwritable_output_is_refused_before_planning(folder: Path) -> None:
    """A file in the way of the output folder is told at once."""
    (folder / "taken").write_text("mine", encoding="utf-8")
    result = CliRunner().invoke(app, ["plan", "batch.toml", "--out", "taken/deeper"])
    assert result.exit_code == 2, result.output
    assert "To mend:" in result.output
    assert (folder / "taken").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "plan.json"),
        ("[]", "plan.json"),
        ('{"format": "nestcut-plan", "version": 99}', "version"),
        ("{" * 5000, "plan.json"),
    ],
)
def test_broken_plan_file_is_refused(tmp_path: Path, text: str, word: str) -> None:
    """check reads any file and never shows a traceback."""
    path = tmp_path / "plan.json"
    path.write_text(text, encoding="utf-8")
    result = CliRunner().invoke(app, ["check", str(path)])
    assert result.exit_code == 2, result.output
    assert result.output.startswith("Error: ")
    assert word in result.output


@pytest.mark.parametrize(
    ("args", "word"),
    [
        (["fill", "100 x nonsense", "--die", "campion"], "nonsense"),
        (["fill", "A5", "--die", "campio"], "campion"),
        (["fill", "A5", "--die", "campion", "--ratio", "3,1"], "--ratio"),
        (["fill", "A5", "--die", "campion", "--turns", "sideways"], "--turns"),
        (["fill", "A5", "--die", "campion", "--keep-whole"], "--count"),
        (["estimate", "batch.toml", "--kits", "twelve"], "--kits"),
        (["dies", "nowhere.svg"], "nowhere.svg"),
    ],
)
def test_bad_options_are_told_in_plain_words(folder: Path, args: list[str], word: str) -> None:
    """A wrong option names itself and the mend."""
    result = CliRunner().invoke(app, args)
    assert result.exit_code == 2, result.output
    assert word in result.output
    assert "To mend:" in result.output
