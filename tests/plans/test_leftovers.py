"""What is left after the evening: nothing is lost, nothing is told that is not there, and "no die fits" is certain."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, translate
from shapely.geometry import MultiPolygon, Point, Polygon, box

from nestcut.batch.fields import clean_name
from nestcut.batch.model import Die, Hand, Machine, Paper
from nestcut.plans.cutting_up import straight_cuts_of
from nestcut.plans.fitting import Fitting
from nestcut.plans.leftovers import leftovers
from nestcut.plans.rectangles import largest_rectangle, points_inside
from tests.shared import sheet_plans as plans

RED = Paper("red")


def cut_away_mm2(plan) -> float:
    """What the passes take out of the paper, pierced detail included; a cut in the opening of another counts once."""
    cuts = {die.name: [Polygon(part.exterior) for part in shapely.get_parts(die.cut)] for die in plan.dies}
    area = 0.0
    for one in plan.passes:
        by_scrap: dict[str, list] = {}
        for cut in one.cuts:
            slot = plan.layup(one.layup).slots[cut.slot]
            by_scrap.setdefault(cut.scrap, []).extend(slot.pose.apply(part) for part in cuts[slot.die])
        area += sum(shapely.union_all(shapes).area for shapes in by_scrap.values())
    return area


@pytest.mark.parametrize(
    "make", [plans.evening, plans.under, plans.large, plans.two_lanes, lambda: plans.long_run(60)]
)
def test_all_paper_is_accounted_for(make):
    """Stock = what goes back + crumbs + what fell out."""
    plan = make()
    left = leftovers(plan)
    kept = sum(one.outline.area * len(one.ids) for one in left.kept)
    stock = sum(scrap.outline.area for scrap in plan.scraps)
    assert kept + left.crumbs_mm2 + cut_away_mm2(plan) == pytest.approx(stock, abs=1.0)
    for one in left.kept:
        assert one.outline.is_valid
        assert one.outline.bounds[:2] == (0, 0)
        assert one.outline.buffer(1e-6).covers(box(*one.rectangle))


def book_of(scraps, trims=(), passes=(), *, hand=None, dies=None, papers=plans.PAPERS):
    """A plan of these scraps, trims and passes; one die of 14 mm lies on the plate."""
    dies = dies or (plans.die("dot", Point(0, 0).buffer(7, quad_segs=16)),)
    book = plans.Book("left", Machine((150.0, 220.0)), papers, dies, hand or Hand())
    for name, paper, outline in scraps:
        book.scrap(name, paper, outline)
    for scrap, *parts in trims:
        book.trim(scrap, *parts)
    book.layup("A", (dies[0].name, 30, 30, 0))
    for scrap in passes:
        book.press("A", [(scrap, book.corner(scrap, 20, 20))], {0: scrap})
    return book.finish(kits=1)


def test_a_large_sheet_of_which_one_part_is_cut_leaves_its_offcut():
    """148 × 210 mm less a strip of 62 mm and its end: 86 × 210 mm in one piece, and the end."""
    plan = book_of([("blue", "red", (148, 210))], [("blue", ("bluea", (0, 0, 62, 170)))], ["bluea"])
    found = {(one.kind, one.outline.bounds[2:]) for one in leftovers(plan).kept}
    assert ("offcut", (86.0, 210.0)) in found
    assert ("offcut", (62.0, 40.0)) in found


def test_what_was_never_pulled_out_stays_stock_however_small():
    """Scraps that no pass and no trim touches keep their ids; nobody is told to throw one away."""
    plan = book_of(
        [("a", "red", (40, 40)), ("tiny", "red", (8, 8)), ("b", "red", (90, 50)), ("c", "red", (90, 50))],
        (),
        ["a"],
    )
    left = leftovers(plan)
    assert [one.ids for one in left.kept if one.kind == "scrap"] == [("b", "c"), ("tiny",)]
    assert left.crumbs_mm2 == 0 or "tiny" not in {
        name for one in left.kept if one.kind != "scrap" for name in one.ids
    }


def test_paper_as_thin_as_a_hair_is_no_trouble():
    """A scrap of next to no width, and one bent like a hair: no batch would read them, so they are crumbs."""
    bent = Polygon([(0, 0), (50, 30), (50.0001, 30), (0.0001, 0)])
    plan = book_of([("a", "red", (40, 40)), ("thin", "red", (1e-9, 30)), ("bent", "red", bent)], (), ["a"])
    assert not [one for one in leftovers(plan).kept if one.kind == "scrap"]


def test_a_part_that_was_trimmed_and_not_used_is_kept():
    """It keeps the id that is pencilled on it."""
    plan = book_of(
        [("s", "red", (100, 50))], [("s", ("sa", (0, 0, 40, 50)), ("sb", (40, 0, 100, 50)))], ["sa"]
    )
    assert [one.ids for one in leftovers(plan).kept if one.kind == "part"] == [("sb",)]


def test_a_remnant_that_falls_apart_is_several_pieces():
    """Cuts right to the edge (edge 0) part a strip: two ends, each with an id of its own."""
    bar = plans.die("bar", box(0, 0, 40, 20))
    book = plans.Book("apart", Machine((150.0, 220.0)), plans.PAPERS, (bar,), Hand(edge_mm=0.0))
    book.scrap("s", "red", (40, 120))
    book.layup("A", ("bar", 40, 80, 0))
    book.press("A", [("s", book.corner("s", 20, 20))], {0: "s"})
    kept = leftovers(book.finish(kits=1)).kept
    assert len(kept) == 1
    assert kept[0].outline.bounds[2:] == (40, 50)
    assert len(kept[0].ids) == 2
    assert "s" not in kept[0].ids


def test_a_scrap_that_is_cut_up_wholly_leaves_nothing():
    """The die takes all of it (edge 0): neither kept nor a crumb."""
    bar = plans.die("bar", box(0, 0, 40, 20))
    book = plans.Book("gone", Machine((150.0, 220.0)), plans.PAPERS, (bar,), Hand(edge_mm=0.0))
    book.scrap("s", "red", (40, 20))
    book.layup("A", ("bar", 40, 30, 0))
    book.press("A", [("s", book.corner("s", 20, 20))], {0: "s"})
    plan = book.finish(kits=1)
    assert leftovers(plan).kept == ()
    assert leftovers(plan).crumbs_mm2 == pytest.approx(0, abs=1e-6)


def test_ids_are_new_and_such_as_a_batch_takes():
    """Offcuts never get an id that something has, also not by their numbers; over-long and odd ids are replaced."""
    long = "x" * 150
    plan = book_of(
        [
            ("red-1", "red", (100, 100)),
            ("red-1-off", "red", (40, 40)),
            ("red-2", "red", (100, 100)),
            ("red-1-off-b-2", "red", (45, 40)),
            (long, "red", (100, 101)),
            ("y\u202ez", "red", (50, 50)),
        ],
        [(name, (f"p{k}", (0, 0, 40, 100))) for k, name in enumerate(["red-1", "red-2", long])],
        [],
    )
    left = leftovers(plan)
    ids = [name for one in left.kept for name in one.ids]
    assert len(ids) == len(set(ids)) == 9
    assert all(clean_name(name) == name for name in ids)
    own = set(plan.pieces_of_paper())
    assert not own & {name for one in left.kept if one.kind == "offcut" for name in one.ids}
    (alike,) = (one for one in left.kept if one.kind == "offcut" and len(one.ids) > 1)
    assert alike.ids == ("red-1-off-c-1", "red-1-off-c-2")


def test_ids_do_not_grow_from_evening_to_evening():
    """An offcut of an offcut is named after the scrap that both are of."""
    plan = book_of([("red-1-off-b-3", "red", (100, 100))], [("red-1-off-b-3", ("p", (0, 0, 40, 100)))])
    assert [one.ids for one in leftovers(plan).kept if one.kind == "offcut"] == [("red-1-off",)]


# ---------------------------------------------------------------------- cutting up


def test_large_free_pieces_are_cut_off_first():
    """Five columns at the top of a sheet: the free half below is cut off before cuts run down between the columns."""
    parts = [box(40 * k, 0, 40 * k + 40, 100) for k in range(5)]
    cuts = straight_cuts_of(box(0, 0, 200, 220), parts)
    assert (cuts.steps[0].axis, cuts.steps[0].at_mm) == (1, (100.0,))
    assert cuts.offcuts == ((0.0, 100.0, 200.0, 220.0),)


def test_cuts_lead_to_the_parts_in_random_guillotine_patterns():
    """Scraps cut at random, some of the pieces wanted: the steps, carried out, give the parts, and the rest adds up."""
    rng = np.random.default_rng(5)
    for _ in range(200):
        pieces = [(0.0, 0.0, 200.0, 150.0)]
        for _ in range(int(rng.integers(1, 9))):
            k = int(rng.integers(len(pieces)))
            x0, y0, x1, y1 = pieces.pop(k)
            if rng.random() < 0.5:
                at = x0 + round((x1 - x0) * rng.uniform(0.2, 0.8), 1)
                pieces += [(x0, y0, at, y1), (at, y0, x1, y1)]
            else:
                at = y0 + round((y1 - y0) * rng.uniform(0.2, 0.8), 1)
                pieces += [(x0, y0, x1, at), (x0, at, x1, y1)]
        wanted = [box(*one) for one in pieces if rng.random() < 0.6]
        if not wanted:
            continue
        cuts = straight_cuts_of(box(0, 0, 200, 150), wanted, keep_mm=float(rng.choice([5, 20, 60])))
        assert cuts is not None
        offcuts = [box(*one) for one in cuts.offcuts]
        assert sum(one.area for one in [*offcuts, *wanted]) == pytest.approx(200 * 150)
        assert shapely.union_all([*offcuts, *wanted]).area == pytest.approx(200 * 150)


# ---------------------------------------------------------------------- rectangles


def largest_by_trying(shape) -> float:
    """Area of the largest rectangle between all lines on which the shape's corners lie, one by one."""
    points = shapely.get_coordinates(shape)
    xs, ys = np.unique(points[:, 0]), np.unique(points[:, 1])
    best = 0.0
    for (x0, x1), (y0, y1) in itertools.product(itertools.combinations(xs, 2), itertools.combinations(ys, 2)):
        if (x1 - x0) * (y1 - y0) > best and shape.buffer(1e-9).covers(box(x0, y0, x1, y1)):
            best = (x1 - x0) * (y1 - y0)
    return best


def test_largest_rectangle_of_shapes_with_square_sides_is_exact():
    """Random boxes taken out of a box, holes and notches and all, against trying every rectangle."""
    rng = np.random.default_rng(3)
    for _ in range(60):
        shape = box(0, 0, 12, 9)
        for _ in range(int(rng.integers(1, 5))):
            x, y = rng.integers(0, 11), rng.integers(0, 8)
            shape = shape.difference(box(x, y, x + rng.integers(1, 4), y + rng.integers(1, 4)))
        if shape.is_empty:
            continue
        x0, y0, x1, y1 = largest_rectangle(shape)
        assert shape.buffer(1e-9).covers(box(x0, y0, x1, y1))
        assert (x1 - x0) * (y1 - y0) == pytest.approx(largest_by_trying(shape))


@pytest.mark.parametrize(
    ("shape", "area"),
    [
        (Polygon([(0, 0), (100, 0), (0, 100)]), 2500),  # half the square's half: textbook
        (Point(0, 0).buffer(60, quad_segs=64), 2 * 60 * 60),  # the square in a circle
        (rotate(box(0, 0, 80, 80), 45), 80 * 80 / 2),
    ],
)
def test_largest_rectangle_of_other_shapes_is_inside_and_nearly_as_large(shape, area):
    """At most a grid's step is lost at each side."""
    x0, y0, x1, y1 = largest_rectangle(shape)
    assert shape.buffer(1e-9).covers(box(x0, y0, x1, y1))
    assert area * 0.97 <= (x1 - x0) * (y1 - y0) <= area * (1 + 1e-9)
    assert largest_rectangle(Polygon()) is None


def test_points_of_a_grid_inside_a_shape():
    """Against asking point by point, away from the boundary."""
    shape = Point(20, 20).buffer(15).difference(box(15, 10, 22, 30)).union(box(40, 5, 50, 33))
    xs, ys = np.arange(0.3, 55, 0.7), np.arange(0.1, 40, 0.9)
    x, y = np.meshgrid(xs, ys)
    clear = shapely.distance(shape.boundary, shapely.points(x, y)) > 1e-6
    assert (points_inside(shape, xs, ys) == shapely.contains_xy(shape, x, y))[clear].all()


# ---------------------------------------------------------------------- does a die still fit?


def fits(piece, dies, paper=RED, edge=2.0) -> bool:
    return Fitting(dies, edge).usable(piece, lambda: largest_rectangle(piece), paper)


SHAPES = {
    "leaf": plans.leaf(26, 8),
    "flower": plans.flower(5, 9),
    "bar": box(0, 0, 22, 6),
    "twin": MultiPolygon([translate(plans.leaf(18, 6), 0, -6), translate(plans.leaf(18, 6), 0, 6)]),
}


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("directed", [False, True])
def test_paper_that_holds_a_die_is_never_thrown_away(name, directed):
    """Just as much paper as the cut and its edge take, at any turn, tied up with slivers and holes: it counts as usable."""
    rng = np.random.default_rng(11)
    die = plans.die(name, SHAPES[name])
    paper = Paper("red", direction="stripe" if directed else "none")
    for _ in range(8):
        turn = (
            float(rng.choice([0, 180])) + float(rng.uniform(-0.4, 0.4))
            if directed
            else float(rng.uniform(0, 360))
        )
        around = rotate(die.cut, turn, origin=(0, 0)).buffer(2.001)
        piece = shapely.union_all(
            [around, *(box(*around.bounds[:2], *around.bounds[2:]).buffer(-0.1).boundary.buffer(0.6),)]
        )
        if name == "twin":
            piece = piece.union(box(-1, -8, 1, 8))
        for part in shapely.get_parts(piece):
            if part.buffer(1e-6).covers(around):
                assert fits(part, [die], paper)
                break
        else:
            pytest.fail("the piece was meant to hold the die")


@pytest.mark.parametrize("name", ["leaf", "flower", "bar"])
def test_paper_that_is_half_a_millimetre_too_small_is_a_crumb(name):
    """The same with 0.6 mm less of edge all around: no turn and no place helps."""
    die = plans.die(name, SHAPES[name])
    for turn in (0.0, 17.0, 133.3):
        around = rotate(die.cut, turn, origin=(0, 0)).buffer(1.4)
        assert not fits(around, [die])


def test_turns_and_directions_are_kept():
    """A bar of 22 × 6 mm in a strip of 10 mm: along it, or across it."""
    bar = plans.die("bar", box(0, 0, 22, 6))
    # A hole far off, so that it is no plain rectangle.
    along = box(0, 0, 60, 10.2).difference(box(55, 4, 57, 6))
    across = rotate(along, 90, origin=(0, 0))
    across = translate(across, *(-side for side in across.bounds[:2]))
    for direction, both in (("none", True), ("stripe", False), ("up", False)):
        paper = Paper("red", direction=direction)
        assert fits(along, [bar], paper)
        assert fits(across, [bar], paper) is both
    fixed = plans.die("bar", box(0, 0, 22, 6), turns=(90.0,))
    assert fits(across, [fixed])
    assert not fits(along, [fixed])
    assert not fits(along, [fixed], Paper("red", direction="stripe"))


def test_plain_rectangles_are_judged_by_their_sides():
    """A disc of 14 mm with its edges needs 18 mm both ways."""
    dot = plans.die("dot", Point(0, 0).buffer(7, quad_segs=32))
    assert fits(box(0, 0, 18.05, 18.05), [dot])
    assert not fits(box(0, 0, 17.8, 200), [dot])


def test_a_free_square_is_kept_whatever_the_dies():
    """30 mm, also at an angle; 29 mm are not enough for a die of 60 mm."""
    large = plans.die("large", box(0, 0, 60, 60))
    for turn in (0, 20, 45):
        square = rotate(box(0, 0, 30.01, 30.01), turn)
        assert fits(square, [large])
        assert not fits(rotate(box(0, 0, 29, 29), turn), [large])


def test_paper_that_is_good_on_either_side_takes_the_mirror_image():
    """A hook that fits only turned over."""
    hook = Polygon([(0, 0), (30, 0), (30, 6), (6, 6), (6, 14), (0, 14)])
    die: Die = plans.die("hook", hook, turns=(0.0,))
    piece = Polygon([(-x, y) for x, y in die.cut.exterior.coords]).buffer(2.01)
    assert not fits(piece, [die], Paper("red"))
    assert fits(piece, [die], Paper("red", both_sides=True))


def test_a_large_sheet_with_many_holes_is_judged_in_little_memory():
    """Metres of paper between rows of holes that leave 20 mm: a bar of 80 mm might lie along them, so it is kept."""
    holes = [box(x, y, x + 60, y + 60) for x in range(20, 1900, 80) for y in range(20, 1900, 80)]
    sheet = box(0, 0, 1920, 1920).difference(shapely.union_all(holes))
    assert fits(sheet, [plans.die("bar", box(0, 0, 80, 12))])
    assert not fits(sheet, [plans.die("wide", box(0, 0, 80, 60))])


def test_a_thousand_scraps_take_no_longer_for_being_alike(monkeypatch):
    """Equal outlines are judged once, so two thousand scraps are not two thousand searches."""
    asked = []
    judge = Fitting.usable
    monkeypatch.setattr(Fitting, "usable", lambda self, *one: asked.append(1) or judge(self, *one))
    scraps = [(f"s-{k}", "red", (100, 80)) for k in range(1, 2001)]
    trims = [(name, (f"{name}a", (0, 0, 30, 60))) for name, _, _ in scraps[:1500]]
    left = leftovers(book_of(scraps, trims))
    assert len(asked) <= 4
    assert sorted(len(one.ids) for one in left.kept) == [500, 1500, 1500, 1500]
    assert math.isclose(sum(one.outline.area * len(one.ids) for one in left.kept), 2000 * 8000)
