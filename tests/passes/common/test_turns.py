"""Turn rules of dies and of papers with a direction, each within half a degree, against a fine grid of angles."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nestcut.batch.model import Batch, CardLine, Die, Paper
from nestcut.batch.turns import turns_on
from nestcut.checks import check_plan
from nestcut.passes import plan_batch
from nestcut.passes.common.turns import common_turns, paper_turns, plate_turns
from nestcut.passes.plate.footprints import footprints_of
from tests.shared.batches import batch_of, label_die, sheets

DIRECTIONS = {"none": None, "stripe": (0.0, 180.0), "up": (0.0,)}

listed_turns = st.lists(
    st.sampled_from([0.0, 90.0, 180.0, 270.0, 45.0]).flatmap(
        lambda base: st.integers(-12, 12).map(lambda tenths: base + tenths / 10 + 0.03)
    ),
    min_size=1,
    max_size=3,
)


def within(deg: float, listed: tuple[float, ...] | None, play: float = 0.5) -> bool:
    """The rule itself."""
    return listed is None or any(abs((deg - one + 180.0) % 360.0 - 180.0) <= play for one in listed)


def fits(die: Die, direction: str, deg: float, play: float = 0.5) -> bool:
    own = None if die.turns == "any" else tuple(die.turns)
    return within(deg, own, play) and within(deg, DIRECTIONS[direction], play)


@settings(max_examples=60, deadline=None)
@given(listed_turns, st.sampled_from(sorted(DIRECTIONS)))
def test_a_turn_is_found_wherever_there_is_one(turns: list[float], direction: str) -> None:
    """All found turns obey both rules; none is found only where no angle of a grid of 0.01° obeys both."""
    die = label_die("a", 20, 10, turns=tuple(turns))
    paper = Paper("red", direction=direction)  # type: ignore[arg-type]
    found = turns_on(die, paper)
    assert all(fits(die, direction, float(turn)) for turn in found)
    assert bool(found) == any(fits(die, direction, k / 100) for k in range(36000))
    for plate in plate_turns(die, paper):
        assert paper_turns(die, paper, float(plate))


@settings(max_examples=25, deadline=None)
@given(listed_turns, st.sets(st.sampled_from(sorted(DIRECTIONS)), min_size=2))
def test_common_turns_suit_all_papers(turns: list[float], directions: set[str]) -> None:
    """On each of them some quarter turn of the paper obeys both rules; where one turn does for all papers, one is found."""
    die = label_die("a", 20, 10, turns=tuple(turns))
    papers = [Paper(name, direction=name) for name in sorted(directions)]  # type: ignore[arg-type]
    batch = batch_of([die], [], [CardLine(("a",), tuple(directions), 1)], papers=papers)
    found = common_turns(batch, die, papers)
    for plate, paper in itertools.product(found, papers):
        quarters = paper_turns(die, paper, float(plate))
        assert quarters
        assert all(fits(die, paper.direction, float(plate) + quarter) for quarter in quarters)
    if all(any(fits(die, name, k / 100, 0.49) for k in range(36000)) for name in directions):
        shared = [k for k in range(36000) if all(fits(die, name, k / 100, 0.49) for name in directions)]
        assert found or not shared


def test_turns_at_the_very_limit() -> None:
    """A hair inside half a degree: 0.999° and 0 have an angle between them that is surely near enough to both."""
    up = Paper("red", direction="up")
    for turn, some in ((0.0, True), (0.5, True), (-0.5, True), (0.999, True), (359.2, True), (1.001, False)):
        found = turns_on(label_die("a", 20, 10, turns=(turn,)), up)
        assert bool(found) == some
        assert all(abs((deg + 180.0) % 360.0 - 180.0) < 0.5 + 1e-9 for deg in found)
        assert all(abs((deg - turn + 180.0) % 360.0 - 180.0) < 0.5 + 1e-9 for deg in found)


def class_on(direction: str, turns: tuple[float, ...]) -> Batch:
    die = label_die("slat", 24.0, 12.0, turns=turns)
    papers = [Paper("red", direction=direction), Paper("blue")]  # type: ignore[arg-type]
    lines = [CardLine(("slat",), ("red",), 2), CardLine(("slat",), ("blue",), 1)]
    scraps = sheets("red", (105.0, 148.0)) + sheets("blue", (105.0, 74.0))
    return batch_of([die], scraps, lines, papers=papers)


@pytest.mark.parametrize(
    ("direction", "turns"), [("up", (0.3,)), ("up", (0.9,)), ("up", (359.5,)), ("stripe", (45.0, 180.45))]
)
def test_a_die_that_is_nearly_up_is_planned_on_paper_with_a_direction(
    direction: str, turns: tuple[float, ...]
) -> None:
    """A line with turns = [0.3] on such a paper was refused, though half a degree is allowed."""
    plan = plan_batch(class_on(direction, turns), seconds=2)
    assert check_plan(plan).ok
    assert not [note for note in plan.notes if "broke a rule" in note]
    assert sum(share.count for line in plan.demand for share in line.by) > 0


def test_angles_of_the_proof_hold_those_of_all_papers() -> None:
    """What is disproved is disproved within half a degree of these."""
    batch = class_on("up", (0.9,))
    (footprint,) = footprints_of(batch, batch.demand, "rims")
    for deg in (0.4, 0.5, 0.9, 1.4, 90.45, 271.4):
        assert within(deg, footprint.bound_turns)  # type: ignore[arg-type]
    loose = replace(batch, dies=(replace(batch.dies[0], turns="any"),))
    (footprint,) = footprints_of(loose, loose.demand, "rims")
    assert footprint.turns == (0.0, 90.0, 180.0, 270.0)
    assert footprint.bound_turns == "any"
