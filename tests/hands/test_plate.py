"""What hands do from one pass to the next."""

from __future__ import annotations

import pytest

from nestcut.batch.model import Pose
from nestcut.hands import EMPTY, Down, OnPlate, PlateState, next_plate, spot_of
from nestcut.plans.model import Actions

HERE, THERE, ELSEWHERE = (spot_of(Pose(x, 10.0)) for x in (10.0, 50.0, 90.0))
ONE = {"leaf": 1, "fern": 1}
TWO = {"leaf": 2}


def on(papers: dict, *down: tuple) -> OnPlate:
    return OnPlate(papers, tuple(Down(*one) for one in down))


def evening(copies: dict[str, int], *passes: OnPlate, loose: bool = False) -> list[Actions]:
    plate, found = EMPTY, []
    for one in passes:
        plate, done = next_plate(plate, one, copies, loose=loose)
        found.append(done)
    return found


def test_what_stays_costs_nothing() -> None:
    """The same pass again (no plan has it, two cuts would fall together): papers and dies lie there already."""
    once = on({"red": HERE}, ("leaf", HERE, "red"))
    first, again = evening(ONE, once, once)
    assert first == Actions(lay=1, set_up=1)
    assert again == Actions()


def test_papers_are_laid_pulled_turned_and_taken_away() -> None:
    """A shift is a pull; any other turn, or the other side, is a turn; who comes back is laid anew."""
    turned, flipped = spot_of(Pose(10.0, 10.0, 90.0)), spot_of(Pose(10.0, 10.0), flipped=True)
    steps = [on({"red": HERE}), on({"red": THERE, "blue": HERE}), on({"red": HERE}), on({"red": turned}),
             on({"red": flipped}), on({}), on({"red": flipped})]  # fmt: skip
    assert evening(ONE, *steps) == [
        Actions(lay=1),
        Actions(pull_on=1, lay=1),
        Actions(pull_on=1, take_away=1),
        Actions(turn=1),
        Actions(turn=1),
        Actions(take_away=1),
        Actions(lay=1),
    ]


def test_a_whole_turn_is_none() -> None:
    """360 degrees are 0, and a millionth of a millimetre is nothing."""
    assert spot_of(Pose(10.0, 10.0, 360.0)) == spot_of(Pose(10.0 + 4e-7, 10.0, -1e-8)) == HERE


def test_a_die_is_put_back_where_it_last_lay_across_layups() -> None:
    """Lifted while another lay-up was in use, then down at its old place: put back. Moved meanwhile: set up."""
    leaf_here, leaf_there = on({}, ("leaf", HERE, "red")), on({}, ("leaf", THERE, "red"))
    other = on({}, ("fern", ELSEWHERE, "red"))
    assert evening(ONE, leaf_here, other, leaf_here) == [
        Actions(set_up=1),
        Actions(lift=1, set_up=1),
        Actions(lift=1, put_back=1),
    ]
    assert evening(ONE, leaf_here, leaf_there, other, leaf_here)[-1] == Actions(lift=1, set_up=1)
    assert evening(ONE, leaf_here, leaf_there, other, leaf_there)[-1] == Actions(lift=1, put_back=1)


def test_copies_remember_a_place_each() -> None:
    """Two copies: both places are known again. A third place is taken by the copy that is off longest."""
    both = on({}, ("leaf", HERE, "red"), ("leaf", THERE, "red"))
    none = on({})
    one, other, third = (on({}, ("leaf", spot, "red")) for spot in (HERE, THERE, ELSEWHERE))
    assert evening(TWO, both, none, both)[-1] == Actions(put_back=2)
    assert evening(TWO, one, other, one)[-1] == Actions(lift=1, put_back=1)
    # one is off longest, its copy goes to the third place: the other's place is remembered, the first is not.
    steps = [one, none, other, none, third]
    assert evening(TWO, *steps, other)[-1] == Actions(lift=1, put_back=1)
    assert evening(TWO, *steps, one)[-1] == Actions(lift=1, set_up=1)


def test_loose_dies_are_placed_again_when_their_paper_moves() -> None:
    """Only those that stay; what is put back or set up is placed anyway."""
    steps = [
        on({"red": HERE, "blue": HERE}, ("leaf", HERE, "red")),
        on({"red": THERE, "blue": HERE}, ("leaf", HERE, "red"), ("fern", THERE, "blue")),
    ]
    assert evening(ONE, *steps, loose=True)[-1] == Actions(pull_on=1, set_up=1, place_loose=1)
    assert evening(ONE, *steps)[-1] == Actions(pull_on=1, set_up=1)


def test_the_plate_before_is_not_changed() -> None:
    """A value: a search may go on from it more than once."""
    plate, _ = next_plate(EMPTY, on({"red": HERE}, ("leaf", HERE, "red")), ONE)
    kept = PlateState(dict(plate.papers), dict(plate.down), dict(plate.up))
    next_plate(plate, on({}, ("leaf", THERE, "red")), ONE)
    assert plate == kept
    assert PlateState() == EMPTY


@pytest.mark.parametrize("copies", [1, 2, 3])
def test_no_more_places_are_remembered_than_copies_are_owned(copies: int) -> None:
    """However long the evening."""
    plate = EMPTY
    for x in range(10):
        plate, _ = next_plate(plate, on({}, ("leaf", spot_of(Pose(float(x), 0.0)), "red")), {"leaf": copies})
        assert len(plate.up["leaf"]) + len(plate.down["leaf"]) == min(copies, x + 1)
