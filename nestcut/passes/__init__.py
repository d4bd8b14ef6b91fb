"""The passes room: which dies ride together, on what paper, how often.

Doors: :func:`plan_batch`, the whole plan, and :func:`estimate`, its numbers only. Heavy libraries are
imported on first use.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nestcut.passes.estimate import Estimate as Estimate
    from nestcut.passes.estimate import estimate as estimate
    from nestcut.passes.estimate import one_paper_per_pass as one_paper_per_pass
    from nestcut.passes.planner import plan_batch as plan_batch
    from nestcut.passes.whatif import WhatIf as WhatIf
    from nestcut.passes.whatif import what_if as what_if

__all__ = ["Estimate", "WhatIf", "estimate", "one_paper_per_pass", "plan_batch", "what_if"]

_DOORS = {
    "Estimate": "nestcut.passes.estimate",
    "WhatIf": "nestcut.passes.whatif",
    "one_paper_per_pass": "nestcut.passes.estimate",
    "plan_batch": "nestcut.passes.planner",
    "what_if": "nestcut.passes.whatif",
}


def __getattr__(name: str) -> Any:
    if name in _DOORS:
        return getattr(importlib.import_module(_DOORS[name]), name)
    raise AttributeError(f"module 'nestcut.passes' has no attribute {name!r}")


def estimate(*args: Any, **kwargs: Any) -> Any:
    """Passes, time and paper for several kit numbers; see :func:`nestcut.passes.estimate.estimate`."""
    return importlib.import_module("nestcut.passes.estimate").estimate(*args, **kwargs)
