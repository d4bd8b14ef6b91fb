"""The length of cutting line under the roller."""

from __future__ import annotations

import math

import pytest
import shapely
from shapely.geometry import Point, box

from nestcut.batch.model import Die, Machine, Pose
from nestcut.passes.common.load import line_load, stagger, straight_meetings
from nestcut.plans.model import Slot

MACHINE = Machine(plate_mm=(150.0, 220.0), clear_mm=2.0)
BAR = Die("bar", cut=box(-20, -4, 20, 4), rim=box(-21.6, -5.6, 21.6, 5.6))
DISC = Die("disc", cut=Point(0, 0).buffer(10, quad_segs=64), rim=Point(0, 0).buffer(11.6, quad_segs=64))
DIES = {"bar": BAR, "disc": DISC}


def test_profile_sums_to_the_whole_cutting_line() -> None:
    """Every millimetre of cutting line passes under the roller once."""
    slots = (Slot("bar", Pose(40, 50, 17)), Slot("disc", Pose(100, 160, 0)))
    load = line_load(slots, DIES, MACHINE)
    assert sum(load.length_mm) == pytest.approx(BAR.cut.length + DISC.cut.length, abs=0.2)


def test_long_edge_across_the_feed_is_the_peak() -> None:
    """A 40 mm edge square to the feed meets the roller at once: 40 mm and the ends of the two sides."""
    load = line_load((Slot("bar", Pose(75, 100.5, 0)),), DIES, MACHINE)
    assert load.peak_mm == pytest.approx(40 + 2 * 0.5, abs=1.01)
    assert load.at_mm == pytest.approx(96.5, abs=1.0) or load.at_mm == pytest.approx(104.5, abs=1.0)
    assert straight_meetings((Slot("bar", Pose(75, 100, 0)),), DIES) == ((0, 40.0),)
    assert straight_meetings((Slot("bar", Pose(75, 100, 30)),), DIES) == ()


def test_disc_profile_follows_the_circle() -> None:
    """Between y and y + 1 a circle of radius r has the arc length 2·r·(asin((y+1)/r) − asin(y/r)) (elementary geometry)."""
    load = line_load((Slot("disc", Pose(75, 100, 0)),), DIES, MACHINE)
    for k in (0, 3, 6):
        arc = 2 * 10 * (math.asin((k + 1) / 10) - math.asin(k / 10))
        assert load.length_mm[100 + k] == pytest.approx(arc, rel=0.01)


def test_stagger_lowers_the_peak_and_keeps_the_rules() -> None:
    """Three bars laid square in one row end up with a lower peak, rims in the window and the gap kept."""
    slots = tuple(Slot("bar", Pose(30 + 45 * i, 100, 0)) for i in range(3))
    before = line_load(slots, DIES, MACHINE)
    after_slots = stagger(slots, DIES, MACHINE, gap_mm=1.0, turns={"bar": None}, seed=3)
    after = line_load(after_slots, DIES, MACHINE)
    assert after.peak_mm < 0.5 * before.peak_mm
    rims = [s.pose.apply(BAR.rim) for s in after_slots]
    assert all(MACHINE.window.covers(rim) for rim in rims)
    assert all(shapely.distance(a, b) >= 1.0 - 1e-6 for i, a in enumerate(rims) for b in rims[:i])


def test_stagger_keeps_to_listed_angles() -> None:
    """A die that may only lie at 0° or 90° is never turned otherwise."""
    slots = tuple(Slot("bar", Pose(30 + 45 * i, 100, 0)) for i in range(3))
    result = stagger(slots, DIES, MACHINE, gap_mm=1.0, turns={"bar": (0.0, 90.0)}, seed=1)
    assert {s.pose.deg for s in result} <= {0.0, 90.0}
    assert line_load(result, DIES, MACHINE).peak_mm < line_load(slots, DIES, MACHINE).peak_mm
