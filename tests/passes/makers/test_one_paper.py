"""One paper a pass: what people do by hand, and what every plan can fall back on."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely.affinity import translate
from shapely.geometry import MultiPolygon, Polygon, box

from nestcut.batch import read_batch
from nestcut.batch.model import Batch, CardLine, Die, Hand, Machine, Paper, Scrap
from nestcut.checks import check_plan
from nestcut.passes.drafts.assemble import assemble
from nestcut.passes.makers.one_paper.one_paper import ByHand, one_paper_a_pass
from nestcut.passes.makers.scarce.scarce import asked_of
from nestcut.passes.short.shortage import shortages
from nestcut.plans.model import Bound, Plan
from tests.shared.awkward import awkward_batch
from tests.shared.batches import batch_of, disc_die, label_die, sheets
from tests.shared.places import EXAMPLES

EVENING = EXAMPLES / "evening.toml"


def plan_of(batch: Batch, got: ByHand) -> Plan:
    """The plan as it stands, with no bound and no advice."""
    wanted = sum(line.count for line in batch.demand)
    return assemble(
        batch,
        batch.demand,
        got.shares,
        got.papered,
        Bound(0, ""),
        proof={},
        short=() if got.pieces == wanted else shortages(batch, asked_of(batch, got.shares), got.shares),
    )


def cut(batch: Batch, *, most_dies: int | None = None) -> tuple[int, Plan]:
    """(pieces, plan) by hand; the checker has let the plan through."""
    got = one_paper_a_pass(batch, most_dies=most_dies)
    plan = plan_of(batch, got)
    report = check_plan(plan)
    assert report.ok, report.faults[:3]
    assert all(len(a_pass.papers) == 1 for a_pass in plan.passes)
    return got.pieces, plan


@pytest.mark.parametrize("most_dies", [None, 1])
@pytest.mark.parametrize("block", range(6))
def test_whatever_is_asked_the_checker_lets_it_through(block: int, most_dies: int | None) -> None:
    """Openings, several pieces, scraps with holes, overhang 0, edge above gap, clear 0, all trims, directions."""
    found = [
        cut(awkward_batch(seed), most_dies=most_dies)[0]
        for seed in range(1000 + 20 * block, 1020 + 20 * block)
    ]
    assert sum(found) > 0


def test_a_scrap_is_pulled_on_under_a_lay_up_that_stays() -> None:
    """Two dies, one long strip that just holds them: one lay-up, as many passes as pieces of each, only moved along."""
    batch = batch_of(
        [label_die("a", 20, 20), label_die("b", 20, 20)],
        sheets("red", (48.2, 140)),
        [CardLine(("a",), ("red",), 5), CardLine(("b",), ("red",), 5)],
    )
    pieces, plan = cut(batch)
    assert pieces == 10
    assert len(plan.layups) == 1
    assert len(plan.passes) == 5
    assert len({a_pass.papers[0].pose.x_mm for a_pass in plan.passes}) == 1


def test_whole_pieces_of_paper_lie_as_they_are() -> None:
    """A scrap that the plate takes is never trimmed; one that is too wide is slit, where that is allowed."""
    lines = [CardLine(("a",), ("red",), 4)]
    wide = batch_of([label_die("a", 40, 40)], sheets("red", (150, 130)), lines)
    pieces, plan = cut(wide)
    assert (pieces, plan.totals.trims > 0) == (4, True)
    pieces, plan = cut(replace(wide, hand=replace(wide.hand, trims="straight")))
    assert (pieces, plan.totals.trims > 0) == (4, True)
    long = batch_of([label_die("a", 40, 40)], sheets("red", (90, 150)), lines)
    for batch in (long, replace(long, hand=replace(long.hand, trims="none"))):
        pieces, plan = cut(batch)
        assert (pieces, plan.totals.trims) == (4, 0)
    # Without overhang: it just lies along the feed; a hair longer, and it lies neither way.
    stiff = replace(long, machine=Machine((100.0, 150.0), overhang_mm=0.0), hand=Hand(trims="none"))
    assert cut(stiff)[0] == 4
    assert cut(replace(stiff, scraps=tuple(sheets("red", (90, 150.5)))))[0] == 0


def test_what_fits_exactly_is_cut() -> None:
    """A scrap of just the cut and its edge, off the grid, and a die of just the window."""
    tight = batch_of(
        [label_die("a", 30.37, 20.21)], sheets("red", (34.37, 24.21)), [CardLine(("a",), ("red",), 1)]
    )
    assert cut(tight)[0] == 1
    whole = batch_of(
        [label_die("a", 92.8, 142.8)], sheets("red", (100, 150)), [CardLine(("a",), ("red",), 1)]
    )
    assert whole.dies[0].rim.bounds == (-48.0, -73.0, 48.0, 73.0)
    assert cut(whole)[0] == 1
    notch = Polygon([(0, 0), (34.37, 0), (34.37, 24.21), (12, 24.21), (12, 60), (0, 60)])
    assert cut(replace(tight, scraps=(Scrap("r", "red", notch),)))[0] == 1


def test_openings_hold_nothing_and_holes_of_scraps_are_kept() -> None:
    """A frame with a disc that would fit into its opening; a scrap of which only the rim of a hole is left."""
    ring = box(-20, -20, 20, 20).difference(box(-12, -12, 12, 12))
    frame = Die("frame", ring, box(-21.6, -21.6, 21.6, 21.6).difference(box(-10, -10, 10, 10)))
    batch = batch_of(
        [frame, disc_die("disc", 14)],
        sheets("red", (90, 150)),
        [CardLine(("frame",), ("red",), 3), CardLine(("disc",), ("red",), 5)],
        hand=Hand(web_mm=0.0, edge_mm=1.0),
    )
    assert cut(batch)[0] == 8
    hole = box(0, 0, 90, 90).difference(box(20, 20, 70, 70))
    assert cut(replace(batch, scraps=(Scrap("h", "red", hole),)))[0] == 5


def test_a_die_of_several_pieces_and_copies_count() -> None:
    """Each part of a cut is a piece; what is cut beyond the demand is a spare; two copies halve the passes."""
    part = box(-4, -4, 4, 4)
    pair = MultiPolygon([translate(part, -8, 0), translate(part, 8, 0)])
    die = Die("pair", pair, box(-14, -6, 14, 6), copies=2)
    batch = batch_of([die], sheets("red", (90, 140)), [CardLine(("pair",), ("red",), 7)])
    pieces, plan = cut(batch)
    assert (pieces, plan.totals.pieces, len(plan.passes)) == (7, 8, 2)


def test_directions_are_obeyed_and_free_lines_move_to_paper_that_is_left() -> None:
    """A die that must stand, on striped paper; a line that names a paper without scraps as well."""
    batch = batch_of(
        [label_die("a", 60, 20, turns=(90.0,)), label_die("b", 60, 20)],
        sheets("red", (70, 140)),
        [CardLine(("b",), ("red", "white"), 3)],
        papers=[Paper("red", direction="up"), Paper("white")],
    )
    assert cut(batch)[0] == 3
    card = replace(batch.cards[0], lines=(CardLine(("a",), ("red",), 1),))
    assert cut(replace(batch, cards=(card,)))[0] == 0


def test_whole_kits_come_first() -> None:
    """Paper for a few large and small pieces: as many of both as make whole kits."""
    batch = batch_of(
        [label_die("large", 40, 40), label_die("small", 12, 12)],
        sheets("red", (92, 92)),
        [CardLine(("large",), ("red",), 1), CardLine(("small",), ("red",), 6)],
        kits=9,
    )
    got = one_paper_a_pass(batch)
    large, small = got.met
    assert large >= 2
    assert small >= 12


def test_it_is_the_same_each_time() -> None:
    """No clock and no chance in it."""
    for seed in (1003, 1017):
        batch = awkward_batch(seed)
        assert plan_of(batch, one_paper_a_pass(batch)) == plan_of(batch, one_paper_a_pass(batch))


def test_the_evening_can_be_cut_without_a_trim() -> None:
    """All of it, one colour at a time: 468 pieces from scraps that lie as they are."""
    batch = read_batch(EVENING)
    pieces, plan = cut(replace(batch, hand=replace(batch.hand, trims="none")))
    assert pieces == 468
    assert plan.totals.trims == 0
    assert len(plan.layups) < 25
