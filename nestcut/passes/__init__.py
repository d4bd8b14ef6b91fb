"""The passes room: which dies ride together, on what paper, how often.

Doors: :func:`plan_batch`, the whole plan, and :func:`estimate`, its numbers only. Heavy libraries are
imported on first use.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nestcut.passes.advice.estimates import Estimate as Estimate
    from nestcut.passes.advice.estimates import estimate as estimate
    from nestcut.passes.advice.estimates import one_paper_per_pass as one_paper_per_pass
    from nestcut.passes.advice.whatif import WhatIf as WhatIf
    from nestcut.passes.advice.whatif import what_if as what_if
    from nestcut.passes.planner import plan_batch as plan_batch
    from nestcut.passes.plate.solve import TradeOff as TradeOff
    from nestcut.passes.plate.solve import trade_off as trade_off

__all__ = [
    "Estimate",
    "TradeOff",
    "WhatIf",
    "estimate",
    "one_paper_per_pass",
    "plan_batch",
    "trade_off",
    "what_if",
]

_DOORS = {
    "Estimate": "nestcut.passes.advice.estimates",
    "estimate": "nestcut.passes.advice.estimates",
    "WhatIf": "nestcut.passes.advice.whatif",
    "one_paper_per_pass": "nestcut.passes.advice.estimates",
    "plan_batch": "nestcut.passes.planner",
    "TradeOff": "nestcut.passes.plate.solve",
    "trade_off": "nestcut.passes.plate.solve",
    "what_if": "nestcut.passes.advice.whatif",
}


def __getattr__(name: str) -> Any:
    if name in _DOORS:
        return getattr(importlib.import_module(_DOORS[name]), name)
    raise AttributeError(f"module 'nestcut.passes' has no attribute {name!r}")
