"""Which papers a pass can hold without trims: never fewer than an exhaustive search on a grid finds."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence
from dataclasses import replace

import pytest
from shapely.geometry import Point, Polygon, box

from nestcut.batch.model import Hand, Machine, Scrap
from nestcut.checks import check_proof
from nestcut.checks.proof.whole_papers import Sheets, papers_in_a_pass, sheets_of
from nestcut.plans.model import Bound, DemandMet, Share
from tests.shared.checked_plans import rectangle_die
from tests.shared.proofs import proved

MACHINE = Machine((150.0, 220.0), clear_mm=2.0, overhang_mm=150.0)


def sheets(width: float, length: float, disc: float) -> Sheets:
    return Sheets(tuple(sorted({(width, length)})), True, disc)


def test_wide_sheets_come_two_at_a_time() -> None:
    """Four papers of 148 × 210 under a plate of 150 × 220: one at each end, and no third between them."""
    known = {name: sheets(148.0, 210.0, 12.0) for name in "abcd"}
    found = papers_in_a_pass(MACHINE, known, list("abcd"))
    assert sorted(map(sorted, found)) == [list(pair) for pair in itertools.combinations("abcd", 2)]
    # A paper that is not set apart goes with any of them.
    assert all("d" in names for names in papers_in_a_pass(MACHINE, known, list("abc")))


def test_a_short_sheet_lies_between_two() -> None:
    """With sheets of 60 mm, others lie above and below: 60 + 2 · 24 of 216 mm; and so on until the length is full."""
    known = {name: sheets(148.0, 60.0, 12.0) for name in "abcdefghij"}
    found = papers_in_a_pass(MACHINE, known, list("abcdefghij"))
    # 60 + 6 · 24 = 204 fits in 216, 60 + 7 · 24 = 228 does not; those at the ends have the overhang.
    assert {len(names) for names in found} == {7}


def test_no_overhang_and_long_sheets_come_alone() -> None:
    """Where sheets may not stick out, one of 210 mm leaves no room above or below for a disc of 12 mm across."""
    machine = replace(MACHINE, overhang_mm=0.0)
    known = {name: sheets(148.0, 210.0, 6.0) for name in "abc"}
    assert sorted(map(sorted, papers_in_a_pass(machine, known, list("abc")))) == [["a"], ["b"], ["c"]]
    shorter = {name: sheets(148.0, 205.0, 6.0) for name in "abc"}
    assert {len(names) for names in papers_in_a_pass(machine, shorter, list("abc"))} == {2}


def test_what_leaves_room_beside_it_is_not_believed() -> None:
    """A sheet of 100 mm leaves 48 mm for a disc of 40; one that is no rectangle has notches."""
    known = {"a": sheets(100.0, 210.0, 20.0), "b": sheets(148.0, 210.0, 20.0)}
    assert "may lie beside a scrap of a" in papers_in_a_pass(MACHINE, known, ["a", "b"])
    odd = {name: replace(sheets(148.0, 210.0, 20.0), rectangles=False) for name in "ab"}
    assert "rectangles" in papers_in_a_pass(MACHINE, odd, ["a", "b"])
    assert "can be gone through" in papers_in_a_pass(
        MACHINE, {str(k): sheets(148.0, 210.0, 12.0) for k in range(40)}, [str(k) for k in range(40)]
    )


def test_sheets_are_measured() -> None:
    """Ways to lie, rectangles, and the least disc of the dies that a paper serves."""
    line = DemandMet("c", ("disc", "bar"), ("red", "blue"), 1, 0, 1, ())
    other = DemandMet("c", ("disc",), ("green",), 1, 0, 1, ())
    cuts = {"disc": Point(0, 0).buffer(20.0, quad_segs=64), "bar": box(0, 0, 50, 10)}
    notched = box(0, 0, 140, 200).difference(box(60, 0, 80, 50))
    scraps = [
        ("red", box(5, 5, 145, 205)),
        ("blue", notched),
        ("green", box(0, 0, 160, 600)),
        ("white", box(0, 0, 9, 9)),
    ]
    known = sheets_of(MACHINE, scraps, [line, other], cuts)
    assert set(known) == {"red", "blue", "green"}
    assert known["red"].sides == ((140.0, 200.0),)
    assert known["red"].rectangles
    assert not known["blue"].rectangles
    assert known["green"].sides == ()
    assert 4.9 < known["red"].disc_mm < 5.0
    assert 19.9 < known["green"].disc_mm < 20.0
    turned = sheets_of(MACHINE, [("red", box(0, 0, 100, 130))], [line], cuts)
    assert turned["red"].sides == ((100.0, 130.0), (130.0, 100.0))
    tilted = Polygon([(10, 0), (110, 10), (100, 110), (0, 100)])
    assert not sheets_of(MACHINE, [("red", tilted)], [line], cuts)["red"].rectangles
    # A paper with no room on the plate at all is in no pass.
    assert papers_in_a_pass(MACHINE, known, []) == [frozenset({"red", "blue"})]


def lies(plate: tuple[int, int], over: int, chosen: Sequence[tuple[int, int, int]]) -> bool:
    """Whether scraps (width, length, side of a square cut), one of each, lie in one pass, all on whole cells.

    Exhaustive over places and quarter turns of scraps; each then needs a cut in the plate that lies in it and
    meets no other.
    """
    width, length = plate
    places = []
    for w, h, _ in chosen:
        places.append(
            [
                (x, y, x + a, y + b)
                for a, b in {(w, h), (h, w)}
                if a <= width
                for x in range(width - a + 1)
                for y in range(-over, length + over - b + 1)
            ]
        )

    def cut(own: tuple[int, ...], others: Sequence[tuple[int, ...]], side: int) -> bool:
        return any(
            all(x + side <= o[0] or x >= o[2] or y + side <= o[1] or y >= o[3] for o in others)
            for x in range(max(0, own[0]), min(width, own[2]) - side + 1)
            for y in range(max(0, own[1]), min(length, own[3]) - side + 1)
        )

    def extend(laid: list[tuple[int, ...]]) -> bool:
        sides = [side for _, _, side in chosen]
        for i, own in enumerate(laid):
            if not cut(own, laid[:i] + laid[i + 1 :], sides[i]):
                return False
        if len(laid) == len(chosen):
            return True
        return any(extend([*laid, place]) for place in places[len(laid)])

    return extend([])


@pytest.mark.parametrize("seed", range(40))
def test_never_fewer_than_can_lie(seed: int) -> None:
    """Every set of papers that lies on the grid is in one of the sets; the cut's disc is that of its square."""
    chance = random.Random(seed)
    plate = (chance.randint(2, 3), chance.randint(4, 7))
    over = chance.randint(0, 2)
    unit = 10.0
    names = "abcd"[: chance.randint(2, 4)]
    # As wide as the plate and longer than that, so that most can't be turned; now and then one that leaves a column.
    chosen = {
        name: (
            plate[0] - chance.choice([0] * 9 + [1]),
            chance.randint(plate[0], plate[1] + over),
            chance.choice([1, 1, 2]),
        )
        for name in names
    }
    machine = Machine((plate[0] * unit, plate[1] * unit), clear_mm=0.0, overhang_mm=over * unit)
    known = sheets_of(
        machine,
        [(name, box(0, 0, w * unit, h * unit)) for name, (w, h, _) in chosen.items()],
        [DemandMet("c", (name,), (name,), 1, 0, 1, ()) for name in names],
        {name: box(0, 0, side * unit, side * unit) for name, (_, _, side) in chosen.items()},
    )
    found = papers_in_a_pass(machine, known, list(names))
    if isinstance(found, str):
        return
    for count in (2, 3):
        for some in itertools.combinations(names, count):
            if not any(set(some) <= held for held in found):
                assert not lies(plate, over, [chosen[name] for name in some]), (some, found)


def whole_sheets(bound: int, price: str = "1/2", **keys):
    """Four dies, a paper of wide sheets for each: 10 pieces of each, and at most two papers in a pass."""
    names = ["a", "b", "c", "d"]
    dies = [rectangle_die(name, 27, 27) for name in names]
    plan = proved(dies, [10] * 4, bound, {}, plate=(150.0, 220.0))
    papers = tuple(replace(plan.papers[0], name=f"p{name}") for name in names)
    proof = {
        "prices": dict.fromkeys(names, price),
        "lines": [price] * 4,
        "worth": {name: {f"p{name}": price} for name in names},
        "papers_apart": [paper.name for paper in papers],
    }
    return replace(
        plan,
        papers=papers,
        hand=Hand(gap_mm=1.0, trims="none"),
        scraps=tuple(Scrap(f"s{p.name}", p.name, box(0, 0, 148, 210)) for p in papers),
        demand=tuple(
            replace(line, papers=(f"p{name}",), by=(Share(name, f"p{name}", 10),))
            for name, line in zip(names, plan.demand, strict=True)
        ),
        proof=proof | keys,
    )


def test_a_bound_by_papers() -> None:
    """40 cuts, two papers a pass: 20 passes and no more; where scraps may be trimmed it says nothing."""
    plan = whole_sheets(20)
    assert check_proof(plan).ok, str(check_proof(plan))
    assert check_proof(replace(plan, bound=Bound(21, ""))).rules == {"bound"}
    assert check_proof(whole_sheets(21, "11/20")).rules == {"bound"}
    assert check_proof(replace(plan, hand=replace(plan.hand, trims="scissors"))).rules == {"bound"}
    assert check_proof(replace(plan, hand=replace(plan.hand, papers="any"))).rules == {"bound"}
    assert "lie apart" in str(check_proof(whole_sheets(20, papers_apart=None)))
    # Three of the papers set apart: the fourth goes with any two, so a pass may be worth 3/2.
    assert check_proof(whole_sheets(20, papers_apart=["pa", "pb", "pc"])).rules == {"bound"}
    for odd in ("pa", [1], {"pa": 1}):
        assert check_proof(whole_sheets(20, papers_apart=odd)).rules == {"bound"}
    for odd in ("much", {"a": "1/2"}, {"oak": {"pa": "1/2"}}, {"a": {"pa": 0.5}}):
        assert check_proof(whole_sheets(20, worth=odd)).rules == {"bound"}


def test_a_small_scrap_breaks_the_bound() -> None:
    """A scrap that leaves room beside it, or one more line with a small die in that paper, and it is refused."""
    plan = whole_sheets(20)
    small = Scrap("small", "pa", box(0, 0, 80, 80))
    assert "beside a scrap of pa" in str(check_proof(replace(plan, scraps=(*plan.scraps, small))))
    tiny = rectangle_die("tiny", 1, 1)
    line = replace(plan.demand[0], dies=("a", "tiny"))
    more = replace(plan, dies=(*plan.dies, tiny), demand=(line, *plan.demand[1:]))
    assert check_proof(more).rules == {"bound"}
