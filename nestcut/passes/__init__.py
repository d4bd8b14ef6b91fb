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
    from nestcut.passes.planner import plan_batch as plan_batch

__all__ = ["Estimate", "estimate", "plan_batch"]

_DOORS = {
    "Estimate": "nestcut.passes.estimate",
    "plan_batch": "nestcut.passes.planner",
}


def __getattr__(name: str) -> Any:
    if name in _DOORS:
        return getattr(importlib.import_module(_DOORS[name]), name)
    raise AttributeError(f"module 'nestcut.passes' has no attribute {name!r}")


def estimate(*args: Any, **kwargs: Any) -> Any:
    """Passes, time and paper for several kit numbers; see :func:`nestcut.passes.estimate.estimate`."""
    return importlib.import_module("nestcut.passes.estimate").estimate(*args, **kwargs)
