"""Where shapes lie: do they fit together, how many fit, how short can a strip be, how far apart.

Doors are opened when they are first asked for, so that importing this package stays quick: the compiled
kernels and OR-Tools are loaded only by the functions that need them.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from .types import Filling, Part, Placed, Progress, StopCheck, StripLayout

if TYPE_CHECKING:
    from .fill import fill_region
    from .fits import fits_together
    from .nofit import inner_fit, no_fit
    from .reach import Reach, least_reach
    from .scale import largest_scale
    from .spread import spread
    from .strip import least_length
    from .worth import most_value

__all__ = [
    "Filling",
    "Part",
    "Placed",
    "Progress",
    "Reach",
    "StopCheck",
    "StripLayout",
    "fill_region",
    "fits_together",
    "inner_fit",
    "largest_scale",
    "least_length",
    "least_reach",
    "most_value",
    "no_fit",
    "spread",
]

_DOORS = {
    "Reach": "reach",
    "fill_region": "fill",
    "fits_together": "fits",
    "inner_fit": "nofit",
    "largest_scale": "scale",
    "least_length": "strip",
    "least_reach": "reach",
    "most_value": "worth",
    "no_fit": "nofit",
    "spread": "spread",
}


def __getattr__(name: str) -> Any:
    if name in _DOORS:
        return getattr(import_module(f".{_DOORS[name]}", __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
