"""There is always a plan, and what it says to buy mends it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from shapely.geometry import box

from nestcut.batch import read_batch
from nestcut.batch.model import Batch, CardLine, Hand, Machine, Scrap
from nestcut.checks import check_plan
from nestcut.checks.measures.report import Fault, Report
from nestcut.errors import RefusedPlanError
from nestcut.passes import plan_batch
from nestcut.passes.makers.one_paper.one_paper import one_paper_a_pass
from nestcut.passes.makers.scarce.buying import sheets_to_buy
from nestcut.passes.makers.scarce.scarce import asked_of
from nestcut.plans.model import Plan
from nestcut.units import SHEET_SIZES_MM
from tests.shared.awkward import awkward_batch
from tests.shared.batches import batch_of, disc_die, label_die, sheets
from tests.shared.places import EXAMPLES

EVENING = EXAMPLES / "evening.toml"


@pytest.fixture(autouse=True)
def _quiet_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """What these tests see must not hang on how busy the machine is: what to buy is always counted."""
    monkeypatch.setattr("nestcut.passes.makers.scarce.fallback.GRACE_S", 120.0)


def met(plan: Plan) -> int:
    return sum(line.met for line in plan.demand)


def short_batch(kits: int = 6) -> Batch:
    """Too little red paper for all."""
    return batch_of(
        [disc_die("disc", 30), label_die("label", 40, 16)],
        sheets("red", (60, 90)),
        [CardLine(("disc",), ("red",), 1), CardLine(("label",), ("red",), 1)],
        kits=kits,
    )


def refuses(monkeypatch: pytest.MonkeyPatch, refused: Callable[[Plan], bool]) -> list[Plan]:
    """The checker refuses such plans from now on, whatever they are; returns those that it was shown."""
    shown: list[Plan] = []

    def check(plan: Plan) -> Report:
        shown.append(plan)
        return Report((Fault("web", "not this one"),)) if refused(plan) else check_plan(plan)

    monkeypatch.setattr("nestcut.checks.check_plan", check)
    return shown


@pytest.mark.parametrize("kits", [1, 6])
def test_a_refused_plan_is_replaced_by_the_next_best(kits: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Enough paper, and too little of it: the first plan is refused, and there is one all the same."""
    first: list[Plan] = []

    def refused(plan: Plan) -> bool:
        if not first:
            first.append(plan)
        return plan.passes == first[0].passes

    shown = refuses(monkeypatch, refused)
    plan = plan_batch(short_batch(kits), seconds=2)
    assert len(shown) > 1
    assert "A better plan broke a rule" in plan.notes[-1]
    assert check_plan(plan).ok
    assert met(plan) > 0


def test_the_last_resort_is_one_paper_and_one_die_a_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where everything with two dies on the plate is refused."""
    refuses(monkeypatch, lambda plan: any(len(layup.slots) > 1 for layup in plan.layups))
    plan = plan_batch(short_batch(), seconds=2)
    assert all(len(layup.slots) == 1 for layup in plan.layups)
    assert all(len(a_pass.papers) == 1 for a_pass in plan.passes)
    assert met(plan) == one_paper_a_pass(short_batch(), most_dies=1).pieces
    assert check_plan(plan).ok


def test_the_plan_that_was_refused_first_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where even the last resort is refused."""
    shown = refuses(monkeypatch, lambda _: True)
    with pytest.raises(RefusedPlanError, match="not this one") as caught:
        plan_batch(short_batch(), seconds=2)
    assert caught.value.refused is shown[0]


def test_nothing_to_cut_from_is_an_incomplete_plan() -> None:
    """No scrap at all, or none that a die fits: no piece, no pass, no mistake."""
    batch = short_batch()
    for scraps in ((), (Scrap("red-1", "red", box(0, 0, 9, 9)),)):
        plan = plan_batch(replace(batch, scraps=scraps), seconds=1)
        assert (plan.complete, met(plan), plan.passes) == (False, 0, ())


def test_a_stiff_paper_on_a_plate_without_overhang_is_cut() -> None:
    """No overhang, the edge larger than the gap, nothing kept clear: strips stuck out and there was no plan."""
    for overhang, edge in ((0.0, 3.0), (1.0, 4.0)):
        batch = batch_of(
            [label_die("slat", 24, 12, turns=(0.0,))],
            sheets("blue", *[(108, 102)] * 4),
            [CardLine(("slat",), ("blue",), 16)],
            hand=Hand(edge_mm=edge),
        )
        batch = replace(batch, machine=Machine((110.0, 160.0), clear_mm=0.0, overhang_mm=overhang))
        plan = plan_batch(batch, seconds=2)
        assert check_plan(plan).ok
        assert plan.complete


@pytest.mark.parametrize("seed", [1, 4, 5, 15, 44, 51, 53])
def test_no_plan_cuts_fewer_pieces_than_one_paper_a_pass(seed: int) -> None:
    """Of random awkward batches those that ended in a mistake, or in fewer pieces."""
    batch = awkward_batch(seed)
    plan = plan_batch(batch, seconds=1)
    assert check_plan(plan).ok
    assert met(plan) >= one_paper_a_pass(batch).pieces


def test_the_evening_without_trims_is_complete_however_little_time_there_is() -> None:
    """It gave 125 to 423 of 468 pieces, depending on the machine's load."""
    batch = read_batch(EVENING)
    plan = plan_batch(replace(batch, hand=replace(batch.hand, trims="none")), seconds=0.1)
    assert (met(plan), plan.complete) == (468, True)


def bought(batch: Batch, plan: Plan, size: str) -> Batch:
    """The batch with the sheets of this size that the plan says to buy."""
    key = size.lower().replace(" ", "")
    width, height = SHEET_SIZES_MM.get(key) or (float(side) for side in key.removesuffix("mm").split("×"))
    new = [
        Scrap(f"{short.paper}-bought-{k}", short.paper, box(0, 0, width, height))
        for short in plan.short
        for k in range(short.sheets.get(size, 0))
    ]
    assert new
    return replace(batch, scraps=(*batch.scraps, *new))


def free_lines() -> Batch:
    """Two papers, a line that may take either, two copies of a die, spares."""
    batch = batch_of(
        [disc_die("disc", 30, copies=2), label_die("label", 60, 16), label_die("tag", 20, 20)],
        [*sheets("red", (60, 90)), *sheets("white", (70, 70))],
        [
            CardLine(("disc",), ("red",), 2),
            CardLine(("label",), ("white",), 1),
            CardLine(("tag", "disc"), ("red", "white"), 3),
        ],
        kits=7,
    )
    return replace(batch, spares=replace(batch.spares, percent=10.0))


@pytest.mark.parametrize("trims", ["scissors", "straight", "none"])
@pytest.mark.parametrize("make", [short_batch, free_lines, lambda: short_batch(200)])
def test_what_is_advised_to_buy_is_enough(make: Callable[[], Batch], trims: str) -> None:
    """Buy just that, of one size or the other, and plan again: complete."""
    batch = make()
    batch = replace(batch, hand=replace(batch.hand, trims=trims))
    plan = plan_batch(batch, seconds=1)
    assert not plan.complete
    sizes = {size for short in plan.short for size in short.sheets}
    assert sizes
    for size in sorted(sizes):
        again = plan_batch(bought(batch, plan, size), seconds=1)
        assert again.complete, size


def test_without_trims_sheets_are_advised_that_lie_as_they_are() -> None:
    """The plate is 100 mm wide: A7 is the largest usual sheet; for dies that are too long for it, one cut to measure."""
    batch = replace(short_batch(), hand=Hand(trims="none"))
    plan = plan_batch(batch, seconds=1)
    assert [sorted(short.sheets) for short in plan.short] == [["A7"]]
    long = replace(batch, dies=(label_die("disc", 90, 20), label_die("label", 130, 16)))
    asked = asked_of(long, tuple(() for _ in long.demand))
    assert list(sheets_to_buy(long, asked, ["red"])["red"]) == ["100 × 297 mm"]


def test_a_die_that_no_sheet_can_give_is_not_advised_for() -> None:
    """Larger than any sheet that may lie on the plate."""
    batch = replace(short_batch(), hand=Hand(edge_mm=40.0, trims="none"))
    asked = asked_of(batch, tuple(() for _ in batch.demand))
    assert sheets_to_buy(batch, asked, ["red"]) == {"red": {}}
