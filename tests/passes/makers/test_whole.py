"""Scraps that lie as they are: rules by the independent checker, counts by hand."""

from __future__ import annotations

import dataclasses
from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from nestcut.batch.model import Batch
from nestcut.checks import check_plan
from nestcut.passes import plan_batch
from nestcut.passes.common.budget import Budget
from nestcut.passes.common.schedule import cuts_wanted
from nestcut.passes.common.solvers import solver_workers, solving_with
from nestcut.passes.common.trims import Trimming
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.drafts.papers_for_passes import PaperedPasses
from nestcut.passes.drafts.ranking import Draft
from nestcut.passes.makers.door import Ask
from nestcut.passes.makers.mixed.low_trim import Ends, WholeScraps
from nestcut.passes.makers.whole.whole import in_whole_scraps
from nestcut.passes.makers.whole.zones import zone_stations
from nestcut.passes.plate.solve import Books, plan_plate
from nestcut.plans.model import Bound, Plan
from tests.shared.squares import batch_of, square_die


def whole(batch: Batch, **options: object) -> tuple[object, Counter[tuple[str, str]]]:
    plate = plan_plate(batch, batch.demand, footprint="rims", seconds=600, work_limit=20)
    wanted = cuts_wanted(batch, plate.shares)
    got = in_whole_scraps(batch, wanted, lambda left, k: zone_stations(batch, left, variant=k), **options)  # type: ignore[arg-type]
    plan = assemble(
        batch, batch.demand, plate.shares, got, Bound(plate.bound, plate.reason), proof=plate.proof
    )
    return plan, got.missing


def test_a_scrap_as_wide_as_one_cut_is_used_from_end_to_end() -> None:
    """26 × 100 mm hold four squares of 20 mm in a row: 4 · 20 + 3 · 2 + 2 · 2 = 90, five take 112 mm."""
    plan, missing = whole(batch_of([(square_die("a", 20), "p", 5)], [("p", 26, 100), ("p", 26, 100)]))
    assert not missing
    assert check_plan(plan).ok
    assert plan.totals.trims == 0
    by_scrap = Counter(cut.scrap for one in plan.passes for cut in one.cuts)
    assert sorted(by_scrap.values()) == [1, 4]


def test_two_papers_lie_side_by_side_in_one_pass() -> None:
    """Both dies can have a scrap of their own in every pass: as many passes as one die needs."""
    plan, missing = whole(
        batch_of(
            [(square_die("a", 20), "p", 3), (square_die("b", 20), "q", 3)],
            [("p", 26, 100), ("q", 26, 100)],
        )
    )
    assert not missing
    assert check_plan(plan).ok
    assert (plan.totals.passes, plan.totals.trims) == (3, 0)


def test_a_scrap_wider_than_the_plate_is_slit_once_and_not_where_trims_are_refused() -> None:
    batch = batch_of([(square_die("a", 20), "p", 4)], [("p", 140, 200)], plate=(100, 150))
    plan, missing = whole(batch)
    assert not missing
    assert check_plan(plan).ok
    assert 1 <= plan.totals.trims <= 2


def test_what_whole_scraps_cannot_give_is_missing_and_said() -> None:
    plan, missing = whole(batch_of([(square_die("a", 20), "p", 9)], [("p", 26, 50)]))
    # 26 × 50 mm hold two squares of 20 mm with 2 mm around and between (46 mm), three take 68 mm.
    assert missing == {("a", "p"): 7}
    assert plan.totals.pieces == 2


@pytest.mark.thorough
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    sides=st.lists(st.integers(8, 30), min_size=1, max_size=4),
    sizes=st.lists(st.tuples(st.integers(20, 160), st.integers(20, 160)), min_size=1, max_size=5),
    counts=st.lists(st.integers(1, 6), min_size=4, max_size=4),
)
def test_every_draft_keeps_the_rules(
    sides: list[int], sizes: list[tuple[int, int]], counts: list[int]
) -> None:
    dies = [(square_die(f"d{k}", side), "pq"[k % 2], counts[k]) for k, side in enumerate(sides)]
    scraps = [("pq"[k % 2], float(w), float(h)) for k, (w, h) in enumerate(sizes)]
    batch = batch_of(dies, scraps)
    plate = plan_plate(batch, batch.demand, footprint="hulls", seconds=600, work_limit=20)
    wanted = cuts_wanted(batch, plate.shares)
    # Nothing to begin with: as if every cut took a part of its own.
    begun = Draft(plate, plate, plate.shares, PaperedPasses([], []))
    ask = Ask(batch, batch.demand, Trimming.of(batch), Books(), best=begun)
    makers = (Ends(begin_short=1.0, begin=1.0, end=1.0), WholeScraps())
    for draft in (draft for maker in makers for draft in maker.drafts(ask, Budget(work_limit=1))):
        cut = Counter(
            (draft.papered.runs[one.run].sites[slot].die.name, use.paper)
            for one in draft.papered.passes
            for use in one.uses
            for slot in use.slots
        )
        assert cut + draft.papered.missing == wanted
        plan = assemble(
            batch,
            batch.demand,
            plate.shares,
            draft.papered,
            Bound(plate.bound, plate.reason),
            proof=plate.proof,
        )
        if not draft.missing:
            assert check_plan(plan).ok, [fault.message for fault in check_plan(plan).faults[:3]]


@pytest.mark.parametrize("by_paper", [True, False])
def test_rows_keep_rims_apart_and_in_the_window(by_paper: bool) -> None:
    dies = [(square_die(f"d{k}", 12 + 3 * k), "pq"[k % 2], 5 + k) for k in range(6)]
    batch = batch_of(dies, [("p", 90, 90), ("q", 90, 90)])
    wanted = {(die.name, paper): count for die, paper, count in dies}
    for variant in range(3):
        stations = zone_stations(batch, wanted, by_paper=by_paper, variant=variant)
        assert stations
        made: Counter[tuple[str, str]] = Counter()
        for station in stations:
            made.update(station.cuts)
            rims = [slot.pose.apply(batch.die(slot.die).rim) for slot in station.slots]
            assert all(batch.machine.window.buffer(1e-6).covers(rim) for rim in rims)
            assert all(
                one.distance(two) >= batch.hand.gap_mm - 1e-6
                for k, one in enumerate(rims)
                for two in rims[k + 1 :]
            )
        assert made == wanted


@pytest.mark.thorough
def test_a_refused_draft_gives_way_to_the_next_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """The checker has the last word; a stand-in refuses the first plan that it is shown."""
    import nestcut.checks
    from nestcut.checks import Report
    from nestcut.checks.measures.report import Fault

    real = nestcut.checks.check_plan
    shown: list[Plan] = []

    def stern(plan: Plan) -> Report:
        shown.append(plan)
        report = real(plan)
        return report if len(shown) > 1 else dataclasses.replace(report, faults=(Fault("cut", "not today"),))

    batch = batch_of(
        [(square_die("a", 20), "p", 3), (square_die("b", 20), "q", 3)],
        [("p", 60, 100), ("q", 60, 100)],
    )
    monkeypatch.setattr(nestcut.checks, "check_plan", stern)
    plan = plan_batch(batch, seconds=600, work_limit=20, advise=True)
    assert real(plan).ok
    assert plan.complete
    assert any("not today" in note for note in plan.notes)
    monkeypatch.setattr(
        nestcut.checks,
        "check_plan",
        lambda plan: dataclasses.replace(real(plan), faults=(Fault("cut", "never"),)),
    )
    with pytest.raises(RuntimeError, match="never"):
        plan_batch(batch, seconds=600, work_limit=20, advise=True)


def test_workers_reach_the_solvers_and_no_further() -> None:
    assert solver_workers() == 1
    with solving_with(2):
        assert solver_workers() == 2
    assert solver_workers() == 1
    batch = batch_of(
        [(square_die("a", 20), "p", 3), (square_die("b", 20), "q", 3)],
        [("p", 60, 100), ("q", 60, 100)],
    )
    plan = plan_batch(batch, seconds=600, work_limit=20, workers=2)
    assert check_plan(plan).ok
    assert plan.totals.passes == plan.bound.passes == 3


def test_lay_ups_in_rows_end_when_they_are_told_to() -> None:
    """A person who presses Ctrl-C, or a time limit, is not kept waiting until all starts are through."""
    batch = batch_of([(square_die(f"d{k}", 12 + k), "p", 4) for k in range(9)], [("p", 90, 90)])
    wanted = {(f"d{k}", "p"): 4 for k in range(9)}
    asked = 0

    def counted(last: int) -> bool:
        nonlocal asked
        asked += 1
        return asked > last

    whole = zone_stations(batch, wanted, Budget(stop=lambda: counted(10**6)))
    assert whole
    in_all, asked = asked, 0
    assert in_all >= 9 + 10  # every die, and every start of the search
    assert zone_stations(batch, wanted, Budget(stop=lambda: counted(3))) is None
    assert asked == 4
    asked = 0
    assert zone_stations(batch, wanted, Budget(stop=lambda: counted(in_all - 5)))
    assert asked == in_all - 4  # the starts that are left are given up, what was found is kept
