"""What is wrong in a batch is said once, with file, key, value and mend; nothing ends in a traceback."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

import pytest

from nestcut.batch import read_batch
from nestcut.errors import BatchError, InputError, NestcutError
from tests.shared.batch_files import SMALL, SVG, write_evening, write_small

PIECE = '{ die = "disc", paper = "red", count = 3 }'

CASES: list[tuple[str, str, str, tuple[str, ...], str]] = [
    # (old text, new text, place, words in what is wrong (the value among them), words in the mend)
    # -- keys
    ("clear = 2", "claer = 2", "machine.claer", ('"claer" is not known',), '"clear"'),
    ("clear = 2", "web = 2", "machine.web", ('"web" is not known',), "[hand]"),
    ("clear = 2", "zzz = 2", "machine.zzz", ('"zzz" is not known',), "known keys here: plate"),
    ("[class]", "[clas]", "clas", ('"clas" is not known',), '"class"'),
    ("kits = 2", "kit = 2", "class.kit", ('"kit" is not known',), '"kits"'),
    ("circle = 20", "circel = 20", "dies.disc", ("circel",), ""),
    (PIECE, '{ dye = "disc", paper = "red" }', "cards no. 1, pieces no. 1, dye", ('"dye"',), '"die"'),
    ("plate = [100, 150]", "", "machine.plate", ('"plate" is missing',), "plate = [150, 220]"),
    ('name = "one"\n', "", "cards no. 1, name", ('"name" is missing',), "name ="),
    ("[machine]\nplate = [100, 150]\nclear = 2\n", "", "machine", ('"machine" is missing',), "[machine]"),
    ("[machine]", "wishes = 3\n[machine]", "wishes", ("3 stands where a table belongs",), "[wishes]"),
    ("[[scraps]]", "[scraps]", "scraps", (), "[[scraps]]"),
    # -- lengths
    ("plate = [100, 150]", "plate = 100", "machine.plate", ("100 is not a pair",), "[width, length]"),
    ("plate = [100, 150]", "plate = [100]", "machine.plate", ("[100] is not a pair",), "[width, length]"),
    ("plate = [100, 150]", "plate = [0, 150]", "machine.plate", ("0 is too small",), "above 0"),
    ("plate = [100, 150]", "plate = [1e99, 150]", "machine.plate", ("1e+99",), "10 m"),
    ("clear = 2", "clear = -1", "machine.clear", ("-1",), "0 or more"),
    ("clear = 2", "clear = nan", "machine.clear", ("nan",), "write it like"),
    ("clear = 2", "clear = inf", "machine.clear", ("inf",), "write it like"),
    ("clear = 2", "clear = true", "machine.clear", ("true is not a length",), "number of mm"),
    ("clear = 2", 'clear = "2 parsec"', "machine.clear", ('"2 parsec"',), "mm"),
    ("clear = 2", "clear = 50", "machine.clear", ("50 mm", "leaves nothing"), "less than half"),
    ("clear = 2", "clear = 2\nload_limit = 0", "machine.load_limit", ("0 is too small",), "above 0"),
    ("size = [60, 80]", 'size = "A55"', "scraps no. 1, size", ('"A55" is not known',), '"a5"'),
    ("size = [60, 80]", 'size = [60, "wide"]', "scraps no. 1, size", ('"wide"',), "write it like"),
    ("size = [60, 80]", "circle = 0", "scraps no. 1, circle", ("0 is too small",), "above 0"),
    # -- words
    ("clear = 2", 'dies = "overr"', "machine.dies", ('"overr"',), '"over"'),
    ('"stripe"', '"diagonal"', "papers.white.direction", ('"diagonal"',), '"none" or "stripe" or "up"'),
    ('"#a4452c"', '"red"', "papers.red.swatch", ('"red" is not a colour',), "#rrggbb"),
    ('"#a4452c"', "'#a4452c\" onload=\"x'", "papers.red.swatch", ("is not a colour",), "#rrggbb"),
    ("circle = 20", 'circle = 20\npieces = "both"', "dies.disc.pieces", ('"both"',), '"nested" or "separate"'),
    ("web = 2.5", 'web = 2.5\npapers = "Square"', "hand.papers", ('"Square"',), '"square"'),
    ("circle = 20", 'circle = 20\nmirror = "no"', "dies.disc.mirror", ('"no"',), "true or false"),
    ('"18:30"', '"half past six"', "evening.start", ('"half past six"',), '"18:30"'),
    ('"18:30"', '"24:00"', "evening.start", ('"24:00"',), '"18:30"'),
    ("[class]", '[wishes]\norder = ["speed"]\n[class]', "wishes.order", ('"speed"',), '"passes"'),
    ("[class]", '[wishes]\norder = ["paper", "paper"]\n[class]', "wishes.order", ('"paper" is listed twice',), "once"),
    ("[class]", '[wishes]\nextra_passes = "few"\n[class]', "wishes.extra_passes", ('"few"', "passes"), "10 %"),
    ("[class]", "[wishes]\nextra_passes = -1\n[class]", "wishes.extra_passes", ("-1 is too small",), "0 or more"),
    # -- counts
    ("kits = 2", "kits = 0", "class.kits", ("0 is too small",), "1 or more"),
    ("kits = 2", "kits = -3", "class.kits", ("-3 is too small",), "1 or more"),
    ("kits = 2", "kits = 2.5", "class.kits", ("2.5 is not a whole number",), "whole number"),
    ("kits = 2", "kits = 2_000_000", "class.kits", ("2000000 is too large",), "1,000,000"),
    ("kits = 2", 'kits = "many"', "class.kits", ('"many"',), "whole number"),
    ("spares = 1", "spares = -1", "class.spares", ("-1 is too small",), "0 or more"),
    ("spares = 1", 'spares = "ten"', "class.spares", ('"ten"',), "10 %"),
    ("spares = 1", 'spares = "-5 %"', "class.spares", ('"-5 %"',), "10 %"),
    ("count = 3 }", "count = 0 }", "cards no. 1, pieces no. 1, count", ("0 is too small",), "1 or more"),
    ("count = 3 }", "count = -3 }", "cards no. 1, pieces no. 1, count", ("-3 is too small",), "1 or more"),
    ("circle = 20", "circle = 20\ncopies = 0", "dies.disc.copies", ("0 is too small",), "1 or more"),
    ("circle = 20", "circle = 20\ncopies = 101", "dies.disc.copies", ("101 is too large",), "100"),
    ("circle = 20", "circle = 20\ntrips = 0", "dies.disc.trips", ("0 is too small",), "1 or more"),
    ("size = [60, 80]", "size = [60, 80]\ncount = 0", "scraps no. 1, count", ("0 is too small",), "1 or more"),
    ("size = [60, 80]", "size = [60, 80]\ncount = 5000", "scraps", ("5,001 scraps are too many",), "5,000"),
    ("kits = 2", "kits = 1_000_000", "class.kits", (), ""),
    # -- names and what they refer to
    ('paper = "red", count', 'paper = "rde", count', "cards no. 1, pieces no. 1", ('paper "rde"',), '"red"'),
    ('die = "disc"', 'die = "disk"', "cards no. 1, pieces no. 1", ('die "disk"',), '"disc"'),
    ('"tag"]', '"bow"]', "cards no. 1, pieces no. 2", ('die "bow" is not known',), "[dies.bow], or use one of: disc"),
    ('paper = "red"\nsize', 'paper = "green"\nsize', "scraps no. 1", ('paper "green"',), "[papers.green]"),
    ('paper = "red"\nsize', 'paper = "sea green"\nsize', "scraps no. 1", ('"sea green"',), '[papers."sea green"]'),
    ('paper = "red"\nsize', 'paper = ""\nsize', "scraps no. 1, paper", ("name is empty",), "give it a name"),
    ('paper = "red"\nsize', 'paper = "red "\nsize', "scraps no. 1, paper", ('"red "', "space"), "remove"),
    ('name = "one"', 'name = "a\\u0007b"', "cards no. 1, name", ("U+0007",), "remove"),
    ('name = "one"', f'name = "{"x" * 81}"', "cards no. 1, name", ("too long",), "80"),
    ("[papers.red]", '[papers." "]', "papers", ("name is empty",), ""),
    ("[dies.tag]", "[dies.'a\u202eb']", "dies", ("U+202E",), "remove"),
    ('["disc", "tag"]', "[]", "cards no. 1, pieces no. 2, any_of", ("[] is not a list of names",), "["),
    ('["disc", "tag"]', '["tag", "tag"]', "cards no. 1, pieces no. 2, any_of", ('"tag" is listed twice',), "once"),
    ('die = "disc",', 'die = "disc", any_of = ["tag"],', "cards no. 1, pieces no. 1", ("both",), "one of them"),
    ('die = "disc", ', "", "cards no. 1, pieces no. 1", ('neither "die" nor "any_of"',), "one of them"),
    (', paper = "red", count', ", count", "cards no. 1, pieces no. 1", ('neither "paper" nor "papers"',), "one of them"),
    # -- shapes
    ("circle = 20", "circle = 20\noval = [20, 30]", "dies.disc.outline", ("circle and oval", "at once"), "give one of"),
    ("circle = 20", "circle = 20\ncorner = 3", "dies.disc.outline", ("corner radius",), "remove corner"),
    ("rectangle = [20, 30]", "rectangle = [20, 30]\ncorner = 11", "dies.tag.outline", ("11 mm",), "10 mm"),
    ("size = [60, 80]", "", "scraps no. 1", ("no shape",), "size"),
    ("circle = 20", 'outline = "disc.svg"', "dies.disc.outline", ('no file "disc.svg"',), "path"),
    ("circle = 20", 'outline = "disc.png"', "dies.disc.outline", ('"disc.png" is not a .svg',), ".svg"),
    ("circle = 20", 'outline = "https://x.org/a.svg"', "dies.disc.outline", ("is an address",), "save the file"),
    ("circle = 20", 'outline = "file:///a.svg"', "dies.disc.outline", ("is an address",), "save the file"),
    ("circle = 20", 'outline = ""', "dies.disc.outline", ("is not a path",), "quotes"),
    ("circle = 20", 'outline = "a\\u0000.svg"', "dies.disc.outline", ("is not a path",), "plain characters"),
    ("circle = 20", f'outline = "{"a" * 900}.svg"', "dies.disc.outline", ("there is no file",), "path"),
    ("circle = 20", 'turns = []', "dies.disc.turns", ("[] allows no turns",), '"any"'),
    ("circle = 20", 'circle = 20\nturns = ["a"]', "dies.disc.turns", ('"a" is not a turn',), "degrees"),
    ("circle = 20", 'circle = 20\nturns = [nan]', "dies.disc.turns", ("nan is not a turn",), "degrees"),
    # -- does it fit
    ("circle = 20", "circle = 150", "dies.disc", ("larger than the plate's window", "96 mm"), "larger plate"),
    ("rectangle = [20, 30]", "rectangle = [120, 120]", "dies.tag", ("larger than the plate's window",), "larger plate"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "place", "words", "mend"), CASES)
def test_each_mistake_is_one_message_with_place_value_and_mend(
    tmp_path: Path, old: str, new: str, place: str, words: tuple[str, ...], mend: str
) -> None:
    """One mistake in a good batch: the message names file, key and value, and says what to do."""
    assert old in SMALL
    path = write_small(tmp_path, SMALL.replace(old, new, 1))
    if not words and not mend:
        assert read_batch(path).kits == 1_000_000
        return
    with pytest.raises(InputError) as caught:
        read_batch(path)
    err = caught.value
    text = str(err)
    assert str(path) in text
    assert place in text
    for word in words:
        assert word in text
    assert "To mend: " in text
    assert mend in text
    assert err.where.file == str(path)


TWICE = [
    ('[[scraps]]\npaper = "red"\nid = "f-1"\nsize = [9, 9]\n', '"f-1" is listed twice', "scraps no. 4"),
    (
        '[[scraps]]\npaper = "red"\nid = "f"\ncount = 2\nsize = [9, 9]\n',
        '"f-1" is listed twice',
        "scraps no. 4",
    ),
    (
        '[[cards]]\nname = "one"\npieces = [{ die = "disc", paper = "red" }]\n',
        '"one" is listed twice',
        "cards no. 2",
    ),
    ('[[cards]]\nname = "two"\npieces = []\n', "no pieces", "cards no. 1"),
]


@pytest.mark.parametrize(("more", "words", "place"), TWICE)
def test_things_listed_twice_are_refused(tmp_path: Path, more: str, words: str, place: str) -> None:
    """Scraps by their id, also the ids that a count makes; cards by their name."""
    first = '[[scraps]]\npaper = "red"\nid = "f-1"\nsize = [9, 9]\n'
    with pytest.raises(BatchError, match=re.escape(words)) as caught:
        read_batch(write_small(tmp_path, SMALL.replace("[dies.disc]", first + more + "[dies.disc]")))
    assert caught.value.where.element == place
    assert caught.value.mend


def test_same_drawing_of_a_scrap_twice_is_refused(tmp_path: Path) -> None:
    """A traced scrap is one piece of paper: listed twice without ids it is a slip, with a count it is not."""
    path = write_evening(tmp_path)
    again = '\n[[scraps]]\npaper = "red"\noutline = "scraps/red-corner.svg"\n'
    text = path.read_text(encoding="utf-8").replace("\n[dies.campion]", again + "[dies.campion]")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BatchError, match="listed twice") as caught:
        read_batch(path)
    assert "count = 2" in caught.value.mend
    path.write_text(text.replace(again + "[dies", again + 'id = "the other one"\n[dies'), encoding="utf-8")
    assert len(read_batch(path).scraps) == 5


def test_several_mistakes_are_listed_at_once(tmp_path: Path) -> None:
    """A person mends a file in one go: up to five mistakes, and how many more there are."""
    text = SMALL
    for old, new in [
        ("clear = 2", "claer = -1"),
        ("web = 2.5", "web = -1"),
        ("kits = 2", "kits = 0"),
        ("circle = 20", "circle = -1"),
        ("count = 3 }", "count = 0 }"),
        ('"18:30"', '"late"'),
        ("spares = 1", "spares = -1"),
    ]:
        text = text.replace(old, new, 1)
    with pytest.raises(BatchError) as caught:
        read_batch(write_small(tmp_path, text))
    assert "7 things to mend" in caught.value.what
    assert caught.value.what.count("To mend: ") == 5
    assert "and 2 more" in caught.value.what


def test_references_are_all_looked_up_before_giving_up(tmp_path: Path) -> None:
    """Unknown papers and dies, a missing drawing: one message names them all."""
    text = (
        SMALL.replace("circle = 20", 'outline = "gone.svg"')
        .replace('"tag"]', '"bow"]')
        .replace("[papers.red]\n", "[papers.rot]\n")
    )
    with pytest.raises(BatchError) as caught:
        read_batch(write_small(tmp_path, text))
    for word in ("gone.svg", '"bow"', '"red"'):
        assert word in caught.value.what


FILES: list[tuple[bytes, str, int | None]] = [
    (b"[machine\nplate = [1, 2]", "not TOML", 1),
    (b"[machine]\nplate = [1, 2]\ntitle = red\n", "not TOML", 3),
    (b'[machine]\nplate = [1, 2]\n[machine]\n', "not TOML", 3),
    (b"\x00\x01", "not TOML", 1),
    (b'title = "ok"\nx = "\xe9t\xe9"\n', "not saved as UTF-8", 2),
    ('title = "été"'.encode("utf-16"), "UTF-16", None),
    (b"x = " + b"[" * 5000, "nested too deeply", None),
    (b"x = " + b"9" * 5000, "a value cannot be read", None),
    (b"x" + b".x" * 3000 + b" = 1", "", None),
    (b"", '"machine" is missing', None),
    (b"<svg/>", "not TOML", 1),
]  # fmt: skip


@pytest.mark.parametrize(("content", "words", "line"), FILES)
def test_files_that_are_no_toml(tmp_path: Path, content: bytes, words: str, line: int | None) -> None:
    """The message names the file, the line where there is one, and what to look for."""
    path = tmp_path / "evening.toml"
    path.write_bytes(content)
    with pytest.raises(BatchError) as caught:
        read_batch(path)
    assert str(path) in str(caught.value)
    assert words in caught.value.what
    assert "To mend: " in str(caught.value)
    if line is not None:
        assert caught.value.where.line == line


def test_missing_file_folder_pipe_device_and_giant_are_messages(tmp_path: Path) -> None:
    """None of them hangs, fills the memory or ends in a traceback."""
    os.mkfifo(tmp_path / "pipe")
    giant = tmp_path / "giant.toml"
    with open(giant, "wb") as file:
        file.truncate(10_000_000_000)
    for path in (tmp_path / "none.toml", tmp_path, tmp_path / "pipe", Path("/dev/zero"), Path("a\0b"), giant):
        with pytest.raises(BatchError) as caught:
            read_batch(path)
        assert caught.value.where.file
        assert caught.value.mend


BAD_DRAWINGS: list[tuple[str, str]] = [
    # (content, words)
    ("this is no drawing", ""),
    (SVG.format(w=10, h=10, d=""), ""),
    (SVG.format(w=10, h=10, d="M0,0 L10,10 L10,0 L0,6 Z"), "cross"),
    (SVG.format(w=10, h=10, d="M0,0 L10,0 L5,0 Z"), ""),
    (SVG.format(w=10, h=10, d="M0,0 L1e9,0 L1e9,1e9 Z"), ""),
    ('<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/passwd">]><svg>&a;</svg>', ""),
]


@pytest.mark.parametrize(("content", "words"), BAD_DRAWINGS)
def test_bad_drawings_are_named_by_their_file(tmp_path: Path, content: str, words: str) -> None:
    """A drawing that is no usable outline: the message names the drawing and what to do."""
    (tmp_path / "leaf.svg").write_text(content, encoding="utf-8")
    path = write_small(tmp_path, SMALL.replace("circle = 20", 'outline = "leaf.svg"'))
    with pytest.raises(NestcutError) as caught:
        read_batch(path)
    assert "leaf.svg" in str(caught.value)
    assert words in caught.value.what
    assert caught.value.mend


def test_misspelt_drawing_suggests_its_neighbour(tmp_path: Path) -> None:
    """The most similar file of the same folder is named."""
    path = write_evening(tmp_path)
    path.write_text(path.read_text().replace("campion.svg", "campoin.svg"), encoding="utf-8")
    with pytest.raises(BatchError, match="campoin") as caught:
        read_batch(path)
    assert "campion.svg" in caught.value.mend


def test_tables_outside_the_folder_are_not_read(tmp_path: Path) -> None:
    """``..`` is for drawings only: a batch file can't make nestcut read any file it likes."""
    (tmp_path / "secret.csv").write_text("paper,width,length\nred,1,2\n", encoding="utf-8")
    (tmp_path / "job").mkdir()
    for text in ("../secret.csv", str(tmp_path / "secret.csv")):
        path = write_small(tmp_path / "job", f'scraps_csv = "{text}"\n' + SMALL)
        with pytest.raises(BatchError, match="outside the folder"):
            read_batch(path)


@pytest.mark.parametrize("value", ["'/etc/passwd'", "'../../../../etc/passwd'", "'.'", "'..'"])
def test_outlines_are_svg_files_only(tmp_path: Path, value: str) -> None:
    """Nothing but a .svg is opened as an outline."""
    with pytest.raises(BatchError, match=r"is not a \.svg file"):
        read_batch(write_small(tmp_path, SMALL.replace("circle = 20", f"outline = {value}")))


def test_folder_named_like_a_drawing(tmp_path: Path) -> None:
    """A folder in place of a drawing is a message."""
    (tmp_path / "leaf.svg").mkdir()
    with pytest.raises(NestcutError) as caught:
        read_batch(write_small(tmp_path, SMALL.replace("circle = 20", 'outline = "leaf.svg"')))
    assert caught.value.mend


@pytest.mark.parametrize("folder", ["none", "empty", "small.toml"])
def test_folder_of_dies_that_is_none(tmp_path: Path, folder: str) -> None:
    """No such folder, no drawing in it, or a file: one message each."""
    (tmp_path / "empty").mkdir()
    with pytest.raises(BatchError) as caught:
        read_batch(write_small(tmp_path, f'dies_folder = "{folder}"\n' + SMALL))
    assert folder in caught.value.what
    assert caught.value.where.element == "dies_folder"
    assert caught.value.mend


def test_batch_without_cards_is_refused_with_the_mend(tmp_path: Path) -> None:
    """Nothing to cut is a mistake in the file, not an empty evening; a table without a row is no better."""
    text = SMALL[: SMALL.index("[[cards]]")] + SMALL[SMALL.index("[class]") :]
    (tmp_path / "cards.csv").write_text("card;dies;papers;count\n", encoding="utf-8")
    for more in ("", 'cards_csv = "cards.csv"\n'):
        with pytest.raises(BatchError) as caught:
            read_batch(write_small(tmp_path, more + text))
        assert caught.value.where.element == "cards"
        assert "no cards are asked for" in str(caught.value)
        assert "[[cards]]" in caught.value.mend


def test_too_many_pieces(tmp_path: Path) -> None:
    """Kits × cards × counts beyond a billion are refused, not computed with."""
    text = SMALL.replace("kits = 2", "kits = 1_000_000").replace("count = 3 }", "count = 1_000_000 }")
    with pytest.raises(BatchError, match="pieces are too many"):
        read_batch(write_small(tmp_path, text))


def test_errors_can_always_be_printed(tmp_path: Path) -> None:
    """Odd characters of a file never break the terminal."""
    cases: list[Any] = [
        'title = "a\\u001b[2Jb"',
        '"\\u001b[31m" = 1',
        'rim = "\\u009b"',
        '[papers."\\u001b"]',
    ]
    for line in cases:
        with pytest.raises(BatchError) as caught:
            read_batch(write_small(tmp_path, f"{line}\n{SMALL}"))
        assert all(char.isprintable() or char == "\n" for char in str(caught.value))
