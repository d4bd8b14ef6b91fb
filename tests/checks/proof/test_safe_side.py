"""A proof errs on the safe side, and by a hair only: most of these hold it to a number worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from shapely.affinity import rotate
from shapely.geometry import Polygon, box

from nestcut.batch.model import Hand, Machine, Paper
from nestcut.checks import check_proof
from nestcut.checks.measures.measure import TOLERANCE_MM
from nestcut.checks.measures.safe_side import DISC_SIDES, HAIR, grown_area_mm2
from nestcut.checks.measures.turns import ALL_TURNS, plate_turns
from nestcut.checks.proof.disproof import AREA_UNITS, Plate
from nestcut.checks.proof.turning import Opponent, pair_cannot_fit, single_cannot_fit
from tests.shared.checked_plans import (
    rectangle_die,
)
from tests.shared.proofs import proved, two_large


def bar(length: float, width: float, turn: float = 0.0) -> Polygon:
    """A bar around (0, 0), turned by so many degrees."""
    return rotate(box(-length / 2, -width / 2, length / 2, width / 2), turn, origin=(0, 0))


def test_a_die_put_back_counts_no_more() -> None:
    """What was tried before a die was put back must not refuse the sets without it.

    ``wide`` and ``square`` can't lie together, and that is proved; ``dot`` and ``wide`` can, are worth more than 1, and nothing
    refuses them. The search meets dot + wide after it has taken square and put it back.
    """
    dies = [rectangle_die("dot", 7, 7), rectangle_die("square", 57, 57), rectangle_die("wide", 87, 57)]
    prices = {"dot": "9/20", "square": "1/2", "wide": "3/5"}
    proof = {
        "prices": prices,
        "lines": list(prices.values()),
        "disproofs": [{"dies": {"square": 1, "wide": 1}, "by": "turning"}],
    }
    plan = proved(dies, [10, 10, 10], 16, proof, plate=(100.0, 115.0))
    report = check_proof(plan)
    assert report.rules == {"bound"}
    assert "nothing in it says that 1 dot, 1 wide can't" in str(report)
    # The same search without that set: dot is worth little, and the proof holds.
    fair = prices | {"dot": "2/5"}
    good = {**proof, "prices": fair, "lines": list(fair.values())}
    assert check_proof(replace(plan, bound=replace(plan.bound, passes=15), proof=good)).ok


def test_copies_in_a_disproof() -> None:
    """Two copies of a die that can't lie together are one entry; none, or fewer than none, is no number of dies."""
    two = rectangle_die("oak", 57, 57, copies=2)
    proof = {"prices": {"oak": "1/1"}, "lines": ["1/1"], "disproofs": [{"dies": {"oak": 2}, "by": "turning"}]}
    plan = proved([two], [20], 20, proof, plate=(100.0, 115.0))
    assert check_proof(plan).ok, str(check_proof(plan))
    assert two_large().proof["disproofs"] == [{"dies": {"oak": 1, "ash": 1}, "by": "turning"}]
    for number in (0, -1):
        entries = [
            {"dies": {"oak": 1, "ash": 1}, "by": "turning"},
            {"dies": {"oak": number, "ash": 1}, "by": "turning"},
        ]
        report = check_proof(two_large(disproofs=entries))
        assert f"a disproof has {number} of the die oak" in str(report)


def test_the_plate_of_a_proof_is_a_hair_too_large() -> None:
    """The window by twice the tolerance, the gap smaller by as much, the area rounded up: never the other way."""
    plan = proved([rectangle_die("oak", 20, 20)], [1], 1, {}, plate=(100.0, 140.0), gap=3.0)
    plate = Plate.of(replace(plan, machine=Machine((100.0, 140.0), clear_mm=4.0)))
    assert (plate.width_mm - 92.0, plate.length_mm - 132.0) == pytest.approx(
        (2 * TOLERANCE_MM, 2 * TOLERANCE_MM), rel=1e-6
    )
    assert 3.0 - plate.gap_mm == pytest.approx(2 * TOLERANCE_MM, rel=1e-6)
    reach = plate.gap_mm / 2
    exact = (
        plate.width_mm * plate.length_mm
        + 2 * (plate.width_mm + plate.length_mm) * reach
        + math.pi * reach * reach
    )
    assert 0.0 < plate.area / AREA_UNITS - exact < 3e-5
    # A plate that its clear edges use up has no room, and the little that rounding up leaves it.
    tiny = Plate.of(replace(plan, machine=Machine((6.0, 9.0), clear_mm=4.0), hand=Hand(gap_mm=0.0)))
    assert (tiny.width_mm, tiny.gap_mm, tiny.area) == (0.0, 0.0, 1)


def test_the_area_of_a_rim_is_a_hair_too_small() -> None:
    """A square grown by discs of 64 corners, worked out by hand; less a billionth, rounded down by one unit and more."""
    corner = DISC_SIDES / 2 * math.sin(2 * math.pi / DISC_SIDES)  # the polygon in the unit disc
    for side, reach in ((20.0, 1.5), (57.0, 0.01), (20.0, 0.0)):
        exact = side * side + 4 * side * reach + corner * reach * reach
        found = grown_area_mm2(box(0, 0, side, side), reach)
        assert exact * (1 - 1.5 * HAIR) < found < exact * (1 - 0.5 * HAIR)
    twice = Polygon([(0, 0), (20, 0), (20, 0), (20, 20), (0, 20)])  # a corner said twice is one corner
    assert grown_area_mm2(twice, 1.5) == pytest.approx(grown_area_mm2(box(0, 0, 20, 20), 1.5), rel=1e-12)
    plan = proved([rectangle_die("oak", 17, 17)], [1], 1, {}, gap=0.0)
    plate = Plate.of(plan)
    area = grown_area_mm2(plate.rims["oak"], 0.0) * AREA_UNITS
    assert area - 2 <= plate.rim_area("oak") <= area - 1


@pytest.mark.parametrize("drawn", [30.0, -30.0])
def test_a_single_rim_is_turned_the_right_way(drawn: float) -> None:
    """A bar that may be turned by 30° only: drawn at −30° it lies along x, drawn at 30° it stands at 60°."""
    one = Opponent(bar(100, 5, drawn), ((29.999, 30.001),))
    lies = drawn < 0
    assert (single_cannot_fit(one, 60.0, 110.0) is None) == lies
    assert (single_cannot_fit(one, 110.0, 60.0) is None) == (not lies)
    assert single_cannot_fit(one, 110.0, 110.0) is not None


@pytest.mark.parametrize("turn", [0.0, 3.7, 7.4, 14.9, 29.3, 44.6, 73.1, 88.8, 101.5, 134.2, 164.9, 179.0])
def test_a_single_rim_that_fits_at_one_turn_only_is_never_refused(turn: float) -> None:
    """The window is cut to measure for one turn, at the end of a cell or in its middle."""
    rim = Polygon([(-50, -3), (50, -6), (44, 9), (-30, 7)])
    left, top, right, bottom = Opponent(rim, ((turn, turn),)).core((turn, turn)).bounds
    room = 0.05
    window = (right - left + room, bottom - top + room)
    assert single_cannot_fit(Opponent(rim, ((0.0, 180.0),)), *window) is not None
    assert single_cannot_fit(Opponent(rim, ((turn - 7.5, turn + 7.5),)), *window) is not None
    assert single_cannot_fit(Opponent(rim, ((turn - 14.9, turn + 0.1),)), *window) is not None


def test_a_pair_is_looked_at_at_its_own_turns() -> None:
    """Two bars that may be turned by 45° only don't fit a window in which they could lie side by side."""
    turned = tuple((45.0 + quarter - 0.5, 45.0 + quarter + 0.5) for quarter in (0, 90, 180, 270))
    a, b = Opponent(bar(100, 5), turned), Opponent(bar(100, 5), turned)
    assert pair_cannot_fit(a, b, 105.0, 12.0, 1.0) is None
    flat = ((-0.5, 0.5),)
    assert pair_cannot_fit(Opponent(bar(100, 5), flat), Opponent(bar(100, 5), flat), 105.0, 12.0, 1.0)


def test_the_least_window_for_two_has_one_shift() -> None:
    """A window just as large as each rim alone leaves no shift at all, and then they lie on each other."""
    still = ((0.0, 0.0),)
    a = Opponent(box(-15, -10, 15, 10), still)
    assert pair_cannot_fit(a, a, 30.0, 20.0, 1.0) is None
    assert pair_cannot_fit(a, a, 30.0 - 1e-9, 20.0, 1.0) is None
    assert pair_cannot_fit(a, a, 61.5, 20.0, 1.0) is not None


def test_a_stripe_allows_half_turns_and_quarters_of_the_paper() -> None:
    """0° and 180° on the paper, any quarter of it on the plate, half a degree around; nothing else."""
    plan = proved([rectangle_die("oak", 20, 20)], [1], 1, {}, papers=[Paper("red", direction="stripe")])
    found = plate_turns(plan, "oak")

    def holds(turn: float) -> bool:
        return any(lo <= turn + full <= hi for lo, hi in found for full in (-360, 0, 360))

    assert all(holds(turn) for turn in (0, 0.5, 359.5, 89.5, 180, 180.5, 270))
    assert not any(holds(turn) for turn in (0.75, 1, 45, 91, 180.75, 358))


def test_prices_may_be_whole_numbers() -> None:
    """1 is as good as "1/1"; true is no number, nor is anything below 0."""
    assert check_proof(two_large(prices={"oak": 1, "ash": 1}, lines=[1, 1])).ok
    for odd in (True, -1):
        assert check_proof(two_large(prices={"oak": odd, "ash": 1})).rules == {"bound"}
        assert "the price of oak is" in str(check_proof(two_large(prices={"oak": odd, "ash": 1})))


def test_sets_of_dies_are_counted() -> None:
    """Two dies that can't lie together: nothing yet, no oak, an oak, an oak and no ash; an oak and an ash is refused."""
    report = check_proof(two_large())
    assert report.checked["sets of dies"] == 4
    assert report.checked["disproofs"] == 1


def test_turns_beyond_a_full_one_are_turns() -> None:
    """375° is 15°, and −345° as well."""
    for turn in (15.0, 375.0, -345.0, 735.0):
        plan = proved([rectangle_die("oak", 20, 20, turns=(turn,))], [1], 1, {})
        found = plate_turns(plan, "oak")
        assert any(lo <= 15.0 <= hi for lo, hi in found), turn
        assert not any(lo <= 14.0 <= hi for lo, hi in found), turn


@pytest.mark.parametrize("turn", [0.0, 0.4, 0.9, 359.7])
def test_any_turn_is_any_turn(turn: float) -> None:
    """All turns are a full circle, without a gap at its start: a bar cut to measure for half a degree still fits."""
    assert [hi - lo for lo, hi in ALL_TURNS] == [360.0]
    rim = Polygon([(-50, -3), (50, -6), (44, 9), (-30, 7)])
    left, top, right, bottom = Opponent(rim, ALL_TURNS).core((turn, turn)).bounds
    window = (right - left + 1e-3, bottom - top + 1e-3)
    assert single_cannot_fit(Opponent(rim, ALL_TURNS), *window) is not None


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
