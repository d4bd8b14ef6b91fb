"""Tests that exist because a mutant of the checker survived all the others (``python -m tests.checks.mutation``)."""

from __future__ import annotations

from dataclasses import replace

import pytest
import shapely
from shapely.geometry import Polygon, box

from nestcut.batch.model import Card, CardLine, Hand, Paper, Pose
from nestcut.checks import check_plan, check_proof
from nestcut.checks.measures.measure import _inner_radius
from nestcut.checks.rules.kits import _fits_card
from nestcut.plans.model import Cut as CutOf
from nestcut.plans.model import KitPacking, Layup, Pass, Plan, Remnant, Share, Slot, Trim
from tests.checks.damage import change_die, change_scrap, shift_slot
from tests.checks.plans import MACHINE, PLANS, finished, kits, line, lying, make_plan, rectangle_die
from tests.checks.test_corners import many
from tests.checks.test_proof import proved


def share(die: str, count: int, paper: str = "red") -> Share:
    return Share(die, paper, count)


def ask(*dies: str, count: int = 1) -> CardLine:
    return CardLine(dies, ("red",), count)


@pytest.mark.parametrize(
    ("pieces", "lines", "fits"),
    [
        # The first line takes what only the second could have: it has to be moved aside.
        ([share("a", 1), share("b", 1)], [ask("a", "b"), ask("a")], True),
        ([share("a", 1), share("b", 1)], [ask("b", "a"), ask("a")], True),
        # Moved aside twice over.
        ([share("a", 1), share("b", 1), share("c", 1)], [ask("a", "b"), ask("b", "c", "a"), ask("a")], True),
        ([share("a", 1), share("b", 1), share("c", 1)], [ask("b", "c"), ask("a", "b"), ask("a")], True),
        # By several pieces at once, more than one step can bring.
        ([share("a", 3), share("b", 2)], [ask("a", "b", count=2), ask("a", count=3)], True),
        ([share("a", 3), share("b", 2)], [ask("a", "b", count=3), ask("a", count=2)], True),
        ([share("a", 2), share("b", 3)], [ask("a", "b", count=2), ask("a", count=3)], False),
        ([share("a", 5), share("b", 1)], [ask("a", "b", count=3), ask("a", "b", count=3)], True),
        # One kind for two lines, two kinds for one line.
        ([share("a", 4)], [ask("a", count=2), ask("a", count=2)], True),
        ([share("a", 1), share("b", 3)], [ask("a", "b", count=4)], True),
        # Right in number, wrong in kind; the paper counts, too.
        ([share("a", 2)], [ask("a"), ask("b")], False),
        ([share("b", 1), share("b", 1)], [ask("a"), ask("b")], False),
        ([share("a", 1, "green")], [ask("a")], False),
        # Too many, too few.
        ([share("a", 2)], [ask("a")], False),
        ([], [ask("a")], False),
        ([], [], True),
    ],
)
def test_pieces_are_dealt_to_lines(pieces: list[Share], lines: list[CardLine], fits: bool) -> None:
    """A card's pieces are right when some way of dealing them gives each line its count."""
    assert _fits_card(pieces, lines) == fits


def two_copies() -> Plan:
    """The kits, with card two in each kit twice and asked for by one kit only."""
    plan = kits()
    cards = (plan.cards[0], replace(plan.cards[1], count=2))
    packing = (
        replace(plan.packing[0]),
        KitPacking(1, 1, "two", 1, plan.packing[2].pieces),
        KitPacking(1, 1, "two", 2, plan.packing[2].pieces),
    )
    demand = (
        replace(plan.demand[0], count=1, met=1, by=(Share("small", "pink", 1),)),
        replace(plan.demand[1], count=1, met=1, by=(Share("small", "grey", 1),)),
        plan.demand[2],
    )
    return finished(replace(plan, kits=1, cards=cards, packing=packing, demand=demand))


def test_a_card_that_a_kit_has_twice() -> None:
    """Both copies packed: valid. One left out, one twice, or both as the same copy: refused."""
    plan = two_copies()
    assert check_plan(plan).ok, str(check_plan(plan))
    one, first, second = plan.packing
    for packing in ((one, first), (one, second), (one, first, second, second), (one, first, first)):
        assert check_plan(replace(plan, packing=packing)).rules == {"packing"}


def test_no_kits_need_no_packing_of_them() -> None:
    """A card that is in no kit (count 0) need not be packed."""
    plan = two_copies()
    none = replace(plan, cards=(*plan.cards, Card("three", 0, ())))
    assert check_plan(none).ok, str(check_plan(none))


@pytest.mark.parametrize(
    "outline",
    [
        Polygon([(14, 0), (28, 60), (28, 0), (14, 60)]),
        Polygon([(14, 0), (28, 0), (14, 0)]),
        box(14, 0, 20, 60).union(box(22, 0, 28, 60)),
    ],
)
def test_parts_of_a_trimmed_scrap_have_a_shape(outline: Polygon) -> None:
    """A part that crosses itself, has no area, or lies in two pieces is refused before anything is measured."""
    plan = kits()
    broken = replace(plan, trims=(plan.trims[0], Trim("pink-1b", (("pink-1c", outline),))))
    assert check_plan(broken).rules == {"shape"}


@pytest.mark.parametrize("thick", [0.5e-6, 0.9e-6, 1e-5, 1e-3])
def test_an_overlap_counts_by_its_depth_not_its_thickness(thick: float) -> None:
    """A hair of paper that reaches under a rim over another paper is found, however thin it is."""
    plan = kits()  # grey-2's left side is at 27, the tall die's rim from 27.5 on; grey-1 starts at 13
    hair = [(0, 0), (14, 0), (14, 6), (16, 6), (16, 6 + thick), (14, 6 + thick), (14, 14), (0, 14)]
    report = check_plan(finished(change_scrap(plan, "grey-1", outline=Polygon(hair))))
    assert "metal-on-overlap" in report.rules
    fault = next(fault for fault in report.faults if fault.rule == "metal-on-overlap")
    assert fault.measured_mm == pytest.approx(1.5)  # from 27.5 to 29


def test_a_scrap_of_thousands_of_parts_is_beyond_measuring(monkeypatch: pytest.MonkeyPatch) -> None:
    """More than 2,000 parts of one scrap are refused by their number; 2,000 are measured (here: the limit brought down)."""
    monkeypatch.setattr("nestcut.checks.measures.size.MOST_PARTS", 20)
    plan = replace(kits(), hand=replace(kits().hand, trims="scissors"))
    for parts, refused in ((20, False), (21, True)):
        many = tuple((f"p{k}", box(0, 0.01 * k, 40, 0.01 * (k + 1))) for k in range(parts))
        scraps = (*plan.scraps, replace(plan.scraps[0], id="pink-9"))
        report = check_plan(finished(replace(plan, scraps=scraps, trims=(*plan.trims, Trim("pink-9", many)))))
        assert report.rules == ({"size"} if refused else set())


def test_the_area_of_a_plate_grows_with_the_gap() -> None:
    """Four squares of 10 in a plate of 30 × 30, 10 mm apart, just fit: no area may refuse them."""
    dies = [rectangle_die(name, 7, 7) for name in "abcd"]
    third = dict.fromkeys("abcd", "1/3")
    plan = proved(dies, [3] * 4, 4, {"prices": third, "lines": ["1/3"] * 4}, plate=(30.0, 30.0), gap=10.0)
    assert check_proof(plan).rules == {"bound"}
    # Three rims of 12 and gaps of 10 are too much for the area already: (12 + 10)² for each, nearly.
    larger = [rectangle_die(name, 19, 19) for name in "abcd"]
    tight = proved(larger, [3] * 4, 4, {"prices": third, "lines": ["1/3"] * 4}, plate=(30.0, 30.0), gap=10.0)
    assert check_proof(tight).ok, str(check_proof(tight))


def test_what_was_measured_is_counted() -> None:
    """The report counts all that there is to measure, worked out by hand: nothing was left out on the way."""
    turned, sheets = check_plan(PLANS["turned"]()).checked, check_plan(PLANS["kits"]()).checked
    # Four dies make six pairs. Three papers make three pairs, and each of four cuts meets two others.
    assert (turned["cuts"], turned["rim pairs"]) == (4, 6)
    assert (turned["paper pairs"], turned["cuts against other papers"]) == (3, 8)
    assert (turned["cut pairs in one scrap"], turned["remnants"], turned["shapes"]) == (1, 3, 12)
    # Three passes with two papers each. Each pink part is cut twice.
    assert (sheets["passes"], sheets["papers laid"], sheets["paper pairs"]) == (3, 6, 3)
    assert (sheets["cut pairs in one scrap"], sheets["trims"], sheets["packings"]) == (2, 2, 3)
    # Forty cuts in one scrap and one in another, at most 24 of which go through a table.
    assert check_plan(many()).checked["cut pairs in one scrap"] == 40 * 39 // 2


def test_a_copy_too_many_is_refused_with_nothing_in_it() -> None:
    """A second copy of a card that a kit has once is named, even where it takes no piece from anybody."""
    plan = kits()
    extra = KitPacking(1, 2, "two", 2, ())
    (fault,) = check_plan(replace(plan, packing=(*plan.packing, extra))).faults
    assert fault.rule == "packing"
    assert "copy 2 of card two, which a kit has 1 of" in fault.message


def test_words_of_edges_and_turns() -> None:
    """A cut half a millimetre within the edge comes near it, one beyond reaches over; turns are told below 360°."""
    plan = kits()
    near = finished(change_scrap(plan, "grey-2", outline=box(0, 0, 12.5, 24)))  # the cut ends at 12
    assert "comes within 0.5 mm of the edge of scrap grey-2" in str(check_plan(near))
    over = finished(change_scrap(plan, "grey-2", outline=box(0, 0, 11.5, 24)))
    assert "reaches 0.5 mm over the edge of scrap grey-2" in str(check_plan(over))
    odd = shift_slot(PLANS["turned"](), 0, 0, turn=720.0)
    report = check_plan(change_die(odd, "lozenge", turns=(30.0,)))
    assert report.rules == {"turn"}
    assert "is turned by 0° on scrap kraft-1; allowed: 30°" in str(report)
    across = shift_slot(PLANS["turned"](), 0, 0, turn=810.0)  # a square: it covers the same places
    report = check_plan(across)
    assert report.rules == {"direction"}
    assert "is turned by 90° on scrap kraft-1, whose paper kraft" in str(report)


def test_the_scrap_with_most_corners_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three cuts of five points in one scrap, one in another: fifteen are allowed, or refused."""
    for most, refused in ((15, False), (14, True)):
        monkeypatch.setattr("nestcut.checks.measures.size.MOST_CORNERS_OF_A_SCRAP", most)
        assert ("size" in check_plan(PLANS["squares"]()).rules) == refused


def test_a_die_of_very_many_pieces_is_beyond_measuring(monkeypatch: pytest.MonkeyPatch) -> None:
    """The pair cuts two pieces at once: two are allowed, or refused."""
    for most, refused in ((2, False), (1, True)):
        monkeypatch.setattr("nestcut.checks.measures.size.MOST_PIECES", most)
        assert ("size" in check_plan(PLANS["openings"]()).rules) == refused


def test_two_cards_of_one_name_are_told_as_such() -> None:
    """Nothing else is looked at, or the pick list would be blamed."""
    plan = kits()
    same = (plan.cards[0], replace(plan.cards[1], name=plan.cards[0].name))
    assert check_plan(replace(plan, cards=same)).rules == {"name"}


@pytest.mark.parametrize(("strip", "refused"), [(0.0, False), (0.9, False), (1.1, True), (50.0, True)])
def test_what_is_left_of_a_scrap_that_has_no_remnant(strip: float, refused: bool) -> None:
    """A band of 2e-6 mm along the scrap's outline may be missing, as in any remnant; a wider one may not.

    The die cuts the whole scrap, 20 × 10 mm, but for a strip along one side; ``strip`` is its area, the band's being 1.
    """
    band_mm2 = 2e-6 * 60.0
    scrap = box(0, 0, 20, 10 + strip * band_mm2 / 20)
    layup = Layup("A", (Slot("tile", Pose(20.0, 20.0)),))
    plan = make_plan(
        dies=[rectangle_die("tile", 20, 10)],
        scraps={"red-1": ("red", scrap)},
        papers=[Paper("red")],
        layups=[layup],
        passes=[Pass(1, "A", (lying("red-1", 10, 15),), (CutOf(0, "red-1"),))],
        demand=[line("card", ["tile"], ["red"], 1, [("tile", "red", 1)])],
        machine=MACHINE,
        hand=Hand(web_mm=0.0, edge_mm=0.0, gap_mm=1.0),
    )
    assert check_plan(replace(plan, remnants=())).rules == ({"remnant"} if refused else set())
    # Honestly told, the strip is a remnant like any other.
    told = (Remnant("red-1", box(0, 10, 20, scrap.bounds[3])),) if strip else ()
    assert check_plan(replace(plan, remnants=told)).ok


def test_what_cannot_be_measured_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the library gives up in the middle of it, the plan is refused under ``shape``."""

    def gives_up(*_: object) -> None:
        raise shapely.errors.GEOSException("TopologyException: side location conflict")

    monkeypatch.setattr("nestcut.checks.checker.check_cuts", gives_up)
    report = check_plan(kits())
    assert report.rules == {"shape"}
    assert "can't be measured (TopologyException" in str(report)


def test_names_that_a_packing_or_a_shortage_makes_up() -> None:
    """A packing of a card that is not there, besides all the right ones; a shortage of a die that is not there."""
    plan = kits()
    extra = KitPacking(1, 1, "four", 1, ())
    (fault,) = check_plan(replace(plan, packing=(*plan.packing, extra))).faults
    assert (fault.rule, fault.message) == ("packing", "there is no card four")
    lack = PLANS["short"]()
    odd = replace(lack, short=(replace(lack.short[0], dies=("tile", "elm")),))
    report = check_plan(odd)
    assert report.rules == {"unknown"}
    assert "a shortage names an unknown die elm" in str(report)


@pytest.mark.parametrize("count", [-1, True, 1.0, "1"])
def test_counts_given_to_a_line_are_whole_numbers(count: object) -> None:
    """Each of them; a fault of that rule, whatever else it makes wrong."""
    plan = kits()
    share = replace(plan.demand[0].by[0], count=count)  # type: ignore[arg-type]
    broken = replace(plan, demand=(replace(plan.demand[0], by=(share,)), *plan.demand[1:]))
    assert check_plan(broken).rules == {"number"}
    assert "a count in demand line 1 is" in str(check_plan(broken))


@pytest.mark.parametrize(
    ("limit", "most"),
    [
        # squares(): four cuts of five points and five papers of five, but green-1 has a hole, and lies twice.
        ("MOST_CORNERS", 4 * 5 + 3 * 5 + 2 * 10),
        ("MOST_CORNERS_OF_A_SHAPE", 10),
        # Two, one and two papers; two, one and one cuts: 1 + 4, 0 + 1, 1 + 2.
        ("MOST_PAIRS", 9),
    ],
)
def test_sizes_are_counted(limit: str, most: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """As many corners and pairs as there are may be allowed; one fewer, and the plan is beyond measuring."""
    for allowed, rules in ((most, set()), (most - 1, {"size"})):
        monkeypatch.setattr(f"nestcut.checks.measures.size.{limit}", allowed)
        assert check_plan(PLANS["squares"]()).rules == rules


def test_what_is_allowed_is_told() -> None:
    """Out of the window and out of a scrap: nothing is allowed, and the fault says so."""
    out = next(
        f for f in check_plan(shift_slot(PLANS["squares"](), 0, 0, dx=-1.0)).faults if f.rule == "window"
    )
    assert (out.measured_mm, out.allowed_mm) == (pytest.approx(1.0), 0.0)
    plan = kits()
    parts = plan.trims[0].into
    beyond = replace(
        plan.trims[0], into=((parts[0][0], parts[0][1].buffer(0.5, join_style="mitre")), *parts[1:])
    )
    told = [f for f in check_plan(replace(plan, trims=(beyond, *plan.trims[1:]))).faults if f.rule == "trim"]
    assert told
    assert all(fault.allowed_mm == 0.0 for fault in told)


def test_the_largest_disc_is_found_closely() -> None:
    """How deep two shapes overlap is measured to a ten-thousandth of a millimetre."""
    corner = Polygon(
        [(0, 0), (10, 0), (10, 3), (3, 3), (3, 10), (0, 10)]
    )  # from (r, r) to (3, 3): √2 (3 − r) = r
    shapes = ((box(0, 0, 7, 30), 3.5), (Polygon([(0, 0), (3, 0), (0, 4)]), 1.0), (corner, 3 / (1 + 0.5**0.5)))
    for shape, radius in shapes:
        assert _inner_radius(shape) == pytest.approx(radius, abs=2e-4)
    assert _inner_radius(box(0, 0, 1.5e-6, 9)) == 0.0


def test_words_of_counts_and_shapes() -> None:
    """What is given and what it is stand in the message; a broken shape is told with its place."""
    plan = kits()
    minutes = replace(plan, totals=replace(plan.totals, minutes=plan.totals.minutes + 1))
    given, real = f"{plan.totals.minutes + 1:.6g}", f"{plan.totals.minutes:.6g}"
    assert f"{given} minutes are given, it is {real}" in str(check_plan(minutes))
    bow = Polygon([(0, 0), (20, 30), (20, 0), (0, 20)])
    assert "scrap grey-2 is broken: Self-intersection[" in str(
        check_plan(change_scrap(plan, "grey-2", outline=bow))
    )


def test_a_plan_that_falls_short_packs_no_kit_too_many() -> None:
    """Fewer kits than were asked for are right then; one more than there are is not."""
    plan = kits()
    line_1 = replace(plan.demand[0], count=plan.demand[0].count + 1)
    lack = replace(PLANS["short"]().short[0], paper="pink", dies=("small",), area_mm2=155.0)
    short = replace(
        plan, complete=False, kits=0, cards=(), packing=(), demand=(line_1, *plan.demand[1:]), short=(lack,)
    )
    assert check_plan(short).ok, str(check_plan(short))
    packed = replace(plan, complete=False, short=(lack,), demand=short.demand)
    before = [fault.message for fault in check_plan(packed).faults]
    assert not any("is packed, but there are" in message for message in before)
    last = replace(packed.packing[-1], last=packed.kits + 1)
    after = str(check_plan(replace(packed, packing=(*packed.packing[:-1], last))))
    assert f"kit {packed.kits + 1} is packed, but there are {packed.kits}" in after


def test_corners_of_a_die_are_counted_with_its_rim(monkeypatch: pytest.MonkeyPatch) -> None:
    """A die's cut and rim may have twice the corners of one shape between them: one below is refused."""
    plan = PLANS["squares"]()
    ring = plan.dies[1].cut.segmentize(1.0)
    corners = shapely.get_num_coordinates(ring) + shapely.get_num_coordinates(plan.dies[1].rim)
    fine = finished(change_die(plan, "bar", cut=ring))
    for allowed, rules in (((corners + 1) // 2, set()), ((corners - 1) // 2, {"size"})):
        monkeypatch.setattr("nestcut.checks.measures.size.MOST_CORNERS_OF_A_SHAPE", allowed)
        assert check_plan(fine).rules == rules


def test_a_remnant_in_two_pieces_is_measured_like_any_other() -> None:
    """A scrap told to have fallen apart, which it has not, is refused; nothing is thrown."""
    plan = PLANS["squares"]()
    whole = plan.remnants[0]
    left, top, right, bottom = whole.outline.bounds
    apart = whole.outline.difference(box(left, (top + bottom) / 2, right, (top + bottom) / 2 + 1))
    assert apart.geom_type == "MultiPolygon"
    told = (replace(whole, outline=apart), *plan.remnants[1:])
    assert check_plan(replace(plan, remnants=told)).rules == {"remnant"}
