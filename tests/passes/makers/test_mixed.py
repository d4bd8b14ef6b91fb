"""Half-way between few passes and few trims: how many passes more, and what they save."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from shapely.geometry import box

from nestcut.batch.model import Batch, Card, CardLine, Extra, Pose, Wishes
from nestcut.checks import check_plan
from nestcut.passes import plan_batch
from nestcut.passes.common.budget import ENDLESS
from nestcut.passes.common.schedule import RunTask, cuts_wanted
from nestcut.passes.common.types import PlatePlan
from nestcut.passes.drafts.moved_pieces import eased_shares
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft, RunDraft
from nestcut.passes.drafts.ranking import Draft, handiest_of
from nestcut.passes.makers.mixed.mixed import Costs, mixed, strip_shares
from nestcut.passes.makers.whole.whole import in_whole_scraps
from nestcut.passes.makers.whole.zones import zone_stations
from nestcut.passes.parts.chips import sites_of
from nestcut.passes.plate.solve import plan_plate
from nestcut.plans.model import Plan, Share, Slot
from tests.benchmarks.passes_classes import random_class
from tests.shared.squares import batch_of, square_die

TRIMS_NEXT = ("passes", "trims", "changes", "paper")


def planned(batch: Batch, wishes: Wishes) -> Plan:
    plan = plan_batch(replace(batch, wishes=wishes), seconds=3600, work_limit=20)
    assert plan.complete
    assert check_plan(plan).ok
    return plan


@pytest.fixture(scope="module")
def few_kits() -> tuple[Batch, Plan]:
    """Ten dies on a large plate, with paper enough, and the plan for the fewest passes."""
    batch = replace(random_class(8, size="middle", supply=3.0), kits=3)
    return batch, planned(batch, Wishes())


@pytest.mark.thorough
@pytest.mark.parametrize("percent", [0.0, 20.0])
def test_extra_passes_save_trims(few_kits: tuple[Batch, Plan], percent: float) -> None:
    """No more passes than allowed, far fewer trims, and less paper to lay."""
    batch, fewest = few_kits
    light = planned(batch, Wishes(TRIMS_NEXT, Extra(percent)))
    assert fewest.totals.passes <= light.totals.passes <= (1 + percent / 100) * fewest.totals.passes
    assert light.totals.trims <= 0.75 * fewest.totals.trims
    laid = [sum(len(one.papers) for one in plan.passes) for plan in (fewest, light)]
    assert laid[1] < laid[0]


@pytest.mark.thorough
def test_minutes_first_save_minutes(few_kits: tuple[Batch, Plan]) -> None:
    """Passes and trims are weighed by what they take."""
    batch, fewest = few_kits
    assert planned(batch, Wishes(("minutes", "passes"))).totals.minutes < fewest.totals.minutes - 1


def a_draft(batch: Batch, passes: int, trims: int, missing: int = 0) -> Draft:
    """Passes of one die, the first of them with trimmed parts."""
    slots = (Slot("d", Pose(20.0, 20.0)),)
    uses = [
        PartUse(f"p-{k}", box(0, 0, 30, 30), Pose(5.0, 5.0), (0,), "p", whole=k >= trims)
        for k in range(passes)
    ]
    run = RunDraft(RunTask(slots, passes, ((("p", passes),),)), sites_of(batch, slots), [], [])
    plate = PlatePlan((), (), 1, "")
    lost = Counter({("d", "p"): missing})
    return Draft(plate, plate, (), PaperedPasses([run], [PassDraft(0, [use]) for use in uses], lost))


@pytest.mark.parametrize(
    ("extra", "chosen"),
    [(Extra(), 100), (Extra(10.0), 110), (Extra(9.9), 104), (Extra(plain=4), 104), (Extra(25.0), 121)],
)
def test_the_fewest_of_all_say_how_many_are_allowed(extra: Extra, chosen: int) -> None:
    """Not those of the last draft, which may itself be above the fewest; what misses something does not count."""
    batch = replace(batch_of([(square_die("d", 10), "p", 1)], []), wishes=Wishes(TRIMS_NEXT, extra))
    drafts = [
        a_draft(batch, passes, trims, missing)
        for passes, trims, missing in [(100, 60, 0), (104, 50, 0), (110, 40, 0), (121, 0, 0), (80, 0, 1)]
    ]
    for order in (drafts, drafts[::-1]):
        assert handiest_of(batch, order).passes == chosen


def test_shares_of_a_part() -> None:
    """A part that is used twice gives each cut a half; a scrap as it is costs no trim; what is missing counts whole."""
    batch = batch_of([(square_die("d", 10), "p", 3), (square_die("e", 20), "q", 1)], [])
    slots = (Slot("d", Pose(20.0, 20.0)),)
    run = RunDraft(RunTask(slots, 3, ((("p", 3),),)), sites_of(batch, slots), [], [])
    part = PartUse("p-0", box(0, 0, 20, 30), Pose(5.0, 5.0), (0,), "p")
    whole = PartUse("p-1", box(0, 0, 60, 30), Pose(5.0, 5.0), (0,), "p", whole=True)
    plate = plan_plate(batch, batch.demand, footprint="rims", seconds=600, work_limit=5)
    passes = [PassDraft(0, [use]) for use in (part, replace_pose(part, 12.0), whole)]
    found = strip_shares(batch, Draft(plate, plate, plate.shares, PaperedPasses([run], passes)))
    assert found["d", "p"].trims == pytest.approx((0.5 + 0.5 + 0.0) / 3)
    assert found["d", "p"].paper_mm2 == pytest.approx((300 + 300 + 1800) / 3)
    assert (found["e", "q"].trims, found["e", "q"].paper_mm2) == (1.0, 400.0)


def replace_pose(use: PartUse, y: float) -> PartUse:
    return PartUse(use.scrap, use.outline, Pose(use.pose.x_mm, y), use.slots, use.paper)


@pytest.mark.parametrize("most", [None, 12, 14, 40])
def test_no_cut_is_lost_or_made_twice(most: int | None) -> None:
    """Whatever is kept, the drafts make what was asked, or say what is missing; a limit of passes is kept."""
    dies = [(square_die("a", 20), "p", 12), (square_die("b", 16), "q", 9), (square_die("c", 12), "p", 10)]
    batch = batch_of(dies, [("p", 60.0, 90.0)] * 5 + [("q", 50.0, 80.0)] * 4)
    plate = plan_plate(batch, batch.demand, footprint="hulls", seconds=600, work_limit=20)
    wanted = cuts_wanted(batch, plate.shares)
    whole = in_whole_scraps(batch, wanted, lambda left, k: zone_stations(batch, left, variant=k))
    shares = strip_shares(batch, Draft(plate, plate, plate.shares, PaperedPasses([], [])))
    drafts = list(mixed(batch, plate, whole, shares, Costs(0.01, 1.0, most), ENDLESS, seconds=10))
    assert drafts
    for draft in drafts:
        runs = draft.papered.runs
        made = Counter(
            (runs[one.run].sites[slot].die.name, use.paper)
            for one in draft.papered.passes
            for use in one.uses
            for slot in use.slots
        )
        assert made + draft.papered.missing == wanted
        trimmed = {use.scrap for one in draft.papered.passes for use in one.uses if not use.whole}
        laid = {use.scrap for one in draft.papered.passes for use in one.uses if use.whole}
        assert not trimmed & laid
    if most is not None:
        assert min(draft.passes for draft in drafts) <= most


def test_pieces_move_to_the_paper_that_has_enough() -> None:
    """Only those of lines that name it, and no more than makes room for what is missing, twice over."""
    batch = batch_of([(square_die("a", 10), "p", 1), (square_die("b", 30), "p", 4)], [("q", 50.0, 50.0)])
    lines = (CardLine(("a",), ("p", "q"), 200), CardLine(("b",), ("p",), 4))
    batch = replace(batch, cards=(Card("", 1, lines),))
    shares = ((Share("a", "p", 150), Share("a", "q", 50)), (Share("b", "p", 4),))
    eased = eased_shares(batch, shares, Counter({("b", "p"): 1}))
    # Twice the box of the rim of b, 33 × 33 mm, is 2178 mm²: 13 boxes of 13 × 13 mm.
    assert eased == ((Share("a", "p", 137), Share("a", "q", 63)), (Share("b", "p", 4),))
    assert eased_shares(batch, (shares[0][1:], shares[1]), Counter({("b", "p"): 1})) is None
