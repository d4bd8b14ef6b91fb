"""Units of bare numbers, and papers whose scraps hold none of the dies that are to cut them."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate, scale, translate
from shapely.geometry import Polygon, box

from nestcut.batch import Batch, Card, CardLine, Die, Hand, Machine, Paper, Scrap, read_batch, read_scraps_csv
from nestcut.batch.stock import Holding
from nestcut.errors import BatchError
from nestcut.outlines import grow_outline
from tests.shared.strategies import mm, outlines

FILE = """
{top}
scraps_csv = "s.csv"
[machine]
plate = {plate}
{machine}
[hand]
{hand}
[papers.brown]
{paper}
[dies.disc]
{die}
[[cards]]
name = "c"
pieces = [{{ die = "disc", paper = "brown", count = 3 }}]
"""


def write(folder: Path, table: str, **given: str) -> Path:
    """A batch of one die and one paper whose scraps come from a table."""
    values = {"top": "", "plate": "[150, 220]", "machine": "", "hand": "", "paper": "", "die": "circle = 30"}
    (folder / "b.toml").write_text(FILE.format(**(values | given)), encoding="utf-8")
    (folder / "s.csv").write_text(table, encoding="utf-8")
    return folder / "b.toml"


def refused(path: Path) -> BatchError:
    with pytest.raises(BatchError) as caught:
        read_batch(path)
    return caught.value


def test_a_table_of_inches_read_as_millimetres_ends_with_the_likely_reason(tmp_path: Path) -> None:
    """``brown,4,6`` was 4 × 6 mm, and the plan "0 passes, the fewest possible"."""
    err = refused(write(tmp_path, "paper,width,length\nbrown,4,6\n"))
    assert str(err.where) == f"{tmp_path / 's.csv'}, paper brown"
    assert "its only scrap holds no die that must cut it: disc needs 34 × 34 mm" in err.what
    assert "4 × 6 mm, too small by 30 mm at least" in err.what
    assert 'read as 4 × 6 mm; if it is in inches, write units = "in"' in err.mend


@pytest.mark.parametrize(
    "row", ["brown,4 in,6 in", 'brown,"4""","6"""', "brown,101.6,152.4", "brown,10.16 cm,6 in"]
)
def test_with_units_or_in_millimetres_it_is_read(row: str, tmp_path: Path) -> None:
    """The unit of a cell, and millimetres as they are."""
    (scrap,) = read_batch(write(tmp_path, f"paper,width,length\n{row}\n")).scraps
    assert scrap.outline.bounds == pytest.approx((0, 0, 101.6, 152.4))


def test_units_in_hold_for_bare_numbers_in_file_and_tables(tmp_path: Path) -> None:
    """Every length without a unit; not those with one, nor counts, seconds, degrees, defaults."""
    path = write(
        tmp_path,
        'paper,width,length,count\nbrown,4,6,2\nbrown,"2 3/8",100 mm,1\nbrown,"½",3,1\n',
        top='units = "in"\nrim = 0.1',
        plate='[6, "220 mm"]',
        machine="overhang = 3\nload_limit = 10",
        hand='web = 0.1\nedge = "0.05"\nseconds = { crank = 45 }',
        die="rectangle = [1, 2]\ncorner = 0.25\nturns = [90]",
    )
    batch = read_batch(path)
    assert batch.machine.plate_mm == pytest.approx((152.4, 220.0))
    assert (batch.machine.clear_mm, batch.hand.gap_mm) == (2.0, 1.0)  # defaults
    assert (batch.machine.overhang_mm, batch.machine.load_limit_mm) == pytest.approx((76.2, 254.0))
    assert batch.hand.seconds.crank == 45
    assert (batch.hand.web_mm, batch.hand.edge_mm) == pytest.approx((2.54, 1.27))
    (die,) = batch.dies
    assert die.turns == (90.0,)
    assert die.cut.bounds == pytest.approx((-12.7, -25.4, 12.7, 25.4), abs=0.06)
    assert die.rim.bounds == pytest.approx((-15.24, -27.94, 15.24, 27.94), abs=0.06)
    sides = [scrap.outline.bounds[2:] for scrap in batch.scraps]
    expected = [(101.6, 152.4), (101.6, 152.4), (60.325, 100.0), (12.7, 76.2)]
    assert sides == [pytest.approx(pair) for pair in expected]
    assert not any("read as" in note for note in batch.notes)


def test_inches_are_exact(tmp_path: Path) -> None:
    """3 in are 76.2 mm, not a bit less: 3 × 25.4 in binary is."""
    path = write(
        tmp_path, "paper,width,length\nbrown,3,6\n", top='units = "in"', plate="[6, 9]", die="circle = 1"
    )
    assert read_batch(path).scraps[0].outline.bounds[2:] == (76.2, 152.4)


def test_a_table_alone_takes_its_units_from_the_caller(tmp_path: Path) -> None:
    """Millimetres unless something else is said."""
    (tmp_path / "s.csv").write_text("paper,width,length\nbrown,4,6\n")
    assert read_scraps_csv(tmp_path / "s.csv")[0].outline.bounds[2:] == (4.0, 6.0)
    assert read_scraps_csv(tmp_path / "s.csv", units="in")[0].outline.bounds[2:] == pytest.approx(
        (101.6, 152.4)
    )


@pytest.mark.parametrize("units", ['"inch"', '"cm"', "25.4", "true", '""'])
def test_other_units_are_refused(units: str, tmp_path: Path) -> None:
    """With the two that there are."""
    err = refused(write(tmp_path, "paper,width,length\nbrown,40,60\n", top=f"units = {units}"))
    assert "units" in str(err.where)
    assert '"mm"' in err.mend
    assert '"in"' in err.mend


@pytest.mark.parametrize(
    ("table", "top", "said"),
    [
        ("brown,12,12\n", "", "read as 12 × 12 mm;"),
        ("brown,12,12\nbrown,8.5,11\n", "", "read as 12 × 12 mm, and 1 more;"),
        ("brown,12,12\nbrown,8.5,40\n", "", ""),  # one is too long for inches that people keep
        ("brown,12 mm,12\n", "", ""),  # one side has a unit: somebody thought of it
        ("brown,12,12\n", 'units = "mm"', ""),
    ],
)
def test_sizes_that_look_like_inches_are_told_as_they_were_read(
    table: str, top: str, said: str, tmp_path: Path
) -> None:
    """A note, where the file says nothing of units and all bare sizes of a table are small; the die lies in them."""
    path = write(tmp_path, f"paper,width,length\n{table}", top=top, die="circle = 4")
    notes = [note for note in read_batch(path).notes if "read as" in note]
    assert bool(notes) == bool(said)
    assert all(said in note and 'units = "in"' in note and "s.csv" in note for note in notes)


def test_a_plate_of_inches_is_told_as_it_was_read(tmp_path: Path) -> None:
    """The die is too large for it, and the reason is the plate's unit."""
    err = refused(write(tmp_path, "paper,width,length\nbrown,100,100\n", plate="[6, 9]"))
    assert "larger than the plate's window" in err.what
    assert "the plate is read as 6 × 9 mm; if these are inches" in err.mend


@pytest.mark.parametrize(
    ("plate", "top"), [("[150, 1200.1]", ""), ('["10 m", 150]', ""), ("[150, 220]", 'units = "in"')]
)
def test_a_plate_beyond_1_2_m_is_refused(plate: str, top: str, tmp_path: Path) -> None:
    """It would take minutes."""
    err = refused(write(tmp_path, "paper,width,length\nbrown,A,B\n", plate=plate, top=top))
    assert "longer than 1200 mm" in str(err)
    assert ('the file says units = "in"' in str(err)) == bool(top)


def test_a_plate_of_1_2_m_is_read(tmp_path: Path) -> None:
    """The limit itself is good."""
    path = write(tmp_path, "paper,width,length\nbrown,100,100\n", plate="[1200, 1200]")
    assert read_batch(path).machine.plate_mm == (1200.0, 1200.0)


@pytest.mark.parametrize(
    ("keys", "table"),
    [
        ({"die": "circle = 1e-200"}, "brown,100,100"),
        ({"die": "rectangle = [1e-200, 20]"}, "brown,100,100"),
        ({"die": "oval = [0.09, 20]"}, "brown,100,100"),
        ({"plate": "[1e-200, 100]"}, "brown,100,100"),
        ({}, "brown,1e-200,1e-200"),
        ({}, "brown,100,0.05"),
        ({"machine": "load_limit = 1e-200"}, "brown,100,100"),
    ],
)
def test_sides_of_next_to_nothing_are_refused(keys: dict[str, str], table: str, tmp_path: Path) -> None:
    """They have no area."""
    assert "too small" in refused(write(tmp_path, f"paper,width,length\n{table}\n", **keys)).what


def test_margins_of_next_to_nothing_are_none(tmp_path: Path) -> None:
    """Below what is measured at all they are nothing."""
    path = write(
        tmp_path,
        "paper,width,length\nbrown,100,100\n",
        top="rim = 1e-200",
        machine="clear = 1e-200",
        hand="web = 1e-200\nedge = 1e-200\ngap = 1e-200",
    )
    batch = read_batch(path)
    hand = batch.hand
    assert (hand.web_mm, hand.edge_mm, hand.gap_mm, batch.machine.clear_mm) == (0, 0, 0, 0)
    assert batch.dies[0].rim.equals(batch.dies[0].cut)


def test_an_edge_too_large_is_named_where_the_scraps_would_hold_the_die(tmp_path: Path) -> None:
    """The edge is to be mended, not the die."""
    path = write(tmp_path, "paper,width,length\nbrown,36,100\nbrown,35,90\n", hand="edge = 4")
    err = refused(path)
    assert "none of its 2 scraps holds a die" in err.what
    assert "disc needs 38 × 38 mm, including an edge of 4 mm all round" in err.what
    assert "36 × 100 mm, too small by 2 mm at least" in err.what
    assert "a smaller edge" in err.mend
    assert "inches" not in err.mend


def test_paper_that_sticks_out_is_not_the_die(tmp_path: Path) -> None:
    """A rectangle of 92 × 142 mm with a rim of 1.6 lies in a window of 96 × 146; with an edge of 5 its paper doesn't."""
    table = "paper,width,length\nbrown,200,200\n"
    given = {"plate": "[100, 150]", "die": "rectangle = [92, 142]\nrim = 1.6"}
    err = refused(write(tmp_path, table, hand="edge = 5", **given))
    assert "the die fits on the plate, but the paper under it does not" in err.what
    assert "needs 102 × 152 mm of paper" in err.what
    assert "a smaller edge" in err.mend
    assert read_batch(write(tmp_path, table, hand="edge = 4", **given)).dies


def test_turns_count(tmp_path: Path) -> None:
    """A long die that may lie along the paper only, and scraps that are long across it."""
    given = {"die": "rectangle = [10, 80]", "paper": 'direction = "up"'}
    table = "paper,width,length\nbrown,90,20\nbrown,95,30\n"
    err = refused(write(tmp_path, table, **given))
    assert "disc needs 14 × 84 mm" in err.what
    assert "other turns" in err.mend
    turned = write(tmp_path, table, die="rectangle = [10, 80]\nturns = [90]", paper='direction = "none"')
    assert len(read_batch(turned).scraps) == 2


def test_one_scrap_that_holds_one_of_the_dies_will_do(tmp_path: Path) -> None:
    """The others are a note, as before; a paper without any scrap is bought."""
    batch = read_batch(write(tmp_path, "paper,width,length\nbrown,4,6\nbrown,34,34\n"))
    assert "Too small for every die that needs its paper: brown-1." in batch.notes
    (tmp_path / "s.csv").write_text("paper,width,length\n")
    assert "There is no scrap of brown, which the cards ask for." in read_batch(tmp_path / "b.toml").notes


def job(
    cut: Polygon, scrap: Polygon, *, edge_mm: float, turns: object = "any", paper: Paper | None = None
) -> Batch:
    """One die, one scrap."""
    paper = paper or Paper("p")
    die = Die("d", cut, cut, turns=turns)  # type: ignore[arg-type]
    card = Card("c", 1, (CardLine(("d",), ("p",), 1),))
    return Batch(
        "",
        Machine((1000.0, 1000.0)),
        Hand(edge_mm=edge_mm),
        (paper,),
        (Scrap("s", "p", scrap),),
        (die,),
        (card,),
    )


@settings(max_examples=150, deadline=None)
@given(
    outlines(least_mm=4, most_mm=80),
    mm(0, 360),
    mm(0, 6),
    st.booleans(),
    st.sampled_from(["none", "stripe", "up"]),
)
def test_a_scrap_made_to_measure_always_holds_the_die(
    cut: Polygon, deg: float, edge_mm: float, flipped: bool, direction: str
) -> None:
    """The cut, turned as it may be and grown by the edge, is the scrap: never called too small."""
    if direction != "none":
        deg = 180.0 if direction == "stripe" else 0.0
    shape = scale(cut, -1.0, 1.0, origin=(0, 0)) if flipped else cut
    grown = (
        grow_outline(rotate(shape, deg, origin=(0, 0)), edge_mm + 1e-6)
        if edge_mm
        else rotate(shape, deg, origin=(0, 0))
    )
    hull = grown.convex_hull
    scrap = translate(hull, -hull.bounds[0], -hull.bounds[1])
    turns = (deg,) if direction == "none" and not flipped else "any"
    paper = Paper("p", direction=direction, both_sides=flipped)  # type: ignore[arg-type]
    assert not Holding(job(cut, scrap, edge_mm=edge_mm, turns=turns, paper=paper)).too_small()


@settings(max_examples=100, deadline=None)
@given(mm(5, 80), mm(5, 80), mm(0, 90), mm(0, 5), mm(0.5, 10))
def test_a_box_that_is_too_narrow_for_a_turned_box_is_told(
    width: float, length: float, deg: float, edge_mm: float, less: float
) -> None:
    """Plain trigonometry: at a turn that is fixed, a box takes w·cos + l·sin across."""
    turn = math.radians(deg)
    across = width * math.cos(turn) + length * math.sin(turn) + 2 * edge_mm
    cut = box(-width / 2, -length / 2, width / 2, length / 2)
    # Half a degree of play either way, and a sample more.
    play = math.hypot(width, length) * math.radians(0.8)
    scrap = box(0, 0, max(0.2, across - play - less), 500)
    holding = Holding(job(cut, scrap, edge_mm=edge_mm, turns=(deg,)))
    assert holding.too_small()["p"]
    misfit = holding.misfit(holding.batch.scraps)
    assert 0 < misfit.lack_mm <= play + less + 1e-6
    wide = replace(holding.batch, scraps=(Scrap("s", "p", box(0, 0, across + 1e-6, 500)),))
    assert not Holding(wide).too_small()
