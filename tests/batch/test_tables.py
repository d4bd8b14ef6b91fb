"""Scraps and cards from tables, as spreadsheets save them."""

from __future__ import annotations

from pathlib import Path

import pytest
from shapely.geometry import box

from nestcut.batch import Card, CardLine, read_batch, read_cards_csv, read_scraps_csv
from nestcut.errors import BatchError, NestcutError
from tests.shared.batch_files import SMALL, SVG, write_small


def table(tmp_path: Path, content: str | bytes) -> Path:
    """A table on disk."""
    path = tmp_path / "table.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return path


SCRAPS = [
    # RFC 4180: comma, CRLF, quotes doubled inside quotes.
    'paper,width,length,count,id\r\nred,105,148,2,\r\nwhite,"2 3/8""",100,,w\r\n',
    # Semicolon and decimal comma: spreadsheets where the comma is the decimal sign (common practice, no source).
    "Paper;Width;Length;Count;ID\nred;105,0;148;2;\nwhite;60,33;100;;w\n",
    # Tab; columns in another order, empty lines, blanks around cells.
    "\n id\tcount\tlength\tpaper\twidth \n\t2\t14,8 cm\t red\t105\n\t\t\t\t\nw\t\t100\twhite\t2 3/8 in\n",
    # A first line that names the delimiter (common practice, no source).
    "sep=;\npaper;width;length;count;id\nred;105;148;2;\nwhite;2 3/8 in;100;;w\n",
]


@pytest.mark.parametrize("content", SCRAPS)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_table_of_scraps_in_every_common_form(tmp_path: Path, content: str, encoding: str) -> None:
    """The same three scraps, whatever program saved them."""
    scraps = read_scraps_csv(table(tmp_path, content.encode(encoding)))
    assert [(scrap.id, scrap.paper) for scrap in scraps] == [
        ("red-1", "red"),
        ("red-2", "red"),
        ("w", "white"),
    ]
    assert scraps[0].outline.equals(box(0, 0, 105, 148))
    assert scraps[2].outline.bounds == pytest.approx((0, 0, 60.325, 100), abs=0.006)


def test_table_may_name_drawings(tmp_path: Path) -> None:
    """An outline column instead of width and length."""
    (tmp_path / "odd.svg").write_text(SVG.format(w=30, h=40, d="M0,0H30V20L10,40H0Z"), encoding="utf-8")
    scraps = read_scraps_csv(table(tmp_path, "paper,outline\nred,odd.svg\n"))
    assert scraps[0].outline.area == pytest.approx(30 * 20 + 20 * (30 + 10) / 2)


def test_table_of_cards(tmp_path: Path) -> None:
    """Rows of one name are lines of one card; dies and papers of mix-and-match lines stand between bars."""
    content = (
        "card,dies,papers,count,cards per kit\n"
        "wreath,campion,red,3,2\n"
        'wreath,speedwell | stitchwort,"white|blue",2,\n'
        "tag,ivy,green,1,\n"
    )
    assert read_cards_csv(table(tmp_path, content)) == (
        Card(
            "wreath",
            2,
            (
                CardLine(("campion",), ("red",), 3),
                CardLine(("speedwell", "stitchwort"), ("white", "blue"), 2),
            ),
        ),
        Card("tag", 1, (CardLine(("ivy",), ("green",), 1),)),
    )


@pytest.mark.parametrize("header", ["Card;Die;Paper;Count;Cards_per_kit", "NAME;dies;papers;number;per kit"])
def test_headers_are_read_without_regard_to_case_and_blanks(tmp_path: Path, header: str) -> None:
    """Also in the singular."""
    cards = read_cards_csv(table(tmp_path, f"{header}\nwreath;campion;red;3;2\n"))
    assert cards == (Card("wreath", 2, (CardLine(("campion",), ("red",), 3),)),)


def test_tables_add_to_the_batch_file(tmp_path: Path) -> None:
    """Numbering goes on from the file's own scraps; several tables are read in order."""
    (tmp_path / "a.csv").write_text("paper,width,length\nred,10,20\n", encoding="utf-8")
    (tmp_path / "b.csv").write_text("paper,width,length,count\nwhite,10,20,2\n", encoding="utf-8")
    (tmp_path / "c.csv").write_text("card,die,paper,count\ntwo,tag,white,4\n", encoding="utf-8")
    batch = read_batch(
        write_small(tmp_path, 'scraps_csv = ["a.csv", "b.csv"]\ncards_csv = "c.csv"\n' + SMALL)
    )
    assert [scrap.id for scrap in batch.scraps] == ["red-1", "white-1", "red-2", "white-2", "white-3"]
    assert [(card.name, card.count) for card in batch.cards] == [("one", 1), ("two", 1)]


BAD_SCRAPS: list[tuple[str, int | None, str, str]] = [
    # (content, line, words in what is wrong, words in the mend)
    ("", None, "empty", "paper, width, length"),
    ("\n\n;;\n", None, "empty", "paper, width, length"),
    ("paper,width,lenght\nred,1,2\n", 1, '"lenght" is not known', '"length"'),
    ("paper,width,length,weight\nred,1,2,3\n", 1, '"weight" is not known', "known: paper, width"),
    ("paper,width,length,smell\nred,1,2,3\n", 1, '"smell" is not known', "known columns"),
    ("width,length\n1,2\n", 1, '"paper" is missing', "first line"),
    ("paper,width,length,width\nred,1,2,3\n", 1, '"width" appears twice', "keep one"),
    ("paper,width,length\nred,10,20\n\nred,ten,20\n", 4, '"ten"', "write it like"),
    ("paper,width,length\nred,-10,20\n", 2, '"-10"', "0 or more"),
    ("paper,width,length\nred,0,20\n", 2, '"0" is too small', "above 0"),
    ("paper,width,length\nred,10,\n", 2, '""', "write it like"),
    ("paper,width,length\nred,,\n", 2, "no shape", "size"),
    ("paper,width,length\n,10,20\n", 2, "cell of \"paper\" is empty", "fill it in"),
    ("paper,width,length,count\nred,10,20,0\n", 2, "0 is too small", "1 or more"),
    ("paper,width,length,count\nred,10,20,-2\n", 2, '"-2"', "1 or more"),
    ("paper,width,length,count\nred,10,20,two\n", 2, '"two"', "whole number"),
    ("paper,width,length,count\nred,10,20,9999\n", 2, "9999 is too large", "5,000"),
    ("paper,width,length\nred,10,5,20\n", 2, '"20" has no header', "quote"),
    ('paper,width,length\nred,"10,20\n', 2, "not a table", "CSV"),
    ('paper,width,length\nred,2 3/8"x,"2"3\n', 2, "not a table", "CSV"),
    ("paper,width,length,id\nred,10,20,a\nred,10,20,a\n", 3, '"a" is listed twice', "own id"),
    ("paper,width,length\n" + "red,1,1\n" * 5001, None, "5,001 scraps are too many", "5,000"),
    ("paper,outline\nred,../x.csv\n", 2, "is not a .svg", ".svg"),
    ("paper,outline\nred,http://x.org/a.svg\n", 2, "is an address", "save"),
]  # fmt: skip


@pytest.mark.parametrize(("content", "line", "words", "mend"), BAD_SCRAPS)
def test_mistakes_in_a_table_of_scraps_name_the_line(
    tmp_path: Path, content: str, line: int | None, words: str, mend: str
) -> None:
    """File, line, value and mend; the line is the one the editor shows."""
    path = table(tmp_path, content)
    with pytest.raises(NestcutError) as caught:
        read_scraps_csv(path)
    assert caught.value.where.file == str(path)
    assert words in caught.value.what
    assert mend in caught.value.mend
    if line is not None:
        assert caught.value.where.line == line


BAD_CARDS: list[tuple[str, int, str, str]] = [
    ("card,dies,papers\na,b,c\n", 1, '"count" is missing', "first line"),
    ("card,dies,papers,count\n,b,c,1\n", 2, "name is empty", "name"),
    ("card,dies,papers,count\na,,c,1\n", 2, "name is empty", "name"),
    ("card,dies,papers,count\na,b|,c,1\n", 2, "name is empty", "name"),
    ("card,dies,papers,count\na,b|b,c,1\n", 2, '"b" is listed twice', "once"),
    ("card,dies,papers,count\na,b,c,0\n", 2, "0 is too small", "1 or more"),
    ("card,dies,papers,count\na,b,c,1.5\n", 2, '"1.5"', "whole number"),
    ("card,dies,papers,count,per kit\na,b,c,1,2\na,b,c,1,3\n", 3, "2 times and 3 times", "same number"),
    ("card,dies,papers,count,per kit\na,b,c,1,0\n", 2, "0 is too small", "1 or more"),
]


@pytest.mark.parametrize(("content", "line", "words", "mend"), BAD_CARDS)
def test_mistakes_in_a_table_of_cards_name_the_line(
    tmp_path: Path, content: str, line: int, words: str, mend: str
) -> None:
    """File, line, value and mend."""
    path = table(tmp_path, content)
    with pytest.raises(BatchError) as caught:
        read_cards_csv(path)
    assert caught.value.where.file == str(path)
    assert caught.value.where.line == line
    assert words in caught.value.what
    assert mend in caught.value.mend


def test_unknown_names_in_a_table_name_table_and_line(tmp_path: Path) -> None:
    """A batch with a table that asks for a die nobody has."""
    (tmp_path / "c.csv").write_text("card,die,paper,count\ntwo,tga,white,4\n", encoding="utf-8")
    with pytest.raises(BatchError, match='"tga" is not known') as caught:
        read_batch(write_small(tmp_path, 'cards_csv = "c.csv"\n' + SMALL))
    assert caught.value.where.file == str(tmp_path / "c.csv")
    assert caught.value.where.line == 2
    assert '"tag"' in caught.value.mend


def test_missing_table_is_a_message(tmp_path: Path) -> None:
    """Named in the batch file but not there."""
    (tmp_path / "scraps.csv").write_text("paper,width,length\n", encoding="utf-8")
    with pytest.raises(BatchError, match=r'no file "scrap\.csv"') as caught:
        read_batch(write_small(tmp_path, 'scraps_csv = "scrap.csv"\n' + SMALL))
    assert '"scraps.csv"' in caught.value.mend


def test_table_that_is_no_text(tmp_path: Path) -> None:
    """A spreadsheet's own file renamed to .csv is refused with a message."""
    for content in (
        b"PK\x03\x04\x14\x00\x06\x00\x08\x00\xff\xfe\x00\x81",
        b"paper,width\x00\nred,1\x00\n",
        b"\xff\xfe\x00",
    ):
        with pytest.raises(BatchError) as caught:
            read_scraps_csv(table(tmp_path, content))
        assert caught.value.mend
