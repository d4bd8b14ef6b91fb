"""A shortage is called proved only where the checker, from the file alone, counts as many missing pieces."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pytest
from shapely.affinity import rotate
from shapely.geometry import MultiPolygon, Polygon, box

from nestcut.batch.model import Die, Hand, Machine, Paper, Scrap
from nestcut.checks import check_plan, check_proof
from nestcut.checks.measures.patience import Patience, TooLongError, Undecided
from nestcut.checks.proof.short_proof import NotProvedError, ShortageProofs
from nestcut.plans.model import Bound, DemandMet, Missing, Plan, Shortage, Totals
from tests.shared.checked_plans import circle, rectangle_die

AREA = {"by": "area"}
BARE = Hand(web_mm=0.0, edge_mm=0.0)
Lines = Sequence[tuple[Sequence[str], Sequence[str], int]]


def wanting(
    dies: Sequence[Die],
    outlines: Sequence[Polygon],
    lines: Lines,
    *,
    hand: Hand = BARE,
    papers: Sequence[Paper] = (Paper("red"), Paper("green")),
) -> Plan:
    """Nothing is cut: scraps of red (called 1, 2, …), lines of demand (dies, papers, pieces)."""
    return Plan(
        title="",
        complete=False,
        machine=Machine((300.0, 300.0), clear_mm=0.0),
        hand=hand,
        papers=tuple(papers),
        dies=tuple(dies),
        scraps=tuple(Scrap(str(k), "red", one) for k, one in enumerate(outlines, start=1)),
        trims=(),
        demand=tuple(DemandMet("card", tuple(d), tuple(p), count, 0, 0, ()) for d, p, count in lines),
        layups=(),
        passes=(),
        bound=Bound(0, ""),
        totals=Totals(0, 0, 0, 0, 0, 0.0),
        remnants=(),
    )


def missing(plan: Plan, proof: Mapping[str, Any] = AREA, paper: str = "red") -> int:
    found = ShortageProofs(plan).surely_missing(paper, proof)
    assert isinstance(found, int)
    return found


def told(plan: Plan, pieces: int, proof: Mapping[str, Any], **fields: Any) -> Plan:
    """The plan with a shortage of red that is called proved: so many pieces of the first line's first die."""
    die = plan.die(plan.demand[0].dies[0])
    area = pieces * die.cut.buffer(plan.hand.web_mm / 2).area / die.pieces
    own = Shortage("red", (die.name,), pieces, area, {}, True, "why", (Missing(1, die.name, pieces),), proof)
    line = replace(plan.demand[0], count=plan.demand[0].count)
    return replace(plan, short=(replace(own, **fields),), demand=(line, *plan.demand[1:]))


# ---------------------------------------------------------------- by area


@pytest.mark.parametrize(
    ("hand", "side", "asked", "lost"),
    [
        (BARE, 40.0, 17, 1),  # 16 squares of 10 mm
        (BARE, 39.99, 16, 1),
        (BARE, 40.0, 16, 0),
        (BARE, 40.0, 20, 4),
        # The web counts half on each side, the edge less that at the scrap's rim: 12² − corners each in 42².
        (Hand(web_mm=2.0, edge_mm=2.0), 44.0, 13, 1),
        (Hand(web_mm=2.0, edge_mm=2.0), 44.0, 12, 0),
        (Hand(web_mm=2.0, edge_mm=3.0), 46.0, 13, 1),
        (Hand(web_mm=2.0, edge_mm=3.0), 46.0, 12, 0),
        # Parts of a trimmed scrap keep twice the edge between their cuts, not the web: nothing is sure here.
        (Hand(web_mm=2.0, edge_mm=0.0), 40.0, 16, 0),
        (Hand(web_mm=2.0, edge_mm=0.0), 40.0, 17, 1),
    ],
)
def test_areas_with_their_webs(hand: Hand, side: float, asked: int, lost: int) -> None:
    """Squares in a square scrap: what is beyond its area is missing, to the piece."""
    plan = wanting(
        [rectangle_die("tile", 10, 10)], [box(0, 0, side, side)], [(["tile"], ["red"], asked)], hand=hand
    )
    assert missing(plan) == lost


def test_the_largest_pieces_are_left_out_first() -> None:
    """1,000 mm² of scrap, 600 of tiles and 800 of halves: two tiles left out make room, one does not."""
    dies = [rectangle_die("tile", 20, 10), rectangle_die("half", 10, 10)]
    lines = [(["half"], ["red"], 8), (["tile"], ["red"], 3)]
    scraps = [box(0, 0, 20, 25), box(0, 0, 20, 25)]
    assert missing(wanting(dies, scraps, lines)) == 2
    assert (
        missing(wanting(dies, [box(0, 0, 20, 19)], lines)) == 3 + 5
    )  # not one of all the tiles, then halves
    assert missing(wanting(dies, [box(0, 0, 20, 60)], lines)) == 1
    assert missing(wanting(dies, [box(0, 0, 20, 70)], lines)) == 0


def test_lines_that_may_use_another_paper_do_not_count() -> None:
    """Nor do lines in another paper; where a line may use two dies it is met by the smaller."""
    dies = [rectangle_die("tile", 20, 10), rectangle_die("half", 10, 10)]
    scraps = [box(0, 0, 20, 20)]
    assert missing(wanting(dies, scraps, [(["tile"], ["red", "green"], 9)])) == 0
    assert missing(wanting(dies, scraps, [(["tile"], ["green"], 9)])) == 0
    assert missing(wanting(dies, scraps, [(["tile"], ["green"], 9)]), paper="green") == 9
    assert missing(wanting(dies, scraps, [(["tile", "half"], ["red"], 5)])) == 1
    assert missing(wanting(dies, scraps, [(["tile"], ["red"], 5)])) == 3


def test_a_die_that_cuts_several_pieces_shares_its_paper_out() -> None:
    """Two squares of 10 mm at a time: 400 mm² give four pieces, of six two are missing."""
    pair = Die("pair", MultiPolygon([box(0, 0, 10, 10), box(12, 0, 22, 10)]), box(-2, -2, 24, 12))
    plan = wanting([pair], [box(0, 0, 23, 18)], [(["pair"], ["red"], 6)])
    assert missing(plan) == 2


def test_what_fits_in_no_scrap_is_missing() -> None:
    """Too wide with its edge for both scraps at any turn, or too large; a hair less, and it may fit."""
    hand = Hand(web_mm=2.0, edge_mm=1.0)
    strips = [rotate(box(0, 0, 100, 12), 30.0), box(0, 0, 12, 100)]
    lines = [(["tile"], ["red"], 5)]
    assert missing(wanting([rectangle_die("tile", 10.001, 20)], strips, lines, hand=hand)) == 5
    assert missing(wanting([rectangle_die("tile", 10, 20)], strips, lines, hand=hand)) == 0
    # As wide as a scrap with a dent, but larger than it.
    dented = box(0, 0, 40, 40).difference(box(15, 0, 25, 30))
    assert missing(wanting([rectangle_die("tile", 36, 36)], [dented], lines, hand=hand)) == 5
    both = [(["tile", "dot"], ["red"], 5)]
    dies = [rectangle_die("tile", 36, 36), rectangle_die("dot", 5, 5)]
    assert missing(wanting(dies, [dented], both, hand=hand)) == 0


# ---------------------------------------------------------------- by capacity


def disc_case(
    asked: int = 5, scraps: int = 3, *, share: float = 0.94, hand: Hand = BARE, both: bool = False
) -> Plan:
    """Discs of radius 40; squares a little too small for two of them (side (2 + √2)·40), where area has room."""
    side = 40.0 * (2 + math.sqrt(2)) * share
    return wanting(
        [Die("disc", circle(40.0), circle(41.5))],
        [box(0, 0, side, side)] * scraps,
        [(["disc"], ["red"], asked)],
        hand=hand,
        papers=[Paper("red", both_sides=both), Paper("green")],
    )


def holds(most: int, *scraps: str, by: str = "turning", **more: object) -> dict[str, Any]:
    return {"scraps": list(scraps), "most": most, "disproof": {"by": by, **more}}


def capacity(*entries: Any, die: str = "disc") -> dict[str, Any]:
    return {"by": "capacity", "dies": {die: list(entries)}}


def test_discs_that_no_scrap_holds_two_of() -> None:
    """Three scraps with room for one each: two of five are missing; a scrap that is not listed counts by area."""
    plan = disc_case()
    assert missing(plan) == 0
    assert missing(plan, capacity(holds(1, "1", "2", "3"))) == 2
    assert missing(plan, capacity(holds(1, "1", "2"), holds(1, "3"))) == 2
    assert missing(disc_case(asked=6), capacity(holds(1, "1", "2"))) == 1  # by area the third holds three
    assert missing(disc_case(asked=3), capacity(holds(1, "1", "2", "3"))) == 0
    # The scraps need not be alike: the box that holds them all counts.
    larger = replace(plan, scraps=(replace(plan.scraps[0], outline=box(0, 0, 200, 200)), *plan.scraps[1:]))
    with pytest.raises(NotProvedError, match="1 holds at most 1 of disc"):
        missing(larger, capacity(holds(1, "1", "2", "3")))
    with pytest.raises(NotProvedError, match="2 holds at most 1 of disc"):
        missing(larger, capacity(holds(1, "2", "1")))


@pytest.mark.parametrize(("share", "sure"), [(0.995, True), (1.001, False)])
def test_near_the_limit_only_what_does_not_fit_is_proved(share: float, sure: bool) -> None:
    """Two discs fit in the square of side (2 + √2)·r and in none below (to half a hundredth, the discs being polygons)."""
    plan = disc_case(share=share)
    if sure:
        assert missing(plan, capacity(holds(1, "1", "2", "3"))) == 2
    else:
        with pytest.raises(NotProvedError, match="does not hold"):
            missing(plan, capacity(holds(1, "1", "2", "3")))


def test_web_and_edge_count_in_capacities() -> None:
    """With a web of 9 and an edge of 3, two discs 6 mm apart may lie in two parts of a scrap, unless none is trimmed."""
    side = (80 + 6) / math.sqrt(2) + 86 + 0.5  # room for two that are 6 mm, but not 9 mm apart
    for trims, room in (("scissors", True), ("straight", True), ("none", False)):
        hand = Hand(web_mm=9.0, edge_mm=3.0, trims=trims)  # type: ignore[arg-type]
        plan = replace(disc_case(scraps=1, hand=hand), scraps=(Scrap("1", "red", box(0, 0, side, side)),))
        if room:
            with pytest.raises(NotProvedError):
                missing(plan, capacity(holds(1, "1")))
        else:
            assert missing(plan, capacity(holds(1, "1"))) == 4
    # An edge of 5 leaves less than two discs need.
    hand = Hand(web_mm=6.0, edge_mm=5.0)
    plan = replace(disc_case(scraps=1, hand=hand), scraps=(Scrap("1", "red", box(0, 0, side, side)),))
    assert missing(plan, capacity(holds(1, "1"))) == 4


def test_turns_on_the_paper_count_in_capacities() -> None:
    """Bars of 10 × 60 in 50 × 50: none upright and none lying, one aslant; on a striped paper none."""
    free, set_up = (rectangle_die("bar", 10, 60, turns=turns) for turns in ("any", (0.0, 90.0)))
    for die, paper, sure in (
        (free, Paper("red"), False),
        (set_up, Paper("red"), True),
        (free, Paper("red", direction="stripe"), True),
    ):
        plan = wanting([die], [box(0, 0, 50, 50)], [(["bar"], ["red"], 2)], papers=[paper, Paper("green")])
        if sure:
            assert missing(plan, capacity(holds(0, "1"), die="bar")) == 2
        else:
            with pytest.raises(NotProvedError):
                missing(plan, capacity(holds(0, "1"), die="bar"))


def test_a_cut_of_two_pieces_counts_twice() -> None:
    """Of five pieces, two at a time, a scrap that holds one cut gives two."""
    pair = Die(
        "pair", MultiPolygon([circle(19.0), rotate(box(25, -5, 55, 5), 0)]), circle(80.0), turns=(0.0,)
    )
    plan = wanting([pair], [box(0, 0, 80, 50)], [(["pair"], ["red"], 5)])
    assert missing(plan, capacity(holds(1, "1"), die="pair")) == 3


def test_what_fits_nowhere_counts_besides() -> None:
    """The discs that find no room, and three bars for which no scrap is large enough."""
    plan = disc_case()
    plan = replace(
        plan,
        dies=(*plan.dies, rectangle_die("beam", 150, 140)),
        demand=(*plan.demand, DemandMet("card", ("beam",), ("red",), 3, 0, 0, ())),
    )
    assert missing(plan, capacity(holds(1, "1", "2", "3"))) == 5
    assert missing(plan, {"by": "capacity", "dies": {"beam": [], "disc": [holds(1, "1", "2", "3")]}}) == 5


def test_papers_good_on_both_sides_are_left_to_area() -> None:
    """Their cuts may lie mirrored."""
    with pytest.raises(NotProvedError, match="mirrored"):
        missing(disc_case(both=True), capacity(holds(1, "1", "2", "3")))
    assert missing(disc_case(both=True), capacity()) == 0


GOOD = holds(1, "1", "2", "3")


@pytest.mark.parametrize(
    "proof",
    [
        {},
        {"by": "magic"},
        {"by": "capacity"},
        {"by": "capacity", "dies": {}},
        {"by": "capacity", "dies": [GOOD]},
        {"by": "capacity", "dies": {"thistle": [GOOD]}},
        {"by": "capacity", "dies": {"disc": GOOD}},
        capacity("1"),
        capacity({**GOOD, "scraps": []}),
        capacity({**GOOD, "scraps": "123"}),
        capacity({**GOOD, "scraps": [1]}),
        capacity({**GOOD, "scraps": ["1", "1"]}),
        capacity({**GOOD, "scraps": ["4"]}),
        capacity(holds(1, "1"), holds(1, "1")),
        capacity({**GOOD, "most": -1}),
        capacity({**GOOD, "most": True}),
        capacity({**GOOD, "most": 0}),
        capacity({**GOOD, "most": "1"}),
        capacity({**GOOD, "disproof": None}),
        capacity(holds(1, "1", "2", "3", by="area")),
        capacity(holds(1, "1", "2", "3", by="magic")),
        capacity(holds(1, "1", "2", "3", by="relative")),
        capacity(holds(1, "1", "2", "3", by="relative", order=["disc", "disc"], splits=".")),
    ],
)
def test_a_proof_that_proves_nothing_is_named(proof: dict[str, Any]) -> None:
    """Whatever is wrong in it: one fault of rule short, and no traceback."""
    plan = told(disc_case(), 2, GOOD and capacity(GOOD))
    assert not check_proof(plan).faults
    report = check_proof(replace(plan, short=(replace(plan.short[0], proof=proof),)))
    assert report.rules == {"short"}, str(report)


def test_a_proof_of_fewer_pieces_is_named() -> None:
    """Two are proved, not three; two shortages of one paper are proved together; unproved ones need nothing."""
    good = capacity(GOOD)
    assert not check_proof(told(disc_case(), 2, good)).faults
    assert not check_proof(told(disc_case(), 1, good)).faults
    (fault,) = check_proof(told(disc_case(), 3, good)).faults
    assert fault.rule == "short"
    assert "that 3 pieces in red must be missing, but does not follow: 2 of 3 are proved" in fault.message
    plan = told(disc_case(), 1, good)
    twice = replace(plan, short=plan.short * 2)
    assert not check_proof(twice).faults
    assert len(check_proof(replace(plan, short=plan.short * 3)).faults) == 3
    assert not check_proof(told(disc_case(), 3, {}, proved=False)).faults
    # What is not called proved, and what another paper lacks, is not counted with it.
    own = told(disc_case(), 2, good)
    others = (replace(own.short[0], proved=False), replace(own.short[0], paper="green", pieces=0, proof=AREA))
    assert not check_proof(replace(own, short=(*own.short, *others))).faults
    assert check_proof(told(disc_case(), 2, good, paper=None)).rules == {"short"}
    assert check_proof(told(disc_case(), 2, good, paper="green")).rules == {"short"}


def test_proved_shortages_are_gone_through_besides_the_bound() -> None:
    """A bound that does not follow does not hide it; check alone takes a proof that is there."""
    plan = told(disc_case(), 3, capacity(GOOD))
    assert check_proof(replace(plan, bound=Bound(1, ""))).rules == {"bound", "short"}
    alone = replace(plan.demand[0], count=3)
    assert check_plan(replace(plan, demand=(alone,))).ok
    bare = replace(plan, demand=(alone,), short=(replace(plan.short[0], proof={}),))
    assert check_plan(bare).rules == {"short"}


def test_a_proof_that_takes_too_long_is_told_apart() -> None:
    """Neither believed nor called wrong."""
    plan = told(disc_case(), 2, capacity(GOOD))
    report = check_proof(plan, seconds=0.0)
    assert report.rules == {"undecided"}
    with pytest.raises(TooLongError):
        ShortageProofs(plan).surely_missing("red", capacity(GOOD), Patience(0.0))


def test_what_was_believed_is_not_gone_through_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """The very same entry only; one that says less is looked at anew."""
    from nestcut.checks.proof import short_proof

    proofs = ShortageProofs(disc_case())
    assert proofs.most_cuts("red", "disc", [GOOD]) == 3
    monkeypatch.setattr(short_proof, "disprove", lambda *_: "asked again")
    assert proofs.most_cuts("red", "disc", [GOOD]) == 3
    for other in ({**GOOD, "most": 0}, holds(1, "1", "2"), holds(1, "1", "2", "3", by="stacking")):
        with pytest.raises(NotProvedError, match="asked again"):
            proofs.most_cuts("red", "disc", [other])


def test_a_proof_that_is_too_large_is_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the checker gives up is undecided; a plain fault beside it is a fault."""
    from nestcut.checks.proof import short_proof

    words = iter([Undecided("too many cells"), None])
    monkeypatch.setattr(short_proof, "disprove", lambda *_: next(words))
    proof = capacity(holds(1, "1", "2"), holds(1, "3"))
    (fault,) = check_proof(told(disc_case(), 2, proof)).faults
    assert fault.rule == "undecided"
    assert "must be missing was not gone through, it is too large: too many cells" in fault.message
    words = iter([Undecided("too many cells"), "it fits"])
    (fault,) = check_proof(told(disc_case(), 2, proof)).faults
    assert (fault.rule, "3 holds at most 1 of disc does not hold: it fits" in fault.message) == (
        "short",
        True,
    )


def test_dies_without_an_area_to_speak_of_prove_nothing() -> None:
    """A hair of a die takes no paper: no number of its cuts is the most."""
    hair = Die("hair", box(0, 0, 30.0, 1e-6), box(-1, -1, 31, 1))
    plan = wanting([hair], [box(0, 0, 40, 40)], [(["hair"], ["red"], 9)])
    assert missing(plan) == 0
    with pytest.raises(NotProvedError, match="takes no paper"):
        missing(plan, capacity(die="hair"))
    # On a strip of half a millimetre, too: nothing says that it is too wide.
    assert missing(replace(plan, scraps=(Scrap("1", "red", box(0, 0, 0.5, 40)),))) == 0


def test_a_drawing_beyond_all_use_counts_with_its_plain_area(monkeypatch: pytest.MonkeyPatch) -> None:
    """Growing it would take long; less is proved then, and nothing wrong."""
    from nestcut.checks.measures import paper_area

    plan = wanting(
        [rectangle_die("tile", 10, 10)], [box(0, 0, 44, 44)], [(["tile"], ["red"], 18)],
        hand=Hand(web_mm=2.0, edge_mm=2.0),
    )  # fmt: skip
    assert missing(plan) == 18 - 12
    corners = 5
    monkeypatch.setattr(paper_area, "MOST_CORNERS", corners)
    assert missing(plan) == 18 - 12
    monkeypatch.setattr(paper_area, "MOST_CORNERS", corners - 1)
    assert missing(plan) == 18 - 17  # 42 mm square, a hair more, by 100 mm² each
