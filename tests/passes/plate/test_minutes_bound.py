"""The bound on minutes is never above the least that an evening can take, and its certificate is believed."""

from __future__ import annotations

import os
import random
from dataclasses import replace

import pytest
from shapely.geometry import box

from nestcut.batch.model import Die, Hand, HandSeconds, Machine, Paper
from nestcut.checks.proof.minutes import check_minutes
from nestcut.checks.proof.sets import ProofError
from nestcut.passes.plate.minutes_bound import minutes_bound
from nestcut.plans.model import Bound, DemandMet, Plan, Totals
from tests.shared.hands_oracle import Line, least_seconds

CLASSES = int(os.environ.get("NESTCUT_MINUTES_CLASSES", "25"))
"""Random classes that are gone through; thousands by hand."""
PASSES_ONLY = HandSeconds(
    **dict.fromkeys(
        [
            "lay",
            "pull_on",
            "turn",
            "take_away",
            "lift",
            "put_back",
            "set_up",
            "lift_under",
            "put_back_under",
            "set_up_under",
            "place_loose",
            "free",
        ],
        0.0,
    ),
    crank=1.0,
)


def die(name: str, *, copies: int = 1, trips: int = 1, pieces: int = 1) -> Die:
    cut = box(0, 0, 5, 5)
    for k in range(1, pieces):
        cut = cut.union(box(10.0 * k, 0, 10.0 * k + 5, 5))
    return Die(name, cut, cut.envelope.buffer(1), copies=copies, trips=trips)


def met(line: Line) -> DemandMet:
    return DemandMet("card", line.dies, line.papers, line.count, 0, line.count, ())


def proved(
    lines: list[Line], dies: dict[str, Die], seconds: HandSeconds, machine: Machine, passes: int
) -> Plan:
    """A plan of nothing but the claim."""
    demand = tuple(met(line) for line in lines)
    minutes, certificate = minutes_bound(demand, dies, seconds, machine, passes)
    papers = sorted({paper for line in lines for paper in line.papers})
    return Plan(
        "", True, machine, Hand(seconds=seconds), tuple(Paper(p) for p in papers), tuple(dies.values()), (), (), demand, (), (),
        Bound(passes, "", minutes), Totals(0, 0, 0, 0, 0, 0.0), (), proof={"minutes": certificate},
    )  # fmt: skip


def fewest_passes(
    lines: list[Line], dies: dict[str, Die], scraps: dict[str, str], machine: Machine
) -> int | None:
    """Exactly, on the same abstract plate."""
    once = {name: replace(one, trips=1) for name, one in dies.items()}
    found = least_seconds(lines, once, scraps, PASSES_ONLY, machine, ways=2)
    return None if found is None else found[1]


def at_most_the_optimum(
    lines: list[Line],
    dies: dict[str, Die],
    scraps: dict[str, str],
    seconds: HandSeconds,
    machine: Machine,
    *,
    ways: int = 3,
) -> tuple[float, float] | None:
    """(bound, optimum) in seconds, compared; None where the class is too large to go through."""
    passes = fewest_passes(lines, dies, scraps, machine)
    found = least_seconds(lines, dies, scraps, seconds, machine, ways=ways)
    if passes is None or found is None:
        return None
    plan = proved(lines, dies, seconds, machine, passes)
    check_minutes(plan)
    assert plan.bound.minutes is not None
    assert plan.bound.minutes * 60 <= found[0] + 1e-9, (lines, dies, scraps, seconds, machine)
    return plan.bound.minutes * 60, found[0]


OVER, UNDER = Machine((100.0, 100.0)), Machine((100.0, 100.0), dies="under")
ONE, TWO = {"r1": "red"}, {"r1": "red", "b1": "blue"}
CHEAP_BACK = HandSeconds(put_back=1.0, pull_on=6.0)
CHEAP_TURN = HandSeconds(turn=1.0)
CASES = {
    "one die, one paper": ([Line(("leaf",), ("red",), 3)], [die("leaf")], ONE, HandSeconds(), OVER),
    "two copies over one colour": ([Line(("leaf",), ("red",), 4)], [die("leaf", copies=2)], ONE, HandSeconds(), OVER),
    "two trips": (
        [Line(("leaf",), ("red",), 2), Line(("fern",), ("red",), 2)],
        [die("leaf", trips=2), die("fern")], ONE, HandSeconds(), OVER,
    ),
    "a free line": ([Line(("leaf", "fern"), ("red", "blue"), 3)], [die("leaf"), die("fern")], TWO, HandSeconds(), OVER),
    "pieces of several lines, three a cut": (
        [Line(("leaf",), ("red",), 2), Line(("leaf",), ("red",), 2), Line(("leaf",), ("red", "blue"), 2)],
        [die("leaf", pieces=3)], TWO, HandSeconds(), OVER,
    ),
    "a turn is cheapest": ([Line(("leaf",), ("red",), 3)], [die("leaf")], ONE, CHEAP_TURN, OVER),
    "putting back is cheaper than pulling": (
        [Line(("leaf",), ("red",), 2), Line(("fern",), ("red",), 2)], [die("leaf"), die("fern")], ONE, CHEAP_BACK, OVER,
    ),
    "a die first set up over a paper that stays": (
        [Line(("leaf",), ("red",), 1), Line(("fern",), ("red",), 1)],
        [die("leaf"), die("fern", copies=1)], ONE, HandSeconds(pull_on=40.0, turn=40.0), OVER,
    ),
    "a third die, set up over a paper that stays": (
        [Line((name,), ("red",), 1) for name in ("leaf", "fern", "bud")],
        [die("leaf"), die("fern"), die("bud")], ONE, HandSeconds(pull_on=40.0, turn=40.0, put_back=40.0, set_up=5.0, lift=0.0), OVER,
    ),
    "a die lifted across a change of lay-up": (
        [Line(("leaf",), ("red",), 2), Line(("fern",), ("blue",), 1)],
        [die("leaf"), die("fern")], TWO, HandSeconds(lift=0.0, put_back=0.5, set_up=30.0), OVER,
    ),
    "dies under the papers": (
        [Line(("leaf",), ("red",), 2), Line(("fern",), ("red",), 1)],
        [die("leaf"), die("fern")], ONE, HandSeconds(put_back_under=1.0, set_up_under=2.0), UNDER,
    ),
    "everything but pulling is free": (
        [Line(("leaf",), ("red",), 2), Line(("fern",), ("red", "blue"), 2)], [die("leaf"), die("fern")], TWO,
        HandSeconds(lay=0.0, take_away=0.0, turn=0.0, lift=0.0, put_back=0.0, set_up=0.0), OVER,
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", list(CASES))
def test_cases_that_are_easy_to_get_wrong(case: str) -> None:
    """Each with the optimum by going through all evenings."""
    lines, dies, scraps, seconds, machine = CASES[case]
    assert (
        at_most_the_optimum(
            lines,
            {one.name: one for one in dies},
            scraps,
            seconds,
            machine,
            ways=4 if len(scraps) == 1 else 2,
        )
        is not None
    )


def test_one_die_in_one_paper_is_bounded_exactly() -> None:
    """Three cranks, three pieces, one lay, two pulls, one set up: nothing is left open."""
    lines, (leaf,), scraps, seconds, machine = CASES["one die, one paper"]
    bound, least = at_most_the_optimum(lines, {"leaf": leaf}, scraps, seconds, machine)  # type: ignore[misc]
    assert bound == pytest.approx(least, abs=0.01)
    assert least == 3 * 15 + 3 * 3 + 12 + 2 * 6 + 15


def random_class(seed: int):  # type: ignore[no-untyped-def]
    """Two dies, one or two colours, two to four pieces, seconds of every kind, some of them nothing."""
    chance = random.Random(seed)
    dies = {
        name: die(
            name,
            copies=chance.choice([1, 1, 2]),
            trips=chance.choice([1, 1, 2]),
            pieces=chance.choice([1, 1, 2]),
        )
        for name in ("leaf", "fern")
    }
    papers = ["red", "blue"][: chance.choice([1, 2, 2])]
    lines = []
    left = chance.choice([2, 2, 3, 3])
    while left:
        number = chance.randint(1, left)
        left -= number
        lines.append(
            Line(
                tuple(chance.sample(["leaf", "fern"], chance.choice([1, 1, 2]))),
                tuple(chance.sample(papers, chance.randint(1, len(papers)))),
                number,
            )
        )
    scraps = {f"{paper}-1": paper for paper in papers}
    if len(papers) == 1 and chance.random() < 0.5:
        scraps["red-2"] = "red"
    levels = [0.0, 1.0, 3.0, 6.0, 8.0, 15.0, 40.0]
    seconds = HandSeconds(
        **{
            name: chance.choice(levels)
            for name in [
                "crank",
                "lay",
                "pull_on",
                "turn",
                "take_away",
                "lift",
                "put_back",
                "set_up",
                "lift_under",
                "put_back_under",
                "set_up_under",
                "place_loose",
                "free",
            ]
        },
        pace=chance.choice([1.0, 0.5, 2.0]),
        dies=chance.choice(["held", "loose"]),
    )
    return (
        lines,
        dies,
        scraps,
        seconds if chance.random() < 0.7 else HandSeconds(),
        chance.choice([OVER, UNDER]),
    )


@pytest.mark.parametrize("seed", range(CLASSES))
def test_random_classes(seed: int) -> None:
    """No bound above the optimum, whatever the keys."""
    lines, dies, scraps, seconds, machine = random_class(seed)
    ways = 3 if len(scraps) == 1 else 2
    found = at_most_the_optimum(lines, dies, scraps, seconds, machine, ways=ways)
    assert found is None or found[0] <= found[1] + 1e-9


def test_a_claim_of_more_is_not_believed() -> None:
    """A hair above, and certificates that say too much."""
    lines, dies, _, seconds, machine = CASES["a free line"]
    plan = proved(lines, {one.name: one for one in dies}, seconds, machine, 2)
    check_minutes(plan)

    def refused(certificate: dict | None = None, minutes: float = 0.0) -> str:
        claim = replace(plan.bound, minutes=(plan.bound.minutes or 0.0) + minutes)
        proof = plan.proof if certificate is None else {"minutes": certificate}
        with pytest.raises(ProofError) as caught:
            check_minutes(replace(plan, bound=claim, proof=proof))
        return str(caught.value)

    own = plan.proof["minutes"]
    assert "adds up" in refused(minutes=0.01)
    assert "worth" in refused({**own, "lines": ["9/1"]})
    assert "more than 1" in refused({**own, "passes": "3/2"})
    assert "no fixed piece" in refused({**own, "papers": {"red": "1/1"}})
    assert "not a fraction" in refused({**own, "lines": ["-1/2"]})
    assert "not a fraction" in refused({**own, "passes": "1/0"})
    assert "each line" in refused({**own, "lines": []})
    assert "no table" in refused({**own, "papers": []})
    assert "certificate" in refused({})
