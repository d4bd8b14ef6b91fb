"""The JSON Schema that is shipped says what the reader does."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings

from nestcut.errors import PlanError
from nestcut.plans import PassClock, Plan, plan_from_json, plan_schema, plan_to_json
from tests.plans.test_refusals import CASES
from tests.shared.plan_sample import sample, sample_of_version_1
from tests.shared.strategies import plans

VALIDATOR = jsonschema.Draft202012Validator(plan_schema())

BEYOND_A_SCHEMA = (
    "appears twice",
    "not closed",
    "crosses itself",
    "not a clean outline",
    "hole lies outside",
    "inside another",
    "nothing is left",
    "control character",
    "not finite",
)
"""What is said in words in the schema's description, because a schema cannot express it."""


def test_schema_is_a_valid_schema() -> None:
    """Draft 2020-12, checked by its own meta-schema."""
    jsonschema.Draft202012Validator.check_schema(plan_schema())


def test_sample_is_valid() -> None:
    """The hand-written sample obeys the schema."""
    VALIDATOR.validate(sample())


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
@given(plans())
def test_every_plan_that_is_written_is_valid(plan: Plan) -> None:
    """What plan_to_json gives obeys the schema."""
    VALIDATOR.validate(plan_to_json(plan))


@pytest.mark.parametrize(("damage", "_place", "words"), CASES)
def test_schema_refuses_what_the_reader_refuses(damage: Any, _place: str, words: str) -> None:
    """Reader and schema agree on every damage that a schema can express."""
    data = sample()
    damage(data)
    if any(beyond in words for beyond in BEYOND_A_SCHEMA) or not is_json(data):
        pytest.skip("beyond what a schema can say")
    assert not VALIDATOR.is_valid(data)


def is_json(data: Any) -> bool:
    """JSON has no NaN and no infinity."""
    try:
        return bool(json.dumps(data, allow_nan=False))
    except ValueError:
        return False


def required_keys(data: Any, schema: dict[str, Any], path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every (path, key) that the schema calls required and the sample has."""
    while "$ref" in schema:
        schema = plan_schema()["$defs"][schema["$ref"].rpartition("/")[2]]
    if "anyOf" in schema:
        schema = next((one for one in schema["anyOf"] if jsonschema_fits(data, one)), {})
        return required_keys(data, schema, path) if schema else []
    found: list[tuple[Any, ...]] = [(*path, key) for key in schema.get("required", [])]
    if isinstance(data, dict):
        for key, inner in schema.get("properties", {}).items():
            if key in data:
                found += required_keys(data[key], inner, (*path, key))
    elif isinstance(data, list) and isinstance(schema.get("items"), dict):
        for number, value in enumerate(data):
            found += required_keys(value, schema["items"], (*path, number))
    return found


def jsonschema_fits(data: Any, schema: dict[str, Any]) -> bool:
    """Whether a part of the schema accepts a value."""
    return jsonschema.Draft202012Validator({**schema, "$defs": plan_schema()["$defs"]}).is_valid(data)


def required_of_version_2() -> list[tuple[Any, ...]]:
    """The keys that the schema asks for where the version is not 1."""
    return [
        (key, name)
        for key, inner in plan_schema()["else"]["properties"].items()
        for name in inner["required"]
    ]


REQUIRED = required_keys(sample(), plan_schema()) + required_of_version_2()


def test_there_are_required_keys_at_every_level() -> None:
    """The walk below is not empty."""
    assert len(REQUIRED) > 100
    assert ("passes", 0, "cuts", 0, "slot") in REQUIRED


@pytest.mark.parametrize("path", REQUIRED, ids=lambda path: ".".join(map(str, path)))
def test_required_keys_are_the_same_in_schema_and_reader(path: tuple[Any, ...]) -> None:
    """A key that the schema requires is missed by the reader too."""
    data: Any = sample()
    inner = data
    for part in path[:-1]:
        inner = inner[part]
    del inner[path[-1]]
    with pytest.raises(PlanError, match="missing"):
        plan_from_json(data)


def every_key(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every path that ends in a key, outside the free tables."""
    found: list[tuple[Any, ...]] = []
    if isinstance(data, dict):
        for key, value in data.items():
            found.append((*path, key))
            if key not in ("proof", "extras", "sheets"):
                found += every_key(value, (*path, key))
    elif isinstance(data, list):
        for number, value in enumerate(data):
            found += every_key(value, (*path, number))
    return found


@pytest.mark.parametrize(
    "path",
    [path for path in every_key(sample()) if path not in REQUIRED],
    ids=lambda path: ".".join(map(str, path)),
)
def test_other_keys_may_be_missing_in_schema_and_reader(path: tuple[Any, ...]) -> None:
    """A key that the schema does not require is not missed by the reader either."""
    data: Any = sample()
    inner = data
    for part in path[:-1]:
        inner = inner[part]
    del inner[path[-1]]
    VALIDATOR.validate(data)
    assert isinstance(plan_from_json(data), Plan)


def test_version_1_is_read_and_written_as_it_was() -> None:
    """Its minutes have a rule of their own; what it does not know is not asked for, and not written."""
    data = sample_of_version_1()
    VALIDATOR.validate(data)
    plan = plan_from_json(data)
    assert plan.pass_clock == PassClock(60.0, 15.0, 30.0)
    written = plan_to_json(plan)
    VALIDATOR.validate(written)
    assert (written["version"], written["machine"], written["hand"], written["totals"]) == (
        1, data["machine"], data["hand"], data["totals"],
    )  # fmt: skip
    assert plan_from_json(written) == plan


@pytest.mark.parametrize("key", ["seconds_per_pass", "seconds_per_die", "seconds_per_trim"])
def test_version_1_needs_its_seconds(key: str) -> None:
    """Without them nobody could recount its minutes."""
    data = sample_of_version_1()
    del data["machine"][key]
    assert not VALIDATOR.is_valid(data)
    with pytest.raises(PlanError, match="missing"):
        plan_from_json(data)
