"""Whole plans: every one passes the checker, meets the demand or says honestly what is short."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from nestcut.batch.model import CardLine, Demand, Hand, Paper, Spares
from nestcut.checks import check_plan
from nestcut.passes import estimate, one_paper_per_pass, plan_batch, what_if
from nestcut.passes.common.kits import pack_kits, scaled_down
from nestcut.passes.short.short_proofs import Shortfalls
from nestcut.passes.short.shortage import cut_back
from nestcut.plans import plan_to_json
from nestcut.plans.model import Share
from nestcut.units import letters
from tests.shared.batches import batch_of, disc_die, label_die, sheets

LIMIT = 30
"""Tries of the plate search: tests don't depend on the clock."""


def planned(batch):
    return plan_batch(batch, seconds=600, work_limit=LIMIT)


def test_a_simple_evening_reaches_the_copies_bound() -> None:
    """12 pieces of one die that is owned once need 12 passes; the other dies ride along."""
    dies = [disc_die("a", 20), disc_die("b", 16), label_die("c", 30, 14)]
    lines = [
        CardLine(("a",), ("red",), 12),
        CardLine(("b",), ("white",), 7),
        CardLine(("c",), ("red",), 3),
        CardLine(("c",), ("white",), 4),
    ]
    plan = planned(batch_of(dies, sheets("red", (148, 105)) + sheets("white", (148, 105)), lines))
    assert plan.complete
    assert plan.totals.passes == plan.bound.passes == 12
    assert plan.totals.changes == 1


def test_a_paper_without_scraps_is_short_and_the_rest_is_planned() -> None:
    """What can be cut is cut; what can't is named with sheets to buy, and that is proved."""
    dies = [disc_die("a", 20), disc_die("b", 16)]
    lines = [CardLine(("a",), ("red",), 4), CardLine(("b",), ("white",), 3)]
    plan = planned(batch_of(dies, sheets("red", (148, 105)), lines))
    assert not plan.complete
    assert [line.met for line in plan.demand] == [4, 0]
    (short,) = plan.short
    assert (short.paper, short.pieces, short.proved) == ("white", 3, True)
    assert short.sheets == {"A4": 1, "letter": 1}


def test_spares_go_first_and_whole_kits_are_kept() -> None:
    """A scrap for three 20 mm discs: the kits' pieces are cut, the spares are not."""
    batch = batch_of(
        [disc_die("a", 20)],
        sheets("red", (26, 80)),
        [CardLine(("a",), ("red",), 1)],
        kits=3,
        spares=Spares(pieces=4),
    )
    plan = planned(batch)
    assert [line.met for line in plan.demand] == [3]
    assert not plan.complete
    assert max(packed.last for packed in plan.packing) == 3
    assert plan.bound.passes == plan.totals.passes == 3


def test_whole_kits_are_kept_when_two_lines_share_a_short_paper() -> None:
    """Room for six discs, two lines of five: three kits of each rather than five and one."""
    batch = batch_of(
        [disc_die("a", 20), disc_die("b", 20)],
        sheets("red", (26, 155)),
        [CardLine(("a",), ("red",), 1), CardLine(("b",), ("red",), 1)],
        kits=5,
    )
    plan = planned(batch)
    met = [line.met for line in plan.demand]
    assert sum(met) == 6
    assert min(met) == 3


def test_nothing_can_be_cut_at_all() -> None:
    """No scrap is large enough: a plan without passes that says so."""
    plan = planned(batch_of([disc_die("a", 20)], sheets("red", (10, 10)), [CardLine(("a",), ("red",), 2)]))
    assert plan.passes == ()
    assert plan.short[0].proved


def test_a_scrap_that_serves_one_cut_lies_as_it_is() -> None:
    """Two scraps just larger than the chip need no trims."""
    plan = planned(
        batch_of([disc_die("a", 20)], sheets("red", (26, 26), (27, 28)), [CardLine(("a",), ("red",), 2)])
    )
    assert plan.complete
    assert plan.trims == ()


@pytest.mark.first(1)
@pytest.mark.parametrize("direction", ["stripe", "up"])
def test_papers_with_a_direction_are_obeyed(direction) -> None:
    """The checker's turn rule holds for dies that may turn freely."""
    batch = batch_of(
        [label_die("a", 30, 12), disc_die("b", 18)],
        sheets("red", (148, 105)),
        [CardLine(("a",), ("red",), 5), CardLine(("b",), ("red",), 5)],
        papers=[Paper("red", direction=direction)],
    )
    plan = planned(batch)
    assert plan.complete
    assert plan.totals.passes == 5


@pytest.mark.thorough
def test_the_same_seed_gives_the_same_plan() -> None:
    """Whenever the clock did not cut in."""
    dies = [disc_die("a", 22), label_die("b", 30, 14), disc_die("c", 12)]
    lines = [CardLine((n,), (p,), 3) for n in "abc" for p in ("red", "white")]
    batch = batch_of(dies, sheets("red", (148, 105)) + sheets("white", (90, 120)), lines)
    assert plan_to_json(planned(batch)) == plan_to_json(planned(batch))


@pytest.mark.thorough
@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.data())
def test_any_small_class_is_planned_honestly(data) -> None:
    """Random dies, scraps and demands: the checker agrees, and what is met was really cut."""
    number = st.integers
    dies = []
    for k in range(data.draw(number(1, 4))):
        if data.draw(st.booleans()):
            dies.append(disc_die(f"d{k}", data.draw(number(12, 34)), copies=data.draw(number(1, 2))))
        else:
            dies.append(label_die(f"d{k}", data.draw(number(12, 50)), data.draw(number(10, 30))))
    papers = ["red", "white"][: data.draw(number(1, 2))]
    stock = []
    for paper in papers:
        sizes = data.draw(st.lists(st.tuples(number(20, 150), number(20, 150)), min_size=0, max_size=4))
        stock += sheets(paper, *sizes)
    lines = []
    for die in dies:
        free = data.draw(st.booleans())
        lines.append(CardLine((die.name,), tuple(papers if free else papers[:1]), data.draw(number(1, 4))))
    batch = batch_of(
        dies, stock, lines, kits=data.draw(number(1, 3)), spares=Spares(percent=10),
        papers=[Paper(p) for p in papers],
        hand=Hand(edge_mm=data.draw(st.sampled_from([1.0, 2.0, 4.0]))),
    )  # fmt: skip
    plan = planned(batch)
    assert check_plan(plan).ok
    cut: Counter[tuple[str, str]] = Counter()
    sheet_of = plan.pieces_of_paper()
    for a_pass in plan.passes:
        for one in a_pass.cuts:
            cut[plan.layup(a_pass.layup).slots[one.slot].die, sheet_of[one.scrap][0]] += 1
    given_out: Counter[tuple[str, str]] = Counter()
    for line in plan.demand:
        for share in line.by:
            given_out[share.die, share.paper] += share.count
    assert all(cut[key] >= count for key, count in given_out.items())
    assert plan.bound.passes <= plan.totals.passes
    # A proof that pieces must be missing is never contradicted by a plan that cuts them.
    for paper in papers:
        proved = Shortfalls(batch).of(paper, [die.name for die in batch.dies]).pieces
        fixed = [line for line in plan.demand if line.papers == (paper,)]
        assert sum(line.count - line.met for line in fixed) >= proved


def test_kits_are_packed_evenly() -> None:
    """Three papers for a line of two a card: no card gets two alike unless it must."""
    batch = batch_of(
        [disc_die("a", 20)],
        [s for p in ("red", "white", "blue") for s in sheets(p, (50, 50))],
        [CardLine(("a",), ("red", "white", "blue"), 2)],
        kits=6,
    )
    shares = ((Share("a", "red", 4), Share("a", "white", 4), Share("a", "blue", 4)),)
    packing = pack_kits(batch, batch.demand, shares)
    assert all(share.count == 1 for packed in packing for share in packed.pieces)
    assert sum((p.last - p.first + 1) * len(p.pieces) for p in packing) == 12


@given(st.lists(st.integers(0, 50), min_size=1, max_size=6), st.integers(0, 100))
def test_scaled_down_counts_keep_their_sum(counts, total) -> None:
    """Never more of one kind than there was, and the sum that was asked."""
    result = scaled_down(counts, total)
    assert sum(result) == min(total, sum(counts))
    assert all(0 <= b <= a for a, b in zip(counts, result, strict=True))


def test_cut_back_takes_spares_before_kits() -> None:
    """The line with spares gives them up; then the line that serves most kits gives."""
    batch = batch_of([disc_die("a", 20)], sheets("red", (50, 50)), [CardLine(("a",), ("red",), 1)], kits=4)
    demand = [Demand("x", ("a",), ("red",), 6, 2, 1), Demand("y", ("a",), ("red",), 4, 0, 1)]
    shares = ((Share("a", "red", 6),), (Share("a", "red", 4),))
    kept = cut_back(batch, demand, shares, {("a", "red"): 4})
    assert [sum(s.count for s in line) for line in kept] == [3, 3]


@pytest.mark.thorough
def test_estimates_grow_with_the_kits_and_agree_with_the_plan() -> None:
    """Ten times the kits take ten times the passes of the busiest die."""
    batch = batch_of(
        [disc_die("a", 20), disc_die("b", 16)],
        sheets("red", (148, 105)),
        [CardLine(("a",), ("red",), 1), CardLine(("b",), ("red",), 1)],
        kits=5,
    )
    few, many = estimate(batch, [5, 50], seconds=600, work_limit=LIMIT)
    assert few.passes == few.bound == planned(batch).totals.passes == 5
    assert many.passes == 50
    assert not few.short
    assert many.short["red"] > 0
    assert few.to_json()["kits"] == 5


def test_letters_count_on_after_z() -> None:
    """a … z, aa, ab, …"""
    assert [letters(k) for k in (0, 25, 26, 27, 701, 702)] == ["a", "z", "aa", "ab", "zz", "aaa"]


def test_a_second_copy_of_the_busiest_die_saves_passes() -> None:
    """12 discs and 5 labels: a second disc die saves six passes, a second label die none."""
    batch = batch_of(
        [disc_die("a", 20), label_die("b", 20, 12)],
        sheets("red", (148, 210)),
        [CardLine(("a",), ("red",), 6), CardLine(("b",), ("red",), 2)],
        kits=2,
    )
    answers = what_if(batch)
    assert [a.passes for a in answers if a.what == "a second a die"] == [6]
    assert [a.passes for a in answers if a.what == "one kit more"] == [-6]
    assert not any("second b die" in a.what for a in answers if "second a die" not in a.what)


def test_another_colour_helps_where_paper_is_short() -> None:
    """No red at all: the line in white instead meets its pieces."""
    batch = batch_of(
        [disc_die("a", 20)],
        sheets("white", (148, 210)),
        [CardLine(("a",), ("red",), 4)],
        papers=[Paper("red"), Paper("white")],
    )
    (answer,) = [a for a in what_if(batch) if "white instead of red" in a.what]
    assert answer.short == 4


def test_mixing_papers_saves_what_one_paper_per_pass_costs() -> None:
    """Two dies, each in its own paper: by hand 5 + 4 passes, together 5."""
    batch = batch_of(
        [disc_die("a", 20), disc_die("b", 20)],
        sheets("red", (148, 105)) + sheets("white", (148, 105)),
        [CardLine(("a",), ("red",), 5), CardLine(("b",), ("white",), 4)],
    )
    assert one_paper_per_pass(batch, work_limit=LIMIT) == 9
    assert planned(batch).totals.passes == 5


@pytest.mark.thorough
def test_the_benchmark_runs() -> None:
    """One small class, so that the benchmark can't rot."""
    from tests.benchmarks.passes import run_class, table

    row = run_class(1, "small", 3.0, 60.0, work_limit=LIMIT)
    assert row["ok"]
    assert row["complete"]
    assert "small" in table([row])


@pytest.mark.thorough
def test_the_benchmark_of_the_paper_runs() -> None:
    """One scrap filled once; and a spread of classes meets every size."""
    from tests.benchmarks.paper_yield import ORDERS, filled, wanted_of
    from tests.benchmarks.passes import spread_over

    batch = batch_of(
        [disc_die("a", 20), disc_die("b", 16)],
        sheets("red", (60, 60)),
        [CardLine(("a", "b"), ("red",), 5)],
    )
    wanted = wanted_of(batch)["red"]
    assert wanted == {"a": 3, "b": 2}
    for order in ORDERS:
        assert 4 <= filled(batch, list(batch.scraps), wanted, order, 60.0, moves=60) <= 5
    assert spread_over(1, 10, 4) == [1, 5, 9]
    assert spread_over(1, 9, 3) == [1, 5, 9]  # every third class would be of one size


@pytest.mark.first(1)
@pytest.mark.parametrize("trims", ["none", "straight"])
def test_the_wish_for_few_trims_is_obeyed(trims) -> None:
    """No trims, or straight cuts only: the checker agrees, and something is cut."""
    batch = batch_of(
        [disc_die("a", 20), label_die("b", 24, 14)],
        sheets("red", (148, 105), (30, 30), (40, 28)) + sheets("white", (60, 90), (31, 33)),
        [CardLine(("a",), ("red",), 6), CardLine(("b",), ("white",), 4)],
        hand=Hand(trims=trims),
    )
    plan = planned(batch)
    assert plan.totals.pieces > 0
    assert trims == "straight" or plan.trims == ()
