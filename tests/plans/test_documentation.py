"""docs/plan-json.md says what the file holds."""

from __future__ import annotations

import json
import re

import pytest

from nestcut.plans import plan_schema
from tests.shared.places import ROOT
from tests.shared.plan_sample import sample

PAGE = (ROOT / "docs" / "plan-json.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("key", list(sample()))
def test_every_key_is_documented(key: str) -> None:
    """A top-level key that is written stands on the page, in the example or in a table."""
    assert re.search(rf'`{key}`|"{key}"', PAGE)


def test_example_of_the_page_has_the_keys_of_the_schema() -> None:
    """The example is JSON and has every key that the schema requires, at the top and inside."""
    example = json.loads(re.search(r"```json\n(.*?)```", PAGE, re.DOTALL)[1])  # type: ignore[index]
    schema = plan_schema()
    assert set(schema["required"]) <= set(example)
    for key, inner in schema["properties"].items():
        items = inner.get("items", inner)
        if key in example and "required" in items:
            value = example[key][0] if isinstance(example[key], list) else example[key]
            assert set(items["required"]) <= set(value)


def test_minutes_of_the_example_follow_its_own_rule() -> None:
    """Each action's count times its seconds, by the pace."""
    example = json.loads(re.search(r"```json\n(.*?)```", PAGE, re.DOTALL)[1])  # type: ignore[index]
    hand, totals = example["hand"], example["totals"]
    each = hand["seconds"] | {"scissors_mm": hand["seconds"]["scissors"] / 100}
    seconds = sum(count * each[action] for action, count in totals["actions"].items()) / hand["pace"]
    assert totals["minutes"] == pytest.approx(seconds / 60, abs=1e-4)
