"""The values that the placement room takes and gives. Millimetres, degrees."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from shapely.geometry import Polygon

from nestcut.batch.model import Pose, Shape, Turns

__all__ = ["Filling", "Part", "Placed", "Progress", "StopCheck", "StripLayout"]

StopCheck = Callable[[], bool]
"""Asked now and then: True ends the search with the best found so far."""


@dataclass(frozen=True, slots=True)
class Part:
    """A shape to place. What must stay apart from other parts is ``shape``, in its own frame.

    ``most`` bounds the number of copies (None: as many as fit), ``value`` weighs them.
    """

    name: str
    shape: Shape
    turns: Turns = "any"
    value: float = 1.0
    most: int | None = None
    least: int = 0


@dataclass(frozen=True, slots=True)
class Placed:
    """A placed part: its number in the list of parts, and its pose."""

    part: int
    pose: Pose


@dataclass(frozen=True, slots=True)
class Filling:
    """A layout of parts in a region, exactly checked, and a proved upper bound on its value."""

    placed: tuple[Placed, ...]
    value: float
    bound: float
    reason: str
    """Why no layout can have a value above ``bound``, in plain words."""


@dataclass(frozen=True, slots=True)
class StripLayout:
    """All parts in a strip ``width_mm`` wide and ``length_mm`` long (x runs along the length)."""

    placed: tuple[Placed, ...]
    length_mm: float
    bound_mm: float
    density: float
    seconds: float
    moves: int
    history: tuple[tuple[float, float], ...] = field(default=())
    """(seconds, length) of each improvement."""


@dataclass(frozen=True, slots=True)
class Progress:
    """What a search tells while it runs: the best checked layout so far."""

    placed: Sequence[Placed]
    value: float
    bound: float
    seconds: float
    region: Polygon | None = None
