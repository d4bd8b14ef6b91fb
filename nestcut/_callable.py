"""Lets a room be called by its name.

``nestcut.plan(batch)`` and ``nestcut.check(plan)`` read as people say them, but ``nestcut.plan`` and
``nestcut.check`` are packages. Python sets the package as attribute ``plan`` of ``nestcut`` whenever anything in
it is imported, so a function of that name would come and go with the order of imports. A package whose
class has ``__call__`` is both, always.
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import Any

__all__ = ["make_callable"]


def make_callable(module_name: str, *, target: tuple[str, str]) -> None:
    """Make the module call ``target`` = (module, function), imported at the first call."""

    class CallableModule(ModuleType):
        def __call__(self, *args: Any, **kwargs: Any) -> Any:
            return getattr(importlib.import_module(target[0]), target[1])(*args, **kwargs)

    sys.modules[module_name].__class__ = CallableModule
