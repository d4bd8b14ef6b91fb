"""A proof keeps to a limit of time and memory, and one that is too long is told apart from one that is wrong."""

from __future__ import annotations

import math
import random
import tracemalloc
from dataclasses import replace

import pytest
from shapely.affinity import rotate
from shapely.geometry import Point, Polygon, box
from typer.testing import CliRunner

from nestcut.batch.model import Machine
from nestcut.checks import check_proof
from nestcut.checks.measures.patience import Patience, TooLongError, Undecided
from nestcut.checks.measures.symmetry import common_to_folds, disc_radius_mm
from nestcut.checks.measures.turns import ALL_TURNS, SLACK_DEG
from nestcut.checks.proof.cores import folded
from nestcut.checks.proof.relative import places_cannot_fit
from nestcut.checks.proof.stacking import stack_cannot_fit
from nestcut.checks.proof.turning import MOST_CORNERS, Opponent, discs_cannot_fit, pair_cannot_fit
from nestcut.cli import app
from nestcut.plans import write_plan
from tests.shared.proofs import two_large

RELATIVE = {"by": "relative", "order": ["oak", "ash"], "folds": [4, 4], "step_mm": 0.25, "splits": "a.."}
MOST_BYTES = 2**30


@pytest.mark.parametrize("entry", [{"by": "turning"}, {"by": "stacking"}, RELATIVE], ids=lambda e: e["by"])
def test_a_plate_of_900_m_takes_no_memory(entry) -> None:
    """What a large plate would take is known before it is laid out; the answer speaks of size, not of a wrong proof."""
    plan = two_large(disproofs=[{"dies": {"oak": 1, "ash": 1}, **entry}])
    large = replace(plan, machine=Machine((900_000.0, 900_000.0), clear_mm=2.0))
    tracemalloc.start()
    report = check_proof(large)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < MOST_BYTES
    # That two dies lie on such a plate is seen by turning them; the others count columns or cells.
    assert report.rules == ({"bound"} if entry["by"] in ("turning", "stacking") else {"undecided"}), str(
        report
    )


def test_no_time_at_all_is_not_a_wrong_proof() -> None:
    """The limit ends any proof, with its own rule and its seconds in words."""
    report = check_proof(two_large(), seconds=-1.0)
    assert report.rules == {"undecided"}
    assert "not gone through within -1 seconds" in str(report)
    assert check_proof(two_large()).ok


def test_a_wrong_disproof_is_named_before_a_long_one() -> None:
    """One that is too large does not hide another that is plainly wrong."""
    wide = {"dies": {"oak": 1, "ash": 1}, **RELATIVE}
    plan = two_large(disproofs=[wide])
    large = replace(plan, machine=Machine((900_000.0, 900_000.0)))
    assert check_proof(large).rules == {"undecided"}
    wrong = replace(large, proof={**plan.proof, "disproofs": [{"dies": {"oak": 1}, "by": "turning"}, wide]})
    assert check_proof(wrong).rules == {"bound"}


def test_patience_ends_every_method() -> None:
    """Each way of proving asks whether to go on."""
    rims = [Opponent(box(-30, -20, 30, 20), ALL_TURNS) for _ in range(2)]
    over = Patience(stop=lambda: True)
    proof = {"splits": ".", "step_mm": 1.0, "folds": [2, 2]}
    for method in (
        lambda: pair_cannot_fit(*rims, 80.0, 70.0, 1.0, patience=over),
        lambda: stack_cannot_fit(rims, 80.0, 70.0, 1.0, patience=over),
        lambda: places_cannot_fit(rims, 80.0, 70.0, 1.0, proof, patience=over),
    ):
        with pytest.raises(TooLongError):
            method()


def test_too_many_corners_and_turns_are_refused_at_once() -> None:
    """A rim of many thousand corners, or a list of many thousand turns, is undecided, not gone through."""
    crowded = Opponent(Point(0, 0).buffer(30, quad_segs=MOST_CORNERS), ALL_TURNS)
    other = Opponent(box(-30, -20, 30, 20), ALL_TURNS)
    proof = {"splits": ".", "step_mm": 1.0, "folds": [1, 1]}
    assert isinstance(pair_cannot_fit(crowded, other, 90.0, 90.0, 1.0), Undecided)
    assert isinstance(stack_cannot_fit([crowded, other], 90.0, 90.0, 1.0), Undecided)
    assert isinstance(places_cannot_fit([crowded, other], 90.0, 90.0, 1.0, proof), Undecided)
    many = Opponent(other.rim, tuple((t / 100, t / 100) for t in range(36_000)))
    assert isinstance(pair_cannot_fit(many, many, 70.0, 80.0, 1.0), Undecided)
    assert isinstance(stack_cannot_fit([many, many], 70.0, 80.0, 1.0), Undecided)


def disc(radius: float, off: float = 0.0) -> Opponent:
    """A polygon of 256 sides around a disc."""
    ring = Point(0, 0).buffer(radius / math.cos(math.pi / 256), quad_segs=64)
    return Opponent.about_middle(rotate(ring, off, origin=(0, 0)), ALL_TURNS)


@pytest.mark.parametrize(("radii", "gap"), [((37.1, 37.1), 1.0), ((20.0, 31.5), 0.0), ((37.1, 25.0), 2.5)])
def test_two_discs_are_exact(radii, gap) -> None:
    """Two discs fit a window whose rectangle of middles has a diagonal of r₁ + r₂ + gap, and none a hair smaller."""
    a, b = disc(radii[0]), disc(radii[1], off=0.3)
    both = sum(radii)
    across = 0.4 * (both + gap)
    along = math.sqrt((both + gap) ** 2 - across**2)
    assert pair_cannot_fit(a, b, both + across, both + along - 1e-3, gap) is None
    assert pair_cannot_fit(a, b, both + across + 0.02, both + along + 0.02, gap) is not None
    assert not discs_cannot_fit(a, b, both + across + 1e-3, both + along + 1e-3, gap)
    # A window that is too narrow for one of them.
    assert discs_cannot_fit(a, b, 2 * max(radii) - 1e-3, 500.0, gap) == (2 * max(radii) - 1e-3 < both)


def test_two_discs_of_a_real_plan() -> None:
    """Two discs of 71 mm with rims of 1.6 mm on a plate of 100 × 150: 0.16 mm short of room, on the diagonal."""
    a, b = disc(37.1), disc(37.1)
    assert pair_cannot_fit(a, b, 96.0, 146.0, 1.0) is None
    assert pair_cannot_fit(a, b, 96.2, 146.2, 1.0) is not None


def star(points: int, seed: int) -> Polygon:
    """A star that looks the same turned by 360°/points."""
    chance = random.Random(seed)
    inner = chance.uniform(12.0, 20.0)
    ring = []
    for k in range(2 * points):
        angle, reach = math.pi * k / points, 24.0 if k % 2 else inner
        ring.append((reach * math.cos(angle), reach * math.sin(angle)))
    return Polygon(ring)


@pytest.mark.parametrize("points", [3, 4, 5, 6])
def test_folding_says_nothing_new(points) -> None:
    """A star and a bar, at the edge of fitting: folded the pair is refused where whole it is, and never where it fits."""
    shape = star(points, points)
    fold, common = common_to_folds(shape, 16, 0.002)
    assert fold % points == 0
    assert common.area > 0.998 * shape.area
    assert shape.covers(common)
    one, other = Opponent(shape, ALL_TURNS), Opponent(box(-20, -5, 20, 5), ALL_TURNS)
    # Beside each other they fit, whatever the turn of the star that is narrowest.
    narrow = min(
        rotate(shape, turn, origin=(0, 0)).bounds[2] - rotate(shape, turn, origin=(0, 0)).bounds[0]
        for turn in range(0, 120)
    )
    assert pair_cannot_fit(one, other, narrow + 11.1, 60.0, 1.0) is not None
    assert pair_cannot_fit(one, other, 47.0, 30.0, 1.0) is None


def test_disc_radius() -> None:
    """The largest disc about the middle; nothing where the middle lies outside or in an opening."""
    assert disc_radius_mm(box(-10, -4, 10, 6)) == pytest.approx(4.0)
    assert disc_radius_mm(box(5, 5, 20, 20)) == 0.0
    assert disc_radius_mm(box(-9, -9, 9, 9).difference(box(-2, -2, 2, 2))) == 0.0


def test_listed_turns_are_joined_never_narrowed() -> None:
    """Two intervals of one middle count as the wider of them, whichever comes first; folds bring turns together."""
    bar = box(-30, -10, 30, 10)
    narrow, wide = (89.9, 90.1), (-0.5, 0.5)
    for turns in ((narrow, wide), (wide, narrow), ((359.9, 360.1), (0.0 - 0.4, 0.4))):
        rim = folded(Opponent(bar, turns), 4 if narrow in turns else 1, 0.0)
        lo, hi = rim.cells[0]
        assert len(rim.cells) == 1
        assert hi - lo >= 0.8 - 1e-9
    quarters = tuple((t - SLACK_DEG, t + SLACK_DEG) for t in (0.0, 90.0, 180.0, 270.0))
    assert len(folded(Opponent(bar, quarters), 2, 0.0).cells) == 2
    assert len(folded(Opponent(bar, quarters), 1, 0.0).cells) == 4


def test_the_command_says_not_known(tmp_path) -> None:
    """What was not gone through is not called broken, and the exit code still says that the bound was not verified."""
    plan = replace(
        two_large(disproofs=[{"dies": {"oak": 1, "ash": 1}, **RELATIVE}]), machine=Machine((9e5, 9e5))
    )
    write_plan(plan, tmp_path / "plan.json")
    answer = CliRunner().invoke(app, ["check", "--proof", "--seconds", "60", str(tmp_path)])
    assert answer.exit_code == 1
    assert "Undecided: the proof of 30 passes was not gone through, it is too large" in answer.output
    assert "Broken: [undecided]" not in answer.output
