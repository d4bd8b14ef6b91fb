"""The box as a text, and back."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from nestcut import Box
from nestcut.errors import BoxError
from tests.box.evenings import evening, fill, snapshot
from tests.box.test_box import CAMPION, HOLED


def filled(path: Path) -> Box:
    """A box with everything in it."""
    box = Box(path)
    fill(box, 12, random.Random(8))
    box.add("see-green “1”", HOLED, tag="Löß 7")
    box.add_dies([CAMPION])
    box.after(evening(box, list(box.scraps())[:5]))
    return box


def test_an_export_loses_nothing(tmp_path: Path) -> None:
    """Every digit, tag, die and evening; the same text again; plans know the box again; an evening still counts once."""
    with filled(tmp_path / "one.db") as one, Box(tmp_path / "two.db") as two:
        one.export_to(tmp_path / "box.json")
        two.import_from(tmp_path / "box.json")
        assert snapshot(two) == snapshot(one)
        assert two.export_text() == one.export_text() == (tmp_path / "box.json").read_text("utf-8")
        plan = evening(one, list(one.scraps())[:4])
        two.after(plan)
        again = Box(tmp_path / "three.db")
        again.import_text(two.export_text())
        assert again.after(plan).again is not None


def test_a_full_box_is_replaced_only_if_that_is_said(tmp_path: Path, box: Box) -> None:
    """And undo brings back what it held."""
    box.add("blue", (10, 10))
    before = snapshot(box)
    with filled(tmp_path / "one.db") as one:
        export = one.export_text()
        with pytest.raises(BoxError, match="not empty"):
            box.import_text(export)
        assert snapshot(box) == before
        box.import_text(export, again=True)
        assert snapshot(box)[0] == snapshot(one)[0]
    box.undo()
    assert snapshot(box) == before


def changed(key: str, value: Any) -> Callable[[dict[str, Any]], None]:
    """Change a value in the first scrap."""

    def change(data: dict[str, Any]) -> None:
        data["scraps"][0][key] = value

    return change


@pytest.mark.parametrize(
    "change",
    [
        changed("tag", ""),
        changed("tag", "a\nb"),
        changed("tag", 7),
        changed("paper", "gold"),
        changed("outline", {"type": "Polygon", "coordinates": [[[0, 0], [9, 9], [9, 0], [0, 9], [0, 0]]]}),
        changed("outline", {"type": "Point", "coordinates": [0, 0]}),
        changed("outline", None),
        lambda data: data.pop("dies"),
        lambda data: data.update(format="nestcut-plan"),
        lambda data: data.update(version=2),
        lambda data: data["scraps"].append(data["scraps"][0]),
        lambda data: data["papers"].append(data["papers"][0]),
        lambda data: data.update(id=["x"]),
    ],
)
def test_what_is_no_export_is_refused_whole(
    tmp_path: Path, box: Box, change: Callable[[dict[str, Any]], None]
) -> None:
    """With file, key and mend; nothing comes in."""
    with filled(tmp_path / "one.db") as one:
        data = json.loads(one.export_text())
    change(data)
    (tmp_path / "box.json").write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(BoxError) as caught:
        box.import_from(tmp_path / "box.json")
    assert caught.value.where.file == str(tmp_path / "box.json")
    assert caught.value.mend
    assert box.scraps() == ()
    assert box.actions() == ()


@pytest.mark.parametrize(
    "text", [b"", b"{", b"[1,2]", b"\xff\xfe", b'{"format":"nestcut-box"}', b"[" * 100_000]
)
def test_texts_that_are_nothing_are_refused(tmp_path: Path, box: Box, text: bytes) -> None:
    """Cut short, no JSON, no UTF-8, nested without end."""
    (tmp_path / "box.json").write_bytes(text)
    with pytest.raises(BoxError) as caught:
        box.import_from(tmp_path / "box.json")
    assert caught.value.where.file == str(tmp_path / "box.json")
    assert box.actions() == ()
