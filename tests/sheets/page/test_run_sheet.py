"""The run sheet: what it says is what the plan says; it is one file, and safe whatever the names are."""

from __future__ import annotations

import re
import time
from dataclasses import replace

import pytest

from nestcut.batch.model import Evening
from nestcut.plans.model import Bound
from nestcut.sheets import render_sheets
from nestcut.sheets.drawings.tables import clock_words
from nestcut.sheets.drawings.words import plain
from nestcut.units import minutes_words
from tests.shared import sheet_plans as plans
from tests.sheets.html import Page

ALL = [plans.evening, plans.under, plans.large, plans.hostile, plans.short]


def sheet(plan) -> str:
    return render_sheets(plan)["run-sheet.html"]


@pytest.fixture(scope="module")
def evening() -> Page:
    return Page(sheet(plans.evening()))


@pytest.mark.parametrize("make", ALL)
def test_nothing_is_fetched(make):
    """No page refers to anything outside itself: no address but the names of XML vocabularies, no script, no image."""
    for name, text in render_sheets(make()).items():
        if not name.endswith((".html", ".svg")):
            continue
        bare = re.sub(r'xmlns(:\w+)?="[^"]*"', "", text)
        assert "http" not in bare, name
        assert "//" not in re.sub(r"\.\./+", "", bare), name
        assert "@import" not in bare
        assert "src=" not in bare
        if name.endswith(".html"):
            page = Page(text)
            for tag in ("script", "link", "img", "iframe", "object", "embed"):
                assert not page.tags(tag), tag


@pytest.mark.parametrize("make", ALL)
def test_pages_are_well_formed_and_all_references_lead_somewhere(make):
    """Every element is closed in order; ids occur once; each use, fill and clip names an id of the same page."""
    sheets = render_sheets(make())
    for name in ("run-sheet.html", "labels.html"):
        text = sheets[name]
        page = Page(text)
        assert not page.unbalanced
        assert not page.open
        ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
        assert len(ids) == len(set(ids))
        wanted = re.findall(r'(?:href="|url\()#([^")]+)', text)
        assert wanted
        assert set(wanted) <= set(ids)


def test_hostile_names_stay_text():
    """Markup in names is shown, not obeyed; templates in names are not run; swatches can't leave their attribute."""
    text = sheet(plans.hostile())
    page = Page(text)
    assert plain(plans.HOSTILE) in page.words
    assert "{{ 7*7 }}" in page.words
    assert "<script" not in text
    assert "</style><script" not in text
    assert "\x1b" not in text
    assert "\x00" not in text
    assert "\u202e" not in text


def test_one_box_for_each_pass(evening):
    """51 passes, 51 boxes, numbered 1 to 51 in order."""
    boxes = [attrs for attrs in evening.with_class("tick") if "small" not in attrs["class"]]
    assert len(boxes) == 51
    numbers = re.findall(r'<span class="tick(?: turn)?">(\d+)</span>', sheet(plans.evening()))
    assert [int(one) for one in numbers] == list(range(1, 52))


def test_every_die_paper_and_scrap_is_named(evening):
    """All dies, all papers that are used, and each scrap that is pulled (here written out or as a span)."""
    plan = plans.evening()
    for die in plan.dies:
        assert die.name in evening.words
    for paper in plan.papers:
        assert paper.name in evening.words
    assert "red-1 to red-6" in evening.words
    for scrap in ("red-7", "rose-1", "green-odd", "green-2", "white-1", "white-2", "white-3"):
        assert scrap in evening.words


def test_totals_time_and_bound_in_words(evening):
    """The head repeats the plan's totals, counts breaks, and does not claim what is not proved."""
    plan = plans.evening()
    words = evening.words
    assert f"{plan.totals.passes} passes" in words
    assert "19:30" in words
    # Minutes, cranks and papers moved side by side; breaks on top of what the actions take.
    minutes = plan.totals.minutes + 2 * 5
    assert minutes_words(minutes).replace("\xa0", " ") in words
    assert str(clock_words("19:30", minutes)) in words
    assert f"{plan.totals.cranks} cranks {plan.totals.actions.papers_moved} papers moved" in words
    assert "No plan can do it in fewer than 50 passes" in words
    assert "fewest possible" not in words


def test_fewest_possible_only_when_the_count_is_the_bound():
    """The claim appears for count = bound and for nothing else."""
    plan = plans.under()
    assert "3 passes, the fewest possible: the busiest die" in Page(sheet(plan)).words
    for bound in (0, 2):
        text = Page(sheet(replace(plan, bound=Bound(bound, "because")))).words
        assert "fewest possible" not in text


def test_no_clock_without_a_start():
    """Without a start time no times of day are made up."""
    assert not re.search(r"\d\d:\d\d", Page(sheet(replace(plans.evening(), evening=Evening()))).words)


def test_pull_rules_are_told_in_whole_millimetres(evening):
    """The shifts chosen in the plan appear as instructions with direction."""
    words = evening.words
    assert "35 ↓" in words
    assert "19 ↑" in words
    assert "11 ←" in words
    assert "other side up" in words
    assert "Lifted off: 5 disc" in words


def test_left_and_right_change_places_for_dies_under():
    """What moves to the left in the plan is seen to move to the right from the other side."""
    plan = plans.evening()
    under = replace(plan, machine=replace(plan.machine, dies="under"))
    words = Page(sheet(under)).words
    assert "11 →" in words
    assert "upper right corner" in words
    assert "mirrored" in words


def test_sorting_table_adds_up(evening):
    """Pieces per die and paper, counted here from the passes alone."""
    plan = plans.evening()
    paper_of = {name: paper for name, (paper, _) in plan.pieces_of_paper().items()}
    count = 0
    for one in plan.passes:
        for cut in one.cuts:
            die = plan.layup(one.layup).slots[cut.slot].die
            if (die, paper_of[cut.scrap]) == ("twin leaf", "green"):
                count += 2  # two leaves each time
    assert count == 4
    assert re.search(r"twin leaf · · 4 · 4", evening.words)
    assert re.search(rf"all 52 15 12 18 {plan.totals.pieces}", evening.words)


def test_shortage_is_told_first():
    """An incomplete plan says what is missing, what to buy, and whether that is proved, before the passes."""
    words = Page(sheet(plans.short())).words
    assert "Not everything can be cut" in words
    assert words.index("Not everything can be cut") < words.index("Before the first crank")
    assert "red paper: 5 pieces (bramble leaf) missing" in words
    assert "Buy 1 sheet of A4 or 1 sheet of letter." in words
    assert "Proved." in words
    assert "Not proved: time ran out" in words
    assert "Not everything" not in Page(sheet(plans.under())).words


def test_extras_are_shown_when_they_are_there_and_only_then(evening):
    """Trade-off, what-if and cranking load come from plan.extras; nonsense in it is passed over."""
    words = evening.words
    assert "a second campion die −22 −22 min 0" in words
    assert "this plan" in words
    assert "Hardest to crank 33 mm from the first end: 128 mm" in words
    bare = Page(sheet(replace(plans.evening(), extras={}))).words
    for heading in ("Could it be done with less?", "Cranking load", "Hardest to crank"):
        assert heading in words
        assert heading not in bare
    odd = {"loads": {"A": {"length_mm": "x"}, "B": 3}, "trade_off": "y", "what_if": {"a": 1}}
    assert "Cranking load" not in Page(sheet(replace(plans.evening(), extras=odd))).words


@pytest.mark.thorough
def test_ten_thousand_passes_stay_a_short_sheet():
    """Four set-ups of two lay-ups: at most a dozen run rows, well under a few MB, within seconds."""
    plan = plans.long_run(10_000)
    begin = time.process_time()
    text = sheet(plan)
    seconds = time.process_time() - begin
    page = Page(text)
    assert len(page.with_class("run")) <= 12
    assert len(text) < 1_500_000
    assert seconds < 60  # some 10 s on the machine this was written on; a quadratic step would take minutes
    assert "Passes 1 to 2500" in page.words
    assert "each one lasts 4 passes" in page.words
    assert "a new one each pass" in page.words


def test_the_same_plan_gives_the_same_bytes():
    """All sheets are the same for the same plan."""
    assert render_sheets(plans.evening()) == render_sheets(plans.evening())
