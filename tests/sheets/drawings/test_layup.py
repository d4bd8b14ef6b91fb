"""Lay-ups at true size: parsed back as drawings, compared with the plan by independent arithmetic."""

from __future__ import annotations

import re

import pytest
from shapely.geometry import Polygon

from nestcut.sheets.drawings.labels import place_labels
from nestcut.sheets.drawings.layup import PAGE_MM, layup_sheet
from nestcut.sheets.drawings.tiles import layup_tiles
from tests.shared import sheet_plans as plans
from tests.sheets import svg

# ISO 216:2007 A4 210 × 297 mm; ANSI/ASME Y14.1 letter 8.5 × 11 in = 215.9 × 279.4 mm.
# Margins of 10 mm: browsers' default is 0.4 in (common practice, no source).
A4_MM, LETTER_MM, MARGIN_MM = (210.0, 297.0), (215.9, 279.4), 10.0


def sheet(plan, number=0):
    text, fits = layup_sheet(plan, plan.layups[number])
    return svg.parse(text), fits


@pytest.mark.parametrize("make", [plans.evening, plans.under, plans.large, plans.hostile])
def test_a_user_unit_is_one_millimetre(make):
    """The viewBox has the numbers of the size in mm, so that a drawing program and a printer agree."""
    plan = make()
    for number in range(len(plan.layups)):
        root, _ = sheet(plan, number)
        assert svg.view_box(root) == [0.0, 0.0, *svg.size_mm(root)]


def test_a_page_prints_on_a4_and_on_letter():
    """Sheets that claim to fit a page are inside the margins of both paper sizes."""
    for plan in (plans.evening(), plans.under(), plans.hostile()):
        for number in range(len(plan.layups)):
            root, fits = sheet(plan, number)
            assert fits
            width, height = svg.size_mm(root)
            for page in (A4_MM, LETTER_MM):
                assert width <= page[0] - 2 * MARGIN_MM
                assert height <= page[1] - 2 * MARGIN_MM


@pytest.mark.parametrize("make", [plans.evening, plans.under, plans.large])
def test_the_check_line_is_50_mm(make):
    """The line is 50 user units long, lies level, and says what it must measure; tiles have one each."""
    plan = make()
    text, fits = layup_sheet(plan, plan.layups[0])
    for one in [text] if fits else [text, *layup_tiles(plan, plan.layups[0])]:
        root = svg.parse(one)
        line = svg.by_id(root, "check-50-mm")
        assert float(line.get("x2")) - float(line.get("x1")) == pytest.approx(50.0, abs=1e-9)
        assert line.get("y1") == line.get("y2")
        assert any(words.startswith("This line must measure 50 mm") for words in svg.texts(root))


def test_plate_and_cuts_have_their_true_size_and_place():
    """Plate corners and the outline of every cut are where the plan says (dies over: as in the plan)."""
    plan = plans.evening()
    root, _ = sheet(plan)
    plate = svg.by_id(root, "plate").find(f"{svg.SVG}rect")
    assert (float(plate.get("width")), float(plate.get("height"))) == plan.machine.plate_mm
    assert (float(plate.get("x")), float(plate.get("y"))) == (0.0, 0.0)
    for number, slot in enumerate(plan.layups[0].slots, start=1):
        group = svg.by_id(root, f"slot-{number}")
        cut = svg.by_class(group, "cut")[0]
        wanted = slot.pose.apply(plan.die(slot.die).cut)
        drawn = Polygon(svg.points(cut.get("d"))[: len(wanted.exterior.coords) - 1])
        assert drawn.symmetric_difference(Polygon(wanted.exterior)).area < 0.05


def test_dies_under_are_drawn_mirrored_and_the_sheet_says_so():
    """Every cut is seen at width − x, the words say mirrored, measures are from the right, text reads forward."""
    plan = plans.under()
    root, _ = sheet(plan)
    width = plan.machine.plate_mm[0]
    for number, slot in enumerate(plan.layups[0].slots, start=1):
        cut = svg.by_class(svg.by_id(root, f"slot-{number}"), "cut")[0]
        seen = [x for x, _ in svg.points(cut.get("d"))]
        x0, _, x1, _ = slot.pose.apply(plan.die(slot.die).cut).bounds
        assert min(seen) == pytest.approx(width - x1, abs=0.002)
        assert max(seen) == pytest.approx(width - x0, abs=0.002)
    words = " ".join(svg.texts(root))
    assert "mirrored" in words
    assert "right side" in words
    assert "upper right corner" in svg.title(svg.by_id(root, "measure-from"))
    assert not re.search(r"scale\(-|matrix\(-", svg_text(plan))


def svg_text(plan):
    return layup_sheet(plan, plan.layups[0])[0]


def test_dies_over_are_not_mirrored():
    """No word of a mirror where none is meant; measures from the left."""
    words = " ".join(svg.texts(sheet(plans.evening())[0]))
    assert "mirrored" not in words
    assert "left side" in words


@pytest.mark.parametrize("make", [plans.evening, plans.under, plans.large])
def test_every_die_is_named_with_its_measures(make):
    """Each slot has a row: number, name, and its rim's outermost points to half a millimetre."""
    plan = make()
    root, _ = sheet(plan)
    rows = svg.by_class(root, "measure")
    assert len(rows) == len(plan.layups[0].slots)
    for number, (row, slot) in enumerate(zip(rows, plan.layups[0].slots, strict=True), start=1):
        words = svg.texts(row)
        x0, y0, *_ = slot.pose.apply(plan.die(slot.die).rim).bounds
        assert words[0] == str(number)
        assert " ".join(words[1:-2]) == slot.die
        across, along = (float(part.split()[1]) for part in words[-2:])
        assert abs(across - x0) <= 0.25 + 1e-9
        assert abs(along - y0) <= 0.25 + 1e-9


@pytest.mark.parametrize("make", [plans.evening, plans.under, plans.large, plans.hostile])
def test_the_table_stays_on_the_sheet(make):
    """No text begins off the sheet, and none is estimated to run over its right edge."""
    from nestcut.sheets.drawings.words import text_width

    root, _ = sheet(make())
    width, height = svg.size_mm(root)
    for group in svg.by_class(root, "measures"):
        for text in group.iter(f"{svg.SVG}text"):
            x, y, size = float(text.get("x")), float(text.get("y")), float(text.get("font-size"))
            assert x >= 0
            assert y <= height
            assert x + 0.9 * text_width("".join(text.itertext()), size) <= width


@pytest.mark.parametrize("make", [plans.evening, plans.under, plans.large, plans.hostile])
def test_labels_do_not_cover_each_other(make):
    """No name or number overlaps another one."""
    from nestcut.sheets.drawings.view import view_of

    plan = make()
    view = view_of(plan.machine)
    for layup in plan.layups:
        dies = [plan.die(slot.die) for slot in layup.slots]
        rims = [view.shape(slot.pose.apply(die.rim)) for slot, die in zip(layup.slots, dies, strict=True)]
        cuts = [view.shape(slot.pose.apply(die.cut)) for slot, die in zip(layup.slots, dies, strict=True)]
        labels = place_labels([die.name for die in dies], cuts, rims, plan.machine.window)
        assert [label.number for label in labels] == list(range(1, len(dies) + 1))
        for k, one in enumerate(labels):
            for other in labels[:k]:
                assert one.box.intersection(other.box).area < 1e-9


def test_a_die_too_small_for_its_number_gets_a_leader():
    """A 3 mm disc among larger rims is numbered beside it, with a line to it."""
    from shapely.geometry import Point, box

    tiny, large = Point(20, 20).buffer(1.5), box(30, 10, 60, 40)
    labels = place_labels(
        ["dot", "large"], [tiny, large], [tiny.buffer(1.6), large.buffer(1.6)], box(0, 0, 80, 60)
    )
    assert labels[0].leader is not None
    assert labels[0].box.distance(tiny) > 0
    assert not labels[0].box.intersects(large)
    assert labels[1].leader is None
    assert labels[1].name == "large"


def test_ids_are_plain_and_unique():
    """ids hold letters, digits, dashes only and occur once, whatever the names."""
    for plan in (plans.evening(), plans.hostile()):
        for number in range(len(plan.layups)):
            root, _ = sheet(plan, number)
            ids = [one.get("id") for one in root.iter() if one.get("id")]
            assert len(ids) == len(set(ids))
            assert all(re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]*", name) for name in ids)
            for wanted in (
                "plate",
                "window",
                "dies",
                "names",
                "measure-from",
                "first-end",
                "check-line",
                "measures",
            ):
                assert svg.title(svg.by_id(root, wanted)) or wanted in ("dies", "names")


def test_a_plate_larger_than_the_page_is_tiled():
    """Tiles are one page each, together show every corner of the plate, and neighbours share crosses."""
    plan = plans.large()
    _, fits = sheet(plan)
    assert not fits
    tiles = [svg.parse(text) for text in layup_tiles(plan, plan.layups[0])]
    assert len(tiles) >= 4
    shown, crosses = [], []
    for root in tiles:
        assert sorted(svg.size_mm(root)) == sorted(PAGE_MM)
        clip = next(root.iter(f"{svg.SVG}clipPath")).find(f"{svg.SVG}rect")
        x, y, w, h = (float(clip.get(key)) for key in ("x", "y", "width", "height"))
        shown.append((x, y, x + w, y + h))
        here = set()
        for cross in svg.by_class(root, "cross"):
            circle = cross.find(f"{svg.SVG}circle")
            here.add((round(float(circle.get("cx")), 2), round(float(circle.get("cy")), 2)))
        assert here
        crosses.append(here)
    width, length = plan.machine.plate_mm
    for x in (0, width / 2, width):
        for y in (0, length / 2, length):
            assert any(a <= x <= c and b <= y <= d for a, b, c, d in shown)
    # Every cross of a tile is found, at the same place of the plate, on at least one other tile.
    for k, here in enumerate(crosses):
        others = set().union(*(found for j, found in enumerate(crosses) if j != k))
        assert here <= others


def test_a_wide_plate_is_tiled_landscape():
    """A plate that fits one landscape page but not an upright one takes a single tile."""
    from dataclasses import replace

    plan = plans.under()
    plan = replace(plan, machine=replace(plan.machine, plate_mm=(230.0, 140.0)))
    layup = replace(plan.layups[0], slots=plan.layups[0].slots[:2])
    tiles = layup_tiles(plan, layup)
    assert len(tiles) == 1
    width, height = svg.size_mm(svg.parse(tiles[0]))
    assert width > height
