"""Strips with several columns, and strips that are turned midway: every cut keeps its web, edge and lane."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nestcut.batch.model import CardLine, Paper
from nestcut.checks import check_plan
from nestcut.passes import plan_batch
from nestcut.passes.makers.strips.strip_forms import StripForm, fitting, lane_width, strip_forms
from tests.shared.batches import batch_of, disc_die, sheets

lengths = st.floats(4.0, 60.0).map(lambda value: round(value, 3))


def cut_boxes(
    form: StripForm, cut_mm: tuple[float, float], edge_mm: float
) -> list[tuple[float, float, float, float]]:
    """The boxes of all cuts in the strip's own frame: the die stays where it is, the strip is moved and turned."""
    boxes = []
    for turned, aside, outward in form.steps:
        x, y = edge_mm + aside, edge_mm + outward
        if turned:
            x, y = form.width_mm - x - cut_mm[0], form.length_mm - y - cut_mm[1]
        boxes.append((x, y, x + cut_mm[0], y + cut_mm[1]))
    return boxes


@settings(max_examples=200, deadline=None)
@given(
    st.tuples(lengths, lengths),
    st.floats(0.5, 4.0),
    st.floats(0.5, 4.0),
    st.integers(1, 4),
    st.floats(0.0, 150.0),
    st.floats(0.0, 150.0),
    st.booleans(),
)
def test_cuts_of_a_strip_keep_web_edge_and_lane(cut, web, edge, columns, inward, outward, half) -> None:
    """Whatever the die's size: cuts lie inside with the edge, a web apart, and no step leaves the lane."""
    forms = strip_forms(
        cut_mm=cut,
        web_mm=web,
        edge_mm=edge,
        columns=columns,
        inward_mm=inward,
        outward_mm=outward,
        half_turn=half,
    )
    assert any(form.cuts == 1 for form in forms)
    assert [form.cuts for form in forms] == sorted((form.cuts for form in forms), reverse=True)
    room, left_of_it = lane_width(columns, cut[0], web, edge)
    for form in forms:
        for x0, y0, x1, y1 in cut_boxes(form, cut, edge):
            assert min(x0, y0) >= edge - 1e-6
            assert x1 <= form.width_mm - edge + 1e-6
            assert y1 <= form.length_mm - edge + 1e-6
        for a, b in itertools.combinations(cut_boxes(form, cut, edge), 2):
            apart = max(a[0] - b[2], b[0] - a[2], a[1] - b[3], b[1] - a[3])
            assert apart >= web - 1e-6
        for turned, aside, out in form.steps:
            assert half or not turned
            assert aside <= left_of_it
            assert form.width_mm - aside <= room - left_of_it
            assert out <= outward + 1e-6
            assert form.length_mm - out < cut[1] + 2 * edge + inward + 1 + 1e-6


def test_a_lane_that_is_twice_as_wide_halves_the_strips() -> None:
    """Two columns take one web between them instead of two edges, and half a turn brings the second one under the die."""
    sizes = {"cut_mm": (20.0, 20.0), "web_mm": 2.5, "edge_mm": 2.0, "inward_mm": 60.0, "outward_mm": 150.0}
    single = strip_forms(columns=1, half_turn=False, **sizes)[0]  # type: ignore[arg-type]
    double = strip_forms(columns=2, half_turn=True, **sizes)[0]  # type: ignore[arg-type]
    assert double.cuts == 2 * single.cuts
    assert double.width_mm < 2 * single.width_mm
    assert lane_width(2, 20.0, 2.5, 2.0) == (double.width_mm, 0)


def test_half_a_turn_makes_strips_longer_than_the_lane_is_deep() -> None:
    """Three cuts fit between the die and the lane's end; turned midway, the same lane serves five."""
    sizes = {"cut_mm": (20.0, 20.0), "web_mm": 2.5, "edge_mm": 2.0, "columns": 1, "inward_mm": 47.0}
    assert strip_forms(outward_mm=150.0, half_turn=False, **sizes)[0].cuts == 3  # type: ignore[arg-type]
    assert strip_forms(outward_mm=100.0, half_turn=True, **sizes)[0].cuts == 5  # type: ignore[arg-type]


def test_only_strips_that_some_scrap_holds_are_counted() -> None:
    """A box is compared either way round."""
    forms = [StripForm(24, 114, ((False, 0, 0),) * 5), StripForm(24, 24, ((False, 0, 0),))]
    assert fitting(forms, [(30.0, 120.0)]) == forms
    assert fitting(forms, [(30.0, 100.0)]) == forms[1:]
    assert fitting(forms, [(20.0, 200.0)]) == []


@pytest.mark.first(1)
@pytest.mark.parametrize(("direction", "most"), [("none", 3), ("up", 8)])
def test_few_trims_for_many_cuts(direction: str, most: int) -> None:
    """Two dozen cuts of a small die: a few wide strips, also where the paper may not be turned round."""
    batch = batch_of(
        [disc_die("a", 16)],
        sheets("red", (105, 148), (105, 148)),
        [CardLine(("a",), ("red",), 24)],
        papers=[Paper("red", direction=direction)],  # type: ignore[arg-type]
    )
    plan = plan_batch(batch, seconds=600, work_limit=20)
    assert check_plan(plan).ok
    assert plan.complete
    assert plan.totals.passes == plan.bound.passes == 24
    assert plan.totals.trims <= most
