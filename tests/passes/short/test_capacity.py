"""How many cuts a scrap can hold: never fewer than fit, and the known best where proofs reach."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from shapely.geometry import Point, box

from nestcut.batch.model import Batch, CardLine, Die, Hand, Scrap
from nestcut.checks import check_plan, check_proof
from nestcut.passes import plan_batch
from nestcut.passes.short.capacity import capacities, most_cuts
from nestcut.passes.short.short_proofs import Shortfalls
from nestcut.plans import plan_from_json, plan_to_json
from tests.shared.batches import batch_of, label_die, sheets

# Side of the least square that holds n discs of radius 1, n = 2, 3, 4, proved best: Graham (1968) for 2 to 9;
# values as in Specht's tables, from memory, and by hand: 2 + √2, 2 + (√2 + √6) / 2, 4.
SQUARES = {2: 2 + math.sqrt(2), 3: 2 + (math.sqrt(2) + math.sqrt(6)) / 2, 4: 4.0}

RADIUS = 40.0


def bare(die: Die, scraps: list[Scrap], count: int = 1) -> Batch:
    """No web and no edge: nothing but the outlines matters."""
    hand = Hand(web_mm=0.0, edge_mm=0.0)
    return batch_of([die], scraps, [CardLine((die.name,), ("red",), count)], hand=hand)


def round_die(steps: int = 64) -> Die:
    """A polygon inside a disc of the radius, hardly smaller."""
    cut = Point(0, 0).buffer(RADIUS, quad_segs=steps // 4)
    return Die("disc", cut, cut.buffer(1.5))


@pytest.mark.parametrize(("count", "share"), [(2, 0.99), (3, 0.99), (4, 0.985)])
def test_discs_in_a_square_a_little_too_small(count: int, share: float) -> None:
    """One less fits: the squares for three and for four are 2 % apart."""
    die = round_die()
    side = RADIUS * SQUARES[count] * share
    assert most_cuts(bare(die, []), die, "red", box(0, 0, side, side)) == count - 1


@pytest.mark.parametrize("count", [2, 3, 4])
def test_never_fewer_discs_than_fit(count: int) -> None:
    die = round_die()
    side = RADIUS * SQUARES[count] + 1e-6
    assert most_cuts(bare(die, []), die, "red", box(0, 0, side, side)) >= count


@pytest.mark.parametrize(
    ("wide", "high"), [(50.0, 50.0), (50.0, 80.0), (61.0, 61.0), (30.0, 80.0), (29.9, 200.0)]
)
def test_upright_squares_in_rows(wide: float, high: float) -> None:
    """Equal squares that may not turn: as many as whole rows and columns (each holds one of a grid of points)."""
    die = label_die("square", 30.0, 30.0, turns=(0.0,))
    known = math.floor(wide / 30.0) * math.floor(high / 30.0)
    found = most_cuts(bare(die, []), die, "red", box(0, 0, wide, high))
    assert found == known


def test_web_and_edge_count() -> None:
    """Two labels of 30 mm with 2 mm of web and edges of 3 mm take 68 mm."""
    die = label_die("label", 30.0, 30.0, turns=(0.0,))
    batch = replace(bare(die, []), hand=Hand(web_mm=2.0, edge_mm=3.0))
    assert most_cuts(batch, die, "red", box(0, 0, 66.0, 36.5)) == 1
    assert most_cuts(batch, die, "red", box(0, 0, 68.0, 36.5)) == 2
    assert most_cuts(batch, die, "red", box(0, 0, 35.9, 90.0)) == 0


def test_what_the_scraps_cannot_hold_is_told() -> None:
    """Three scraps with room for one, where area would allow two each: of five pieces two are missing for sure."""
    die = round_die()
    side = RADIUS * SQUARES[2] * 0.94
    scraps = sheets("red", (side, side), (side, side), (side, side))
    batch = bare(die, scraps, count=5)
    (entry,) = capacities(batch, "red", ["disc"])["disc"]
    assert (entry["scraps"], entry["most"]) == ([scrap.id for scrap in scraps], 1)
    assert capacities(batch, "red", []) == {}
    found = Shortfalls(batch).of("red", ["disc"])
    assert (found.pieces, found.reason) == (
        2,
        "the scraps of red hold no more than 3 of disc, however they are laid",
    )
    assert found.proof == {"by": "capacity", "dies": {"disc": [entry]}}
    enough = Shortfalls(bare(die, scraps, count=3)).of("red", ["disc"])
    assert (enough.pieces, enough.reason, enough.proof) == (0, "", {})


def test_what_a_plan_calls_proved_is_proved_from_its_file_alone() -> None:
    """Four discs, three scraps with room for one each; a label for which no scrap is large enough; white runs out."""
    side = RADIUS * SQUARES[2] * 0.94
    dies = [round_die(), label_die("beam", 80.0, 60.0), label_die("tag", 30.0, 30.0)]
    scraps = sheets("red", (side, side), (side, side), (side, side)) + sheets(
        "white", (40.0, 70.0), (40.0, 40.0)
    )
    lines = [
        CardLine(("disc",), ("red",), 4),
        CardLine(("tag",), ("white",), 4),
        CardLine(("beam",), ("white",), 1),
    ]
    batch = batch_of(dies, scraps, lines, hand=Hand(web_mm=0.0, edge_mm=0.0), plate=(150.0, 150.0))
    plan = plan_from_json(json.loads(json.dumps(plan_to_json(plan_batch(batch, seconds=600, work_limit=8)))))
    assert check_plan(plan).ok
    assert check_proof(plan).ok, str(check_proof(plan))
    red, white = plan.short
    assert (red.pieces, red.proved, red.proof["by"]) == (1, True, "capacity")
    assert [(one.line, one.die, one.count) for one in red.by] == [(1, "disc", 1)]
    # By area four tags fit: only that the beam fits nowhere is sure.
    assert (white.pieces, white.proved, white.proof) == (2, False, {})
    assert "that is proved for 1 of the 2 pieces" in white.reason
    more = replace(red, pieces=2)
    assert check_proof(replace(plan, short=(more, white))).rules == {"short"}
    believed = replace(white, proved=True, proof={"by": "area"})
    assert check_proof(replace(plan, short=(red, believed))).rules == {"short"}


def test_without_trims_or_on_both_sides_less_is_proved() -> None:
    """Discs whose cuts may lie in parts of a scrap need twice the edge between them; a flipped paper is left to area."""
    hand = Hand(web_mm=12.0, edge_mm=3.0)
    side = 86 / math.sqrt(2) + 86.4  # for two discs 6 mm apart, not 12
    whole = replace(bare(round_die(), sheets("red", (side, side))), hand=replace(hand, trims="none"))
    assert most_cuts(whole, round_die(), "red", whole.scraps[0].outline) == 1
    cut_up = replace(whole, hand=hand)
    assert most_cuts(cut_up, round_die(), "red", whole.scraps[0].outline) >= 2
    flipped = replace(whole, papers=(replace(whole.papers[0], both_sides=True),))
    assert most_cuts(flipped, round_die(), "red", whole.scraps[0].outline) >= 2
