"""What is written is what is read."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from shapely.affinity import rotate
from shapely.geometry import Polygon

from nestcut.batch.model import Pose
from nestcut.checks import check_plan
from nestcut.errors import OutputError, PlanError
from nestcut.plans import (
    Layup,
    Plan,
    Remnant,
    Slot,
    plan_from_json,
    plan_to_json,
    read_plan,
    shape_from_json,
    shape_to_json,
    shortened,
    write_plan,
)
from nestcut.plans.encode import plan_text
from nestcut.plans.files import parse_json
from tests.shared.checked_plans import turned
from tests.shared.plan_sample import sample
from tests.shared.strategies import outlines, plans

slow_data = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)


@slow_data
@given(plans())
def test_written_plan_reads_back_equal_to_the_last_bit(plan: Plan) -> None:
    """plan → JSON text → plan gives an equal value, and the same text again."""
    text = plan_text(plan_to_json(plan))
    again = plan_from_json(parse_json(text))
    assert again == plan
    assert plan_text(plan_to_json(again)) == text


def test_contract_example_reads_and_writes_back_the_same_values() -> None:
    """Every key of the hand-written sample survives; whole numbers stay the numbers they were."""
    assert plan_to_json(plan_from_json(sample())) == sample()


def test_keys_come_in_the_order_of_the_contract() -> None:
    """The text is deterministic: same keys, same order, whatever the order that was read."""
    shuffled = dict(reversed(sample().items()))
    assert list(plan_to_json(plan_from_json(shuffled))) == list(sample())


def test_text_has_one_pass_per_line() -> None:
    """A person who opens the file finds each die, scrap and pass on a line of its own."""
    data = sample()
    data["passes"] *= 3
    lines = plan_text(plan_to_json(plan_from_json(data))).splitlines()
    assert sum(line.startswith(' {"number":1,') for line in lines) == 3


@given(outlines())
def test_rings_are_written_by_the_right_hand_rule(outline: Polygon) -> None:
    """RFC 7946, 3.1.6: outer rings counter-clockwise, holes clockwise, first position = last."""
    backwards = Polygon(outline.exterior.coords[::-1], [hole.coords[::-1] for hole in outline.interiors])
    for shape in (outline, backwards):
        rings = shape_to_json(shape)["coordinates"]
        for number, ring in enumerate(rings):
            # Shoelace formula, independent of shapely's orientation tests.
            twice = sum(a[0] * b[1] - b[0] * a[1] for a, b in itertools.pairwise(ring))
            assert ring[0] == ring[-1]
            assert (twice > 0) == (number == 0)
        assert shape_from_json({"type": "Polygon", "coordinates": rings}).equals(shape)


@pytest.mark.parametrize("value", [-0.0, 0.1 + 0.2, 5e-324, 1e6, 1 / 3, -123456.789])
def test_awkward_numbers_keep_every_bit(value: float, tmp_path: Path) -> None:
    """Also minus zero, the smallest float and sums that decimal notation cannot hold."""
    plan = replace(plan_from_json(sample()), layups=(Layup("A", (Slot("campion", Pose(value, 0.0, 0.0)),)),))
    write_plan(plan, tmp_path / "plan.json")
    again = read_plan(tmp_path / "plan.json").layups[0].slots[0].pose.x_mm
    assert again == value
    assert math.copysign(1, again) == math.copysign(1, value)


def test_unknown_keys_are_ignored() -> None:
    """The contract may gain keys: a plan of a later nestcut still reads."""
    data = sample()
    data["weather"] = {"rain": [1, 2]}
    data["passes"][0]["mood"] = None
    data["dies"][0]["maker"] = "me"
    assert plan_from_json(data) == plan_from_json(sample())


@pytest.mark.parametrize("key", ["short", "kits", "cards", "packing", "evening", "proof", "extras", "notes"])
def test_later_keys_may_be_missing_or_null(key: str) -> None:
    """A plan of the first contract, without the later keys, reads."""
    data = sample()
    data[key] = None
    with_null = plan_from_json(data)
    del data[key]
    assert plan_from_json(data) == with_null


def test_plan_is_written_as_utf_8_json_that_any_reader_reads(tmp_path: Path) -> None:
    """The file is plain RFC 8259 JSON in UTF-8."""
    plan = replace(plan_from_json(sample()), title="Löwenzahn 花 “leaf”")
    write_plan(plan, tmp_path / "plan.json")
    data = json.loads((tmp_path / "plan.json").read_bytes().decode("utf-8"))
    assert data["title"] == plan.title


def test_numbers_that_are_not_finite_are_never_written(tmp_path: Path) -> None:
    """A NaN in a plan is a mistake of the program: it is raised, and no file appears."""
    plan = replace(plan_from_json(sample()), layups=(Layup("A", (Slot("campion", Pose(math.nan, 0, 0)),)),))
    with pytest.raises(ValueError, match="nan"):
        write_plan(plan, tmp_path / "plan.json")
    assert list(tmp_path.iterdir()) == []


def test_plan_that_could_not_be_read_back_is_never_written(tmp_path: Path) -> None:
    """The old file stays as it was."""
    target = tmp_path / "plan.json"
    good = plan_from_json(sample())
    write_plan(good, target)
    before = target.read_bytes()
    crossing = Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    bad = replace(good, scraps=(replace(good.scraps[0], outline=crossing),))
    with pytest.raises(PlanError, match="crosses itself"):
        write_plan(bad, target)
    assert target.read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["plan.json"]


@pytest.mark.parametrize("target", ["missing/plan.json", "folder"])
def test_unwritable_target_is_a_message(tmp_path: Path, target: str) -> None:
    """A missing folder, and a folder in the way, are said with place and mend."""
    (tmp_path / "folder").mkdir()
    with pytest.raises(OutputError) as caught:
        write_plan(plan_from_json(sample()), tmp_path / target)
    assert caught.value.where.file.endswith(target)
    assert caught.value.mend
    assert [path.name for path in tmp_path.iterdir()] == ["folder"]


def test_full_disk_leaves_the_old_plan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the disk is full the old plan is still there, whole, and nothing else."""
    target = tmp_path / "plan.json"
    plan = plan_from_json(sample())
    write_plan(plan, target)
    before = target.read_bytes()

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("nestcut._files.os.fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        write_plan(replace(plan, title="new"), target)
    assert target.read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["plan.json"]


def test_short_remnants_stay_what_the_cuts_leave(tmp_path: Path) -> None:
    """Shortened remnants have six digits, pass the checker, and need far fewer bytes; nothing else changes."""
    plan = turned()
    plan = replace(plan, remnants=tuple(replace(r, outline=skewed(r.outline)) for r in plan.remnants))
    short = shortened(plan)
    assert replace(short, remnants=plan.remnants) == plan
    assert shortened(short) == short
    for before, after in zip(plan.remnants, short.remnants, strict=True):
        assert before != after
        assert after.outline.equals_exact(before.outline, 0.75e-6)
        assert len(json.dumps(shape_to_json(after.outline))) < 0.7 * len(
            json.dumps(shape_to_json(before.outline))
        )
    assert check_plan(shortened(turned())).ok


def skewed(shape: Polygon) -> Polygon:
    """The shape turned by a little, so that all its numbers are long."""
    return rotate(shape, 1 / 7, origin=(0, 0))


def test_a_remnant_that_short_numbers_would_spoil_keeps_its_own() -> None:
    """A sliver thinner than the last digit would be closed: it stays."""
    sliver = Polygon([(0, 0), (10, 0), (10, 3e-7), (0, 3e-7)])
    plan = replace(turned(), remnants=(Remnant("a", sliver), Remnant("b", Polygon())))
    assert shortened(plan) == plan
