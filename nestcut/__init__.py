"""nestcut: die-cutting plate nesting optimizer.

Plans an evening of die cutting: which dies ride together on the plate, on which scraps of card, for
how many passes, with a proof of how good the plan is.

    >>> import nestcut                                             # doctest: +SKIP
    >>> batch = nestcut.read("evening.toml")                       # doctest: +SKIP
    >>> plan = nestcut.plan(batch, seconds=20)                     # doctest: +SKIP
    >>> nestcut.check(plan).ok                                     # doctest: +SKIP
    True
    >>> nestcut.write(plan, "out")                                 # doctest: +SKIP

Everything is imported on first use, so that ``import nestcut`` and ``nestcut --help`` stay quick.
All names below are plain functions and classes; the rooms that hold them (``nestcut.plans``, ``nestcut.checks``, …)
have other names.
"""

from __future__ import annotations

TYPE_CHECKING = False  # typing's own takes longer to load than all before Ctrl-C is heard (see __main__)
if TYPE_CHECKING:
    from typing import Any

    from nestcut.batch import Batch as Batch
    from nestcut.box import Box as Box
    from nestcut.box import read_batch as read
    from nestcut.checks import Report as Report
    from nestcut.checks import check_plan as check_plan
    from nestcut.checks import check_proof as check_proof
    from nestcut.errors import NestcutError as NestcutError
    from nestcut.folder import write_plan_folder as write
    from nestcut.passes import estimate as estimate
    from nestcut.passes import plan_batch as plan
    from nestcut.plans import Plan as Plan
    from nestcut.plans import plan_schema as plan_schema
    from nestcut.plans import read_plan as read_plan
    from nestcut.plans import write_plan as write_plan

__version__ = "0.1.0"

__all__ = [
    "Batch",
    "Box",
    "NestcutError",
    "Plan",
    "Report",
    "check",
    "check_proof",
    "estimate",
    "plan",
    "plan_schema",
    "read",
    "read_plan",
    "write",
    "write_plan",
]

_DOORS = {
    "Batch": ("nestcut.batch", "Batch"),
    "Box": ("nestcut.box", "Box"),
    "NestcutError": ("nestcut.errors", "NestcutError"),
    "Plan": ("nestcut.plans", "Plan"),
    "Report": ("nestcut.checks", "Report"),
    "check": ("nestcut.checks", "check_plan"),
    "check_proof": ("nestcut.checks", "check_proof"),
    "estimate": ("nestcut.passes", "estimate"),
    "plan": ("nestcut.passes", "plan_batch"),
    "plan_schema": ("nestcut.plans", "plan_schema"),
    "read": ("nestcut.box", "read_batch"),
    "read_plan": ("nestcut.plans", "read_plan"),
    "write": ("nestcut.folder", "write_plan_folder"),
    "write_plan": ("nestcut.plans", "write_plan"),
}


def __getattr__(name: str) -> Any:
    import importlib

    if name in _DOORS:
        module, attribute = _DOORS[name]
        return getattr(importlib.import_module(module), attribute)
    raise AttributeError(f"module 'nestcut' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
