"""Random batches are read as written, and random damage never ends in a traceback."""

from __future__ import annotations

import copy
import datetime
import math
import tempfile
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from nestcut.batch import Batch, read_cards_csv, read_scraps_csv
from nestcut.batch.forms import read_form
from nestcut.batch.model import HandSeconds
from nestcut.batch.problems import Problems
from nestcut.batch.reader import _BatchBuilder, batch_from_toml
from nestcut.errors import NestcutError
from tests.shared.batch_files import SMALL
from tests.shared.strategies import batch_tables, json_values, toml_text

HERE = Path(__file__).parent
some = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
many = settings(
    max_examples=250, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)


def attributes(value: Any, table: dict[str, Any], names: dict[str, str], defaults: dict[str, Any]) -> None:
    """Each attribute has the value of its key, or the documented default (a length below 1e-6 mm is none)."""
    for key, attribute in names.items():
        assert getattr(value, attribute) == pytest.approx(table.get(key, defaults[key]), abs=1e-6) or getattr(
            value, attribute
        ) == table.get(key, defaults[key])


@some
@given(batch_tables())
def test_batch_says_what_its_tables_say(data: dict[str, Any]) -> None:
    """Tables → TOML → batch: every value arrives, every value left out has its documented default."""
    text = toml_text(data)
    assert tomllib.loads(text) == {key: value for key, value in data.items() if value != []}
    batch = batch_from_toml(text, folder=HERE)
    assert batch.title == data.get("title", "")
    machine, hand = data["machine"], data.get("hand", {})
    assert batch.machine.plate_mm == tuple(machine["plate"])
    attributes(
        batch.machine,
        machine,
        {
            "clear": "clear_mm",
            "dies": "dies",
            "overhang": "overhang_mm",
            "load_limit": "load_limit_mm",
        },
        {
            "clear": 2.0,
            "dies": "over",
            "overhang": 150.0,
            "load_limit": None,
        },
    )
    attributes(
        batch.hand,
        hand,
        {"web": "web_mm", "edge": "edge_mm", "gap": "gap_mm", "papers": "papers", "trims": "trims"},
        {"web": 2.5, "edge": 2.0, "gap": 1.0, "papers": "square", "trims": "scissors"},
    )
    each = hand.get("seconds", {}) | {key: hand[key] for key in ("pace", "dies") if key in hand}
    assert batch.hand.seconds == HandSeconds(**each)
    for paper, (name, table) in zip(batch.papers, data["papers"].items(), strict=True):
        assert paper.name == name
        assert (paper.swatch, paper.direction, paper.both_sides) == (
            table.get("swatch"),
            table.get("direction", "none"),
            table.get("both_sides", False),
        )
    wanted = [table for table in data["scraps"] for _ in range(table.get("count", 1))]
    assert len({scrap.id for scrap in batch.scraps}) == len(batch.scraps) == len(wanted)
    for scrap, table in zip(batch.scraps, wanted, strict=True):
        assert scrap.paper == table["paper"]
        assert scrap.outline.bounds == (0.0, 0.0, *table["size"])
    for die, (name, table) in zip(batch.dies, data["dies"].items(), strict=True):
        assert (die.name, die.copies, die.trips) == (name, table.get("copies", 1), table.get("trips", 1))
        turns = table.get("turns", "any")
        assert die.turns == (turns if turns == "any" else tuple(turns))
        width, length = table.get("rectangle") or table.get("oval") or [table["circle"]] * 2
        full = width * length * (1 if "rectangle" in table else math.pi / 4)
        assert full - 1e-6 <= die.cut.area <= full + 0.06 * 2 * (width + length)
        left, _, right, _ = die.rim.bounds
        assert right - left == pytest.approx(width + 2 * table.get("rim", 1.6), abs=0.25)
        assert die.rim.covers(die.cut)
    for card, table in zip(batch.cards, data["cards"], strict=True):
        assert (card.name, card.count) == (table["name"], table.get("count", 1))
        for line, piece in zip(card.lines, table["pieces"], strict=True):
            assert line.dies == tuple(piece.get("any_of") or [piece["die"]])
            assert line.papers == tuple(piece.get("papers") or [piece["paper"]])
            assert line.count == piece.get("count", 1)
    assert batch.kits == data["class"].get("kits", 1)
    spares = data["class"].get("spares", 0)
    for line in batch.demand:
        plain = line.count - line.spares
        # Whole-number arithmetic: n % of a line, rounded up.
        share = -(-plain * int(spares.split()[0]) // 100) if isinstance(spares, str) else spares
        assert line.spares == share
        assert plain == line.per_kit * batch.kits


def paths_of(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in nested values."""
    found = [path] if path else []
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        found += paths_of(value, (*path, key))
    return found


GOOD = tomllib.loads(SMALL)
PATHS = paths_of(GOOD)
ODD = st.sampled_from(
    [
        True,
        0,
        -1,
        10**30,
        -(10**5000),
        1e308,
        float("nan"),
        float("-inf"),
        "",
        " ",
        "\x1b[2J",
        "red",
        "disc",
        "1/0 in",
        "9" * 200,
        "a" * 300,
        "../../x.svg",
        "x.csv",
        [],
        {},
        [[]],
        [{}],
        [1e-9, 1e4],
        datetime.date(2026, 1, 1),
        datetime.time(1, 2),
        datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC),
    ]
)


@many
@given(
    st.lists(
        st.tuples(
            st.sampled_from(PATHS),
            ODD | json_values(),
            st.sampled_from(["replace", "remove", "add", "rename"]),
        ),
        min_size=1,
        max_size=3,
    )
)
def test_any_damage_to_the_values_gives_a_batch_or_a_message(
    damages: list[tuple[tuple[Any, ...], Any, str]],
) -> None:
    """Values replaced, removed, added, keys renamed: a Batch or a NestcutError that can be printed."""
    data: Any = copy.deepcopy(GOOD)
    for path, value, how in damages:
        inner = data
        try:
            for part in path[:-1]:
                inner = inner[part]
            old = inner[path[-1]]
            if how == "replace":
                inner[path[-1]] = copy.deepcopy(value)
            elif how == "add" and isinstance(inner, dict):
                inner[str(value)[:50] if not isinstance(value, int) else "new"] = copy.deepcopy(value)
            elif how == "rename" and isinstance(inner, dict):
                inner[f"{path[-1]}x"] = old
                del inner[path[-1]]
            else:
                del inner[path[-1]]
        except (KeyError, IndexError, TypeError):
            continue  # an earlier damage took the place away
    problems = Problems("small.toml")
    try:
        form = read_form(data, problems)
        problems.raise_if_any()
        assert form is not None
        batch = _BatchBuilder(form, HERE, problems).batch()
        problems.raise_if_any()
    except NestcutError as err:
        readable(err)
    else:
        assert isinstance(batch, Batch)


@many
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(SMALL)),
            st.integers(0, 30),
            st.text(max_size=6)
            | st.sampled_from([*list("[]{}\"=,.#\n-0e'"), "\r", "1e999", "nan", "[[", '"""']),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_any_damage_to_the_text_gives_a_batch_or_a_message(edits: list[tuple[int, int, str]]) -> None:
    """Stretches of the file replaced by anything."""
    text = SMALL
    for start, length, new in edits:
        text = text[:start] + new + text[start + length :]
    try:
        assert isinstance(batch_from_toml(text, folder=HERE), Batch)
    except NestcutError as err:
        readable(err)


TABLES = [
    'paper,width,length,count,id\r\nred,105,148,2,\r\nwhite,"2 3/8""",100,,w\r\n',
    "card;die;papers;count;cards per kit\nwreath;a|b;red|blue;3;2\nwreath;c;red;1;\n",
]


@many
@given(
    st.sampled_from(TABLES),
    st.lists(
        st.tuples(
            st.integers(0, 70),
            st.integers(0, 20),
            st.binary(max_size=4) | st.sampled_from([b'"', b",", b";", b"\n", b"\0"]),
        ),
        min_size=1,
        max_size=4,
    ),
)
def test_any_damage_to_a_table_gives_rows_or_a_message(
    content: str, edits: list[tuple[int, int, bytes]]
) -> None:
    """Bytes of a CSV replaced by anything."""
    data = content.encode()
    for start, length, new in edits:
        data = data[:start] + new + data[start + length :]
    assume(len(data) < 10_000)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        path.write_bytes(data)
        for read in (read_scraps_csv, read_cards_csv):
            try:
                assert isinstance(read(path), tuple)
            except NestcutError as err:
                readable(err)


def readable(err: NestcutError) -> None:
    """A message can be printed anywhere, and says what and where or how to mend."""
    text = str(err)
    text.encode("utf-8")
    assert err.what
    assert all(char.isprintable() or char == "\n" for char in text)
