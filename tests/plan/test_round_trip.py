"""What is written is what is read."""

import json

import pytest
from hypothesis import HealthCheck, given, settings
from shapely.geometry import Polygon

from nestcut.plan import Plan, plan_from_json, plan_to_json, read_plan, shape_to_json, write_plan
from nestcut.plan.encode import plan_text
from nestcut.plan.files import parse_json
from tests.strategies import plans

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
