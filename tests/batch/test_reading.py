"""A batch file says what it means."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from shapely.geometry import Polygon, box

from nestcut.batch import (
    Batch,
    Card,
    CardLine,
    Evening,
    Hand,
    HandSeconds,
    Machine,
    Paper,
    Spares,
    Wishes,
    read_batch,
)
from nestcut.units import SHEET_SIZES_MM
from tests.shared.batch_files import SMALL, SVG, write_evening, write_small


def read_small(tmp_path: Path, *changes: tuple[str, str]) -> Batch:
    """The small batch with some text replaced."""
    text = SMALL
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return read_batch(write_small(tmp_path, text))


def test_contract_example_gives_the_values_it_states(tmp_path: Path) -> None:
    """Every key of the contract's example arrives where it belongs."""
    batch = read_batch(write_evening(tmp_path))
    assert batch.title == "Hedgerow evening"
    assert batch.machine == Machine((150.0, 220.0), 2.0, "over", 150.0)
    assert batch.hand == Hand(2.5, 2.0, 1.0, "square", "scissors")
    assert batch.papers == (Paper("red", "#a4452c"), Paper("white"), Paper("blue"))
    assert [scrap.id for scrap in batch.scraps] == ["folder-2-1", "folder-2-2", "folder-2-3", "red-1"]
    assert batch.scraps[0].outline.equals(box(0, 0, 105, 140))
    corner = Polygon([(0, 0), (70, 0), (70, 50), (40, 90), (0, 90)])
    assert batch.scraps[3].outline.symmetric_difference(corner).area < 1e-9
    campion, speedwell, stitchwort = batch.dies
    assert (campion.name, campion.copies, campion.turns, campion.trips) == ("campion", 1, "any", 1)
    assert (stitchwort.copies, stitchwort.turns) == (2, (0.0, 180.0))
    assert campion.cut.area == pytest.approx(20 * 18 - 4 * 5 * 9 / 2)
    # The rim is 1.6 mm wide: all of it is at least that far out, and hardly further.
    assert campion.rim.contains(campion.cut.buffer(1.599))
    assert campion.cut.buffer(1.75).contains(campion.rim)
    assert speedwell.cut.area == pytest.approx(math.pi * 6.35**2, rel=0.02)
    assert speedwell.cut.area >= math.pi * 6.35**2
    card = batch.cards[0]
    assert (card.name, card.count) == ("campion wreath", 2)
    assert card.lines == (
        CardLine(("campion",), ("red",), 3),
        CardLine(("speedwell", "stitchwort"), ("white", "blue"), 2),
    )
    assert (batch.kits, batch.spares) == (12, Spares(percent=10.0))
    # 12 × 2 × 3 = 72, plus 10 % = 80 (design); 12 × 2 × 2 = 48, plus 5 (4.8 rounded up).
    assert [(line.count, line.spares, line.per_kit) for line in batch.demand] == [(80, 8, 6), (53, 5, 4)]


def test_rim_box_of_every_die_is_centred(tmp_path: Path) -> None:
    """The frame of a die has the middle of its rim's box at (0, 0)."""
    for die in read_batch(write_evening(tmp_path)).dies:
        left, top, right, low = die.rim.bounds
        assert left + right == pytest.approx(0, abs=1e-9)
        assert top + low == pytest.approx(0, abs=1e-9)
        assert die.rim.covers(die.cut)


def test_left_out_keys_have_the_documented_defaults(tmp_path: Path) -> None:
    """A batch with the plate alone."""
    text = "[machine]\nplate = [100, 150]\n[papers.red]\n[dies.disc]\ncircle = 20\n"
    text += '[[cards]]\nname = "c"\npieces = [{ die = "disc", paper = "red" }]\n'
    batch = read_batch(write_small(tmp_path, text))
    assert batch.machine == Machine((100.0, 150.0), 2.0, "over", 150.0, None)
    assert batch.hand == Hand(2.5, 2.0, 1.0, "square", "scissors")
    assert (batch.kits, batch.spares, batch.wishes, batch.evening) == (1, Spares(), Wishes(), Evening())
    assert (batch.scraps, batch.title) == ((), "")
    assert batch.cards == (Card("c", 1, (CardLine(("disc",), ("red",), 1),)),)
    assert batch.notes == ("There is no scrap of red, which the cards ask for.",)


def test_keys_beyond_the_contract(tmp_path: Path) -> None:
    """Load limit, trims, wishes and the evening."""
    batch = read_small(
        tmp_path,
        ("clear = 2", 'clear = 2\nload_limit = "12 cm"'),
        ("web = 2.5", 'web = 2.5\ntrims = "straight"'),
        ('start = "18:30"', "start = 9:05:00\nbreak_every = 20\nbreak_minutes = 7.5".replace("9:", "09:")),
        ("[class]", '[wishes]\norder = ["minutes", "paper"]\n[class]'),
    )
    assert batch.machine.load_limit_mm == 120.0
    assert batch.hand.trims == "straight"
    assert batch.evening == Evening("09:05", 20, 7.5)
    assert batch.wishes == Wishes(("minutes", "paper"))


@pytest.mark.parametrize(
    ("text", "order", "of_250"),
    [
        ('extra_passes = "10 %"', ("passes", "trims", "changes", "paper"), 25),
        ('extra_passes = "0,9 %"', ("passes", "trims", "changes", "paper"), 2),  # 2.25, rounded down
        ("extra_passes = 8", ("passes", "trims", "changes", "paper"), 8),
        ("extra_passes = 0", Wishes().order, 0),
        ('extra_passes = 3\norder = ["passes", "minutes"]', ("passes", "minutes"), 3),
    ],
)
def test_extra_passes_are_a_share_or_a_number(
    tmp_path: Path, text: str, order: tuple[str, ...], of_250: int
) -> None:
    """Rounded down; they are to save trims, unless the order is written."""
    wishes = read_small(tmp_path, ("[class]", f"[wishes]\n{text}\n[class]")).wishes
    assert (wishes.order, wishes.extra_passes.of(250)) == (order, of_250)


# ISO 216:2007 and ANSI/ASME Y14.1 trimmed sizes, mm (letter and ledger from their inches: 1 in = 25.4 mm).
SHEETS = [
    ('["297", "420 mm"]', "A3", (297.0, 420.0)),
    ('["21 cm", "29,7 cm"]', "A4", (210.0, 297.0)),
    ("[148, 210]", "a5", (148.0, 210.0)),
    ("[105, 148]", "A6", (105.0, 148.0)),
    ("[176, 250]", "B5", (176.0, 250.0)),
    ('["8 1/2 in", \'11"\']', "letter", (215.9, 279.4)),
    ('["8½ in", "27.94 cm"]', "Letter", (215.9, 279.4)),
    ('["11 in", "17 in"]', "ledger", (279.4, 431.8)),
]


@pytest.mark.parametrize(("written", "name", "size"), SHEETS)
def test_paper_sizes_as_people_write_them(
    tmp_path: Path, written: str, name: str, size: tuple[float, float]
) -> None:
    """A scrap of a standard size, by its measures and by its name, has the standard's millimetres."""
    for text in (written, f'"{name}"'):
        batch = read_small(tmp_path, ("size = [60, 80]", f"size = {text}"))
        assert batch.scraps[0].outline.bounds == pytest.approx((0, 0, *size), abs=1e-9)


def test_iso_sizes_halve_from_one_to_the_next() -> None:
    """ISO 216: each A size is the one before, halved across its length and rounded down."""
    assert SHEET_SIZES_MM["a0"] == (841, 1189)
    for number in range(10):
        width, length = SHEET_SIZES_MM[f"a{number}"]
        assert SHEET_SIZES_MM[f"a{number + 1}"] == (length // 2, width)


@pytest.mark.parametrize(
    ("written", "spares", "of_80"),
    [
        ('"10 %"', Spares(percent=10), 8),
        ('"10%"', Spares(percent=10), 8),
        ('"7,5 %"', Spares(percent=7.5), 6),
        ('"1 %"', Spares(percent=1), 1),
        ("5", Spares(pieces=5), 5),
        ('"5"', Spares(pieces=5), 5),
        ("0", Spares(), 0),
    ],
)
def test_spares_are_a_share_or_a_number(tmp_path: Path, written: str, spares: Spares, of_80: int) -> None:
    """A share is rounded up for each line; a plain number is that many pieces."""
    batch = read_small(tmp_path, ("spares = 1", f"spares = {written}"))
    assert batch.spares == spares
    assert spares.of(80) == of_80


def test_scraps_are_numbered_in_the_order_of_the_file(tmp_path: Path) -> None:
    """Without ids: paper-1, paper-2, …; an id that a person gave is never taken a second time."""
    scraps = """
[[scraps]]
paper = "red"
size = [10, 10]
count = 2
[[scraps]]
paper = "white"
size = [10, 10]
[[scraps]]
paper = "red"
id = "red-3"
size = [10, 10]
[[scraps]]
paper = "red"
size = [10, 10]
count = 2
"""
    text = SMALL.replace("[dies.disc]", scraps + "[dies.disc]")
    ids = [scrap.id for scrap in read_batch(write_small(tmp_path, text)).scraps]
    assert ids == ["red-1", "white-1", "red-2", "red-4", "white-2", "red-3", "red-5", "red-6"]


def test_scraps_of_a_kind_share_one_outline(tmp_path: Path) -> None:
    """5,000 scraps alike cost the memory of one."""
    batch = read_small(tmp_path, ("size = [60, 80]", "size = [60, 80]\ncount = 4000"))
    assert len({id(scrap.outline) for scrap in batch.scraps if scrap.paper == "red"}) == 1
    assert len({scrap.id for scrap in batch.scraps}) == 4001


def test_round_scraps_lie_inside_and_round_dies_outside_their_true_outline(tmp_path: Path) -> None:
    """Flattening is on the safe side: a scrap is never taken larger than it is, a die never smaller."""
    batch = read_small(tmp_path, ("size = [60, 80]", "circle = 60"), ("circle = 20", "oval = [20, 30]"))
    true_scrap = [
        (30 + 30 * math.cos(a), 30 + 30 * math.sin(a)) for a in (k * math.tau / 9000 for k in range(9000))
    ]
    assert Polygon(true_scrap).buffer(1e-5).contains(batch.scraps[0].outline)
    true_die = [(10 * math.cos(a), 15 * math.sin(a)) for a in (k * math.tau / 9000 for k in range(9000))]
    assert batch.dies[0].cut.buffer(1e-9).contains(Polygon(true_die))
    assert batch.dies[0].cut.area < math.pi * 150 + 0.05 * 80


def test_folder_of_drawings_makes_dies_by_their_names(tmp_path: Path) -> None:
    """Every SVG in dies_folder is a die; a table of the same name adds to it."""
    folder = tmp_path / "my dies"
    folder.mkdir()
    for name in ("ivy", "oak"):
        (folder / f"{name}.svg").write_text(SVG.format(w=10, h=10, d="M0,0H10V10H0Z"), encoding="utf-8")
    (folder / "readme.txt").write_text("no die", encoding="utf-8")
    text = 'dies_folder = "my dies"\nrim = 2\n' + SMALL.replace(
        "[dies.disc]", "[dies.oak]\ncopies = 3\n[dies.disc]"
    )
    batch = read_batch(write_small(tmp_path, text))
    assert sorted(die.name for die in batch.dies) == ["disc", "ivy", "oak", "tag"]
    assert batch.die("oak").copies == 3
    assert batch.die("ivy").copies == 1
    # `rim` at the top is that of every die without one of its own.
    assert batch.die("ivy").rim.bounds == pytest.approx((-7, -7, 7, 7), abs=0.03)


def test_byte_order_mark_and_crlf(tmp_path: Path) -> None:
    """A batch file saved by another system's editor reads the same."""
    plain = read_batch(write_small(tmp_path))
    path = tmp_path / "other.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    assert read_batch(path) == plain


def test_names_that_look_the_same_are_the_same(tmp_path: Path) -> None:
    """Unicode, UAX 15: é as one character and as e with an accent are one name."""
    text = SMALL.replace("[papers.red]", '[papers."\u00e9t\u00e9"]').replace('"red"', '"e\u0301te\u0301"')
    batch = read_batch(write_small(tmp_path, text))
    assert batch.papers[0].name == "\u00e9t\u00e9" == batch.scraps[0].paper


def test_windows_paths_are_read(tmp_path: Path) -> None:
    """A backslash between folders is read as a slash."""
    path = write_evening(tmp_path)
    path.write_text(
        path.read_text().replace('"scraps/red-corner.svg"', "'scraps\\red-corner.svg'"), encoding="utf-8"
    )
    assert len(read_batch(path).scraps) == 4


def test_links_to_drawings_are_followed(tmp_path: Path) -> None:
    """A symbolic link to a drawing elsewhere is as good as the drawing."""
    path = write_evening(tmp_path)
    drawing = tmp_path / "job" / "scraps" / "red-corner.svg"
    drawing.rename(tmp_path / "elsewhere.svg")
    drawing.symlink_to(tmp_path / "elsewhere.svg")
    assert len(read_batch(path).scraps) == 4


def test_marks_can_be_left_out(tmp_path: Path) -> None:
    """Open lines of a drawing are marks; ``marks = false`` leaves them out."""
    path = write_evening(tmp_path)
    drawing = tmp_path / "shapes" / "campion.svg"
    drawing.write_text(
        drawing.read_text().replace("</svg>", '<path d="M5,9 L15,9" fill="none" stroke="#000"/></svg>'),
        encoding="utf-8",
    )
    assert len(read_batch(path).die("campion").marks) == 1
    path.write_text(path.read_text().replace("trips = 1", "trips = 1\nmarks = false", 1), encoding="utf-8")
    assert read_batch(path).die("campion").marks == ()


def test_seconds_of_the_old_clock_are_ignored_with_a_note(tmp_path: Path) -> None:
    """Files from when a pass took so many seconds are read; a note says where time is counted now."""
    text = "[machine]\nplate = [100, 150]\nseconds_per_pass = 45\nseconds_per_trim = 20\n[papers.red]\n"
    text += '[hand]\npace = 2\ndies = "loose"\n[hand.seconds]\ncrank = 20\n[dies.disc]\ncircle = 20\n'
    text += '[[cards]]\nname = "c"\npieces = [{ die = "disc", paper = "red" }]\n'
    batch = read_batch(write_small(tmp_path, text))
    assert batch.hand.seconds == HandSeconds(crank=20.0, pace=2.0, dies="loose")
    (note,) = [note for note in batch.notes if "[machine]" in note]
    assert note.startswith("seconds_per_pass and seconds_per_trim in [machine] are no longer used")
    assert "[hand.seconds]" in note
