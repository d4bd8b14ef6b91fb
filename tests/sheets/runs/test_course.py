"""A run told in stages: followed box by box, it gives back which scrap every pass cuts, and where it began."""

from __future__ import annotations

import re

from nestcut.sheets import render_sheets
from nestcut.sheets.drawings.pictures import Album
from nestcut.sheets.runs.course import in_stages, stages
from nestcut.sheets.runs.runs import group_passes
from tests.shared import sheet_plans as plans
from tests.sheets.html import Page


def test_stages_give_back_every_pass():
    plan = plans.two_lanes()
    (group,) = group_passes(plan)
    (block,) = group.blocks
    (run,) = block.runs
    assert run.count == 12
    assert all(in_stages(lane) for lane in run.lanes)
    told = stages(run, ["R1", "R2"], Album(plan), {5}, 12, {})
    lying = {label: lane.feeds[0].scrap for label, lane in zip(["R1", "R2"], run.lanes, strict=True)}
    cut = []
    for stage in told:
        for feed in stage.feeds:
            lying[feed.label] = feed.scrap
        for tick in stage.ticks:
            cut.append((int(tick.label), lying["R1"], lying["R2"]))
            assert tick.rest == (tick.label == "5")
            assert tick.turn == (tick.label == "10")
    assert cut == [(one.number, one.papers[0].scrap, one.papers[1].scrap) for one in plan.passes]


def test_where_a_strip_begins_is_told_when_it_changes():
    """Strips of 4, 1, 3, 2, 1 and 1 cuts, pulled on by 20 mm, end flush: they begin 42 past, 18, 22 past, 2 past and 18 from the end."""
    plan = plans.two_lanes()
    run = group_passes(plan)[0].blocks[0].runs[0]
    told = stages(run, ["R1", "R2"], Album(plan), set(), 12, {})
    where = [feed.where for stage in told for feed in stage.feeds if feed.label == "R1"]
    assert where == ["18", "22 past it", "2 past it", "18", ""]


def test_the_page_has_one_box_for_each_pass_and_names_each_strip():
    page = Page(render_sheets(plans.two_lanes())["run-sheet.html"])
    assert not page.unbalanced
    text = render_sheets(plans.two_lanes())["run-sheet.html"]
    boxes = re.findall(r'<span class="tick(?: turn)?">(\d+)</span>', text)
    assert boxes == [str(k) for k in range(1, 13)]
    for name in ("s0-1", "s0-5", "s1-4"):
        assert name in text
