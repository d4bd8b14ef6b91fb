"""What do hands do in the course of an evening, and how long does it take them?

An evening is a list of actions: papers are laid, pulled on, turned and taken away, dies set up, lifted and put back, the crank
is turned, pieces are freed, scraps trimmed beforehand. They are counted from what lies where, before a pass and in it:

    plate, done = next_plate(EMPTY, OnPlate(papers, down), copies)      # one pass after the other, as a search makes them
    minutes_of(evening_actions(plan), plan.hand.seconds, plan.machine)  # a whole plan

Pure functions of values; the checker counts with code of its own.
"""

from nestcut.hands.evening import (
    actions_by_pass,
    evening_actions,
    minutes_of,
    pass_actions,
    seconds_by_pass,
    seconds_in_use,
    seconds_of,
    sum_of,
    trim_actions,
)
from nestcut.hands.plate import EMPTY, Down, OnPlate, PlateState, Spot, next_plate, spot_of
from nestcut.hands.rough import rough_minutes, rough_pass_s, rough_trim_s
from nestcut.hands.trimming import TrimWork, work_of_trim

__all__ = [
    "EMPTY",
    "Down",
    "OnPlate",
    "PlateState",
    "Spot",
    "TrimWork",
    "actions_by_pass",
    "evening_actions",
    "minutes_of",
    "next_plate",
    "pass_actions",
    "rough_minutes",
    "rough_pass_s",
    "rough_trim_s",
    "seconds_by_pass",
    "seconds_in_use",
    "seconds_of",
    "spot_of",
    "sum_of",
    "trim_actions",
    "work_of_trim",
]
