"""Whatever is not a plan of version 1 or 2 is refused with file, key and mend; nothing ends in a traceback."""

from __future__ import annotations

import copy
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from nestcut.errors import NestcutError, PlanError
from nestcut.plans import Plan, plan_from_json, read_plan
from nestcut.plans.encode import plan_text
from nestcut.plans.files import parse_json
from tests.shared.plan_sample import sample, square
from tests.shared.strategies import json_values

RING = "dies[0].cut.coordinates"


def at(path: str, value: Any) -> Callable[[dict[str, Any]], None]:
    """Damage: the value at a path of keys and numbers replaced."""

    def damage(data: Any) -> None:
        *before, last = [int(part) if part.isdigit() else part for part in path.split("/")]
        for part in before:
            data = data[part]
        data[last] = value

    return damage


def without(path: str) -> Callable[[dict[str, Any]], None]:
    """Damage: a key removed."""

    def damage(data: Any) -> None:
        *before, last = [int(part) if part.isdigit() else part for part in path.split("/")]
        for part in before:
            data = data[part]
        del data[last]

    return damage


CASES: list[tuple[Callable[[dict[str, Any]], None], str, str]] = [
    # (damage, key path, words in what is wrong)
    (at("format", "something"), "format", "not a plan of nestcut"),
    (at("version", 3), "version", "version 3"),
    (at("version", True), "version", "not a whole number"),
    (at("version", "1"), "version", "not a whole number"),
    (without("passes"), "the whole file", "'passes' is missing"),
    (without("machine/plate"), "machine", "'plate' is missing"),
    (without("passes/0/cuts/0/slot"), "passes[0].cuts[0]", "'slot' is missing"),
    (at("complete", "yes"), "complete", "'yes'"),
    (at("complete", 1), "complete", "1"),
    (at("title", 5), "title", "5, not a text"),
    (at("title", "x" * 501), "title", "501 characters"),
    (at("machine", []), "machine", "not an object"),
    (at("machine/plate", [150]), "machine.plate", "two sides"),
    (at("machine/plate/0", 0), "machine.plate[0]", "out of range"),
    (at("machine/plate/0", 1e9), "machine.plate[0]", "out of range"),
    (at("machine/clear", 75), "machine.clear", "nothing is left"),
    (at("machine/clear", -1), "machine.clear", "out of range"),
    (at("machine/clear", float("nan")), "machine.clear", "out of range"),
    (at("machine/clear", float("inf")), "machine.clear", "out of range"),
    (at("machine/clear", 10**400), "machine.clear", "out of range"),
    (at("machine/clear", True), "machine.clear", "not a number"),
    (at("machine/clear", "2"), "machine.clear", "not a number"),
    (at("machine/dies", "beside"), "machine.dies", "'beside'"),
    (at("machine/dies", ["over"]), "machine.dies", "not known here"),
    (at("hand/papers", None), "hand.papers", "null"),
    (at("hand/trims", "saw"), "hand.trims", "'saw'"),
    (at("papers/0/name", ""), "papers[0].name", "empty"),
    (at("papers/0/name", "  "), "papers[0].name", "empty"),
    (at("papers/0/name", "a\nb"), "papers[0].name", "control character"),
    (at("papers/0/name", "\x1b[2J"), "papers[0].name", "control character"),
    (at("papers/0/name", "\ud800"), "papers[0].name", "control character"),
    (at("papers/0/swatch", 'red" onload="x'), "papers[0].swatch", "not a colour"),
    (at("papers/0/direction", "left"), "papers[0].direction", "'left'"),
    (lambda data: data["papers"].append(data["papers"][0]), "papers", "'red' appears twice"),
    (lambda data: data["dies"].append(data["dies"][0]), "dies", "'campion' appears twice"),
    (lambda data: data["scraps"].append(data["scraps"][0]), "scraps", "'red-1' appears twice"),
    (lambda data: data["layups"].append(data["layups"][0]), "layups", "'A' appears twice"),
    (at("trims/0/into/0/id", "red-1"), "trims", "'red-1' appears twice"),
    (at("dies/0/copies", 0), "dies[0].copies", "out of range"),
    (at("dies/0/copies", 1.5), "dies[0].copies", "not a whole number"),
    (at("dies/0/turns", []), "dies[0].turns", "no turn"),
    (at("dies/0/turns", "all"), "dies[0].turns", "'all'"),
    (at("dies/0/turns/0", "0"), "dies[0].turns[0]", "not a number"),
    (at("dies/0/trips", 0), "dies[0].trips", "out of range"),
    (at("dies/0/cut", "round"), "dies[0].cut", "not an object"),
    (at("dies/0/cut/type", "Circle"), "dies[0].cut.type", "'Circle'"),
    (at("dies/0/cut/type", "MultiPolygon"), f"{RING}[0][0]", "too few points"),
    (at("dies/0/cut/coordinates", []), RING, "empty"),
    (at("dies/0/cut/coordinates", [[]]), f"{RING}[0]", "too few points"),
    (at("dies/0/cut/coordinates/0", [[0, 0], [1, 0], [1, 1], [0, 1]]), f"{RING}[0]", "not closed"),
    (at("dies/0/cut/coordinates/0", [[0, 0], [1, 0], [0, 0]]), f"{RING}[0]", "too few points"),
    (
        at("dies/0/cut/coordinates/0", [[0, 0], [9, 9], [9, 0], [0, 9], [0, 0]]),
        "dies[0].cut",
        "crosses itself",
    ),
    (at("dies/0/cut/coordinates/0", [[0, 0], [1, 1], [2, 2], [0, 0]]), "dies[0].cut", "not a clean outline"),
    (at("dies/0/cut/coordinates/0", [[1, 1], [1, 1], [1, 1], [1, 1]]), "dies[0].cut", "not a clean outline"),
    (
        lambda d: d["dies"][0]["cut"]["coordinates"].extend(square(50, 0, 2)),
        "dies[0].cut",
        "hole lies outside",
    ),
    (
        at("dies/1/cut/coordinates", [square(0, 0, 9), square(2, 2, 3)]),
        "dies[1].cut",
        "a part lies inside another",
    ),
    (at("dies/0/cut/coordinates/0/1", [1]), f"{RING}[0][1]", "not a position"),
    (at("dies/0/cut/coordinates/0/1", [1, 2, 3]), f"{RING}[0][1]", "not a position"),
    (at("dies/0/cut/coordinates/0/1", "12"), f"{RING}[0][1]", "not a position"),
    (at("dies/0/cut/coordinates/0/1", ["1", "2"]), f"{RING}[0][1][0]", "not a number"),
    (at("dies/0/cut/coordinates/0/1", [1, True]), f"{RING}[0][1][1]", "not a number"),
    (at("dies/0/cut/coordinates/0/1", [1, 1e300]), f"{RING}[0][1][1]", "out of range"),
    (at("dies/0/cut/coordinates/0/1", [float("nan"), 1]), f"{RING}[0][1][0]", "out of range"),
    (at("dies/0/marks/type", "LineString"), "dies[0].marks.type", "'LineString'"),
    (at("dies/0/marks/coordinates", [[[0, 0]]]), "dies[0].marks.coordinates[0]", "too few points"),
    (
        at("scraps/0/outline", {"type": "MultiPolygon", "coordinates": [square(0, 0, 9)]}),
        "scraps[0].outline.type",
        "paper is one piece",
    ),
    (at("trims/0/into", "red-1a"), "trims[0].into", "not a list"),
    (at("demand/0/met", -1), "demand[0].met", "out of range"),
    (at("demand/0/by", {}), "demand[0].by", "not a list"),
    (at("layups/0/slots/0/pose", [1, 2]), "layups[0].slots[0].pose", "3 numbers, not 2"),
    (at("layups/0/slots/0/pose/2", None), "layups[0].slots[0].pose[2]", "null"),
    (at("passes/0/number", "1"), "passes[0].number", "'1'"),
    (at("passes/0/papers/0/flipped", 0), "passes[0].papers[0].flipped", "0"),
    (at("passes/0/cuts/0/slot", -1), "passes[0].cuts[0].slot", "out of range"),
    (at("bound/reason", None), "bound.reason", "null"),
    (at("bound/reason", "a\x00b"), "bound.reason", "control character"),
    (at("totals/minutes", -0.5), "totals.minutes", "out of range"),
    (at("totals/actions/pull_on", 1.5), "totals.actions.pull_on", "not a whole number"),
    (at("totals/actions/scissors_mm", -1), "totals.actions.scissors_mm", "out of range"),
    (at("hand/pace", 0), "hand.pace", "out of range"),
    (at("hand/dies", "glued"), "hand.dies", "glued"),
    (at("hand/seconds/crank", -1), "hand.seconds.crank", "out of range"),
    (without("hand/seconds/put_back_under"), "hand.seconds", "put_back_under"),
    (without("totals/actions"), "totals", "actions"),
    (
        at("remnants/0/outline/coordinates/0", [[0, 0]]),
        "remnants[0].outline.coordinates[0]",
        "too few points",
    ),
    (at("short/0/sheets/A4", "two"), "short[0].sheets.A4", "'two'"),
    (at("evening/start", "25:00"), "evening.start", "time of day"),
    (at("packing/0/copy", 0), "packing[0].copy", "out of range"),
    (at("proof", []), "proof", "not an object"),
    (at("proof/lines/0", float("inf")), "proof.lines[0]", "not finite"),
    (at("extras/seed", "\x07"), "extras.seed", "control character"),
    (at("notes", "one"), "notes", "not a list"),
]


@pytest.mark.parametrize(("damage", "place", "words"), CASES)
def test_each_damage_is_named_with_its_key_and_a_mend(damage: Any, place: str, words: str) -> None:
    """One damage, one message: what, where (key path) and mend."""
    data = sample()
    damage(data)
    with pytest.raises(PlanError) as caught:
        plan_from_json(data)
    assert caught.value.where.element == place
    assert words in caught.value.what
    assert caught.value.mend


@pytest.mark.parametrize("value", [None, [], "text", 3, True, [sample()]])
def test_top_level_that_is_no_object_is_refused(value: Any) -> None:
    """A file that holds a list or a number is no plan."""
    with pytest.raises(PlanError):
        plan_from_json(value)


def deep(levels: int) -> dict[str, Any]:
    """An object nested in itself."""
    data: dict[str, Any] = {}
    for _ in range(levels):
        data = {"in": data}
    return data


def test_deep_extras_are_refused() -> None:
    """Extras are nested 40 levels at most."""
    data = sample()
    data["extras"] = deep(41)
    with pytest.raises(PlanError, match="nested too deeply"):
        plan_from_json(data)


GOOD = plan_text(sample())
FILES: list[tuple[bytes, str, int | None]] = [
    # (content, words, line)
    (b"", "ends too early", 1),
    (b"   \n ", "ends too early", 2),
    (GOOD.encode()[: len(GOOD) // 2], "", None),
    (b'{"format": "nestcut-plan",\n "version" 1}', "not JSON", 2),
    (b"[" * 100_000, "nested too deeply", None),
    (b'{"a":' * 100_000, "nested too deeply", None),
    (GOOD.replace('"clear": 2', '"clear": NaN').encode(), "NaN is not a number", None),
    (GOOD.replace('"clear": 2', '"clear": -Infinity').encode(), "-Infinity is not a number", None),
    (GOOD.replace('"clear": 2', '"clear": 1e999').encode(), "out of range", None),
    (GOOD.replace('"clear": 2', '"clear": ' + "9" * 5000).encode(), "a number cannot be read", None),
    (GOOD.replace('"clear": 2', '"clear": 2, "clear": 3').encode(), "'clear' appears twice", None),
    (GOOD.replace("evening", "\xe9vening", 1).encode("latin-1"), "not saved as UTF-8", 4),
    (GOOD.encode("utf-16"), "UTF-16", None),
    (b"\x00\x01\x02", "not JSON", 1),
    (b"<svg/>", "not JSON", 1),
]


@pytest.mark.parametrize(("content", "words", "line"), FILES)
def test_broken_files_are_named_with_file_and_mend(
    tmp_path: Path, content: bytes, words: str, line: int | None
) -> None:
    """Cut short, not JSON, not UTF-8, nested without end: the message names the file."""
    path = tmp_path / "plan.json"
    path.write_bytes(content)
    with pytest.raises(PlanError) as caught:
        read_plan(path)
    assert caught.value.where.file == str(path)
    assert words in caught.value.what
    assert caught.value.mend
    if line is not None:
        assert caught.value.where.line == line


def test_byte_order_mark_and_crlf_are_read(tmp_path: Path) -> None:
    """A plan that went through another system's editor still reads."""
    path = tmp_path / "plan.json"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert read_plan(path) == plan_from_json(sample())


def test_missing_file_folder_pipe_and_device_are_messages(tmp_path: Path) -> None:
    """None of them hangs or ends in a traceback."""
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "none.json", tmp_path, tmp_path / "pipe", Path("/dev/zero"), Path("a\0b")):
        with pytest.raises(PlanError) as caught:
            read_plan(path)
        assert caught.value.where.file
        assert caught.value.mend


def test_file_that_is_too_large_is_refused_unread(tmp_path: Path) -> None:
    """A sparse file of 10 GB is refused at once."""
    path = tmp_path / "plan.json"
    with open(path, "wb") as file:
        file.truncate(10_000_000_000)
    with pytest.raises(PlanError, match="larger than 256 MB"):
        read_plan(path)


def test_link_to_a_plan_is_read(tmp_path: Path) -> None:
    """Symbolic links are followed."""
    (tmp_path / "plan.json").write_text(GOOD, encoding="utf-8")
    (tmp_path / "link.json").symlink_to("plan.json")
    assert isinstance(read_plan(tmp_path / "link.json"), Plan)


def paths_of(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in nested JSON values."""
    found = [path] if path else []
    if isinstance(data, dict):
        for key, value in data.items():
            found += paths_of(value, (*path, key))
    elif isinstance(data, list):
        for number, value in enumerate(data):
            found += paths_of(value, (*path, number))
    return found


PATHS = paths_of(sample())
ODD = st.sampled_from(
    [
        None,
        True,
        0,
        -1,
        1,
        1e308,
        -1e308,
        float("nan"),
        float("inf"),
        10**50,
        "",
        "x" * 300,
        [],
        {},
        [[]],
        [[0, 0]],
    ]
)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(st.tuples(st.sampled_from(PATHS), ODD | json_values(), st.booleans()), min_size=1, max_size=3)
)
def test_any_damage_gives_a_plan_or_a_message(damages: list[tuple[tuple[Any, ...], Any, bool]]) -> None:
    """Values replaced or removed anywhere: a Plan or a NestcutError, never anything else."""
    data: Any = sample()
    for path, value, remove in damages:
        inner = data
        try:
            for part in path[:-1]:
                inner = inner[part]
            if remove:
                del inner[path[-1]]
            else:
                inner[path[-1]] = copy.deepcopy(value)
        except (KeyError, IndexError, TypeError):
            continue  # an earlier damage took the place away
    try:
        assert isinstance(plan_from_json(data), Plan)
    except NestcutError as err:
        str(err).encode("utf-8")  # can be printed


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(GOOD)), st.integers(0, 40), st.text(max_size=6) | st.sampled_from('{}[]",:0-e')
        ),
        min_size=1,
        max_size=4,
    )
)
def test_any_damage_to_the_text_gives_a_plan_or_a_message(edits: list[tuple[int, int, str]]) -> None:
    """Stretches of the file replaced by anything: a Plan or a NestcutError, never anything else."""
    text = GOOD
    for start, length, new in edits:
        text = text[:start] + new + text[start + length :]
    try:
        assert isinstance(plan_from_json(parse_json(text)), Plan)
    except NestcutError as err:
        str(err).encode("utf-8")


def test_sample_is_a_plan() -> None:
    """The plan that all damages start from is itself good, also through the file."""
    assert plan_from_json(json.loads(GOOD)) == plan_from_json(sample())
