"""The plan as a value, and its JSON.

plan = read_plan("out/plan.json")      # PlanError with file, key and mend
write_plan(plan, "copy.json")          # whole or not at all
jsonschema.validate(plan_to_json(plan), plan_schema())
"""

from nestcut.plans.decode import plan_from_json
from nestcut.plans.encode import plan_digest, plan_text, plan_to_json, shape_to_json
from nestcut.plans.files import plan_schema, read_plan, write_plan
from nestcut.plans.model import (
    Actions,
    Bound,
    BrokenDie,
    Cut,
    DemandMet,
    KitPacking,
    Layup,
    MissedCut,
    Missing,
    PaperOnPlate,
    Pass,
    PassClock,
    Plan,
    Remnant,
    Share,
    Shortage,
    Slot,
    SpoiltPaper,
    Totals,
    Trim,
)
from nestcut.plans.shapes import shape_from_json
from nestcut.plans.shorten import shortened

__all__ = [
    "Actions",
    "Bound",
    "BrokenDie",
    "Cut",
    "DemandMet",
    "KitPacking",
    "Layup",
    "MissedCut",
    "Missing",
    "PaperOnPlate",
    "Pass",
    "PassClock",
    "Plan",
    "Remnant",
    "Share",
    "Shortage",
    "Slot",
    "SpoiltPaper",
    "Totals",
    "Trim",
    "plan_digest",
    "plan_from_json",
    "plan_schema",
    "plan_text",
    "plan_to_json",
    "read_plan",
    "shape_from_json",
    "shape_to_json",
    "shortened",
    "write_plan",
]
