"""Two ends of the plate, each with its own scraps: rules by the independent checker, counts by hand."""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from nestcut.batch import read_batch
from nestcut.batch.model import Batch, Card, CardLine, Paper, Pose, Scrap
from nestcut.checks import check_plan
from nestcut.passes.common.slits import Piece
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.makers.ends.benches import Bench, Pull, Workshop
from nestcut.passes.makers.ends.ends import EndWay, by_ends
from nestcut.passes.makers.ends.opened_scraps import OpenedScraps, pattern_parts, patterns
from nestcut.passes.makers.ends.pairing import pairs
from nestcut.passes.makers.ends.rows import end_rows
from nestcut.passes.makers.ends.sharing import EndMeasures, Member, share_out
from nestcut.passes.parts.chips import sites_of
from nestcut.plans.model import Bound, Plan, Share, Slot
from tests.shared.places import EXAMPLES
from tests.shared.squares import batch_of, square_die


def by_two_ends(
    batch: Batch, layups: int = 1
) -> tuple[Plan, Counter[tuple[str, str]], list[Counter[tuple[str, str]]]]:
    found = by_ends(batch, Workshop(batch), EndWay(True, 0.0, layups, 1.6), work=0.2)
    assert found is not None
    got, lines = found
    shares = tuple(tuple(Share(die, paper, n) for (die, paper), n in own.items() if n) for own in lines)
    return assemble(batch, batch.demand, shares, got, Bound(1, ""), proof={}), got.missing, lines


def asked(batch: Batch, width: float = 90.0) -> EndMeasures:
    return EndMeasures(
        {die.name: die.rim.bounds[2] - die.rim.bounds[0] + 1 for die in batch.dies},
        width,
        {paper.name: width for paper in batch.papers},
        90.0,
    )


def freely(batch: Batch, *lines: CardLine) -> Batch:
    return replace(batch, cards=(Card("", 1, lines),))


def test_two_papers_lie_at_the_two_ends() -> None:
    """Each die has its paper in every pass: no more passes than one of them needs, and no trims."""
    plan, missing, _ = by_two_ends(
        batch_of(
            [(square_die("a", 20), "p", 6), (square_die("b", 20), "q", 6)], [("p", 60, 100), ("q", 60, 100)]
        )
    )
    assert not missing
    assert check_plan(plan).ok
    assert (plan.totals.passes, plan.totals.trims) == (6, 0)
    assert all(len(one.papers) == 2 for one in plan.passes)


def test_dies_of_one_paper_cut_one_scrap_side_by_side() -> None:
    """Three dies over a sheet of their own or two, pulled on three times: nine cuts in three passes."""
    dies = [(square_die(name, 20), "p", 3) for name in "abc"]
    # Three rims of 23 mm and two gaps are 71 mm across; three cuts with webs and edges are 68 mm along, and a little air.
    plan, missing, _ = by_two_ends(batch_of(dies, [("p", 80, 80)] * 2))
    assert not missing
    assert check_plan(plan).ok
    assert plan.totals.passes == 3


@pytest.mark.parametrize("direction", ["none", "stripe", "up"])
def test_a_scrap_is_turned_where_it_may_be(direction: str) -> None:
    """What hangs out too far one way round comes under the die the other way round."""
    batch = batch_of([(square_die("a", 20), "p", 9)], [], plate=(100, 150))
    batch = replace(batch, papers=(Paper("p", direction=direction),))  # type: ignore[arg-type]
    sites = sites_of(batch, [Slot("a", Pose(20.0, 20.0))])
    # 26 × 90 mm hold four cuts in a row. From 10 mm before the plate to 110 mm into it the sheet can be shifted by 30 mm.
    bench = Bench(1, sites, (0,), -10.0, 110.0, True)
    shop = Workshop(batch)
    piece = box(0, 0, 26, 90)
    found = shop.pulls(bench, "p", piece, (), {"a": 9}, {"a": 1.0}, 16)
    straight = [pull for pull in found if pull.deg == 0.0]
    assert len(straight) <= 2
    assert len(found) == len({(pull.deg, pull.at) for pull in found})
    if direction == "up":
        assert len(found) == len(straight)
    else:
        assert len(found) > len(straight)


def test_a_deep_scrap_goes_with_a_shallow_one_and_never_with_itself() -> None:
    """Pulls of the two ends share a pass where the papers do not reach each other."""
    scrap = Scrap("p-1", "p", box(0, 0, 20, 100))
    one, two, third = (Piece(scrap, scrap.outline, True) for _ in range(3))

    def pull(inner: float) -> Pull:
        return Pull(0.0, (0, 0), (0,), (), (0.0, 0.0), inner)

    deep, shallow = (one, pull(90.0)), (one, pull(30.0))
    far, near, same = (two, pull(100.0)), (third, pull(40.0)), (one, pull(100.0))
    assert pairs([[deep, shallow], [near, far]]) == [[deep, far], [shallow, near]]
    assert pairs([[deep], [near]]) == [[deep], [near]]
    assert pairs([[deep], [same]]) == [[deep], [same]]
    assert pairs([[], [near]]) == [[near]]


def test_lines_are_shared_out_so_that_the_slower_end_is_quick() -> None:
    """Die b may cut p or q; a needs p for 8 passes, c needs q for 8: b rides along with both, not after them."""
    batch = batch_of([(square_die(n, 20), "p", 1) for n in "abc"], [("p", 90, 90)] * 9 + [("q", 90, 90)] * 9)
    batch = freely(
        batch,
        CardLine(("a",), ("p",), 8),
        CardLine(("b",), ("p", "q"), 16),
        CardLine(("c",), ("q",), 8),
    )
    shared = share_out(batch, [8, 16, 8], asked(batch), work=0.2, layups=1, full=0.9)
    assert shared is not None
    assert shared.passes == 16
    assert sum(shared.lines[1].values()) == 16
    # Two copies halve it.
    two = replace(batch, dies=tuple(replace(die, copies=2 if die.name == "b" else 1) for die in batch.dies))
    shared = share_out(two, [8, 16, 8], asked(two), work=0.2, layups=1, full=0.9)
    assert shared is not None
    assert shared.passes == 8


def test_what_is_too_narrow_for_dies_side_by_side_takes_longer() -> None:
    """Three dies of 24 mm in paper of 30 mm: of two at one end only one is down in a pass."""
    batch = batch_of([(square_die(n, 20), "p", 6) for n in "abc"], [("p", 30, 90)] * 30)
    wide = share_out(batch, [6, 6, 6], asked(batch), work=0.2, layups=1, full=0.9)
    narrow = share_out(
        batch, [6, 6, 6], replace(asked(batch), across={"p": 24.0}), work=0.2, layups=1, full=0.9
    )
    assert wide is not None
    assert narrow is not None
    assert (wide.passes, narrow.passes) == (6, 12)


def test_scraps_that_are_too_wide_are_opened_in_few_alike_parts() -> None:
    batch = batch_of([(square_die("a", 20), "p", 1)], [], plate=(100, 150))
    sheet = Scrap("p-1", "p", box(0, 0, 140, 200))
    assert patterns(batch, sheet)[0] in [(2, 1), (1, 2)]
    assert patterns(batch, Scrap("p-2", "p", box(0, 0, 90, 200))) == [(1, 1)]
    for pattern in patterns(batch, sheet):
        parts = pattern_parts(sheet, pattern)
        assert len(parts) == pattern[0] * pattern[1]
        assert sum(part.area for part in parts) == pytest.approx(140 * 200)
        assert all(one.intersection(two).area == 0 for one, two in itertools.combinations(parts, 2))
    refused = replace(batch, hand=replace(batch.hand, trims="none"))
    assert patterns(refused, sheet) == [(1, 1)]


def test_a_part_costs_its_trim_once() -> None:
    """The first use of a slit part counts a trim and paper; what is on the table and was cut costs neither."""
    batch = batch_of([(square_die("a", 20), "p", 1)], [("p", 140, 200)], plate=(100, 150))
    table = OpenedScraps(batch)
    first = next(iter(table.sources("p")))
    assert (first.trims, first.area_mm2) == (1, 140 * 200 / 2)
    other = table.copy()
    piece = first.take()
    table.put(piece, (("a", Pose(1.0, 1.0)),))
    costs = sorted((source.trims, source.area_mm2) for source in table.sources("p"))
    assert costs == [(0, 0.0), (1, 0.0)]
    assert next(iter(other.sources("p"))).area_mm2 > 0  # the copy is as it was


@pytest.mark.parametrize("narrow", [True, False])
def test_rows_keep_rims_apart_and_leave_room_between_the_ends(narrow: bool) -> None:
    dies = [(square_die(f"d{k}", 12 + 3 * k), "pq"[k % 2], 5 + k) for k in range(6)]
    batch = batch_of(dies, [])
    members = [Member(die, {paper: count}) for die, paper, count in dies]
    laid = end_rows(
        batch,
        (members[:3], members[3:]),
        narrow=narrow,
        feed_turn_deg=0.0,
        across={"p": 90.0, "q": 90.0},
        long_mm=200.0,
    )
    assert laid is not None
    rims = [slot.pose.apply(batch.die(slot.die).rim) for slot in laid.slots]
    assert all(batch.machine.window.buffer(1e-6).covers(rim) for rim in rims)
    assert all(one.distance(two) >= batch.hand.gap_mm - 1e-6 for one, two in itertools.combinations(rims, 2))
    first = max(rims[slot].bounds[3] for slot in laid.ends[0])
    second = min(rims[slot].bounds[1] for slot in laid.ends[1])
    assert first <= laid.first_stop_mm + 1e-6
    assert laid.second_start_mm <= second + 1e-6
    assert laid.first_stop_mm < laid.second_start_mm


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    sides=st.lists(st.integers(8, 30), min_size=2, max_size=4),
    sizes=st.lists(st.tuples(st.integers(20, 190), st.integers(20, 190)), min_size=1, max_size=5),
    counts=st.lists(st.integers(1, 6), min_size=4, max_size=4),
    layups=st.integers(1, 2),
)
def test_every_plan_by_ends_keeps_the_rules(
    sides: list[int], sizes: list[tuple[int, int]], counts: list[int], layups: int
) -> None:
    """Whatever finds no paper is said to be missing; what is cut is what was given out; the checker agrees."""
    dies = [(square_die(f"d{k}", side), "pq"[k % 2], counts[k]) for k, side in enumerate(sides)]
    batch = batch_of(dies, [("pq"[k % 2], float(w), float(h)) for k, (w, h) in enumerate(sizes)])
    lines = [
        CardLine((die.name,), ("p", "q") if k == 0 else (paper,), n) for k, (die, paper, n) in enumerate(dies)
    ]
    batch = freely(batch, *lines)
    plan, missing, given_out = by_two_ends(batch, layups)
    for line, own in zip(batch.demand, given_out, strict=True):
        assert sum(own.values()) == line.count
    wanted: Counter[tuple[str, str]] = Counter()
    for own in given_out:
        wanted.update(own)
    cut = Counter(
        (plan.layups["ABCDEFGH".index(one.layup)].slots[cut.slot].die, cut.scrap[0])
        for one in plan.passes
        for cut in one.cuts
    )
    assert cut + missing == wanted
    faults = [fault for fault in check_plan(plan).faults if fault.rule not in ("bound", "demand", "proof")]
    assert not faults, [fault.message for fault in faults[:3]]


def test_a_favoured_die_gets_the_scraps_that_hold_it() -> None:
    """One scrap holds the large die; small ones fit into all. Without favour the small die, which has more to cut, takes it."""
    dies = [(square_die("small", 20), "p", 12), (square_die("large", 50), "p", 1)]
    batch = batch_of(dies, [("p", 60, 60), *[("p", 30, 60)] * 6])
    way = EndWay(True, 0.0, 1, 1.6, favoured=frozenset({"large"}))
    found = by_ends(batch, Workshop(batch), way, work=0.2)
    assert found is not None
    assert not found[0].missing


def test_no_more_is_cut_than_is_asked() -> None:
    """Where paper is short, fewer kits are asked for than the demand says."""
    batch = batch_of([(square_die("a", 20), "p", 9), (square_die("b", 20), "p", 5)], [("p", 60, 100)] * 3)
    found = by_ends(batch, Workshop(batch), EndWay(True, 0.0, 1, 1.6), work=0.2, asked=[4, 2])
    assert found is not None
    got, lines = found
    assert lines == [{("a", "p"): 4}, {("b", "p"): 2}]
    assert sum(len(use.slots) for one in got.passes for use in one.uses) == 6
    assert not got.missing


@pytest.mark.thorough
def test_a_tenth_of_the_event_is_complete() -> None:
    """The event example: sheets that must be slit, dies in several papers, a striped one."""
    batch = replace(read_batch(EXAMPLES / "event.toml"), kits=20)
    found = by_ends(batch, Workshop(batch), EndWay(True, 90.0, 2, 1.0), work=0.3)
    assert found is not None
    got, lines = found
    shares = tuple(tuple(Share(die, paper, n) for (die, paper), n in own.items() if n) for own in lines)
    plan = assemble(batch, batch.demand, shares, got, Bound(1, ""), proof={})
    assert plan.complete
    assert not [fault for fault in check_plan(plan).faults if fault.rule != "proof"]
