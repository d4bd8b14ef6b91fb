"""What a batch asks for, held against plate, hands and paper."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate
from shapely.geometry import Polygon, box

from nestcut.batch import Die, Hand, Machine, read_batch
from nestcut.batch.sense import fits_plate, hull_diameter, hull_points, hull_width, rim_width
from tests.shared.batch_files import SMALL, write_small
from tests.shared.strategies import mm, outlines

PLATE = Machine((104.0, 154.0), clear_mm=2.0)  # window 100 × 150


def die(width: float, length: float, turns: object = "any") -> Die:
    """A rectangular die without metal around its cut."""
    shape = box(-width / 2, -length / 2, width / 2, length / 2)
    return Die("d", shape, shape, turns=turns)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("width", "length", "turns", "papers", "fits"),
    [
        (100, 150, "any", "square", True),
        (150, 100, "any", "square", True),
        (100, 150, (0.0,), "square", True),
        (150, 100, (0.0,), "square", True),  # the paper may lie at a quarter turn, and the die with it
        (100, 150, (45.0,), "square", False),
        (100, 150, (45.0,), "any", True),  # the paper turns
        (101, 150, "any", "square", False),
        (101, 101, "any", "any", False),
        (160, 5, "any", "square", True),  # along the diagonal (180 mm)
        (160, 5, (0.0, 90.0), "square", False),
        (181, 0.1, "any", "any", False),
    ],
)
def test_die_is_refused_only_where_it_cannot_lie(
    width: float, length: float, turns: object, papers: str, fits: bool
) -> None:
    """Rectangles whose answer is plain arithmetic."""
    hand = Hand(papers=papers)  # type: ignore[arg-type]
    assert fits_plate(die(width, length, turns), PLATE, hand) == fits


@settings(max_examples=80, deadline=None)
@given(outlines(least_mm=40, most_mm=220), mm(0, 360))
def test_die_that_lies_on_the_plate_is_never_refused(outline: Polygon, deg: float) -> None:
    """A plate made to measure around a turned die always takes it."""
    turned = rotate(outline, deg, origin=(0, 0))
    left, top, right, low = turned.bounds
    machine = Machine((right - left + 4, low - top + 4), clear_mm=2.0)
    assert fits_plate(Die("d", outline, outline), machine, Hand())
    assert fits_plate(Die("d", outline, outline, turns=(deg,)), machine, Hand())


@given(st.integers(3, 40), mm(1, 100))
def test_least_width_and_diameter_of_regular_polygons(corners: int, radius: float) -> None:
    """Plain trigonometry: width 2R·cos²(π/2n) for odd n, 2R·cos(π/n) for even n; diameter likewise."""
    points = [
        (radius * math.cos(a), radius * math.sin(a)) for a in (k * math.tau / corners for k in range(corners))
    ]
    hull = hull_points(Polygon(points))
    half = math.pi / (2 * corners)
    width = radius * (1 + math.cos(2 * half)) if corners % 2 else 2 * radius * math.cos(2 * half)
    diameter = 2 * radius * math.cos(half) if corners % 2 else 2 * radius
    assert hull_width(hull) == pytest.approx(width)
    assert hull_diameter(hull) == pytest.approx(diameter)


def test_rim_width_is_the_thinnest_metal() -> None:
    """Measured from the cut to the outer edge of the metal; openings do not count."""
    metal = Polygon([(-10, -10), (10, -10), (10, 12), (-10, 12)], [[(-1, -1), (1, -1), (1, 1), (-1, 1)]])
    cut = Polygon([(-8, -8), (8, -8), (8, 8), (-8, 8)], [[(-4, -4), (4, -4), (4, 4), (-4, 4)]])
    assert rim_width(Die("d", cut, metal)) == 2.0


@pytest.mark.parametrize(
    ("web", "words"),
    [
        ("edge = 2.0\ngap = 1.0", None),  # rim 1.6 + half a gap = 2.1
        ("edge = 2.2\ngap = 1.0", "Edge (2.2 mm) is more than the rim"),
        ("edge = 3.7\ngap = 5.0", "Clear (2 mm) is less than edge minus the rim"),
    ],
)
def test_crowded_papers_are_warned_about(tmp_path: Path, web: str, words: str | None) -> None:
    """Design, section 4, hands: edge > rim + gap/2, and clear < edge − rim."""
    notes = read_batch(write_small(tmp_path, SMALL.replace("web = 2.5", web))).notes
    if words is None:
        assert notes == ()
    else:
        assert len(notes) == 1
        assert notes[0].startswith(words)


def test_scrap_too_small_for_anything_is_a_note(tmp_path: Path) -> None:
    """Disc of 20 mm with 2 mm edge: 24 mm are needed; 23.9 is noted, 24 is not."""
    for size, noted in (("[23.9, 200]", True), ("[24, 24]", False)):
        text = SMALL.replace(
            "[[scraps]]", f'[[scraps]]\npaper = "red"\nid = "chip"\nsize = {size}\n[[scraps]]', 1
        )
        text = text.replace('["disc", "tag"]', '["disc"]')
        notes = read_batch(write_small(tmp_path, text)).notes
        assert any("chip" in note for note in notes) == noted


def test_paper_without_scraps_is_a_note(tmp_path: Path) -> None:
    """It will be short; that is for the plan to say, not a mistake in the file."""
    text = SMALL.replace('paper = "white"\nsize', 'paper = "red"\nsize')
    assert read_batch(write_small(tmp_path, text)).notes == (
        "There is no scrap of white, which the cards ask for.",
    )


def test_large_die_that_nobody_asks_for_is_a_note(tmp_path: Path) -> None:
    """A folder of dies may hold one for a larger machine."""
    folder = tmp_path / "dies"
    folder.mkdir()
    svg = '<svg xmlns="http://www.w3.org/2000/svg" width="300mm" height="300mm" viewBox="0 0 300 300">'
    (folder / "huge.svg").write_text(svg + '<rect width="300" height="300"/></svg>', encoding="utf-8")
    batch = read_batch(write_small(tmp_path, 'dies_folder = "dies"\n' + SMALL))
    assert any(note.startswith("huge: ") and "larger than the plate" in note for note in batch.notes)


def test_demand_of_a_line_is_kits_times_cards_times_count_plus_spares(tmp_path: Path) -> None:
    """Design, section 6: 12 × 2 × 3 = 72, plus 10 % = 80."""
    batch = read_batch(write_small(tmp_path))
    card = replace(batch.cards[0], count=2)
    batch = replace(batch, cards=(card,), kits=12, spares=replace(batch.spares, percent=10, pieces=0))
    assert (batch.demand[0].count, batch.demand[0].spares) == (80, 8)
