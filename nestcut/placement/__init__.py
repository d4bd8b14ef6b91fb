"""Where shapes lie: do they fit together, how many fit, how short can a strip be, how far apart.

Doors are opened when they are first asked for, so that importing this package stays quick: the compiled
kernels and OR-Tools are loaded only by the functions that need them.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from nestcut.placement.shapes.types import Filling, Part, Placed, Progress, StopCheck, StripLayout

if TYPE_CHECKING:
    from nestcut.placement.engine.fits import fits_together
    from nestcut.placement.engine.spread import spread
    from nestcut.placement.fill.fill import fill_region
    from nestcut.placement.fill.scale import largest_scale
    from nestcut.placement.shapes.nofit import inner_fit, no_fit
    from nestcut.placement.strip.reach import Reach, least_reach
    from nestcut.placement.strip.strip import least_length

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
    "no_fit",
    "spread",
]

_DOORS = {
    "Reach": "strip.reach",
    "fill_region": "fill.fill",
    "fits_together": "engine.fits",
    "inner_fit": "shapes.nofit",
    "largest_scale": "fill.scale",
    "least_length": "strip.strip",
    "least_reach": "strip.reach",
    "no_fit": "shapes.nofit",
    "spread": "engine.spread",
}


def __getattr__(name: str) -> Any:
    if name in _DOORS:
        return getattr(import_module(f".{_DOORS[name]}", __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
